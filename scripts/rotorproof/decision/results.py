"""Build ``results.json`` of a unit from its fits and its acceptance set."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from ..quantities import preference, quantities
from ..settings.acceptance import AcceptanceSet
from ..uncertainty.coverage import interval
from ..uncertainty.forms import Form, budget
from ..units import conversion, from_si, parse
from .cross_checks import cross_checks
from .rules import Decision, decide, probability_of_conformity, verdict

SCHEMA_VERSION = 1


def build_results(
    unit: str,
    kind: str,
    fit: Mapping[str, Any],
    reading_problems: Sequence[Mapping[str, Any]],
    acceptance: AcceptanceSet | None,
    probability: float,
) -> dict[str, Any]:
    """Return the content of ``results.json`` (see its JSON Schema). ``fit`` is what ``load_fit`` returns."""
    candidates: dict[str, list[tuple[int, int, dict[str, Any], Form]]] = {}
    parts = [(part["procedure"], part) for part in fit["outcomes"]]
    parts += [(part["name"], part) for part in fit["derived"]]
    for place, (maker, part) in enumerate(parts):
        for name, form in part["forms"].items():
            entry = _entry(name, form, maker, part, probability)
            candidates.setdefault(name, []).append((preference(quantities()[name], maker), place, entry, form))
    found: dict[str, Any] = {}
    best: dict[str, Form] = {}
    for name in sorted(candidates):
        ranked = sorted(candidates[name], key=lambda c: c[:2])
        _, _, entry, form = ranked[0]
        if len(ranked) > 1:
            entry["alternatives"] = [
                {**other, "normalised_error": normalised_error(other_form, form, probability)}
                for _, _, other, other_form in ranked[1:]
            ]
        found[name] = entry
        best[name] = form
    criteria = [_criterion(c, acceptance, best, probability) for c in (acceptance.criteria if acceptance else [])]
    return {
        "schema": SCHEMA_VERSION,
        "unit": unit,
        "kind": kind,
        "verdict": verdict(c["decision"] for c in criteria),
        "quantities": found,
        "criteria": criteria,
        "problems": [
            *reading_problems,
            *fit["problems"],
            *(problem.as_json() for problem in cross_checks(found)),
        ],
    }


def normalised_error(one: Form, other: Form, probability: float = 0.95) -> float | None:
    """Return the difference over its expanded uncertainty; above 1 the two disagree (ISO/IEC 17043, B.3.1.3).

    Correlation through shared influences is kept. ``None`` where the difference has no uncertainty.
    """
    difference = one.minus(other)
    if difference.standard_uncertainty == 0:
        return None
    return abs(difference.value) / interval(difference, probability).expanded_uncertainty


def _entry(name: str, form: Form, maker: str, part: Mapping[str, Any], probability: float) -> dict[str, Any]:
    quantity = quantities()[name]
    scale = 1.0 / conversion(quantity.unit, quantity.kind).factor
    cover = interval(form, probability)
    value = from_si(form.value, quantity.unit, quantity.kind)
    half = cover.expanded_uncertainty * scale
    entry: dict[str, Any] = {
        "value": value,
        "unit": quantity.unit,
        "standard_uncertainty": cover.standard_uncertainty * scale,
        "degrees_of_freedom": _finite(cover.degrees_of_freedom),
        "expanded_uncertainty": half,
        "coverage_factor": cover.coverage_factor,
        "interval": [value - half, value + half],
        "procedure": maker,
        "conditions": {**part.get("conditions", {}), **dict(quantity.reference)},
        "budget": [
            {
                "source": line.source,
                "standard_uncertainty": line.standard_uncertainty * scale,
                "share": line.share,
                "distribution": line.distribution,
                "degrees_of_freedom": _finite(line.degrees_of_freedom),
            }
            for line in budget(form)
        ],
        "notes": list(part.get("quantity_notes", {}).get(name, [])),
    }
    if part.get("label") not in (None, maker):
        entry["label"] = part["label"]
    if name in part.get("details", {}):
        entry["details"] = part["details"][name]
    return entry


def _finite(number: float) -> float | None:
    """Return ``None`` for infinite degrees of freedom, which JSON cannot write."""
    return None if math.isinf(number) else number


def _criterion(
    criterion: Any, acceptance: AcceptanceSet | None, best: Mapping[str, Form], probability: float
) -> dict[str, Any]:
    assert acceptance is not None
    quantity = quantities()[criterion.quantity]
    rule = criterion.rule or acceptance.rule
    limits = {
        side: None if getattr(criterion, side) is None else parse(str(getattr(criterion, side)), quantity.kind).value
        for side in ("min", "max")
    }
    row: dict[str, Any] = {"quantity": criterion.quantity}
    for side, limit in limits.items():
        if limit is not None:
            row[side] = from_si(limit, quantity.unit, quantity.kind)
    row |= {"unit": quantity.unit, "rule": rule}
    if criterion.reason:
        row["reason"] = criterion.reason
    decision: Decision = "not measured"
    form = best.get(criterion.quantity)
    if form is not None:
        half = interval(form, probability).expanded_uncertainty
        decision = decide(form.value, half, limits["min"], limits["max"], rule, acceptance.guard_factor)
        row["decision"] = decision
        row["probability_of_conformity"] = probability_of_conformity(form, limits["min"], limits["max"])
    else:
        row["decision"] = decision
    return row
