"""Units side by side: shared errors cancel, the unlike are told apart at the stated rate, criteria find the better."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from rotorproof.decision.comparison import Measured, compare, difference
from rotorproof.decision.models import PairEntry, SameUnit
from rotorproof.decision.results import build_results
from rotorproof.fitting.stored import StoredFit
from rotorproof.jsonio import to_json
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.monte_carlo import LEVELS, Simulation
from rotorproof.uncertainty.result import Result
from tests import entries

SCHEMA = json.loads((Path(__file__).parents[2] / "config/schemas/comparison.schema.json").read_bytes())
METER = Influence("instrument/7/2026-01-01/voltage", "accuracy of dmm, voltage", "rectangular")
OTHER = Influence("instrument/8/2026-01-01/voltage", "accuracy of dmm, voltage", "rectangular")
LIMITS = AcceptanceSet.model_validate(
    {
        "criteria": [
            {"quantity": "phase_resistance", "max": "0.13 ohm"},
            {"quantity": "resistance_unbalance", "min": "0 percent", "max": "5 percent"},
        ]
    }
)


def unit(name: str, resistance: float, meter: Influence = METER, u: float = 0.0001, **facts: Any) -> Measured:
    scatter = Influence(f"scatter/{name}", "scatter", "normal", 20, f"scatter/{name}")
    forms = {
        "phase_resistance": Form(resistance, {meter: 0.01 * resistance, scatter: u}),
        "resistance_unbalance": Form(0.01, {scatter: 0.001}),
    }
    fit = StoredFit(outcomes=[entries.run("winding-resistance", forms=forms)])
    return Measured({"unit": name, "kind": "motor", **facts}, build_results(name, "motor", fit, [], LIMITS, 0.95), fit)


def check(found: dict[str, Any]) -> None:
    """Hold what would be written against the published schema."""
    jsonschema.validate(json.loads(to_json(found)), SCHEMA, cls=jsonschema.Draft202012Validator)


def pair(*units: Measured) -> PairEntry:
    found = compare("x", units, 0.95)
    check(found.as_json())
    (row,) = found.quantities["phase_resistance"].pairs
    return row


def test_the_error_of_a_shared_instrument_cancels() -> None:
    row = pair(unit("A", 0.120), unit("B", 0.121))
    # 1 % of 0.12 ohm would hide a difference of 1 mohm; what is left of the meter is 1 % of that difference.
    assert row.difference == pytest.approx(0.001)
    assert row.standard_uncertainty == pytest.approx(np.hypot(1e-5, 1e-4 * np.sqrt(2)), rel=5e-4)
    assert row.correlation > 0.99
    assert row.higher == "B"
    assert row.statement == "B higher"
    assert row.normalised_error > 1


def test_other_benches_are_independent() -> None:
    row = pair(unit("A", 0.120), unit("B", 0.121, OTHER))
    assert row.standard_uncertainty == pytest.approx(np.sqrt(0.0012**2 + 0.00121**2 + 2e-8), rel=5e-4)
    assert row.higher is None
    assert row.statement == "not distinguishable"
    assert row.normalised_error < 1


def test_equal_units_are_told_apart_in_one_of_twenty_cases() -> None:
    rng = np.random.default_rng(4)
    runs = 2000
    wrong = 0
    for _ in range(runs):
        gain = 1 + 0.01 * np.sqrt(3) * rng.uniform(-1, 1)
        a, b = (Result(Form(0.12 * gain + 1e-4 * rng.normal(), {METER: 0.0012, Influence(n, n): 1e-4})) for n in "ab")
        wrong += difference(a, b, 0.95).higher != 0
    assert wrong / runs == pytest.approx(0.05, abs=0.015)


def test_a_simulated_distribution_is_compared_by_its_sides() -> None:
    sample = np.sort(np.abs(np.random.default_rng(1).normal(0.001, 0.001, 20_000)))
    low, high = np.quantile(sample, [0.025, 0.975])
    bent = Result(
        Form(0.001, {Influence("s", "s"): 0.001}),
        Simulation(float(low), float(high), float(sample.std()), sample.size, tuple(np.quantile(sample, LEVELS))),
    )
    straight = Result(Form(0.006, {Influence("t", "t"): 0.0005}))
    found = difference(bent, straight, 0.95)
    assert found.value == pytest.approx(0.005)
    assert found.value - found.low == pytest.approx(np.hypot(0.00098, high - 0.001), rel=1e-3)
    assert found.higher == 1
    assert difference(straight, bent, 0.95).higher == -1


def test_the_better_unit_of_a_criterion() -> None:
    found = compare("x", [unit("A", 0.120), unit("B", 0.121), unit("C", 0.125)], 0.95)
    resistance, unbalance = found.criteria
    assert resistance.better == "A"
    assert "lower than every other" in resistance.why
    assert [entry.decision for entry in resistance.units] == ["pass", "pass", "pass"]
    assert unbalance.better is None
    (only,) = [row for row in compare("x", [unit("A", 0.120), unit("B", 0.140)], 0.95).criteria if row.max < 1]
    assert (only.better, only.why) == ("A", "the only one that passes")
    alike = compare("x", [unit("A", 0.120), unit("B", 0.1200001)], 0.95).criteria[0]
    assert (alike.better, alike.why) == (None, "not distinguishable")


def test_one_unit_tested_twice_is_drift() -> None:
    same = {"model": "HM", "serial": "1"}
    found = compare(
        "x",
        [unit("late", 0.121, tested_on="2026-09-01", **same), unit("early", 0.12, tested_on="2026-05-02", **same)],
        0.95,
    )
    assert found.same_unit == [SameUnit(first="early", second="late", days=122)]
    assert compare("x", [unit("A", 0.12), unit("B", 0.12)], 0.95).same_unit == []


def test_what_chance_would_do_is_said() -> None:
    notes = compare("x", [unit("A", 0.120), unit("B", 0.121)], 0.95).notes
    assert "1 of 2 differences exceed their uncertainty" in notes[0]
    assert "about 0.1 of 2 would do so by chance" in notes[0]
    assert any("cancel in differences" in note for note in notes)


def test_what_is_written_is_what_the_schema_says() -> None:
    facts = {"serial": "7", "model": "HM", "operator": "R. Alder"}
    found = compare(
        "x",
        [unit("A", 0.120, tested_on="2026-05-02", **facts), unit("B", 0.128, tested_on="2026-05-09", **facts)],
        0.95,
    ).as_json()
    assert found["same_unit"] and found["criteria"] and found["notes"]
    check(found)
    for wrong in ({"colour": "red"}, {"schema": 2}, {"units": found["units"][:1]}):
        with pytest.raises(jsonschema.ValidationError):
            check(found | wrong)
    del found["quantities"]["phase_resistance"]["pairs"][0]["correlation"]
    with pytest.raises(jsonschema.ValidationError, match="correlation"):
        check(found)


def test_how_a_test_was_run_is_no_difference_of_units() -> None:
    def locked(name: str, current: float) -> Measured:
        one = unit(name, 0.120)
        forms = {"droop_current": Form(current), "saturation_current": Form(current + 30.0)}
        fit = StoredFit(outcomes=[*one.fit.outcomes, entries.run("locked-rotor", forms=forms)])
        return Measured(one.facts, build_results(name, "motor", fit, [], LIMITS, 0.95), fit)

    found = compare("x", [locked("A", 24.001), locked("B", 24.0)], 0.95)
    assert "droop_current" not in found.quantities
    assert "saturation_current" in found.quantities
    assert "droop_current" not in compare("x", [locked("A", 24.001), unit("B", 0.12)], 0.95).one_unit_only
