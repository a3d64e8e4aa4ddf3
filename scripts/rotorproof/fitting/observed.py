"""Which tests observe which constants of a unit: the observational equations of its adjustment.

What is observed of one quantity by itself, or of EMF and torque; friction stands in ``friction_ties.py``.

- The first run of each procedure counts; further runs of one procedure with a label of their own are reported apart.
- *EMF and torque constant* are one constant where power makes them so: the DC constant is the torque per ampere of
  direct current, and that per ampere of q-axis current is sqrt(3/2) of the RMS constant's fundamental (the mean torque
  of sinusoidal currents comes from it alone). An influence allows for what breaks that; a slope at the shaft under load
  is lower by what the iron saturates.
- *Earlier tests* of the unit count where it has a test now, as an observation each of a constant that stands by itself;
  terms of friction are a set, and a result file does not say how their errors go together.
- A value whose interval is not symmetric is no observation, and nothing is adjusted without the test that is preferred.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ..procedures import procedures
from ..procedures.assumption import Assumption
from ..quantities import preference, quantities
from ..uncertainty.adjustment import Observation
from ..uncertainty.coverage import interval
from ..uncertainty.earlier import Earlier, as_met_now
from ..uncertainty.forms import Form, Influence
from .assumed import assume
from .engine import Outcome

#: A constant that an EMF and a torque both show: by direct current, and in the q axis.
DIRECT = ("emf_constant_dc", "torque_constant")
Q_AXIS = ("emf_constant_rms", "torque_constant_q")
#: Procedures whose torque per ampere of the q axis is a slope at the shaft.
_AT_THE_SHAFT = ("load",)
_POWER = Assumption(
    "torque_over_emf",
    1.0,
    0.01,
    "torque per ampere and EMF per speed are one constant to 1 percent: hysteresis, the field of the current and the "
    "places of sensors break it (common practice, no source)",
    of_motor=True,
)
_SATURATED = Assumption(
    "shaft_slope_q",
    0.985,
    0.015,
    "the slope of shaft torque over q-axis current lies up to 3 percent below that at small current, since the iron "
    "begins to saturate (common practice, no source)",
)
#: Difference of the two sides of an interval, over their sum, from which on it is not symmetric.
_UNEVEN = 0.1
#: Coverage factor of a normal distribution for 95 %.
_NORMAL = 1.96


@dataclass(frozen=True)
class Observed:
    """An observation as a value of the constant ``name``: in its unit after ``scale``.

    ``given_as`` is the quantity that the test gave, where that is another.
    """

    observation: Observation
    name: str
    scale: float = 1.0
    given_as: str = ""


@dataclass(frozen=True)
class Group:
    """Constants adjusted together, and all that was observed of them.

    ``names`` are the unknowns. ``ties`` are further quantities, each an unknown times a factor; ``places`` are those of
    the outcomes behind, ``notes`` say what was assumed.
    """

    names: Sequence[str]
    observed: Sequence[Observed]
    places: Sequence[int]
    ties: Mapping[str, tuple[str, Form]] = field(default_factory=dict)
    with_controller_loss: bool = False
    notes: Sequence[str] = ()

    @property
    def observations(self) -> list[Observation]:
        """Return the observations for the least squares."""
        return [one.observation for one in self.observed]


@dataclass(frozen=True)
class Runs:
    """The runs of a unit as observations; ``probability`` is that of simulated intervals."""

    unit: str
    outcomes: Sequence[Outcome]
    probability: float
    earlier: Sequence[Earlier] = ()

    def giving(self, *names: str) -> list[int]:
        """Return the places of the first run of each procedure, if it gives all ``names``; the preferred first."""
        found, seen = [], set()
        for place, one in enumerate(self.outcomes):
            if one.procedure in procedures() and names[0] in one.forms and one.procedure not in seen:
                seen.add(one.procedure)
                if all(name in one.forms for name in names):
                    found.append(place)
        return sorted(found, key=lambda at: (preference(quantities()[names[0]], self.outcomes[at].procedure), at))

    def even(self, places: Sequence[int], *names: str) -> list[int]:
        """Return those of ``places`` with symmetric intervals; none if the first has not."""
        kept = [at for at in places if all(self._is_even(self.outcomes[at], name) for name in names)]
        return kept if kept[:1] == list(places[:1]) else []

    def _is_even(self, outcome: Outcome, name: str) -> bool:
        found = outcome.simulated.get(name)
        if found is None:
            return True
        value = outcome.forms[name].value
        up, down = found.high - value, value - found.low
        return abs(up - down) <= _UNEVEN * (up + down)

    def form(self, at: int, name: str) -> Form:
        """Return a quantity's form; what its simulated interval has more than that is an influence beside."""
        outcome = self.outcomes[at]
        form, found = outcome.forms[name], outcome.simulated.get(name)
        if found is None:
            return form
        cover = interval(form, self.probability)
        wider = (0.5 * (found.high - found.low)) ** 2 - cover.expanded_uncertainty**2
        if wider <= 0:
            return form
        key = f"curved/{self.unit}/{outcome.label}/{name}"
        influence = Influence(key, "departure from a straight line in the influences", block=key)
        return Form(form.value, {**form.terms, influence: math.sqrt(wider) / _NORMAL})

    def before(self, name: str, present: Sequence[Observed], factor: Form | None = None) -> list[Observed]:
        """Return what earlier tests gave of the constant that ``present`` observes, under the name of a quantity.

        A ``factor`` is that of the quantity over the constant; a test that gives the constant itself is left out then.
        """
        found = []
        for one in self.earlier:
            of = present[0].name if present else name
            if name not in one.forms or (factor is not None and of in one.forms):
                continue
            form = one.forms[name] if factor is None else times(one.forms[name], factor, -1)
            form = as_met_now(form, [seen.observation.form for seen in present])
            given_as = "" if name == of else name
            found.append(Observed(Observation(one.test, form, {of: 1.0}), of, given_as=given_as))
        return found

    def assumed(self, item: Assumption) -> Form:
        """Return an assumption that ties tests together."""
        ((_, form),) = assume((item,), {}, self.unit, "adjusted")
        return form


