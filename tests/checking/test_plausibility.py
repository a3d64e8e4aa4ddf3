"""Each slip of the bench is seen, and a sound log raises no finding. The waves are invented here."""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.checking.plausibility import findings
from rotorproof.checking.survey import Survey
from rotorproof.logs.chunks import Chunk

RATE, PAIRS, SPEED, PEAK = 20_000.0, 10, 20.0, 25.0
KNOWN = {"rated_voltage": 36.0, "rated_speed": 24.0, "pole_pairs": 10.0}


def driven(seconds=0.5, rate=RATE, **changes):
    rng = np.random.default_rng(5)
    time = np.arange(int(seconds * rate)) / rate
    columns = {"time": time, "speed": np.full_like(time, SPEED) + rng.normal(0, 0.02, time.size)}
    for phase, name in enumerate(("voltage_ab", "voltage_bc", "voltage_ca")):
        angle = PAIRS * SPEED * time - phase * 2 * np.pi / 3
        wave = PEAK * (np.sin(angle) - 0.06 * np.sin(5 * angle)) + rng.normal(0, 0.05, time.size)
        columns[name] = np.round(wave / 0.02) * 0.02
    for name, change in changes.items():
        columns[name] = change(columns[name])
    return columns


def seen(columns, known=KNOWN, waveforms=True):
    pieces = np.array_split(np.arange(len(next(iter(columns.values())))), 7)
    chunks = [Chunk({k: v[p] for k, v in columns.items()}, lambda row: None) for p in pieces if len(p)]
    return findings(Survey.of(chunks), known, waveforms=waveforms)


def test_a_sound_record_raises_nothing():
    assert seen(driven()) == []


@pytest.mark.parametrize("steps", [256, 4096])
def test_sine_read_in_coarse_steps_is_not_called_clipped(steps):
    q = 2 * PEAK / steps
    coarse = {f"voltage_{p}": lambda w: np.round(w / q) * q for p in ("ab", "bc", "ca")}
    assert [f for f in seen(driven(**coarse)) if "flat" in f.message] == []


@pytest.mark.parametrize(
    ("changes", "column", "words"),
    [
        ({"voltage_ab": lambda w: w * 1000}, "voltage_ab", "1000 times too large"),
        ({"speed": lambda w: w * 60 / (2 * np.pi)}, "speed", "rpm written as rad/s"),
        ({"speed": lambda w: w * 2 * np.pi / 60}, "speed", "rad/s written as rpm"),
        ({"speed": lambda w: w * PAIRS}, "speed", "is the speed electrical"),
        ({"voltage_bc": lambda w: -w}, "voltage_ab", "voltage_bc seems inverted"),
        ({"voltage_bc": lambda w: w / 10}, "voltage_ab", "voltage_bc seems ten times too small"),
        ({"voltage_ca": lambda w: w * 10}, "voltage_ab", "voltage_ca seems ten times too large"),
        ({"voltage_ca": np.zeros_like}, "voltage_ca", "every reading is zero"),
        ({"voltage_ab": lambda w: np.clip(w, -18, 18)}, "voltage_ab", "clipped"),
        ({"voltage_ab": lambda w: w + 3}, "voltage_ab", "an offset of the channel"),
        (dict.fromkeys(("voltage_ab", "voltage_bc", "voltage_ca"), lambda w: w / 10), "voltage_ab", "×10 probe"),
        ({"time": lambda t: np.where(t > 0.2, t + 0.1, t)}, "time", "samples were lost"),
    ],
)
def test_slips_of_the_bench(changes, column, words):
    found = seen(driven(**changes))
    assert any(f.column == column and words in f.message for f in found), found


@pytest.mark.parametrize(("slower", "words"), [(4.4, None), (1.0, "motor before its gear"), (4.4**2, "second gear")])
def test_speed_behind_a_gear_is_that_of_the_output(slower, words):
    found = seen(driven(speed=lambda w: w / slower), {**KNOWN, "gear_ratio": 4.4})
    told = {words is not None and words in f.message for f in found if "electrical frequency" in f.message}
    assert told == (set() if words is None else {True})


def test_direct_current_at_rest_is_not_taken_for_exchanged_columns():
    n = np.linspace(0.0, 1.0, 50)
    rest = {"time": 60 * n, "supply_voltage": 2.4 + 0.2 * n, "supply_current": 26.0 + 0.01 * np.sin(9 * n)}
    pieces = Survey.of([Chunk(rest, lambda row: None)])
    stands = findings(pieces, KNOWN, waveforms=False, conditions={"output_power": 0.0})
    assert [f for f in stands if "exchanged" in f.message] == []
    assert [f for f in findings(pieces, KNOWN, waveforms=False) if "exchanged" in f.message]


def test_too_few_samples_and_aliasing():
    few = seen(driven(rate=400.0, seconds=4))
    assert any("samples per electrical turn" in f.message for f in few)
    # 31.8 Hz electrical read at 30 Hz folds down to 1.8 Hz.
    folded = seen(driven(rate=30.0, seconds=30))
    assert any("aliased" in f.message for f in folded), folded


