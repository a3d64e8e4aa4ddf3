"""results.json: symmetric and simulated intervals, budgets that say what to improve, criteria with risks."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from rotorproof.decision.models import Results
from rotorproof.decision.reasons import reason
from rotorproof.decision.results import build_results
from rotorproof.fitting.stored import Made, StoredFit
from rotorproof.jsonio import to_json
from rotorproof.procedures.base import Hint
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.monte_carlo import LEVELS, Simulation
from tests import entries

METER = Influence("meter", "accuracy of the meter", "rectangular")
SCATTER = Influence("scatter/0", "scatter of the readings", "normal", 20, "scatter")


def fit(*derived: Made, simulated: dict[str, Simulation] | None = None, **changed: Any) -> StoredFit:
    made = {
        "forms": {
            "phase_resistance": Form(0.120, {METER: 0.002, SCATTER: 0.0005}),
            "resistance_unbalance": Form(0.004, {SCATTER: 0.002}),
        },
        "simulated": simulated or {},
    }
    return StoredFit(outcomes=[entries.run("winding-resistance", **made | changed)], derived=list(derived))


def results(acceptance: dict[str, Any] | None = None, **simulated: Simulation) -> Results:
    limits = None if acceptance is None else AcceptanceSet.model_validate(acceptance)
    found = build_results("U", "motor", fit(simulated=simulated), [], limits, 0.95)
    assert Results.model_validate_json(to_json(found.as_json())) == found
    return found


def simulation() -> Simulation:
    rng = np.random.default_rng(1)
    sample = np.abs(0.004 + 0.003 * rng.normal(size=50_000))
    low, high = np.quantile(sample, [0.025, 0.975])
    return Simulation(float(low), float(high), float(sample.std()), sample.size, tuple(np.quantile(sample, LEVELS)))


def test_the_budget_says_what_half_of_a_source_would_buy() -> None:
    entry = results().quantities["phase_resistance"]
    meter, scatter = entry.budget
    assert meter.source == "accuracy of the meter"
    assert meter.share == pytest.approx(0.002**2 / (0.002**2 + 0.0005**2), rel=5e-4)
    assert meter.expanded_uncertainty_if_halved < 0.7 * entry.expanded_uncertainty
    assert scatter.expanded_uncertainty_if_halved is None  # under a tenth of the variance
    assert any("half of it would narrow U from 0.0035 to 0.0021 Ω" in note for note in entry.notes)


def test_a_simulated_interval_may_be_asymmetric_and_decides() -> None:
    limits = {"criteria": [{"quantity": "resistance_unbalance", "max": "1 percent"}]}
    found = results(limits, resistance_unbalance=simulation())
    entry = found.quantities["resistance_unbalance"]
    low, high = entry.interval
    assert high - entry.value > 1.2 * (entry.value - low)
    assert entry.expanded_uncertainty == pytest.approx(high - entry.value, rel=1e-3)
    assert any("trials" in note for note in entry.notes)
    (row,) = found.criteria
    assert row.decision == ("pass" if high <= 1 else "undecided")
    assert row.probability_of_conformity == pytest.approx(0.977, abs=0.01)


def test_criteria_carry_zones_risks_and_words() -> None:
    limits = {
        "rule": "guarded-acceptance",
        "guard_factor": 0.5,
        "criteria": [
            {
                "quantity": "phase_resistance",
                "min": "110 mohm",
                "max": "130 mohm",
                "process": {"mean": "0.12 ohm", "standard_deviation": "4 mohm"},
            },
            {"quantity": "phase_resistance", "max": "0.1195 ohm", "rule": "simple"},
            {"quantity": "phase_resistance", "min": "0.1199 ohm", "max": "0.1201 ohm", "guard_factor": 1},
            {"quantity": "resistance_ab", "max": "1 ohm"},
        ],
    }
    guarded, simple, narrow, absent = results(limits).criteria
    u = 0.00357
    assert guarded.decision == "pass"
    assert guarded.acceptance_interval == pytest.approx([0.110 + u / 2, 0.130 - u / 2], abs=1e-4)
    assert guarded.specific_consumer_risk == pytest.approx(1 - guarded.probability_of_conformity)
    assert guarded.specific_producer_risk is None
    assert 0 < guarded.global_consumer_risk < 0.01
    assert 0 < guarded.global_producer_risk < 0.2
    assert simple.decision == "fail"
    assert simple.specific_producer_risk == pytest.approx(simple.probability_of_conformity)
    assert "shared" in simple.statement
    assert simple.guard_factor is None
    assert narrow.decision == "fail"
    assert narrow.acceptance_interval is None
    assert "no value could pass" in narrow.statement
    assert absent.decision == "not measured"


def test_an_exact_quantity_has_a_point_for_an_interval() -> None:
    given = fit(forms={"phase_resistance": Form(0.12)})
    found = build_results("U", "motor", given, [], None, 0.95).quantities["phase_resistance"]
    assert found.interval == (0.12, 0.12)
    assert found.degrees_of_freedom is None
    assert not math.isnan(found.coverage_factor)


def test_a_quantity_says_whether_it_was_measured_and_its_criterion_says_so_too() -> None:
    predicted = Made(
        maker="pack-prediction",
        label="pack-prediction",
        forms={"pack_no_load_speed": Form(20.0, {METER: 0.1})},
        predicted={"pack_no_load_speed": "EMF constant, DC"},
    )
    made = fit(predicted, extrapolated={"phase_resistance": "to 36.0 V from at most 24.0 V"})
    limits = AcceptanceSet.model_validate({"criteria": [{"quantity": "pack_no_load_speed", "min": "100 rpm"}]})
    found = build_results("U", "motor", made, [], limits, 0.95).as_json()
    origins = {name: entry["origin"] for name, entry in found["quantities"].items()}
    assert origins == {
        "phase_resistance": {"kind": "extrapolated", "by": "to 36.0 V from at most 24.0 V"},
        "resistance_unbalance": {"kind": "measured"},
        "pack_no_load_speed": {"kind": "predicted", "from": "EMF constant, DC"},
    }
    assert found["criteria"][0]["origin"] == origins["pack_no_load_speed"]


def test_a_failed_criterion_says_what_a_test_saw_and_else_what_the_trade_does() -> None:
    limits = AcceptanceSet.model_validate(
        {
            "criteria": [
                {"quantity": "phase_resistance", "max": "0.1 ohm", "rule": "simple"},
                {"quantity": "resistance_unbalance", "max": "0.1 percent", "rule": "simple", "reason": "a bad joint"},
                {"quantity": "resistance_unbalance", "max": "9 percent", "rule": "simple"},
            ]
        }
    )
    made = fit(hints=[Hint("phase_resistance", "a long lead", "measure at the joint")])
    seen, known, passed = build_results("U", "motor", made, [], limits, 0.95).as_json()["criteria"]
    assert seen["advice"] == [{"why": "a long lead", "step": "measure at the joint"}]
    assert known["advice"][0]["why"] == "a bad joint"
    assert "joint" in known["advice"][0]["step"]
    assert "advice" not in passed


@pytest.mark.parametrize(
    ("bound", "limits", "decision"),
    [
        # At most 0.12 ohm: surely below 0.3, perhaps below 0.05 as well.
        ("most", {"min": "0.05 ohm"}, "undecided"),
        ("most", {"max": "0.3 ohm"}, "pass"),
        ("most", {"min": "0.3 ohm"}, "fail"),
        ("most", {"max": "0.05 ohm"}, "undecided"),
        ("most", {"min": "0.3 ohm", "max": "0.5 ohm"}, "fail"),
        ("most", {"min": "0.01 ohm", "max": "0.05 ohm"}, "undecided"),
        # At least 0.12 ohm: surely above 0.05, perhaps above 0.3 as well.
        ("least", {"max": "0.3 ohm"}, "undecided"),
        ("least", {"min": "0.05 ohm"}, "pass"),
        ("least", {"max": "0.05 ohm"}, "fail"),
        ("least", {"min": "0.3 ohm"}, "undecided"),
    ],
)
def test_what_was_looked_at_in_part_decides_only_what_the_rest_cannot_change(
    bound: str, limits: dict[str, str], decision: str
) -> None:
    made = fit(extrapolated={"phase_resistance": "from leg A alone"}, bounds={"phase_resistance": bound})
    acceptance = AcceptanceSet.model_validate({"criteria": [{"quantity": "phase_resistance", **limits}]})
    found = build_results("U", "motor", made, [], acceptance, 0.95)
    (row,) = found.criteria
    assert row.decision == decision
    assert found.verdict == {"pass": "accepted", "fail": "rejected", "undecided": "undecided"}[decision]
    if decision == "undecided":
        assert row.advice is not None
        assert row.advice[0].why == "it was looked at in part (from leg A alone)"
        assert row.probability_of_conformity is None
        assert reason(found).startswith("it was looked at in part: ")