def plain(runs: Runs, name: str) -> Group | None:
    """Return what several procedures, or earlier tests, give of a quantity that stands by itself, ``None`` for one."""
    places = runs.even(runs.giving(name), name)
    observed = [_observed(runs, at, name) for at in places]
    observed += runs.before(name, observed)
    if not places or len(observed) < 2:
        return None
    return Group((name,), observed, places)


def _observed(runs: Runs, at: int, name: str) -> Observed:
    return Observed(Observation(runs.outcomes[at].procedure, runs.form(at, name), {name: 1.0}), name)


def one_constant(runs: Runs, emf: str, torque: str) -> list[Group]:
    """Return what all runs observe of the one constant behind an EMF and a torque, else of each by itself."""
    of_emf, of_torque = (runs.even(runs.giving(name), name) for name in (emf, torque))
    ratio = _ratio(runs, torque)
    if not of_emf or not of_torque or ratio is None:
        return [one for one in (plain(runs, emf), plain(runs, torque)) if one is not None]
    power = runs.assumed(_POWER).scaled(ratio)
    observed = [_observed(runs, at, emf) for at in of_emf]
    for at in of_torque:
        outcome = runs.outcomes[at]
        if at in of_emf:
            continue  # the same readings by the same definition
        relation = power
        if torque == Q_AXIS[1] and outcome.procedure in _AT_THE_SHAFT:
            relation = times(power, runs.assumed(_SATURATED))
        form = times(runs.form(at, torque), relation, -1)
        observed.append(Observed(Observation(outcome.procedure, form, {emf: 1.0}), emf, given_as=torque))
    places = list(dict.fromkeys([*of_emf, *of_torque]))
    before = [*runs.before(emf, observed), *runs.before(torque, observed, power)]
    observed += before
    if len(places) + len(before) < 2:
        return []
    # The direct constant is the torque that power makes of the EMF; that of the q axis is one of its own.
    tie = Form(ratio) if torque == DIRECT[1] else power
    return [Group((emf,), observed, places, {torque: (emf, tie)}, notes=[f"Assumed: {_POWER.why}."])]


def _ratio(runs: Runs, torque: str) -> float | None:
    """Return torque per ampere over EMF per speed, ``None`` where it is not known."""
    if torque == DIRECT[1]:
        return 1.0
    found = [one.forms["emf_distortion"].value for one in runs.outcomes if "emf_distortion" in one.forms]
    return math.sqrt(1.5 / (1.0 + found[0] ** 2)) if found else None


def times(form: Form, factor: Form, power: int = 1) -> Form:
    """Return ``form`` times (or, with ``power`` -1, over) an uncertain factor, to first order."""
    scaled = form.scaled(factor.value**power)
    share = Form(0.0, factor.terms).scaled(power * scaled.value / factor.value)
    return Form(scaled.value, plus(Form(0.0, scaled.terms), share).terms)


def plus(one: Form, other: Form) -> Form:
    """Return the sum of two forms."""
    return one.minus(other.scaled(-1.0))
