"""Run one procedure on its logs and carry every uncertainty into its quantities.

The scatter of a fit enters through its covariance; instrument errors and uncertain conditions enter by
repeating fit and formula with the input shifted one standard uncertainty up and down (JCGM 100:2008, 5.1.3
note 2), so a procedure states its physics once and correlations come by themselves. Where the formula bends
too much for that, the distribution of its result is found by trials (``uncertainty.monte_carlo``) in which
the fitted parameters follow the influences to second order.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ..errors import FitError
from ..procedures._friction_line import BEND, FrictionLine
from ..procedures.base import Log, Procedure, Report
from ..procedures.fit import Fit
from ..quantities import quantities
from ..uncertainty.forms import Form, Influence, block_influences, propagate
from ..uncertainty.monte_carlo import Direction, Expansion, Simulation, simulate
from ..uncertainty.result import Result
from .adequacy import MISFIT, Adequacy, advice, judge, known
from .adequacy import words as adequacy_words
from .admitted import admit_all
from .assumed import assume, words
from .instrument_error import InstrumentError


@dataclass(frozen=True)
class Outcome:
    """The quantities of one run of a procedure, as linear forms in SI, and the fit behind them."""

    procedure: str
    label: str
    forms: Mapping[str, Form]
    fit: Fit
    conditions: Mapping[str, float] = field(default_factory=dict)
    #: Those quantities whose distribution a linear form does not describe.
    simulated: Mapping[str, Simulation] = field(default_factory=dict)
    #: Places of the tests behind this outcome in the unit file.
    tests: Sequence[int] = ()
    #: Those quantities in which part of a controller's loss is left.
    with_controller_loss: Sequence[str] = ()
    report: Report = field(default_factory=Report)
    #: Whether the formulas of the fit described the readings.
    adequacy: Adequacy = field(default_factory=lambda: judge(()))
    #: Where the straight line of friction stands, of a run that gives one.
    line: FrictionLine | None = None
    #: The windage that the readings show beside the line without telling it apart, over the inertia where friction is.
    bend: Form | None = None
    #: The errors of the instruments that were carried, by the name of their influence.
    errors: Mapping[str, InstrumentError] = field(default_factory=dict)
    #: With which scalars the readings were fitted as they are, what was chosen, and what the formula then gave.
    given: Mapping[str, float] = field(default_factory=dict)
    choice: Any = None
    values: Mapping[str, float] = field(default_factory=dict)
    #: The logs behind this outcome, as they were read.
    logs: Sequence[Log] = ()

    def result(self, name: str) -> Result:
        """Return a quantity as its form or, where that does not describe it, its simulated distribution."""
        return Result(self.forms[name], self.simulated.get(name))


def run(
    procedure: Procedure,
    logs: Sequence[Log],
    *,
    label: str,
    unit: str,
    given: Mapping[str, Form],
    instruments: Sequence[InstrumentError],
    uncertain_conditions: Mapping[tuple[int, str], Form],
    probability: float = 0.95,
    motor: str = "",
    stated: Mapping[str, str] | None = None,
) -> Outcome:
    """Fit ``logs`` and return the quantities with every influence.

    ``given`` holds scalars the procedure may use (upstream quantities, nameplate, constants);
    ``uncertain_conditions`` the conditions whose writer stated an uncertainty, by log index and name. ``motor`` names
    the unit that the motor is, where it is a part of this one. ``stated`` says of scalars among ``given`` on which
    stated values they rest: what moves with them rests on those, too.
    Raises ``FitError`` if the readings do not determine the quantities.
    """
    assumed = assume(procedure.assumptions, given, unit, procedure.name, motor)
    given = {**given, **{item.name: form for item, form in assumed}}
    values = {name: form.value for name, form in given.items()}
    centre = _Asked(values)
    logs = with_stated(logs, instruments, uncertain_conditions)
    choice = procedure.choose(logs, values)
    fit = procedure.estimate(logs, centre, choice)
    best = procedure.derive(fit.parameters, centre)
    response = _Response(fit.parameters, given)

    # Scatter, and what a misfit adds to it: through the formula alone.
    adequacy = judge(fit.residuals)
    parameters = _scattered(fit, adequacy, unit, f"{procedure.name}/{label}")
    terms: dict[str, dict[Influence, float]] = {name: defaultdict(float) for name in best}
    for name, form in propagate(lambda p: procedure.derive(p, centre), parameters).items():
        terms[name].update(form.terms)
    response.scatter(parameters)

    def follow(weights: Mapping[Influence, float], source: str, *ends: tuple[Sequence[Log], _Scalars]) -> list[str]:
        """Repeat fit and formula at ``ends``, one standard uncertainty up and down along ``weights``.

        Returns what moves.
        """
        fitted = [procedure.estimate(moved, scalars, choice).parameters for moved, scalars in ends]
        up, down = (procedure.derive(found, scalars) for found, (_, scalars) in zip(fitted, ends, strict=True))
        for name in list(terms):
            if name not in up or name not in down:
                # What cannot be followed costs that quantity alone.
                fit.missing[name] = f"it cannot be followed over the uncertainty of {source}"
                del terms[name]
                continue
            slope = 0.5 * (up[name] - down[name])
            if slope != 0:
                for influence, weight in weights.items():
                    terms[name][influence] += slope * weight
        response.shift(weights, *fitted)
        return [
            name
            for name in terms
            # At an extreme both ways move it alike.
            if any(not math.isclose(up[name], other[name], rel_tol=_ROUNDING, abs_tol=0.0) for other in (down, best))
        ]

    def weights_of(form: Form) -> dict[Influence, float]:
        return {i: c / form.standard_uncertainty for i, c in form.terms.items()}

    for error in instruments:
        ends = [(error.shifted(logs, sign), centre) for sign in (1.0, -1.0)]
        follow({error.influence: 1.0}, error.influence.source, *ends)
    for (index, name), form in uncertain_conditions.items():
        levels = (form.value + form.standard_uncertainty, form.value - form.standard_uncertainty)
        ends = [(_with_condition(logs, index, name, level), centre) for level in levels]
        follow(weights_of(form), name, *ends)
    moved: dict[str, list[str]] = {}
    for name, form in given.items():
        u = form.standard_uncertainty
        if u == 0:
            continue
        # A scalar that nobody asked for moves nothing: fit and formula have no other inputs.
        if name in centre.asked:
            moved[name] = follow(
                weights_of(form), name, *((logs, {**values, name: form.value + sign * u}) for sign in (1.0, -1.0))
            )
        else:
            response.shift(weights_of(form), fit.parameters, fit.parameters)
        response.move_given(name, u)

    forms = {name: without_rounding(Form(float(best[name]), dict(own))) for name, own in terms.items()}
    for name, form in forms.items():
        if not np.isfinite(form.value) or not np.isfinite(form.standard_uncertainty):
            raise FitError(f"{quantities()[name].title} has no finite value; the readings do not determine it")
    if best and not forms:
        raise FitError("; ".join(f"{quantities()[name].title}: {fit.missing[name]}" for name in best))
    simulated = simulate(
        lambda values: procedure.derive(*response.split(values)),
        response.expansions(),
        response.directions,
        forms,
        probability,
        f"{unit}/{procedure.name}/{label}",
    )
    disowned = procedure.disowned(fit, forms, given, probability)
    refused, cut = admit_all(forms, simulated, probability, disowned)
    fit.missing |= refused
    fit.refused |= refused.keys()
    if best and not forms:
        raise FitError("; ".join(f"{quantities()[name].title}: {fit.missing[name]}" for name in best))
    common = {
        name: value
        for name, value in logs[0].conditions.items()
        if all(log.conditions.get(name) == value for log in logs)
    }
    report = procedure.report(logs, values, choice, fit)
    report.notes += words(assumed, forms, moved)
    report.say_of(cut)
    _judged(report, adequacy, forms, procedure.name)
    _rest(report, moved, stated or {}, forms)
    return Outcome(
        procedure.name,
        label,
        forms,
        fit,
        common,
        simulated,
        report=report,
        adequacy=adequacy,
        line=procedure.friction_line(fit),
        bend=without_rounding(response.form(BEND)) if BEND in fit.parameters else None,
        errors={error.influence.name: error for error in instruments},
        given=values,
        choice=choice,
        values=best,
    )


def _judged(report: Report, adequacy: Adequacy, forms: Mapping[str, Form], name: str) -> None:
    """Add to the report of a procedure whether its formulas described the readings, and name it in all warnings."""
    report.notes += [adequacy_words(adequacy), *known(adequacy, forms)]
    report.warn_each(advice(adequacy, forms))
    report.warnings = [replace(problem, procedure=name) for problem in report.warnings]


def _rest(
    report: Report, moved: Mapping[str, Sequence[str]], stated: Mapping[str, str], forms: Collection[str]
) -> None:
    """Name the stated values on which quantities in ``forms`` rest, also those that ``moved`` with such a scalar."""
    for scalar, value in stated.items():
        for name in moved.get(scalar, ()):
            report.stated[name] = ", ".join(dict.fromkeys(filter(None, (report.stated.get(name), value))))
    report.stated = {name: values for name, values in report.stated.items() if name in forms}


def without_rounding(form: Form) -> Form:
    """Return a form without the influences that move it by its computer's rounding alone.

    One processor makes of them exactly nothing, which is no influence, and another a last digit: trials that draw a
    value for each influence would then draw others for all that follow.
    """
    least = _ROUNDING * form.standard_uncertainty
    return Form(form.value, {i: c for i, c in form.terms.items() if abs(c) > least})


def _scattered(fit: Fit, adequacy: Adequacy, unit: str, run: str) -> dict[str, Form]:
    """Return the fitted parameters with their scatter, and with what a misfit of the formula adds to it."""
    parameters: dict[str, Form] = {}
    for block in fit.blocks:
        place = f"{unit}/{block.label}" if block.of_unit else f"{unit}/{run}/{block.label}"
        spreads = [(f"scatter/{place}", block.label, block.covariance, block.degrees_of_freedom)]
        if block.distribution == "normal" and (excess := adequacy.excess_of(block.label)) > 0:
            # A misfit that was found is known in size far better than a scatter of few readings would be.
            spreads.append((f"{MISFIT}{place}", "misfit of the formula", block.covariance * excess, np.inf))
        terms: dict[str, dict[Influence, float]] = {name: {} for name in block.values}
        for name, source, covariance, freedom in spreads:
            influences, matrix = block_influences(name, source, covariance, freedom, block.distribution)
            for row, own in zip(matrix, terms.values(), strict=True):
                own |= {i: float(c) for i, c in zip(influences, row, strict=True) if c != 0}
        parameters |= {name: Form(value, terms[name]) for name, value in block.values.items()}
    return parameters


_Scalars = Mapping[str, float]
#: What moves a result by a smaller share of its uncertainty is the rounding of fit and formula.
_ROUNDING = 1e-7


class _Asked(Mapping[str, float]):
    """Scalars that note which of them are asked for, or whether they are there."""

    def __init__(self, values: Mapping[str, float]) -> None:
        self._values = values
        self.asked: set[str] = set()

    def __getitem__(self, name: str) -> float:
        self.asked.add(name)
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        # Whoever goes through all of them may depend on each.
        self.asked.update(self._values)
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)


class _Response:
    """How fitted parameters and given scalars move with every influence, to second order: what trials need."""

    def __init__(self, parameters: Mapping[str, float], given: Mapping[str, Form]) -> None:
        self.parameters = dict(parameters)
        self.given = {name: form.value for name, form in given.items()}
        self.directions: list[Direction] = []
        self._slopes: dict[tuple[str, str], dict[int, float]] = defaultdict(dict)
        self._bends: dict[tuple[str, str], dict[int, float]] = defaultdict(dict)

    def scatter(self, parameters: Mapping[str, Form]) -> None:
        """Add the scatter of the fitted parameters."""
        places: dict[Influence, int] = {}
        for name, form in parameters.items():
            for influence, c in form.terms.items():
                if influence not in places:
                    places[influence] = len(self.directions)
                    self.directions.append(Direction({influence: 1.0}))
                self._slopes["fit", name][places[influence]] = c

    def shift(self, weights: Mapping[Influence, float], up: Mapping[str, float], down: Mapping[str, float]) -> None:
        """Add a direction by the parameters fitted one standard uncertainty up and down."""
        place = len(self.directions)
        self.directions.append(Direction(dict(weights)))
        for name, value in self.parameters.items():
            if name in up and name in down:
                self._slopes["fit", name][place] = 0.5 * (up[name] - down[name])
                self._bends["fit", name][place] = 0.5 * (up[name] + down[name]) - value

    def move_given(self, name: str, u: float) -> None:
        """Say that the direction added last moves a given scalar by ``u``."""
        self._slopes["given", name][len(self.directions) - 1] = u

    def form(self, name: str) -> Form:
        """Return a fitted parameter as a linear form."""
        terms: dict[Influence, float] = defaultdict(float)
        for place, slope in self._slopes["fit", name].items():
            for influence, weight in self.directions[place].weights.items():
                terms[influence] += slope * weight
        return Form(self.parameters[name], {influence: c for influence, c in terms.items() if c != 0})

    def expansions(self) -> dict[str, Expansion]:
        """Return all inputs of the formula, each named by where it comes from."""
        values = {("fit", n): v for n, v in self.parameters.items()} | {("given", n): v for n, v in self.given.items()}
        return {
            "/".join(key): Expansion(
                value,
                {place: c for place, c in self._slopes[key].items() if c != 0},
                {place: c for place, c in self._bends[key].items() if c != 0},
            )
            for key, value in values.items()
        }

    def split(self, values: Mapping[str, float]) -> tuple[dict[str, float], dict[str, float]]:
        """Return parameters and given scalars of a trial, as the formula takes them."""
        return (
            {name: values[f"fit/{name}"] for name in self.parameters},
            {name: values[f"given/{name}"] for name in self.given},
        )


def with_stated(
    logs: Sequence[Log], instruments: Sequence[InstrumentError], uncertain_conditions: Mapping[tuple[int, str], Form]
) -> list[Log]:
    """Return the logs with the stated standard uncertainty of each column and condition at its RMS reading."""
    squares: dict[tuple[int, str], float] = defaultdict(float)
    for instrument in instruments:
        for index, name in (*instrument.columns, *instrument.conditions):
            log = logs[index]
            readings = log.columns[name] if name in log.columns else np.array([log.conditions[name]])
            if readings.size == 0:
                continue
            level = np.sqrt(np.mean(np.square(readings), keepdims=True))
            squares[index, name] += float(instrument.accuracy.error(level)[0]) ** 2
    for key, form in uncertain_conditions.items():
        squares[key] += form.standard_uncertainty**2
    return [
        replace(log, stated={name: float(np.sqrt(v)) for (i, name), v in squares.items() if i == index})
        for index, log in enumerate(logs)
    ]


def _with_condition(logs: Sequence[Log], index: int, name: str, value: float) -> list[Log]:
    changed = list(logs)
    changed[index] = replace(logs[index], conditions={**logs[index].conditions, name: value})
    return changed
