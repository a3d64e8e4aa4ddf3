"""Insulation resistance against the figures of IEEE 43 and an invented dielectric with richer physics.

Sources: IEEE 43 temperature coefficient K_T = 0.5^((40 - T)/10) (from memory: 0.25 at 20 degC, 0.5 at 30, 1
at 40, 2 at 50); polarization index = R(10 min)/R(1 min) (IEEE 43). The absorption law t^-n is that of Curie
and von Schweidler.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.physics import insulation
from rotorproof.procedures.base import Log
from rotorproof.procedures.insulation_resistance import PROCEDURE
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Form, Influence
from tests.simulation.insulation import InsulationTruth, insulation_log

VOLTAGE = {"test_voltage": 500.0}


def outcome(columns: dict[str, np.ndarray], given: dict[str, float] | None = None, **conditions: float) -> Outcome:
    return run(
        PROCEDURE,
        [Log("log", columns, VOLTAGE | conditions)],
        label="log",
        unit="U",
        given={name: Form(value) for name, value in (given or {}).items()},
        instruments=[],
        uncertain_conditions={},
    )


@pytest.mark.parametrize(("temperature", "factor"), [(20, 0.25), (30, 0.5), (40, 1), (50, 2)])
def test_temperature_coefficient_of_ieee_43(temperature: float, factor: float) -> None:
    assert insulation.halving_factor(temperature) == pytest.approx(factor)


@pytest.mark.parametrize(
    ("temperature", "factor"), [(10, 0.7), (20, 0.8), (30, 0.9), (40, 1.0), (50, 1.5), (60, 2.3), (70, 3.3), (80, 4.6)]
)
def test_temperature_coefficient_of_thermosets(temperature: float, factor: float) -> None:
    # The table of IEEE 43-2013 is rounded to one decimal (from memory).
    assert insulation.thermoset_factor(temperature) == pytest.approx(factor, abs=0.051)


@pytest.mark.parametrize("temperature", [15.0, 22.0, 30.0, 60.0])
def test_the_interval_holds_what_either_coefficient_of_the_standard_gives(temperature: float) -> None:
    time = np.arange(15.0, 601.0, 15.0)
    columns = {"time": time, "insulation_resistance": 3e8 * (time / 60) ** 0.6}
    found = outcome(columns, winding_temperature=temperature)
    cover = found.result("insulation_resistance").interval(0.95)
    for factor in (0.5 ** ((40 - temperature) / 10), insulation.thermoset_factor(temperature)):
        assert cover.low - 1 <= 3e8 * factor <= cover.high + 1
    assert cover.low > 0
    assert any("both of which are in the interval" in note for note in found.report.notes)
    assert any("No other test cross-checks this reading" in note for note in found.report.notes)
    sources = {influence.source for influence in found.forms["insulation_resistance"].terms}
    assert "kind of the insulation, not stated: one coefficient to 40 °C or the other" in sources
    assert not any("kind" in i.source for i in found.forms["polarization_index"].terms)


@pytest.mark.parametrize("temperature", [10.0, 16.0, 25.0, 35.0])
def test_either_kind_is_held_by_exact_calculation(temperature: float) -> None:
    # A tester within 5 % of the reading (rectangular) on a winding of one kind or the other: what it reads, and with
    # it the whole interval, is in proportion to 1 + e. The probability that the truth lies in it follows by hand;
    # truths by the coefficients of IEEE 43-2013 (from memory).
    time = np.arange(15.0, 601.0, 15.0)
    columns = {"time": time, "insulation_resistance": 3e8 * (time / 60) ** 0.6}
    found = outcome(columns, winding_temperature=temperature).forms["insulation_resistance"]
    reading = Influence("tester", "tester", "rectangular")
    kind = next(c for i, c in found.terms.items() if i.distribution == "two-point")
    larger = found.value + abs(kind)
    cover = interval(Form(found.value, {**found.terms, reading: 0.05 / math.sqrt(3) * larger}))
    held = []
    for factor in (0.5 ** ((40 - temperature) / 10), math.exp(-1245 * (1 / (temperature + 273) - 1 / 313))):
        truth = 3e8 * factor
        # cover.low (1 + e) <= truth <= cover.high (1 + e)
        low, high = truth / cover.high - 1, truth / cover.low - 1
        held.append((min(high, 0.05) - max(low, -0.05)) / 0.1)
    assert 0.95 <= np.mean(held) <= 0.985
    assert min(held) > 0.93


def test_a_kind_that_is_not_stated_is_a_warning_where_it_matters() -> None:
    time = np.arange(15.0, 601.0, 15.0)
    columns = {"time": time, "insulation_resistance": 3e8 * (time / 60) ** 0.6}

    def warned(**conditions: float) -> list[str]:
        return [problem.message for problem in outcome(columns, **conditions).report.warnings]

    # At 20 degC the coefficients are 0.250 and 0.762: 0.506, and 0.256 either way.
    (message,) = warned(winding_temperature=20.0)
    assert "may be off by 51 %" in message
    assert "insulation_kind" in message
    assert not warned(winding_temperature=40.0)
    assert not warned(winding_temperature=20.0, insulation_kind=0.0)
    assert not warned(winding_temperature=20.0, halving_interval=12.0)


def test_near_40_degc_and_with_a_stated_halving_the_doubt_is_gone() -> None:
    time = np.arange(15.0, 601.0, 15.0)
    columns = {"time": time, "insulation_resistance": 3e8 * (time / 60) ** 0.6}
    for conditions in (
        {"winding_temperature": 40.0},
        {"winding_temperature": 20.0, "insulation_kind": 1.0},
        {"winding_temperature": 20.0, "halving_interval": 12.0},
    ):
        found = outcome(columns, **conditions).forms["insulation_resistance"]
        assert found.standard_uncertainty < 1e-6 * found.value
    assert found.value == pytest.approx(3e8 * 0.5 ** (20 / 12))
    with pytest.raises(FitError, match="above 0 K"):
        outcome(columns, winding_temperature=20.0, halving_interval=0.0)


def test_exact_power_law_gives_its_own_index() -> None:
    # Pure absorption R = c t^n: PI = 10^n exactly.
    time = np.arange(15.0, 601.0, 15.0)
    found = outcome(
        {"time": time, "insulation_resistance": 3e8 * (time / 60) ** 0.6}, winding_temperature=30.0, insulation_kind=0.0
    ).forms
    assert found["polarization_index"].value == pytest.approx(10**0.6, rel=1e-9)
    assert found["insulation_resistance"].value == pytest.approx(1.5e8, rel=1e-9)
    assert found["insulation_resistance_at_least"].value == pytest.approx(1.5e8, rel=1e-9)


def test_wet_winding_is_low_and_flat() -> None:
    rng = np.random.default_rng(1)
    wet = outcome(insulation_log(InsulationTruth(surface_leakage=1e-6), rng), winding_temperature=22.0).forms
    assert interval(wet["insulation_resistance"]).high < 5e6  # the floor of IEEE 43 for these windings
    assert wet["polarization_index"].value < 1.1


def test_over_range_is_a_bound_and_no_value() -> None:
    rng = np.random.default_rng(2)
    columns = insulation_log(InsulationTruth(bulk=1e11, absorption=1e-11), rng, range_limit=2e9)
    found = outcome(columns, winding_temperature=20.0, range_limit=2e9)
    assert set(found.forms) == {"insulation_resistance_at_least"}
    assert found.forms["insulation_resistance_at_least"].value == pytest.approx(0.5e9)
    assert "over its range" in found.fit.missing["insulation_resistance"]
    assert "polarization_index" in found.fit.missing


def test_readings_stuck_at_the_top_are_pointed_out() -> None:
    rng = np.random.default_rng(2)
    columns = insulation_log(InsulationTruth(bulk=1e11, absorption=1e-11), rng, range_limit=2e9)
    found = outcome(columns, winding_temperature=20.0)
    assert any("range_limit" in problem.message for problem in found.report.warnings)


def test_one_minute_run_gives_no_index_and_says_why() -> None:
    columns = insulation_log(InsulationTruth(), np.random.default_rng(3), duration=90.0, interval=10.0)
    found = outcome(columns, winding_temperature=21.0)
    assert "insulation_resistance" in found.forms
    assert "every minute later" in found.fit.missing["polarization_index"]


def test_ambient_stands_in_with_a_warning_and_nothing_stands_in_for_both() -> None:
    columns = insulation_log(InsulationTruth(), np.random.default_rng(4))
    found = outcome(columns, given={"ambient_temperature": 20.0})
    assert any("rested for hours" in problem.message for problem in found.report.warnings)
    with pytest.raises(FitError, match="winding_temperature"):
        outcome(columns)


@pytest.mark.parametrize(
    ("time", "resistance", "reason"),
    [
        ([10.0, 20.0, 30.0, 40.0], [1e8, 1.1e8, 1.2e8, 1.2e8], "do not enclose"),
        ([55.0, 60.0], [1e8, 1e8], "only 2 readings"),
        ([30.0, 60.0, 90.0], [1e8, 0.0, 1e8], "zero or less"),
    ],
)
def test_readings_that_do_not_determine_it(time: list[float], resistance: list[float], reason: str) -> None:
    with pytest.raises(FitError, match=reason):
        outcome({"time": np.array(time), "insulation_resistance": np.array(resistance)}, winding_temperature=20.0)
