"""What would narrow an undecided criterion: intervals by hand from U = k u and the root of the sum of squares."""

from __future__ import annotations

from typing import Any

import pytest

from rotorproof.decision.models import BudgetEntry, CriterionEntry
from rotorproof.decision.narrowing import narrowing
from tests.entries import criterion, quantity_entry


def line(source: str, u: float, halved: float | None) -> BudgetEntry:
    return BudgetEntry(
        source=source,
        standard_uncertainty=u,
        share=u**2,
        distribution="normal",
        degrees_of_freedom=None,
        expanded_uncertainty_if_halved=halved,
    )


def steps(made: set[str], **known: Any) -> list[str]:
    row = CriterionEntry.model_validate(
        criterion(quantity="torque_constant", unit="N m/A", max=1.05, decision="undecided", **known)
    )
    budget = [line("accuracy of lever, force", 0.06, 0.08), line("scatter of the torque", 0.03, 0.04)]
    entry = quantity_entry(value=1.0, unit="N m/A", expanded_uncertainty=0.1, budget=budget, procedure="locked-rotor")
    return [str(advice.step) for advice in narrowing(row, entry, "motor", made)]


def test_the_step_that_narrows_most_comes_first_and_says_whether_it_decides() -> None:
    first, second, third = steps({"locked-rotor"})
    assert first.startswith("take four times the readings (scatter of the torque): ± 0.04")
    assert first.endswith("in place of ± 0.1, which decides it if the value stays")
    # 0.1/sqrt(2): the limit lies 0.05 from the value, so it is still within.
    assert "Open-circuit test or Load run" in second and "± 0.071" in second
    assert "decides" not in second
    assert third.startswith("use an instrument with half the error (accuracy of lever, force): ± 0.08")


def test_a_criterion_that_names_its_test_is_not_helped_by_another() -> None:
    found = steps({"locked-rotor"}, **{"from": "locked-rotor"})
    assert len(found) == 2
    assert not any("add a test" in step for step in found)


@pytest.mark.parametrize("halved", [None, 0.095])
def test_what_would_change_little_is_not_named(halved: float | None) -> None:
    row = CriterionEntry.model_validate(criterion(max=1.05, decision="undecided"))
    entry = quantity_entry(budget=[line("scatter", 0.01, halved)])
    assert narrowing(row, entry, "motor", {"winding-resistance"}) == []
