"""Which of several units to fit: criteria first, then differences that matter, and what the choice costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..quantities import quantities
from .models import ChoiceEntry, ComparedCriterion, ComparedQuantity, ComparedUnit

#: Verdicts, the best first.
_ORDER = ("accepted", "undecided", "incomplete", "rejected")


def choose(
    units: Sequence[ComparedUnit], criteria: Sequence[ComparedCriterion], rows: Mapping[str, ComparedQuantity]
) -> ChoiceEntry:
    """Return the ranking of the units, the one to fit, why, and where another would have been better.

    A unit that is rejected is never chosen. Between equals that no criterion and no relevant difference tells apart,
    none is chosen.
    """
    failed = {
        unit.unit: [
            row.quantity for row in criteria for one in row.units if one.unit == unit.unit and one.decision == "fail"
        ]
        for unit in units
    }
    matters = {
        unit.unit: [row.quantity for row in criteria if row.better == unit.unit and _matters(row, rows)]
        for unit in units
    }

    def merit(unit: ComparedUnit) -> tuple[int, int, int]:
        return _ORDER.index(unit.verdict), len(failed[unit.unit]), -len(matters[unit.unit])

    ranked = sorted(units, key=merit)
    ranking = [unit.unit for unit in ranked]
    best, others = ranked[0], ranked[1:]
    if best.verdict == "rejected":
        return ChoiceEntry(unit=None, ranking=ranking, why=["every unit is rejected by its own limits"], cost=[])
    if merit(best) == merit(others[0]):
        return ChoiceEntry(
            unit=None,
            ranking=ranking,
            why=["no criterion and no difference that matters tells the best two apart"],
            cost=[],
        )
    why = [f"{best.unit} is {best.verdict}"]
    for other in others:
        missed = f" ({_titles(failed[other.unit])})" if failed[other.unit] else ""
        why.append(f"{other.unit} is {other.verdict}{missed}")
    if matters[best.unit]:
        why.append(f"{best.unit} meets better: {_titles(matters[best.unit])}")
    cost = [f"{other.unit} meets better: {_titles(matters[other.unit])}" for other in others if matters[other.unit]]
    return ChoiceEntry(unit=best.unit, ranking=ranking, why=why, cost=cost)


def _matters(row: ComparedCriterion, rows: Mapping[str, ComparedQuantity]) -> bool:
    """Tell whether the decisions differ, or the values by more than is of any use."""
    if len({one.decision for one in row.units}) > 1:
        return True
    found = rows.get(row.quantity)
    return found is not None and any(pair.relevant for pair in found.pairs)


def _titles(names: Sequence[str]) -> str:
    return ", ".join(quantities()[name].title for name in dict.fromkeys(names))
