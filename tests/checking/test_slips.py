"""Logs of a sound bench with one slip each: found and named right, while the sound log raises nothing."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rotorproof.checking.finding import Finding
from rotorproof.checking.plausibility import findings
from rotorproof.checking.survey import Survey
from rotorproof.logs.chunks import Chunk

KNOWN = {"rated_voltage": 36.0, "rated_power": 250.0, "rated_speed": 24.0, "ambient_temperature": 21.5}
Columns = dict[str, np.ndarray]


def winding() -> Columns:
    rng = np.random.default_rng(1)
    current = np.repeat(np.linspace(1, 6, 6), 4)
    columns: Columns = {"temperature_winding": np.full(24, 22.0)}
    for pair in ("ab", "bc", "ca"):
        columns[f"current_{pair}"] = current + rng.normal(0, 1e-3, 24)
        columns[f"voltage_{pair}"] = 0.25 * current + rng.normal(0, 1e-4, 24)
    return columns


def stall() -> Columns:
    rng = np.random.default_rng(2)
    current = np.linspace(2, 20, 12)
    return {"current_q": current, "torque": 1.2 * current + rng.normal(0, 0.05, 12)}


def free() -> Columns:
    rng = np.random.default_rng(3)
    speed = np.linspace(6, 27, 12)
    return {
        "speed": speed,
        "supply_voltage": 1.25 * speed + rng.normal(0, 0.01, 12),
        "supply_current": 0.5 + 0.01 * speed,
    }


def seen(columns: Columns, known: dict[str, float] = KNOWN, **conditions: float) -> list[Finding]:
    chunk = Chunk(columns, lambda row: None)
    return findings(Survey.of([chunk]), known, waveforms=False, conditions=conditions)


def fahrenheit(celsius: float) -> float:
    return 1.8 * celsius + 32.0


@pytest.mark.parametrize("log", [winding, stall, free])
def test_a_sound_log_raises_nothing(log: Callable[[], Columns]) -> None:
    assert seen(log(), winding_temperature=22.0) == []


def test_70_degrees_fahrenheit_typed_as_celsius() -> None:
    found = seen(winding(), winding_temperature=70.0)
    assert any("°F written as °C" in f.message and f.unit for f in found)
    room = {**KNOWN, "ambient_temperature": 70.0}
    (ambient,) = seen(stall(), room)
    assert "ambient temperature is stated as 70 °C" in ambient.message
    columns = winding()
    columns["temperature_winding"] = fahrenheit(columns["temperature_winding"])
    (one,) = seen(columns)
    assert one.column == "temperature_winding"
    columns["temperature_ambient"] = np.full(24, fahrenheit(20.0))
    assert any(f.column == "temperature_ambient" for f in seen(columns))
    hot = {**winding(), "temperature_winding": np.linspace(22, 95, 24)}
    assert seen(hot) == []  # a winding that warms up


def test_22_degrees_celsius_read_as_fahrenheit() -> None:
    """22 degC under the unit [degF] is -5.6 degC: (22 - 32)/1.8."""
    read = np.full(24, -5.6)
    sound = {"temperature_ambient": np.full(24, 12.0), "temperature_winding": np.linspace(12.0, 90.0, 24)}
    assert seen(sound) == []  # a cold hall
    cold = {"temperature_ambient": read, "temperature_winding": np.linspace(-5.6, 37.0, 24)}
    found = seen(cold)
    assert [f.column for f in found] == ["temperature_ambient", "temperature_winding"]
    for one in found:
        assert "are °C written as °F? Then the unit is [degC]" in one.message
        assert one.unit
        assert one.slip == "a temperature in °C written as °F"
    (alone,) = seen({**cold, "temperature_ambient": np.full(24, 22.0)})
    assert alone.column == "temperature_winding"
    (stated,) = seen(winding(), winding_temperature=-5.6)
    assert stated.unit


def test_voltage_and_current_exchanged() -> None:
    columns = winding()
    for pair in ("ab", "bc", "ca"):
        u, i = f"voltage_{pair}", f"current_{pair}"
        columns[u], columns[i] = columns[i], columns[u]
    found = [f for f in seen(columns) if "current exchanged" in f.message]
    assert len(found) == 3
    assert all("current column V?" in f.message and f.unit for f in found)


def test_millivolt_and_ampere_exchanged_and_relabelled() -> None:
    """The column called [mV] holds amperes, the one called [A] millivolts."""
    columns = winding()
    for pair in ("ab", "bc", "ca"):
        u, i = columns[f"voltage_{pair}"], columns[f"current_{pair}"]
        columns[f"voltage_{pair}"], columns[f"current_{pair}"] = i * 1e-3, u * 1e3
    found = [f for f in seen(columns) if "current exchanged" in f.message]
    assert len(found) == 3
    assert all("current column mV?" in f.message for f in found)


@pytest.mark.parametrize("factor", [9.80665, 10.0])
def test_kilograms_typed_as_newtons_and_a_tenfold_scale(factor: float) -> None:
    columns = stall()
    columns["torque"] = columns["torque"] / factor
    (found,) = seen(columns)
    assert "kg written as N (9.81)" in found.message
    assert "a tenth of" in found.message
    pull = {"current_q": columns["current_q"], "force": stall()["torque"] / 0.3 / factor}
    (found,) = seen(pull, lever_arm=0.3)
    assert found.column == "force"


@pytest.mark.parametrize(("change", "word"), [(60 / (2 * np.pi), "rpm written as rad/s")])
def test_rpm_read_as_rad_per_second_without_a_second_test(change: float, word: str) -> None:
    columns = free()
    columns["speed"] = columns["speed"] * change
    assert any(word in f.message for f in seen(columns))


def test_a_probe_of_ten_on_the_supply() -> None:
    columns = free()
    columns["supply_voltage"] = columns["supply_voltage"] / 10
    assert any("×10 probe" in f.message for f in seen(columns))


def test_rows_of_zeros_at_the_end_are_padding() -> None:
    columns = {name: np.concatenate([values, np.zeros(40)]) for name, values in free().items()}
    (found,) = seen(columns)
    assert "the last 40 rows are zero" in found.message
    assert found.unit
    assert found.slip
    first = {name: np.concatenate([np.zeros(3), values]) for name, values in free().items()}
    assert any("the first 3 rows are zero" in f.message for f in seen(first))


@pytest.mark.parametrize(("row", "factor"), [(40, 10.0), (99, 0.1), (0, 10.0)])
def test_one_reading_of_a_record_is_off_by_ten(row: int, factor: float) -> None:
    """A tail current, or any reading of a smooth record, whose decimal slipped."""
    rng = np.random.default_rng(4)
    time = np.arange(100.0)
    columns = {
        "time": time,
        "supply_current": 3.0 * np.exp(-time / 60) + rng.normal(0, 2e-3, 100),
        "temperature_winding": 22.0 + 0.3 * time,
    }
    assert seen(columns) == []
    columns["supply_current"][row] *= factor
    (found,) = seen(columns)
    assert found.unit
    assert f"reading {row + 1} of supply current" in str(found.slip)


def test_noise_about_a_small_level_is_no_slip_of_a_decimal() -> None:
    """A brake lever goes from 4.9 V to 0.03 V with 10 mV of noise: four readings agree, and one among them is low."""
    rng = np.random.default_rng(7)
    time = 0.004 * np.arange(1750)
    lever = np.round(np.where(time < 1.0, 4.9, 0.03) + rng.normal(0, 0.01, time.size), 3)
    lever[1000:1005] = [0.030, 0.031, 0.003, 0.030, 0.029]
    assert seen({"time": time, "brake": lever}) == []
    still = np.round(np.where(time < 1.0, 4.9, 0.03) + rng.normal(0, 2e-4, time.size), 4)
    still[1002] = 0.003
    assert len(seen({"time": time, "brake": still})) == 1


def test_a_step_and_coarse_noise_are_no_slip_of_a_decimal() -> None:
    rng = np.random.default_rng(5)
    time = np.arange(400.0)
    noise = np.round(rng.normal(0, 2e-3, 400), 3)
    step = np.where(time < 200, 10.0, 1.0) + rng.normal(0, 1e-3, 400)
    assert seen({"time": time, "supply_current": noise + 0.001, "throttle": step}) == []
