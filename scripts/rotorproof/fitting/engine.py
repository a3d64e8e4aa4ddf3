"""Run one procedure on its logs and carry every uncertainty into its quantities.

The scatter of a fit enters through its covariance; instrument errors and uncertain conditions enter by repeating
fit and formula with the input shifted one standard uncertainty up and down (JCGM 100:2008, 5.1.3 note 2), so a
procedure states its physics once and correlations come by themselves.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..errors import FitError
from ..procedures.base import Fit, Log, Procedure
from ..uncertainty.accuracy import Accuracy
from ..uncertainty.forms import Form, Influence, block_influences, propagate


@dataclass(frozen=True)
class InstrumentError:
    """One instrument's systematic error: the columns and conditions it read, as ``(log index, name)``."""

    influence: Influence
    accuracy: Accuracy
    columns: Sequence[tuple[int, str]] = ()
    conditions: Sequence[tuple[int, str]] = ()

    def shifted(self, logs: Sequence[Log], sign: float) -> list[Log]:
        """Return the logs with this error added, one standard uncertainty times ``sign``."""
        changed = list(logs)
        for index, name in self.columns:
            log = changed[index]
            readings = log.columns[name]
            moved = readings + sign * self.accuracy.error(readings)
            changed[index] = replace(log, columns={**log.columns, name: moved})
        for index, name in self.conditions:
            log = changed[index]
            value = log.conditions[name]
            moved_value = value + sign * float(self.accuracy.error(np.array([value]))[0])
            changed[index] = replace(log, conditions={**log.conditions, name: moved_value})
        return changed


@dataclass(frozen=True)
class Outcome:
    """The quantities of one run of a procedure, as linear forms in SI, and the fit behind them."""

    procedure: str
    label: str
    forms: Mapping[str, Form]
    fit: Fit
    conditions: Mapping[str, float] = field(default_factory=dict)


def run(
    procedure: Procedure,
    logs: Sequence[Log],
    *,
    label: str,
    unit: str,
    given: Mapping[str, Form],
    instruments: Sequence[InstrumentError],
    uncertain_conditions: Mapping[tuple[int, str], Form],
) -> Outcome:
    """Fit ``logs`` and return the quantities with every influence.

    ``given`` holds scalars the procedure may use (upstream quantities, nameplate, constants);
    ``uncertain_conditions`` the conditions whose writer stated an uncertainty, by log index and name.
    Raises ``FitError`` if the readings do not determine the quantities.
    """
    centre = {name: form.value for name, form in given.items()}
    fit = procedure.fit(logs, centre)
    best = procedure.derive(fit.parameters, centre)
    terms: dict[str, dict[Influence, float]] = {name: defaultdict(float) for name in best}

    def add(influence: Influence, up: Mapping[str, float], down: Mapping[str, float]) -> None:
        for name in best:
            if name not in up or name not in down:
                raise FitError(f"{name} cannot be followed over the uncertainty of {influence.source}")
            slope = 0.5 * (up[name] - down[name])
            if slope != 0:
                terms[name][influence] += slope

    def outputs(shifted: Sequence[Log], scalars: Mapping[str, float]) -> Mapping[str, float]:
        return procedure.derive(procedure.fit(shifted, scalars, fit).parameters, scalars)

    # Scatter: through the formula alone.
    parameters: dict[str, Form] = {}
    for block in fit.blocks:
        influences, matrix = block_influences(
            f"scatter/{unit}/{procedure.name}/{label}/{block.label}",
            block.label,
            block.covariance,
            block.degrees_of_freedom,
            block.distribution,
        )
        for row, (name, value) in zip(matrix, block.values.items(), strict=True):
            parameters[name] = Form(value, {i: float(c) for i, c in zip(influences, row, strict=True) if c != 0})
    through_formula = propagate(lambda p: procedure.derive(p, centre), parameters)
    for name, form in through_formula.items():
        for influence, c in form.terms.items():
            terms[name][influence] += c

    # Instruments: through fit and formula.
    for instrument in instruments:
        up, down = (outputs(instrument.shifted(logs, sign), centre) for sign in (1.0, -1.0))
        add(instrument.influence, up, down)

    # Stated conditions and given scalars with an uncertainty of their own.
    for (index, name), form in uncertain_conditions.items():
        slope = _slope(form, lambda value, i=index, n=name: outputs(_with_condition(logs, i, n, value), centre))
        _spread(terms, form, slope)
    for name, form in given.items():
        if form.standard_uncertainty > 0:
            slope = _slope(form, lambda value, n=name: outputs(logs, {**centre, n: value}))
            _spread(terms, form, slope)

    forms = {name: Form(float(value), dict(terms[name])) for name, value in best.items()}
    for name, form in forms.items():
        if not np.isfinite(form.value) or not np.isfinite(form.standard_uncertainty):
            raise FitError(f"{name} has no finite value; the readings do not determine it")
    common = {
        name: value
        for name, value in logs[0].conditions.items()
        if all(log.conditions.get(name) == value for log in logs)
    }
    return Outcome(procedure.name, label, forms, fit, common)


def _with_condition(logs: Sequence[Log], index: int, name: str, value: float) -> list[Log]:
    changed = list(logs)
    changed[index] = replace(logs[index], conditions={**logs[index].conditions, name: value})
    return changed


def _slope(form: Form, outputs: object) -> dict[str, float]:
    u = form.standard_uncertainty
    up, down = outputs(form.value + u), outputs(form.value - u)  # type: ignore[operator]
    return {name: (up[name] - down[name]) / (2 * u) for name in up if name in down}


def _spread(terms: dict[str, dict[Influence, float]], form: Form, slopes: Mapping[str, float]) -> None:
    for name, slope in slopes.items():
        if slope != 0:
            for influence, c in form.terms.items():
                terms[name][influence] += slope * c
