"""The next best measurement: intervals by hand, from what independent and shared errors leave of one another."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import pytest

from rotorproof.decision.models import AdviceEntry, CriterionEntry
from rotorproof.decision.narrowing import Known, narrowing
from rotorproof.procedures import procedures
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.further import Made, steps
from tests.entries import criterion, quantity_entry

LEVER = Influence("instrument/U/lever/force", "accuracy of lever, force")
SCATTER = Influence("scatter/U/locked-rotor/0", "scatter of the torque", block="scatter/U/locked-rotor")
#: Torque per ampere, 1 N m/A: an instrument of 0.03 and a scatter of 0.04, so 0.05 in all.
FORM = Form(1.0, {LEVER: 0.03, SCATTER: 0.04})
K = 1.959964


def advice(
    limit: float = 1.08, further: Mapping[str, Mapping[str, Form]] | None = None, **row: Any
) -> list[AdviceEntry]:
    known = criterion(quantity="torque_constant", unit="N m/A", max=limit, decision="undecided", **row)
    entry = quantity_entry(value=1.0, unit="N m/A", expanded_uncertainty=K * 0.05, procedure="locked-rotor")

    def asked(_: Collection[str]) -> Mapping[str, Mapping[str, Form]]:
        return further or {}

    there = Known("motor", {"torque_constant": FORM}, [("locked-rotor", {"torque_constant": FORM})], asked)
    return narrowing(CriterionEntry.model_validate(known), entry, FORM, there, 0.95)


def by_words(found: list[AdviceEntry], begin: str) -> AdviceEntry:
    return next(one for one in found if str(one.step).startswith(begin))


def test_a_repeat_halves_the_variance_of_the_scatter_and_leaves_the_instrument() -> None:
    again = by_words(advice(**{"from": "locked-rotor"}), "repeat: Locked-rotor torque")
    # By hand: 0.03 stays, 0.04 becomes 0.04/sqrt(2).
    assert again.expected_uncertainty == pytest.approx(K * math.hypot(0.03, 0.04 / math.sqrt(2)), rel=1e-4)
    assert again.minutes == procedures()["locked-rotor"].minutes
    assert not again.decides  # ± 0.081 still holds the limit


def test_every_procedure_states_its_work() -> None:
    assert all(procedure.minutes > 0 for procedure in procedures().values())


def test_another_instrument_of_half_the_error_is_a_second_value_with_an_error_of_its_own() -> None:
    other = by_words(advice(), "repeat with an instrument of half the error (accuracy of lever, force)")
    # Two independent values, 0.05 and sqrt(0.015^2 + 0.04^2): the weighted mean's uncertainty by hand.
    second = math.hypot(0.015, 0.04)
    assert other.expected_uncertainty == pytest.approx(K / math.sqrt(1 / 0.05**2 + 1 / second**2), rel=1e-4)
    assert other.decides  # ± 0.064 lies within the 0.08 to the limit
    assert "which decides it if the value stays" in str(other.step)


def test_a_guard_band_of_twice_the_uncertainty_needs_a_limit_twice_as_far() -> None:
    """± 0.064 twice is 0.128: within the 0.08 to the limit it decides nothing, within 0.13 it does."""
    begin = "repeat with an instrument of half the error"
    near = by_words(advice(guard_factor=2.0), begin)
    assert not near.decides
    assert "which decides it" not in str(near.step)
    assert by_words(advice(limit=1.13, guard_factor=2.0), begin).decides


def test_what_decides_for_the_least_work_comes_first() -> None:
    found = advice()
    assert [bool(one.decides) for one in found] == sorted((bool(one.decides) for one in found), reverse=True)
    deciding = [one.minutes for one in found if one.decides]
    assert deciding == sorted(deciding)
    assert len(found) == 3


def test_a_further_test_counts_with_the_instruments_that_it_shares() -> None:
    """A test with the same lever alone leaves the lever; one with nothing in common leaves less."""
    same = advice(further={"open-circuit": {"torque_constant": Form(1.0, {LEVER: 0.03})}})
    apart = advice(further={"open-circuit": {"torque_constant": Form(2.0, {Influence("instrument/x", "x"): 0.06})}})
    with_it = by_words(same, "add, if it scatters little: Open-circuit test").expected_uncertainty
    without = by_words(apart, "add, if it scatters little: Open-circuit test").expected_uncertainty
    assert with_it == pytest.approx(K * 0.03, rel=1e-4)
    # As uncertain in proportion: 3 % of 1.0 beside 0.05.
    assert without == pytest.approx(K / math.sqrt(1 / 0.05**2 + 1 / 0.03**2), rel=1e-4)


def test_a_criterion_that_names_its_test_is_not_helped_by_another() -> None:
    found = advice(**{"from": "locked-rotor"})
    assert found
    assert not any(str(one.step).startswith("add") for one in found)


def test_what_would_change_little_is_not_named() -> None:
    row = CriterionEntry.model_validate(criterion(max=1.05, decision="undecided"))
    fixed = {"phase_resistance": Form(1.0, {Influence("assumed/U/x", "assumed x"): 0.05})}
    made = [(one.name, fixed) for one in procedures().values() if "phase_resistance" in one.gives]
    known = Known("motor", fixed, made, lambda _: {})
    assert narrowing(row, quantity_entry(), fixed["phase_resistance"], known, 0.95) == []


def test_a_prediction_is_narrowed_by_a_repeat_of_what_it_rests_on() -> None:
    """Range = 2 resistance + assumed: a repeat of the resistance takes half the variance of its scatter from it."""
    scatter = Influence("scatter/U/r/0", "scatter", block="scatter/U/r")
    assumed = Influence("assumed/U/electrical_time_constant", "assumed electrical time constant")
    resistance = Form(1.0, {scatter: 0.1})
    predicted = Form(5.0, {scatter: 0.2, assumed: 0.1})
    made = [Made("winding-resistance", 15, {"phase_resistance": resistance})]
    known = [Made("winding-inductance", 15, {"electrical_time_constant": Form(1e-3, {})})]
    found = {step.kind: step for step in steps(predicted, {"phase_resistance": resistance}, made, known, change=15)}
    assert found["again"].form.standard_uncertainty == pytest.approx(math.hypot(0.2 / math.sqrt(2), 0.1))
    # What was assumed and is measured then leaves the prediction.
    assert found["further"].form.standard_uncertainty == pytest.approx(0.2)


def test_the_update_is_the_least_squares_of_both_values() -> None:
    """Correlated values by the normal equations (NumPy) and by the update: the same uncertainty."""
    rng = np.random.default_rng(3)
    shared = [Influence(f"instrument/{k}", str(k)) for k in range(4)]
    root = rng.normal(size=(2, 4))
    one, other = (Form(1.0, dict(zip(shared, map(float, row), strict=True))) for row in root)
    weights = np.linalg.inv(root @ root.T)
    (step,) = (s for s in steps(one, {"x": one}, [], [Made("t", 1, {"x": other})], change=1) if s.kind == "further")
    assert step.form.standard_uncertainty == pytest.approx(float(weights.sum()) ** -0.5)
    assert interval(step.form).expanded_uncertainty > 0