def test_short_record():
    assert any("electrical turns; record longer" in f.message for f in seen(driven(seconds=0.12)))


def test_degrees_for_radians():
    time = np.arange(0, 2, 0.001)
    turn = {"time": time, "speed": np.full_like(time, 20.0), "angle": np.degrees(20.0 * time)}
    assert any("degrees written as rad" in f.message for f in seen(turn))
    turn["angle"] = np.degrees(20.0 * time) % 360
    assert any("degrees written as rad" in f.message for f in seen(turn))
    turn["angle"] = (20.0 * time) % (2 * np.pi)
    turn["speed"] = 20.0 + 0.01 * np.sin(time)
    assert seen(turn) == []


def test_supply_columns_exchanged_and_tenfold_range():
    n = np.arange(30.0)
    supply = {"time": n, "supply_voltage": 2 + 0.1 * np.sin(n), "supply_current": 36 - 0.01 * n}
    assert any("exchanged" in f.message for f in seen(supply))
    current = np.linspace(0.5, 5, 10)
    steps = {"current_ab": current, "current_bc": current, "current_ca": current}
    steps |= {"voltage_ab": 0.24 * current, "voltage_bc": 2.4 * current, "voltage_ca": 0.24 * current}
    assert [f.column for f in seen(steps, waveforms=False)] == ["voltage_bc"]


def test_supply_through_a_probe_and_a_run_at_standstill():
    n = np.arange(30.0)
    run = {"time": n, "supply_voltage": 3.6 + 0.001 * n, "speed": 23 + 0.001 * n}
    assert any("×10 probe" in f.message for f in seen(run, waveforms=False))
    heat = {"time": n, "supply_voltage": 3.6 + 0.001 * n, "supply_current": 7 - 0.001 * n}
    assert seen(heat, waveforms=False) == []


def test_logic_level_that_is_a_voltage():
    assert any("0 or 1" in f.message for f in seen({"hall_a": np.array([0.0, 5.0] * 9)}, waveforms=False))


MADE_FOR = {**KNOWN, "rated_power": 250.0}


def test_a_prefix_wrong_by_a_thousand_is_told_by_the_nameplate():
    # 250 W at 36 V is about 9 A; 12 % copper loss of it about half an ohm between two lines.
    n = np.arange(30.0)
    run = {"time": n, "supply_voltage": 36 + 0.01 * n, "supply_current": 0.5 + 0.01 * n}
    assert seen(run, MADE_FOR, waveforms=False) == []
    for column, factor, words in (
        ("supply_current", 1000, "mA written as A"),
        ("supply_current", 1e-3, "A written as mA"),
        ("supply_voltage", 1e-3, "V written as mV"),
    ):
        slip = {**run, column: run[column] * factor}
        assert any(f.column == column and words in f.message for f in seen(slip, MADE_FOR, waveforms=False)), column
    steps = {"current_ab": np.linspace(0.5, 5, 10)}
    assert seen({**steps, "voltage_ab": 0.24 * steps["current_ab"]}, MADE_FOR, waveforms=False) == []
    millivolts = seen({**steps, "voltage_ab": 240 * steps["current_ab"]}, MADE_FOR, waveforms=False)
    assert any("wrong by 1000" in f.message for f in millivolts)


def test_rpm_as_rad_per_second_is_told_by_the_supply_where_the_run_stays_slow():
    # At half the rated voltage a motor turns at about half its no-load speed: 14 rad/s, or 135 rpm.
    n = np.arange(30.0)
    run = {"time": n, "supply_voltage": 13 + 0.01 * n, "speed": 10 + 0.01 * n}
    assert seen(run, waveforms=False) == []
    slip = {**run, "speed": run["speed"] * 60 / (2 * np.pi)}
    assert [f.column for f in seen(slip, waveforms=False)] == ["speed"]
    assert "rpm written as" in seen(slip, waveforms=False)[0].message


@pytest.mark.parametrize(
    ("factor", "plate", "words"),
    [
        (1.0, KNOWN, None),
        (1e3, KNOWN, "1000 times too large"),
        (1e6, KNOWN, "10⁶ times too large: is the unit written for the wrong prefix (u for micro left out)?"),
        (1e-3, {**KNOWN, "rated_power": 250.0}, "1000 times too small"),
        # 60 uH of a small winding, typed as 60 H: the nameplate tells that 60 mH is none either.
        (60e6 / 449, {**KNOWN, "rated_power": 250.0}, "10⁶ times too large"),
    ],
)
def test_an_inductance_in_a_wrong_prefix_is_named_by_its_power_of_ten(factor, plate, words):
    """449 uH between two lines is an ordinary hub motor's (common practice, no source)."""
    found = seen({"inductance_ab": np.array([446e-6, 449e-6]) * factor}, plate, waveforms=False)
    assert [words in f.message and f.unit for f in found] == ([] if words is None else [True])
