"""Problems and budgets as the report prints them: grouped, with titles, nothing said twice. No outside values."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from rotorproof.decision.models import BudgetEntry, ProblemEntry
from rotorproof.rendering import numbers
from rotorproof.rendering import quantity_view as quantity_view_module
from rotorproof.rendering.problem_view import problem_views
from rotorproof.rendering.quantity_view import quantity_view
from tests.entries import quantity_entry


def test_errors_come_first_and_one_place_stands_once() -> None:
    problems = [
        {"message": "a: 20 °C", "file": "U/a.csv", "severity": "warning", "procedure": "no-load"},
        {"message": "Overvoltage cut-off: not seen", "file": "U/a.csv", "severity": "warning", "procedure": "no-load"},
        {"message": "a: 20 °C", "file": "U/a.csv", "severity": "warning", "procedure": "no-load"},
        {"message": "no number", "file": "U/b.csv", "line": 3, "column": "voltage_ab", "severity": "error"},
        {"message": "lost", "file": "U/a.csv, U/b.csv, U/c.csv", "severity": "warning"},
        {"message": "no accuracy", "file": "U/unit.yaml", "column": "output_power", "severity": "warning"},
        {"message": "no accuracy", "file": "U/unit.yaml", "column": "temperature_controller", "severity": "warning"},
    ]
    views = problem_views([ProblemEntry(**problem) for problem in problems])
    assert views[0].severity == "error"
    assert views[0].place == "U/b.csv, line 3, column voltage_ab (voltage A-B)"
    assert views[1].procedure == "No-load run"
    assert list(views[1].messages) == ["a: 20 °C", "Overvoltage cut-off: not seen"]
    assert views[2].place == "U/a.csv, b.csv, c.csv"
    assert views[3].place == "U/unit.yaml, key output_power"
    assert views[4].place == "U/unit.yaml, column temperature_controller (controller temperature)"


@pytest.mark.parametrize("small", [0, 1, 3])
def test_small_sources_of_a_budget_stand_in_one_row(small: int) -> None:
    shares = [0.9, 0.1 - 0.004 * small, *[0.004] * small]
    budget: list[dict[str, Any]] = [
        {
            "source": f"s{number}",
            "distribution": "normal",
            "degrees_of_freedom": 5.0 if number == 0 else None,
            "standard_uncertainty": share**0.5,
            "share": share,
            "expanded_uncertainty_if_halved": None,
        }
        for number, share in enumerate(shares)
    ]
    entry = quantity_entry(
        value=100.0,
        interval=(98.0, 102.0),
        expanded_uncertainty=2.0,
        standard_uncertainty=1.0,
        notes=["S0 makes 90 % of the variance; half of it would narrow U from 2 to 1 Ω.", "A note."],
        budget=budget,
    )
    view = quantity_view("phase_resistance", entry)
    assert [row.source for row in view.budget] == ["s0", "s1", *{0: [], 1: ["s2"], 3: ["others (3)"]}[small]]
    assert view.budget[0].distribution == "normal, 5"
    assert view.notes == ["A note."], "the budget's own column says what halving would buy"
    assert view.label == "Winding resistance"


def test_the_share_of_small_sources_is_the_rounded_exact_sum() -> None:
    """By decimal arithmetic: the built-in sum of these floats prints another digit in Python 3.11 than in 3.13."""
    shares = ["0.000418", "0.000115", "0.00054", "0.000427"]
    lines = [
        BudgetEntry(
            source=f"s{number}",
            distribution="normal",
            degrees_of_freedom=None,
            standard_uncertainty=0.1,
            share=float(share),
            expanded_uncertainty_if_halved=None,
        )
        for number, share in enumerate(shares)
    ]
    (row,) = quantity_view_module._budget(lines, 1.0)
    assert row.share == numbers.percent(float(sum(map(Decimal, shares))))
