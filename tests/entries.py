"""Entries of ``results.json`` and of a stored fit with everything that a test does not care about filled in."""

from __future__ import annotations

from typing import Any

from rotorproof.decision.models import MainEntry, Results
from rotorproof.fitting.stored import Made, StoredAdequacy

_QUANTITY: dict[str, Any] = {
    "value": 1.0,
    "unit": "ohm",
    "standard_uncertainty": 0.05,
    "degrees_of_freedom": None,
    "expanded_uncertainty": 0.1,
    "coverage_factor": 1.96,
    "interval": (0.9, 1.1),
    "procedure": "winding-resistance",
    "conditions": {},
    "budget": [],
    "notes": [],
}


def quantity_entry(**known: Any) -> MainEntry:
    """Return a quantity with these facts."""
    return MainEntry(**{**_QUANTITY, **known})


def criterion(**known: Any) -> dict[str, Any]:
    """Return the facts of a criterion."""
    about = {"quantity": "phase_resistance", "unit": "ohm", "rule": "guarded", "statement": "s", "decision": "pass"}
    return {**about, **known}


def results(**known: Any) -> Results:
    """Return the results of a unit with these facts."""
    empty = {"schema": 1, "unit": "U", "kind": "motor", "verdict": "accepted"}
    return Results.model_validate({**empty, "quantities": {}, "criteria": [], "problems": [], **known})


def run(procedure: str, **known: Any) -> Made:
    """Return a run of a procedure as a fit is stored, with these facts; its formulas were not judged."""
    adequacy = StoredAdequacy(state="not determined", significance=0.001, readings=0, checks=[])
    return Made(**{"maker": procedure, "label": procedure, "adequacy": adequacy, **known})
