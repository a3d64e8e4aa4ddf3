"""All units of one model together: mean, scatter apart from measurement, odd ones, deliveries and drift."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import stdtr, stdtrit

from ..decision.models import QuantityEntry, Results
from ..quantities import key_quantities, quantities
from .gather import day_of, is_standard
from .random_effects import Errors, Scattered, between_units, generalised, outliers, scattered, tolerance

#: Units from which a scatter is worth stating, units of a delivery from which it is compared with the others.
FEWEST, FEWEST_OF_DELIVERY = 5, 3
#: The tolerance interval holds this share of all units, with this confidence.
CONTENT = CONFIDENCE = 0.95
_SIGNIFICANCE = 0.05
_MOST_OUTLIERS = 20
_ALSO = ("coulomb_friction", "viscous_friction")
#: How budgets name an instrument's error: "accuracy of scope, voltage". Rounding is of one reading alone.
_INSTRUMENT = re.compile(r"(?!resolution of )[a-z, ]+ of (?P<key>[^,]+), (?P<kind>[a-z_]+)")


@dataclass(frozen=True)
class Delivery:
    """Units that came together, and by how much their mean differs from that of all others (in the quantity's unit)."""

    name: str
    units: int
    difference: float
    expanded_uncertainty: float
    probability: float  # that chance alone makes as large a difference, for all deliveries together
    odd: bool


@dataclass(frozen=True)
class Trend:
    """How a constant changes from unit to unit over time: slope in the quantity's unit a year, with its interval."""

    slope: float
    expanded_uncertainty: float
    days: int

    @property
    def drifts(self) -> bool:
        """Tell whether the slope is beyond its uncertainty."""
        return abs(self.slope) > self.expanded_uncertainty


@dataclass(frozen=True)
class Constant:
    """One constant over the units of a model, in the unit of the quantity."""

    quantity: str
    unit: str
    units: Sequence[str]
    scatter: Scattered
    #: Root mean square of the errors that each unit has for itself, and that units share.
    own_error: float
    shared_error: float
    tolerance: tuple[float, float]
    outliers: Sequence[str]
    deliveries: Sequence[Delivery]
    trend: Trend | None


@dataclass(frozen=True)
class Population:
    """All units of a model whose results are at hand."""

    model: str
    kind: str
    units: int
    constants: Sequence[Constant]


def populations(units: Sequence[Mapping[str, Any]], results: Mapping[str, Results]) -> list[Population]:
    """Return the populations of all models of which enough units were measured; check standards are left out."""
    found = []
    for (model, kind), last in _models(units).items():
        constants = [
            one
            for name in dict.fromkeys((*key_quantities(), *_ALSO))
            if (one := _constant(name, last, results)) is not None
        ]
        if constants:
            found.append(Population(model, kind, len(last), constants))
    return found


@dataclass(frozen=True)
class Census:
    """How many units of a model there are, and the names of those that bear one serial number and count once."""

    model: str
    kind: str
    units: int
    alike: Mapping[str, Sequence[str]]


def census(units: Sequence[Mapping[str, Any]]) -> list[Census]:
    """Return the count of units of each model, as ``populations`` counts them."""
    found = []
    for (model, kind), members in _models(units).items():
        alike: dict[str, list[str]] = defaultdict(list)
        for unit in units:
            same = str(unit.get("model")) == model and str(unit.get("kind")) == kind and not is_standard(unit)
            if same and unit.get("serial"):
                alike[str(unit["serial"])].append(str(unit["unit"]))
        several = {serial: names for serial, names in alike.items() if len(names) > 1}
        found.append(Census(model, kind, len(members), several))
    return found


def ranges(
    population: Population, units: Sequence[Mapping[str, Any]], results: Mapping[str, Results]
) -> dict[str, tuple[float, float, str]]:
    """Return low and high of the tolerance interval of everything measured on the units, in a unit, by quantity.

    Odd units are left out of it. A quantity that may be zero or below has no range by factors and is not among them,
    nor is a code, a count, or what says how a test was run.
    """
    members = _models(units)[population.model, population.kind]
    found = {}
    for name, quantity in quantities().items():
        told = quantity.tabled or quantity.whole or quantity.meanings or quantity.of_test
        if told or quantity.kind == "temperature":
            continue
        if (measured := _measured(name, members, results)) is not None:
            low, high = tolerance(*measured.kept, CONTENT, CONFIDENCE)
            if 0 < low < high:
                found[name] = (low, high, measured.entries[0].unit)
    return found


def _models(units: Sequence[Mapping[str, Any]]) -> dict[tuple[str, str], list[Mapping[str, Any]]]:
    """Return the units of each model and kind; one that was measured again counts once, as it was measured last."""
    models: dict[tuple[str, str], list[Mapping[str, Any]]] = defaultdict(list)
    for unit in units:
        if unit.get("model") and not is_standard(unit):
            models[str(unit["model"]), str(unit.get("kind"))].append(unit)
    found = {}
    for key, members in sorted(models.items()):
        last: dict[str, Mapping[str, Any]] = {}
        for unit in sorted(members, key=lambda one: (str(day_of(one) or ""), str(one["unit"]))):
            last[str(unit.get("serial") or f"unit {unit['unit']}")] = unit
        found[key] = list(last.values())
    return found


@dataclass(frozen=True)
class _Measured:
    """The units that have a quantity, their entries, values ``(n,)``, errors, and the places of those that are odd."""

    units: Sequence[Mapping[str, Any]]
    entries: Sequence[QuantityEntry]
    values: np.ndarray
    errors: Errors
    odd: Sequence[int]

    @property
    def rest(self) -> np.ndarray:
        """Return the places of those that are not odd."""
        return np.setdiff1d(np.arange(len(self.values)), self.odd)

    @property
    def kept(self) -> tuple[np.ndarray, Errors]:
        """Return values and errors of those that are not odd."""
        rest = self.rest
        return self.values[rest], Errors(self.errors.own[rest], self.errors.shared[rest])


def _measured(name: str, units: Sequence[Mapping[str, Any]], results: Mapping[str, Results]) -> _Measured | None:
    """Return the units that have a quantity; ``None`` where too few have it, or where all have the same value."""
    having = [
        (unit, results[unit["unit"]].quantities[name]) for unit in units if name in results[unit["unit"]].quantities
    ]
    if len(having) < FEWEST:
        return None
    values = np.array([entry.value for _, entry in having])
    if np.ptp(values) == 0:
        return None
    errors = _errors(having)
    odd = outliers(values, errors, min(_MOST_OUTLIERS, len(values) // 10 + 1))
    return _Measured([unit for unit, _ in having], [entry for _, entry in having], values, errors, odd)


def _constant(name: str, units: Sequence[Mapping[str, Any]], results: Mapping[str, Results]) -> Constant | None:
    found = _measured(name, units, results)
    if found is None:
        return None
    errors, (values, kept) = found.errors, found.kept
    names = [str(unit["unit"]) for unit in found.units]
    return Constant(
        name,
        found.entries[0].unit,
        names,
        scattered(values, kept),
        math.sqrt(float(np.mean(errors.own))),
        math.sqrt(float(np.mean(np.sum(errors.shared**2, axis=1)))),
        tolerance(values, kept, CONTENT, CONFIDENCE),
        [names[place] for place in found.odd],
        # With all units: those of a bad delivery look odd one by one.
        _deliveries(found.units, found.values, errors),
        _trend([found.units[place] for place in found.rest], values, kept),
    )


def _errors(having: Sequence[tuple[Mapping[str, Any], QuantityEntry]]) -> Errors:
    """Return the errors of the values from their budgets: what is an instrument's is shared by all that it measured.

    An instrument is known by its serial number and the day of its calibration; without a number its error counts as the
    unit's own. All units of a model are taken to be moved by it in the same sense.
    """
    own = np.zeros(len(having))
    shared: dict[tuple[str, str, str], np.ndarray] = {}
    for place, (unit, entry) in enumerate(having):
        instruments = unit.get("instruments") or {}
        own[place] = entry.standard_uncertainty**2
        for line in entry.budget:
            match = _INSTRUMENT.fullmatch(line.source)
            instrument = instruments.get(match["key"]) if match else None
            if match is None or not instrument or not instrument.get("serial"):
                continue
            key = (str(instrument["serial"]), str(instrument.get("calibrated_on")), match["kind"])
            column = shared.setdefault(key, np.zeros(len(having)))
            column[place] = math.hypot(column[place], line.standard_uncertainty)
            own[place] -= line.standard_uncertainty**2
    matrix = np.column_stack(list(shared.values())) if shared else np.zeros((len(having), 0))
    # What the digits of a budget leave over is no error.
    floor = 1e-6 * np.array([entry.standard_uncertainty for _, entry in having]) ** 2
    return Errors(np.maximum(own, floor), matrix)


def _came(unit: Mapping[str, Any]) -> str:
    """Return by what a unit is known to have come with others: the day it was received, else that of its test."""
    for key, words in (("received_on", "received"), ("tested_on", "tested")):
        if unit.get(key):
            return f"{words} {unit[key]}"
    return ""


def _deliveries(units: Sequence[Mapping[str, Any]], values: np.ndarray, errors: Errors) -> list[Delivery]:
    """Return each delivery's mean less that of all other units, those that differ beyond chance marked.

    By generalised least squares with a regressor that is 1 for the delivery; the scatter between units is that about
    both means, so that a bad delivery does not hide itself. For all deliveries together a sound one is marked with a
    probability of 5 % (Bonferroni).
    """
    names = np.array([_came(unit) for unit in units])
    counted = [(name, names == name) for name in sorted(set(names)) if name]
    large = [
        (name, own) for name, own in counted if FEWEST_OF_DELIVERY <= own.sum() <= len(values) - FEWEST_OF_DELIVERY
    ]
    found = []
    for name, own in large:
        slope, u, freedom = _regressed(own.astype(float), values, errors)
        chance = min(1.0, len(large) * 2.0 * float(stdtr(freedom, -abs(slope) / u)))
        half = float(stdtrit(freedom, 1.0 - 0.5 * _SIGNIFICANCE)) * u
        found.append(Delivery(name, int(own.sum()), slope, half, chance, chance < _SIGNIFICANCE))
    return found


def _trend(units: Sequence[Mapping[str, Any]], values: np.ndarray, errors: Errors) -> Trend | None:
    days = [day_of(unit) for unit in units]
    dated = np.array([place for place, day in enumerate(days) if day is not None], dtype=int)
    ordinals = np.array([day.toordinal() for day in days if day is not None], dtype=float)
    if len(dated) < FEWEST or np.ptp(ordinals) == 0:
        return None
    years = (ordinals - ordinals.mean()) / 365.25
    slope, u, freedom = _regressed(years, values[dated], Errors(errors.own[dated], errors.shared[dated]))
    return Trend(slope, float(stdtrit(freedom, 1.0 - 0.5 * _SIGNIFICANCE)) * u, int(np.ptp(ordinals)))


def _regressed(regressor: np.ndarray, values: np.ndarray, errors: Errors) -> tuple[float, float, int]:
    design = np.column_stack([np.ones(len(values)), regressor])
    variance = between_units(values, errors, design)
    fitted = generalised(values, design, errors, variance)
    return float(fitted.coefficients[1]), math.sqrt(fitted.covariance[1, 1]), len(values) - 2
