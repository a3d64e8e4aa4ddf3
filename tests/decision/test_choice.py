"""The choice at the end of a comparison: by hand, on small made-up tables."""

from __future__ import annotations

from typing import Any

from rotorproof.decision.choice import choose
from rotorproof.decision.models import ChoiceEntry, ComparedCriterion, ComparedQuantity, ComparedUnit

_ABOUT = {"kind": "motor", "model": None, "serial": None, "tested_on": None, "operator": None}
_PAIR = {"standard_uncertainty": 0.1, "expanded_uncertainty": 0.2, "interval": (0.8, 1.2), "correlation": 0.0}
_VALUE = {"expanded_uncertainty": 0.1, "interval": (0.0, 2.0), "procedure": "no-load", "conditions": {}}


def chosen(verdicts: dict[str, str], decisions: dict[str, str], better: str | None, *, relevant: bool) -> ChoiceEntry:
    units = [ComparedUnit(unit=name, verdict=verdict, **_ABOUT) for name, verdict in verdicts.items()]  # type: ignore[arg-type]
    decided: list[dict[str, Any]] = [
        {"unit": name, "decision": decision, "probability_of_conformity": None} for name, decision in decisions.items()
    ]
    row = ComparedCriterion.model_validate(
        {"quantity": "coulomb_friction", "min": None, "max": 1.0, "unit": "N m", "rule": "simple", "units": decided}
        | {"better": better, "why": "lower"}
    )
    first, second = verdicts
    pair = {"first": first, "second": second, "difference": 1.0, "normalised_error": 5.0, "higher": second}
    values = [{"unit": name, "value": 1.0, **_VALUE} for name in verdicts]
    quantity = ComparedQuantity.model_validate(
        {"unit": "N m", "values": values, "pairs": [{**pair, **_PAIR, "statement": "s", "relevant": relevant}]}
    )
    return choose(units, [row], {"coulomb_friction": quantity})


def test_the_accepted_unit_is_fitted_and_the_criterion_that_the_other_misses_is_named() -> None:
    found = chosen({"A": "rejected", "B": "accepted"}, {"A": "fail", "B": "pass"}, "B", relevant=True)
    assert found.unit == "B"
    assert found.ranking == ["B", "A"]
    assert any("A is rejected (Coulomb friction" in why for why in found.why)


def test_a_difference_that_is_of_no_use_is_no_reason() -> None:
    equal = {"A": "accepted", "B": "accepted"}
    both = {"A": "pass", "B": "pass"}
    assert chosen(equal, both, "A", relevant=False).unit is None
    assert chosen(equal, both, "A", relevant=True).unit == "A"


def test_a_choice_says_what_it_costs() -> None:
    found = chosen({"A": "undecided", "B": "accepted"}, {"A": "pass", "B": "pass"}, "A", relevant=True)
    assert found.unit == "B"
    assert found.cost == ["A meets better: Coulomb friction with iron loss"]


def test_of_rejected_units_none_is_fitted() -> None:
    found = chosen({"A": "rejected", "B": "rejected"}, {"A": "fail", "B": "fail"}, None, relevant=True)
    assert found.unit is None
    assert found.why == ["every unit is rejected by its own limits"]
