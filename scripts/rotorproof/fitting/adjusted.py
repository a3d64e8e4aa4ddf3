"""What the tests of one unit say together: each constant that several observe, adjusted from all of them.

Which tests observe the same constant, and by which equation, is decided in ``observed.py`` and ``friction_ties.py``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..errors import FitError, Problem
from ..procedures import procedures
from ..procedures.base import Axis, Panel, Series, Table
from ..procedures.derivation import Shown
from ..quantities import quantities
from ..signs import number_text, value_text
from ..uncertainty.adjustment import Adjustment, Explanation, adjust
from ..uncertainty.coverage import interval
from ..uncertainty.earlier import Earlier
from ..uncertainty.forms import Form
from ..uncertainty.monte_carlo import Simulation
from ..uncertainty.result import Result
from ..uncertainty.stamps import StampError
from ..units import SI_UNIT
from .admitted import admitted
from .consistency import Consistency, SingleError, TestsValue
from .engine import Outcome
from .friction_ties import FRICTION_ALONE, friction
from .instrument_error import InstrumentError
from .observed import DIRECT, Q_AXIS, Group, Runs, one_constant, plain, times


@dataclass(frozen=True)
class Adjusted:
    """The adjusted constants of a unit: forms, what stands behind each, and what the report shows."""

    forms: dict[str, Form] = field(default_factory=dict)
    consistency: dict[str, Consistency] = field(default_factory=dict)
    #: Those cut at the end of what is possible.
    simulated: dict[str, Simulation] = field(default_factory=dict)
    #: Places of the outcomes behind each quantity.
    members: dict[str, Sequence[int]] = field(default_factory=dict)
    with_controller_loss: Sequence[str] = ()
    shown: Shown = field(default_factory=Shown)


def adjusted(unit: str, outcomes: Sequence[Outcome], probability: float, earlier: Sequence[Earlier] = ()) -> Adjusted:
    """Return every constant that two procedures or more observe, or one and an ``earlier`` test, adjusted.

    ``probability`` is that of the bands drawn.
    """
    found = Adjusted({}, {}, {}, {})
    panels: list[Panel] = []
    rows: list[list[str | float | int]] = []
    notes: list[str] = []
    cut: list[str] = []
    held: list[str] = []
    errors = {name: error for one in outcomes for name, error in one.errors.items()}
    for make in _MAKERS:
        for group in _made(make, Runs(unit, outcomes, probability, earlier)):
            if found.forms.keys() & set(group.names):
                continue  # adjusted already, with what else it is tied to
            try:
                solved = adjust(f"{unit}/{'+'.join(group.names)}", group.observations)
            except FitError:
                continue  # without a stated uncertainty nothing can be weighed: the preferred test stands
            forms = {**solved.forms, **{name: times(solved.forms[of], by) for name, (of, by) in group.ties.items()}}
            stands = {name: admitted(name, Result(form), probability) for name, form in forms.items()}
            if any(state == "impossible" for state, _, _ in stands.values()):
                continue  # the tests disagree so far that nothing possible is left between them
            for name, (_, result, said) in stands.items():
                if result.simulation is not None:
                    found.simulated[name] = result.simulation
                    cut.append(f"{quantities()[name].title}: {said}")
                found.forms[name] = result.form
                found.members[name] = group.places
                if group.with_controller_loss:
                    held.append(name)
                tests = _tests(name, group, solved, result.value, probability)
                if len({one.procedure for one in tests}) < 2:
                    continue  # it is found beside the constants that the tests share
                found.consistency[name] = _consistency(solved, tests, errors)
                panels.append(_panel(name, tests, result, probability))
                rows += _rows(name, tests)
            notes += group.notes
    if not found.forms:
        return found
    notes += [_unverified(one) for one in earlier if _entered(found, one)]
    shown = Shown(panels, [_table(rows)], [*_notes(found.consistency), *dict.fromkeys(notes), *cut])
    return replace(found, with_controller_loss=held, shown=shown)


def left_out(found: Adjusted, earlier: Sequence[Earlier], shown: str) -> list[Problem]:
    """Return a warning for what was asked of earlier tests by name and did not enter, or if nothing of one did."""
    problems = []
    for one in earlier:
        entered = _entered(found, one)
        lost = [name for name in one.asked if name in one.forms and name not in entered]
        if lost or not (entered or one.asked):
            words = ", ".join(quantities()[name].title for name in lost) or "all of it"
            problems.append(
                Problem(
                    f"{words} of {one.file} does not count: no test now gives it as a constant that stands by itself, "
                    "with a symmetric interval (terms of friction are a set whose common errors no result file holds)",
                    file=shown,
                    column=f"earlier, entry {one.place + 1}, drift",
                    severity="warning",
                )
            )
    return problems


def _entered(found: Adjusted, one: Earlier) -> list[str]:
    """Return the quantities that an earlier test counts in."""
    behind = found.consistency.items()
    return [name for name, entry in behind if one.test in {test.procedure for test in entry.tests}]


def _unverified(one: Earlier) -> str:
    return (
        f"{_title(one.test)}: values of {one.file} with the drift stated in unit.yaml. The file is not verified here; "
        "verify the archive that it came from. A source of uncertainty named alike in both is taken to be one error, "
        "which is the safe side; an instrument under another name now than then counts as independent, which would "
        "make the interval too narrow."
    )


def _title(test: str) -> str:
    """Return a test's title, of an earlier one its name."""
    return procedures()[test].title if test in procedures() else f"{test[0].upper()}{test[1:]}"


