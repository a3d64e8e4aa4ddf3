"""What the tests of one unit say together: each constant that several observe, adjusted from all of them.

Which tests observe the same constant is decided here:

- the first run of each procedure counts; further runs of one procedure with a label of their own are reported apart;
- the EMF constant and the torque constant are adjusted apart: power makes them equal where the definition says so, in
  the open-circuit test, which gives both; what commutation does to either under load is no part of that;
- friction is a set: the two terms of the straight line are adjusted together. A run that tells air drag apart fits
  other terms, and a run that holds part of a controller's loss measures something else; neither is bound to the
  others. So air drag never joins a viscous term that holds it already;
- where a form does not describe a value's distribution, what the interval has more is an influence of its own; a value
  whose interval is not symmetric is not adjusted, and nothing is without the test that is preferred.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..errors import FitError
from ..procedures import procedures
from ..procedures.base import Axis, Panel, Series, Table
from ..procedures.derivation import Shown
from ..quantities import preference, quantities
from ..uncertainty.adjustment import Adjustment, Observation, adjust
from ..uncertainty.coverage import interval
from ..uncertainty.forms import Form, Influence
from ..uncertainty.monte_carlo import Simulation
from ..uncertainty.result import Result
from .admitted import admitted
from .engine import Outcome

#: Quantities that one fit gives together and that only mean something together.
_SETS = (("coulomb_friction", "viscous_friction"),)
_SQUARE = "windage"
#: Difference of the two sides of an interval, over their sum, from which on it is not symmetric.
_UNEVEN = 0.1
#: Coverage factor of a normal distribution for 95 %.
_NORMAL = 1.96


@dataclass(frozen=True)
class Adjusted:
    """The adjusted constants of a unit: forms, what stands behind each, and what the report shows."""

    forms: Mapping[str, Form] = field(default_factory=dict)
    consistency: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    #: Those cut at the end of what is possible.
    simulated: Mapping[str, Simulation] = field(default_factory=dict)
    #: Places of the outcomes behind each quantity.
    members: Mapping[str, Sequence[int]] = field(default_factory=dict)
    with_controller_loss: Sequence[str] = ()
    shown: Shown = field(default_factory=Shown)


def adjusted(unit: str, outcomes: Sequence[Outcome], probability: float) -> Adjusted:
    """Return every constant that two procedures or more give, adjusted; ``probability`` is that of the bands drawn."""
    forms: dict[str, Form] = {}
    consistency: dict[str, Mapping[str, Any]] = {}
    members: dict[str, Sequence[int]] = {}
    simulated: dict[str, Simulation] = {}
    panels, rows, cut = [], [], []
    single = [(name,) for name in quantities() if not any(name in together for together in _SETS)]
    for names in [*_SETS, *single]:
        places = _members(names, outcomes)
        if len(places) < 2:
            continue
        observations = [
            Observation(outcomes[place].procedure, _linear(unit, outcomes[place], name, probability), {name: 1.0})
            for place in places
            for name in names
        ]
        try:
            found = adjust(f"{unit}/{'+'.join(names)}", observations)
        except FitError:
            continue  # without a stated uncertainty nothing can be weighed: the preferred test stands
        stands = {name: admitted(name, Result(found.forms[name]), probability) for name in names}
        if any(state == "impossible" for state, _, _ in stands.values()):
            continue  # the tests disagree so far that nothing possible is left between them
        for name in names:
            _, result, said = stands[name]
            if result.simulation is not None:
                simulated[name] = result.simulation
                cut.append(f"{quantities()[name].title}: {said}")
            alone = {outcomes[place].procedure: outcomes[place].forms[name] for place in places}
            forms[name] = result.form
            consistency[name] = _consistency(name, found, alone)
            members[name] = places
            panels.append(_panel(name, alone, result, probability))
            rows += _rows(name, consistency[name])
    held = [name for name, places in members.items() if name in outcomes[places[0]].with_controller_loss]
    shown = Shown(panels, [_table(rows)], [*_notes(consistency), *cut]) if forms else Shown()
    return Adjusted(forms, consistency, simulated, members, held, shown)


def _members(names: Sequence[str], outcomes: Sequence[Outcome]) -> list[int]:
    """Return the places of the runs that observe the same ``names``, the best first."""
    known = procedures()
    giving = [
        place
        for place, one in enumerate(outcomes)
        if one.procedure in known
        and all(name in one.forms for name in names)
        and all(one.procedure != earlier.procedure for earlier in outcomes[:place] if names[0] in earlier.forms)
    ]
    if not giving:
        return []
    giving.sort(key=lambda place: (preference(quantities()[names[0]], outcomes[place].procedure), place))
    if names[0] in _SETS[0] and any(_SQUARE in outcomes[place].forms for place in giving):
        giving = [place for place in giving if _SQUARE in outcomes[place].forms]
    # The definition holds no controller's loss, so what does not hold any is bound together where it can be.
    apart = [place for place in giving if names[0] not in outcomes[place].with_controller_loss]
    bound = apart or giving
    even = [place for place in bound if all(_is_even(outcomes[place], name) for name in names)]
    return even if even[:1] == bound[:1] else []


def _is_even(outcome: Outcome, name: str) -> bool:
    """Tell whether the interval of a quantity reaches about as far to both sides."""
    found = outcome.simulated.get(name)
    if found is None:
        return True
    value = outcome.forms[name].value
    up, down = found.high - value, value - found.low
    return abs(up - down) <= _UNEVEN * (up + down)


def _linear(unit: str, outcome: Outcome, name: str, probability: float) -> Form:
    """Return a quantity's form; what its simulated interval has more than that of the form is an influence beside."""
    form, found = outcome.forms[name], outcome.simulated.get(name)
    if found is None:
        return form
    cover = interval(form, probability)
    wider = (0.5 * (found.high - found.low)) ** 2 - cover.expanded_uncertainty**2
    if wider <= 0:
        return form
    influence = Influence(f"curved/{unit}/{outcome.label}/{name}", "departure from a straight line in the influences")
    return Form(form.value, {**form.terms, influence: math.sqrt(wider) / _NORMAL})


