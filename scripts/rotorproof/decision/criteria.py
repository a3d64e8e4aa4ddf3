"""One criterion against one result: the row of ``results.json``."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from ..procedures.base import Quantity
from ..quantities import quantities
from ..settings.acceptance import AcceptanceSet, Criterion, Rule, difference
from ..uncertainty.result import Result
from ..units import from_si, parse
from .models import AdviceEntry, CriterionEntry
from .risk import Process, global_risk, specific_risk
from .rules import Limits, decide, guard_bands, probability_of_conformity, statement, zones


def criterion_row(
    criterion: Criterion,
    acceptance: AcceptanceSet,
    result: Result | None,
    probability: float,
    application: Mapping[str, str] | None = None,
) -> CriterionEntry:
    """Return the decision by a criterion on a result with its probability, zones, risks and the rule in words.

    ``application`` names the pack and the vehicle that the result is for.
    """
    quantity = quantities()[criterion.quantity]
    rule: Rule = criterion.rule or acceptance.rule
    factor = acceptance.guard_factor if criterion.guard_factor is None else criterion.guard_factor
    written = {side: value for side in ("min", "max") if (value := getattr(criterion, side)) is not None}
    si = {side: parse(str(value), quantity.kind).value for side, value in written.items()}
    limits = Limits(si.get("min", -math.inf), si.get("max", math.inf))
    row: dict[str, Any] = {"quantity": criterion.quantity}
    if criterion.from_:
        row["from"] = criterion.from_
    if application:
        row["for"] = application
    row |= {side: from_si(value, quantity.unit, quantity.kind) for side, value in si.items()}
    row |= {"unit": quantity.unit, "rule": rule, "statement": statement(rule, factor)}
    if rule != "simple":
        row["guard_factor"] = factor
    if criterion.reason:
        row["reason"] = criterion.reason
    if result is None:
        return CriterionEntry(**row, decision="not measured")
    cover = result.interval(probability)
    below, above = guard_bands(result.value, cover, factor)
    decision = decide(result.value, below, above, limits, rule)
    conformity = probability_of_conformity(result, limits)
    found = zones(limits, below, above, rule)
    risk = specific_risk(decision, conformity)
    row |= {
        "decision": decision,
        "probability_of_conformity": conformity,
        "acceptance_interval": _ends(found.accept, quantity),
        "specific_consumer_risk": risk.consumer,
        "specific_producer_risk": risk.producer,
    }
    if found.accept.low > found.accept.high:
        row["acceptance_interval"] = None
        row["statement"] += " Here the guard bands leave no room between the limits: no value could pass."
    if criterion.process is not None and criterion.process.mean and criterion.process.standard_deviation:
        mean = parse(criterion.process.mean, quantity.kind).value
        process = Process(mean, difference(criterion.process.standard_deviation, quantity.kind))
        risks = global_risk(process, limits, found, result)
        row |= {"global_consumer_risk": risks.consumer, "global_producer_risk": risks.producer}
    return CriterionEntry(**row)


def leave_open(row: CriterionEntry) -> None:
    """Leave a criterion undecided, in place, whose value rests on what nobody measured: that decides nothing.

    Neither a pass nor a fail would be of this unit. The probability stays: it holds if the stated values are true.
    """
    row.decision = "undecided"
    row.specific_consumer_risk = row.specific_producer_risk = None
    row.statement += " What rests on values that nobody measured decides nothing, whichever side it lies on."
    row.advice = [
        AdviceEntry(
            why=f"it rests on stated values ({row.origin.from_ if row.origin else ''}), which nobody measured",
            step="measure them, and the criterion is decided",
        )
    ]


def stands(row: CriterionEntry, value: float) -> bool:
    """Tell whether a decision on a value would be the same if the part that was not looked at were known.

    A value that is at *most* the one given may lie below a lower limit all the same: it fails by that limit for sure,
    and never passes it. ``value`` is in the criterion's unit.
    """
    if row.origin is None or row.origin.bound is None:
        return True
    beyond, other = (row.min, row.max) if row.origin.bound == "most" else (row.max, row.min)
    if row.decision != "fail":
        return row.decision == "pass" and beyond is None
    return beyond is not None and (other is None or abs(value - beyond) <= abs(value - other))


def leave_open_in_part(row: CriterionEntry) -> None:
    """Leave a criterion undecided, in place, on whose decision a part that was not looked at has a say.

    Risks and the probability are taken back: they would be those of the part alone.
    """
    row.decision = "undecided"
    row.probability_of_conformity = row.specific_consumer_risk = row.specific_producer_risk = None
    row.global_consumer_risk = row.global_producer_risk = None
    row.statement += " Here a part was not looked at, which can turn the decision."
    seen = row.origin.by if row.origin and row.origin.by else "in part"
    row.advice = [AdviceEntry(why=f"it was looked at in part ({seen})", step="measure the rest")]


def _ends(zone: Limits, quantity: Quantity) -> tuple[float | None, float | None]:
    low, high = (
        from_si(end, quantity.unit, quantity.kind) if math.isfinite(end) else None for end in (zone.low, zone.high)
    )
    return low, high