#: What each group of constants is made by.
_MAKERS: Sequence[Callable[[Runs], Sequence[Group | None]]] = (
    lambda runs: [friction(runs)],
    lambda runs: one_constant(runs, *DIRECT),
    lambda runs: one_constant(runs, *Q_AXIS),
    lambda runs: [plain(runs, name) for name in quantities() if name not in {*FRICTION_ALONE, *DIRECT, *Q_AXIS}],
)


def _made(make: Callable[[Runs], Sequence[Group | None]], runs: Runs) -> list[Group]:
    try:
        return [group for group in make(runs) if group is not None]
    except FitError:
        return []  # what ties the tests together is not determined: each stands for itself


def _tests(name: str, group: Group, found: Adjustment, value: float, probability: float) -> list[TestsValue]:
    """Return how each test stands to a quantity, in SI; one that gives two values of it stands in two."""
    of, factor = group.ties.get(name, (name, Form(1.0)))
    weights = {(share.test, *share.design.items()): share.weights[of] for share in found.shares}
    tests = []
    for one in group.observed:
        if one.name != of:
            continue
        seen, scale = one.observation, one.scale * factor.value
        model = math.fsum(by * found.forms[constant].value for constant, by in seen.design.items())
        residual = (seen.form.value - model) * scale
        half = interval(seen.form, probability).expanded_uncertainty * scale
        given_as = one.given_as or (of if of != name else "")
        tests.append(
            TestsValue(
                procedure=seen.test,
                value=value + residual,
                expanded_uncertainty=half,
                weight=weights.get((seen.test, *seen.design.items()), 0.0) / one.scale,
                residual=residual,
                normalised_residual=(seen.form.value - model) / seen.form.standard_uncertainty,
                given_as=given_as if given_as not in ("", name) else None,
            )
        )
    return tests


def _consistency(found: Adjustment, tests: Sequence[TestsValue], errors: Mapping[str, InstrumentError]) -> Consistency:
    """Return what stands behind an adjusted quantity."""
    return Consistency(
        chi_square=found.chi_square,
        degrees_of_freedom=found.degrees_of_freedom,
        probability=found.probability,
        birge_ratio=found.birge_ratio,
        agrees=found.agrees,
        out_of_line=found.out_of_line,
        set_aside=list(found.set_aside),
        tests=tests,
        explanations=[
            SingleError(_explained(one, errors.get(one.influence.name)), one.shift, list(one.tests), one.probability)
            for one in found.explanations[:_MOST_EXPLANATIONS]
        ],
    )


