"""Units side by side: what differs by more than the measurements can blur, and which unit meets which limit better.

Units measured with the same instrument share its error, which cancels in their difference: their forms name it alike.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from ..fitting.stored import StoredFit
from ..quantities import applied_quantities, preferred, quantities
from ..uncertainty.coverage import interval
from ..uncertainty.result import Result
from ..units import conversion
from . import digits
from .choice import choose
from .models import (
    ComparedCriterion,
    ComparedDecision,
    ComparedPart,
    ComparedQuantity,
    ComparedUnit,
    ComparedValue,
    Comparison,
    ForEntry,
    PairEntry,
    Results,
    SameUnit,
)

_APART = (
    "The units are meant for several packs or vehicles, or for different ones: what is predicted on them stands in the "
    "report of each; criteria are compared on the same pack and vehicle."
)


@dataclass(frozen=True)
class Measured:
    """One unit in a comparison: the facts of its file, its ``results.json`` and its fits as ``load_fit`` gives them."""

    facts: Mapping[str, Any]
    results: Results
    fit: StoredFit

    @property
    def name(self) -> str:
        """Return the unit's name."""
        return str(self.facts["unit"])

    @property
    def alone(self) -> bool:
        """Tell whether it is meant for one pack and vehicle alone."""
        return len(self.fit.applications) < 2

    def best(self) -> dict[str, Result]:
        """Return every quantity from its preferred maker, as ``results.json`` chose it."""
        makers = [made for made in self.fit.makers if self.alone or not made.application]
        return preferred((made.maker, {name: made.result(name) for name in made.forms}) for made in makers)


@dataclass(frozen=True, slots=True)
class Difference:
    """``second`` minus ``first`` in SI with its coverage interval; ``higher`` is 1, -1 or 0 (not distinguishable)."""

    value: float
    standard_uncertainty: float
    low: float
    high: float
    correlation: float

    @property
    def higher(self) -> int:
        """Return 1 where the second is higher beyond doubt, -1 where the first is, else 0."""
        return 1 if self.low > 0 else -1 if self.high < 0 else 0

    @property
    def normalised_error(self) -> float | None:
        """Return the difference over the side of its interval towards zero (ISO/IEC 17043, B.3.1.3)."""
        side = self.value - self.low if self.value >= 0 else self.high - self.value
        return abs(self.value) / side if side > 0 else None


def difference(first: Result, second: Result, probability: float) -> Difference:
    """Return ``second - first``; errors that both share cancel.

    Where a distribution is not linear, the sides of the two intervals are combined in quadrature instead, which takes
    the two for independent.
    """
    form = second.form.minus(first.form)
    correlation = first.form.correlation(second.form)
    if first.simulation is None and second.simulation is None:
        cover = interval(form, probability)
        return Difference(form.value, cover.standard_uncertainty, cover.low, cover.high, correlation)
    a, b = first.interval(probability), second.interval(probability)
    down = math.hypot(second.value - b.low, a.high - first.value)
    up = math.hypot(b.high - second.value, first.value - a.low)
    u = math.hypot(a.standard_uncertainty, b.standard_uncertainty)
    return Difference(form.value, u, form.value - down, form.value + up, correlation)


def compare(name: str, units: Sequence[Measured], probability: float) -> Comparison:
    """Return the content of ``comparison.json``."""
    best = {unit.name: unit.best() for unit in units}
    named = any(made.application for unit in units for made in unit.fit.derived)
    meant = [unit.fit.applications for unit in units]
    apart = named and not (units[0].alone and all(one == meant[0] for one in meant))
    if apart:
        # What is predicted on one pack and vehicle is no better or worse than what is on another.
        best = {
            name: {q: one for q, one in found.items() if q not in applied_quantities()} for name, found in best.items()
        }
    of_units = [q for q, known in quantities().items() if not known.of_test]
    shared = [q for q in of_units if sum(q in found for found in best.values()) >= 2]
    rows: dict[str, ComparedQuantity] = {}
    differences: dict[str, dict[tuple[str, str], Difference]] = {}
    for quantity in shared:
        having = [unit for unit in units if quantity in best[unit.name]]
        differences[quantity] = {
            (a.name, b.name): difference(best[a.name][quantity], best[b.name][quantity], probability)
            for a, b in combinations(having, 2)
        }
        rows[quantity] = _quantity_row(quantity, having, differences[quantity])
    pairs = [pair for row in rows.values() for pair in row.pairs]
    about, criteria = [_unit_row(unit) for unit in units], _criteria(units, differences)
    found = Comparison(
        schema_=1,
        comparison=name,
        probability=probability,
        units=about,
        quantities=rows,
        criteria=criteria,
        choice=choose(about, criteria, rows),
        one_unit_only={
            q: next(unit.name for unit in units if q in best[unit.name])
            for q in of_units
            if sum(q in found for found in best.values()) == 1
        },
        same_unit=_same_unit(units),
        notes=[*_notes(pairs, probability), *([_APART] if apart else [])],
    )
    return Comparison.model_validate(digits.comparison(found.as_json()))


def _unit_row(unit: Measured) -> ComparedUnit:
    parts = [ComparedPart(**_facts(part)) for part in unit.facts.get("made_of", ())]
    return ComparedUnit(**_facts(unit.facts), parts=parts, verdict=unit.results.verdict)