def _consistency(name: str, found: Adjustment, alone: Mapping[str, Form]) -> dict[str, Any]:
    """Return what stands behind an adjusted quantity, in SI, for ``results.json``."""
    weights = {share.test: share.weights[name] for share in found.shares if name in share.design}
    tests = []
    for test, form in alone.items():
        residual = form.value - found.forms[name].value
        tests.append(
            {
                "procedure": test,
                "weight": weights.get(test, 0.0),
                "residual": residual,
                "normalised_residual": residual / form.standard_uncertainty,
            }
        )
    return {
        "chi_square": found.chi_square,
        "degrees_of_freedom": found.degrees_of_freedom,
        "probability": found.probability,
        "birge_ratio": found.birge_ratio,
        "agrees": found.agrees,
        "out_of_line": found.out_of_line,
        "set_aside": list(found.set_aside),
        "tests": tests,
    }


def _panel(name: str, alone: Mapping[str, Form], result: Result, probability: float) -> Panel:
    """Return the figure of one constant: each test with its interval, and the adjusted band."""
    quantity = quantities()[name]
    series = []
    for number, (test, own) in enumerate(alone.items(), start=1):
        half = interval(own, probability).expanded_uncertainty
        series.append(
            Series(procedures()[test].title, np.array([float(number)]), np.array([own.value]), y_error=np.array([half]))
        )
    cover = result.interval(probability)
    ends = np.array([0.5, len(alone) + 0.5])
    series.append(Series("adjusted", ends, np.full(2, result.value), "fit"))
    box = np.array([cover.low, cover.low, cover.high, cover.high, cover.low])
    series.append(Series("interval of the adjusted value", ends[[0, 1, 1, 0, 0]], box, "limit"))
    return Panel(
        f"adjusted-{name.replace('_', '-')}",
        quantity.title,
        Axis("Test, as in the legend", "number", "1"),
        Axis(quantity.title, quantity.kind, quantity.unit),
        series,
        "What each test alone gives, with its interval, beside the adjusted value and its interval.",
    )


def _rows(name: str, behind: Mapping[str, Any]) -> list[list[str | float | int]]:
    title = quantities()[name].title
    return [
        [title, procedures()[one["procedure"]].title, round(one["weight"], 3), round(one["normalised_residual"], 2)]
        for one in behind["tests"]
    ]


def _table(rows: Sequence[Sequence[str | float | int]]) -> Table:
    heads = ["Constant", "Test", "Weight", "Distance from the adjusted value over its standard uncertainty"]
    return Table("What each test weighs, and how far it lies from the adjusted value", heads, rows)


def _notes(consistency: Mapping[str, Mapping[str, Any]]) -> list[str]:
    notes = [
        "Least-squares adjustment with the errors that tests share (Mohr and Taylor, Rev. Mod. Phys. 72 (2000) 351). "
        "Where chance explains the differences in less than 5 % of cases, uncertainties are multiplied by the Birge "
        "ratio (Birge, Phys. Rev. 40 (1932) 207)."
    ]
    for name, one in consistency.items():
        words = (
            f"{quantities()[name].title}: χ² {one['chi_square']:.2f} with {one['degrees_of_freedom']} degree(s) of "
            f"freedom, Birge ratio {one['birge_ratio']:.2f}; the tests {'agree' if one['agrees'] else 'disagree'}"
        )
        if one["set_aside"]:
            aside = ", ".join(procedures()[test].title for test in one["set_aside"])
            words += f"; {aside} rests on the same readings as another and counts once"
        notes.append(f"{words}.")
    return notes