#: Errors named that would bring tests into agreement.
_MOST_EXPLANATIONS = 3


def _explained(one: Explanation, error: InstrumentError | None) -> str:
    """Say which error it would be, and how large, as the instrument states its own."""
    times_ = f"{number_text(abs(one.shift), '.2g')} times its standard uncertainty"
    high = "high" if one.shift > 0 else "low"
    # The rounding of a stamp is no error that an instrument's readings are all off by.
    if error is None or isinstance(error.accuracy, StampError):
        return f"{one.influence.source}, {times_} too {high}"
    parts = []
    each = abs(one.shift) / math.sqrt(3.0)
    if error.accuracy.relative:
        parts.append(f"{number_text(100.0 * each * error.accuracy.relative, '.2g')} %")
    if error.accuracy.fixed and error.kind:
        unit = "K" if error.kind == "temperature" else SI_UNIT[error.kind]
        parts.append(value_text(each * error.accuracy.fixed, unit, ".2g"))
    return f"{one.influence.source}: readings {' and '.join(parts) or times_} too {high}, {times_}"


def _panel(name: str, tests: Sequence[TestsValue], result: Result, probability: float) -> Panel:
    """Return the figure of one constant: each test with its interval, and the adjusted band."""
    quantity = quantities()[name]
    series = []
    for number, one in enumerate(tests, start=1):
        at, half = np.array([one.value]), np.array([one.expanded_uncertainty])
        series.append(Series(_title(one.procedure), at, np.array([float(number)]), y_error=half))
    cover = result.interval(probability)
    ends = np.array([cover.low, result.value, cover.high])
    series.append(Series("adjusted", ends, np.full(3, len(tests) + 1.0), "fit"))
    return Panel(
        f"adjusted-{name.replace('_', '-')}",
        quantity.title,
        Axis(quantity.title, quantity.kind, quantity.unit),
        Axis("Test", "number", "1"),
        series,
        "What each test gives of it, with its interval; shaded, the adjusted value's interval.",
        drawing="intervals",
    )


def _rows(name: str, tests: Sequence[TestsValue]) -> list[list[str | float | int]]:
    rows: list[list[str | float | int]] = []
    for one in tests:
        by = _title(one.procedure)
        if one.given_as is not None:
            by += f" ({quantities()[one.given_as].title})"
        rows.append([quantities()[name].title, by, round(one.weight, 3), round(one.normalised_residual, 2)])
    return rows


def _table(rows: Sequence[Sequence[str | float | int]]) -> Table:
    heads = ["Constant", "Test", "Weight", "Distance from the adjusted value over its standard uncertainty"]
    return Table("What each test weighs, and how far it lies from the adjusted value", heads, rows)


def _notes(consistency: Mapping[str, Consistency]) -> list[str]:
    notes = [
        "Least-squares adjustment with the errors that tests share (Mohr and Taylor, Rev. Mod. Phys. 72 (2000) 351). "
        "Where chance explains the differences in less than 5 % of cases, uncertainties are multiplied by the Birge "
        "ratio (Birge, Phys. Rev. 40 (1932) 207)."
    ]
    for name, one in consistency.items():
        words = (
            f"{quantities()[name].title}: χ² {one.chi_square:.2f} with {one.degrees_of_freedom} degree(s) of "
            f"freedom, Birge ratio {one.birge_ratio:.2f}; the tests {'agree' if one.agrees else 'disagree'}"
        )
        if one.set_aside:
            aside = ", ".join(_title(test) for test in one.set_aside)
            words += f"; {aside} rests on the same readings as another and counts once"
        notes.append(f"{words}.")
    return notes