def _facts(stated: Mapping[str, Any]) -> dict[str, Any]:
    keys = ("unit", "kind", "model", "serial", "tested_on", "operator")
    ambient = {key: str(value) for key, value in (stated.get("ambient") or {}).items()}
    return {**{key: stated.get(key) for key in keys}, "ambient": ambient}


def _quantity_row(
    name: str, units: Sequence[Measured], differences: Mapping[tuple[str, str], Difference]
) -> ComparedQuantity:
    quantity = quantities()[name]
    scale = 1.0 / conversion(quantity.unit, quantity.kind).factor
    pairs = []
    values = [_value(unit, name) for unit in units]
    relevance = digits.uncertainty(quantity.relevance * max(abs(one.value) for one in values))
    for (first, second), found in differences.items():
        higher = {1: second, -1: first, 0: None}[found.higher]
        pairs.append(
            PairEntry(
                first=first,
                second=second,
                difference=found.value * scale,
                standard_uncertainty=found.standard_uncertainty * scale,
                expanded_uncertainty=max(found.high - found.value, found.value - found.low) * scale,
                interval=(found.low * scale, found.high * scale),
                correlation=found.correlation,
                normalised_error=found.normalised_error,
                higher=higher,
                relevant=higher is not None and abs(found.value * scale) > relevance,
                statement=f"{higher} higher" if higher else "not distinguishable",
            )
        )
    return ComparedQuantity(unit=quantity.unit, relevance=relevance, values=values, pairs=pairs)


def _value(unit: Measured, name: str) -> ComparedValue:
    entry = unit.results.quantities[name]
    keys = ("value", "expanded_uncertainty", "interval", "procedure", "conditions")
    return ComparedValue(unit=unit.name, **{key: getattr(entry, key) for key in keys})


def _criteria(
    units: Sequence[Measured], differences: Mapping[str, Mapping[tuple[str, str], Difference]]
) -> list[ComparedCriterion]:
    """Return one row for each criterion that two units share, and which of them meets it better."""
    found: dict[tuple[Any, ...], list[ComparedDecision]] = {}
    for unit in units:
        for one in unit.results.criteria:
            decided = ComparedDecision(
                unit=unit.name, decision=one.decision, probability_of_conformity=one.probability_of_conformity
            )
            names = tuple(one.for_.fields().items()) if one.for_ else ()
            found.setdefault((one.quantity, one.min, one.max, one.unit, one.rule, names), []).append(decided)
    rows = []
    for (quantity, low, high, of, rule, names), decisions in found.items():
        if len(decisions) >= 2:
            better, why = _better(low, high, decisions, differences.get(quantity, {}))
            meant = {"for_": ForEntry(**dict(names))} if names else {}
            about = {"quantity": quantity, "min": low, "max": high, "unit": of, "rule": rule, **meant}
            rows.append(ComparedCriterion(**about, units=decisions, better=better, why=why))
    return rows


def _better(
    low: float | None,
    high: float | None,
    decided: Sequence[ComparedDecision],
    differences: Mapping[tuple[str, str], Difference],
) -> tuple[str | None, str]:
    """Return the unit that meets a criterion better than every other, and why."""
    decisions = {entry.unit: entry.decision for entry in decided}
    passing = [unit for unit, decision in decisions.items() if decision == "pass"]
    if len(passing) == 1:
        return passing[0], "the only one that passes"
    measured = [unit for unit, decision in decisions.items() if decision != "not measured"]
    if not differences and len(measured) > 1:
        return None, "see the units' own reports for its values"
    if low is not None and high is not None:
        return None, "between two limits neither side is better; compare the decisions"
    wanted = -1 if high is not None else 1
    for unit in measured:
        others = [other for other in measured if other != unit]
        if others and all(_order(differences, other, unit) == wanted for other in others):
            return unit, f"{'lower' if wanted < 0 else 'higher'} than every other beyond the uncertainty"
    return None, "not distinguishable"


def _order(differences: Mapping[tuple[str, str], Difference], other: str, unit: str) -> int:
    """Return 1 where ``unit`` is higher than ``other`` beyond doubt, -1 where it is lower."""
    if (other, unit) in differences:
        return differences[other, unit].higher
    return -differences[unit, other].higher


def _same_unit(units: Sequence[Measured]) -> list[SameUnit]:
    """Return the pairs that are one unit tested twice, the earlier first: their differences are drift."""
    rows = []
    for a, b in combinations(units, 2):
        same = all(a.facts.get(key) and a.facts.get(key) == b.facts.get(key) for key in ("serial", "model"))
        dates = [unit.facts.get("tested_on") for unit in (a, b)]
        if not (same and all(dates)):
            continue
        days = (datetime.date.fromisoformat(str(dates[1])) - datetime.date.fromisoformat(str(dates[0]))).days
        first, second = (a, b) if days >= 0 else (b, a)
        rows.append(SameUnit(first=first.name, second=second.name, days=abs(days)))
    return rows


def _notes(pairs: Sequence[PairEntry], probability: float) -> list[str]:
    notes = []
    told = sum(pair.higher is not None for pair in pairs)
    if pairs:
        by_chance = (1 - probability) * len(pairs)
        notes.append(
            f"{told} of {len(pairs)} differences exceed their uncertainty. Between units that are alike about "
            f"{by_chance:.1f} of {len(pairs)} would do so by chance."
        )
    if any(abs(pair.correlation) > 0.1 for pair in pairs):
        notes.append(
            "Errors of instruments that read both units, told by their serial numbers, cancel in differences, but for "
            "quantities whose distribution had to be simulated: there the two intervals are combined as if independent."
        )
    return notes
