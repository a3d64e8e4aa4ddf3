"""What looks wrong in readings reaches the report, absurd results are named, and sound ones are left alone.

The logs are invented. Bounds: no machine gives out more than it takes in (conservation of energy); the measuring
current of an insulation tester is at most 15 mA (IEC 61557-2, from memory); the others are common practice, no source.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rotorproof.checking import copies
from rotorproof.checking.look import reading_problems
from rotorproof.checking.unit_check import check_unit
from rotorproof.errors import Problem
from rotorproof.logs.store import Readings
from rotorproof.physics.wave_stream import KEPT_ROWS, WaveStream
from rotorproof.settings.folder import SettingsFolder
from rotorproof.settings.load import Unit, load_unit
from rotorproof.settings.unit import UnitFile
from tests.errors.bench import Bench, process

CONFIG = Path(__file__).parents[2] / "config"
NAMEPLATE = {"rated_voltage": "36 V", "rated_power": "250 W", "rated_speed": "230 rpm", "pole_pairs": 20}


def seen(
    procedure: str, columns: dict[str, Any], conditions: dict[str, str] | None = None, kind: str = "motor"
) -> list[Problem]:
    """Return what is found in one log of a unit."""
    test = {"procedure": procedure, "log": "a.csv", "conditions": conditions or {}}
    unit = UnitFile.model_validate({"unit": "U", "kind": kind, "nameplate": NAMEPLATE, "tests": [test]})
    arrays = {name: np.asarray(values, dtype=float) for name, values in columns.items()}
    return reading_problems(unit, Readings([arrays], {"a.csv": "0"}, []))


def doubted(found: Sequence[Problem]) -> list[str | None]:
    """Return the columns whose unit is doubted."""
    assert all(problem.severity == "warning" and problem.file == "U/a.csv" for problem in found)
    return [problem.column for problem in found if problem.doubt == "unit"]


# ----- Bounds


def load_run(**factors: float) -> dict[str, np.ndarray]:
    """Return a load run at 36 V of a motor of 1.4 N m/A, 0.24 ohm and 10 W of idle loss."""
    current = np.linspace(1, 9, 12)
    speed = (36 - 0.24 * current) / 1.4
    columns = {
        "supply_voltage": np.full(12, 36.0) + 0.001 * current,
        "supply_current": current + 10 / 36,
        "speed": speed,
        "torque": 1.4 * current,
    }
    return {name: values * factors.get(name, 1.0) for name, values in columns.items()}


def test_a_load_run_gives_neither_next_to_nothing_nor_more_than_it_takes() -> None:
    assert seen("load", load_run()) == []
    assert doubted(seen("load", load_run(torque=0.01))) == ["torque"]  # N m under the header [N cm]
    assert doubted(seen("load", load_run(torque=100))) == ["torque"]
    (found,) = seen("load", load_run(torque=100))
    assert "more than goes in" in found.message
    # Braking by the motor, with power given back, is no efficiency.
    assert seen("load", {**load_run(), "supply_current": -load_run()["supply_current"]}) == []


def test_a_load_run_of_the_motor_alone_is_compared_with_the_power_of_its_phases() -> None:
    run = load_run()
    power = run.pop("supply_voltage") * run.pop("supply_current")
    assert seen("load", {**run, "phase_power": power}) == []
    assert doubted(seen("load", {**run, "phase_power": power, "torque": run["torque"] / 100})) == ["torque"]


@pytest.mark.parametrize(
    ("factor", "wrong"), [(1.0, False), (1e3, True), (1e-6, True), (1e-3 / 5, False), (0.2, False)]
)
def test_insulation_lies_within_what_a_tester_shows(factor: float, wrong: bool) -> None:
    at = np.arange(5.0, 65.0, 5.0)
    log = {"time": at, "insulation_resistance": 900e6 * (1 + 0.1 * np.log(at)) * factor}
    found = seen("insulation-resistance", log, {"test_voltage": "500 V"})
    assert doubted(found) == (["insulation_resistance"] if wrong else [])


def test_insulation_against_a_stated_range() -> None:
    log = {"time": np.arange(5.0, 65.0, 5.0), "insulation_resistance": np.full(12, 5e9)}
    stated = {"test_voltage": "500 V", "range_limit": "5 Gohm"}
    assert seen("insulation-resistance", log, stated) == []
    assert doubted(seen("insulation-resistance", {**log, "insulation_resistance": np.full(12, 5e10)}, stated))


def coast(scale: float = 1.0, seconds: float = 6.0) -> dict[str, np.ndarray]:
    """Return a coast-down from 15 rad/s, its time multiplied by ``scale``."""
    at = np.arange(0, seconds, 0.02)
    return {"time": at * scale, "speed": np.clip(15 * np.exp(-at / 2) - 0.5, 0.0, None)}


def test_a_coast_down_in_milliseconds() -> None:
    assert seen("coast-down", coast(), {"added_inertia": "0.05 kg m^2"}) == []
    assert "time" in doubted(seen("coast-down", coast(1e-3)))
    # A long record in the same unit is told by the power that would have to brake the known inertia.
    slow = coast(1e-3, 300.0)
    assert slow["time"][-1] > 0.1
    assert seen("coast-down", slow) == []
    (found,) = seen("coast-down", slow, {"added_inertia": "0.05 kg m^2"})
    assert "more than the rated 250 W" in found.message
    assert found.doubt == "unit"


def test_an_inertia_that_nothing_idle_could_brake_is_named_before_the_units() -> None:
    (found,) = seen("coast-down", coast(), {"added_inertia": "500 kg m^2"})
    assert "is the 'added_inertia' stated in unit.yaml right? If it is, is the unit of time" in found.message
    assert found.column is None


def test_a_heat_run_in_minutes_lasts_days() -> None:
    at = np.arange(0, 7200.0, 30.0)
    log = {"time": at, "temperature_winding": 22 + 30 * (1 - np.exp(-at / 1800))}
    assert seen("heat-run", log) == []
    assert doubted(seen("heat-run", {**log, "time": at * 60})) == ["time"]


def test_a_signal_that_is_meant_to_be_gone_is_no_wrong_unit() -> None:
    at = np.arange(0, 2.0, 0.01)
    log = {"time": at, "throttle": np.full(200, 0.004), "supply_current": 0.0005 + 1e-5 * np.sin(at)}
    assert doubted(seen("throttle", log, {"case": "sweep"}, "controller"))
    assert (
        seen("throttle", {**log, "supply_current": 0.05 + 0.1 * at}, {"case": "signal to ground"}, "controller") == []
    )
    standby = {"supply_voltage": 36 + 0.01 * np.arange(8.0), "supply_current": 5e-4 + 1e-5 * np.arange(8.0)}
    assert seen("controller-loss", standby, {"state": "standby"}, "controller") == []


def test_phase_currents_read_as_magnitudes_need_no_dense_samples() -> None:
    at = np.arange(0, 60.0, 0.02)
    angle = 20 * 24.8 * at
    size = np.minimum(at, 30.0)
    log = {"time": at, "supply_current": 0.3 * size}
    log |= {f"current_{p}": size * np.sin(angle - k * 2 * np.pi / 3) for k, p in enumerate("ab")}
    assert seen("current-limit", log, kind="controller") == []


# ----- Captures that were reduced while they were read


def long_wave(scale: float) -> dict[str, np.ndarray]:
    """Return what is left of a long open-circuit capture of 25 V at 24 rad/s."""
    stream = WaveStream()
    at = np.arange(KEPT_ROWS + 100_000) / 50e3
    waves = {
        f"voltage_{pair}": scale * 25 * np.sin(20 * 24 * at - k * 2 * np.pi / 3)
        for k, pair in enumerate(("ab", "bc", "ca"))
    }
    stream.feed({"time": at, **waves})
    return stream.finish()


def test_a_long_open_circuit_capture_is_looked_at_by_its_extremes() -> None:
    sound = long_wave(1.0)
    assert "bin_angle" in sound
    assert seen("open-circuit", sound) == []
    assert doubted(seen("open-circuit", long_wave(1e3))) == ["voltage_ab", "voltage_bc", "voltage_ca"]


def test_the_emf_of_a_speed_tells_a_wrong_prefix_or_probe() -> None:
    # 25 V at 24 rad/s, of a motor rated 36 V at 230 rpm, also where no column holds the speed.
    lines = ["voltage_ab", "voltage_bc", "voltage_ca"]
    stated = {"speed": "24 rad/s"}
    for scale, wrong in ((1.0, []), (1e-3, lines), (0.1, lines), (10.0, lines), (2.0, []), (0.5, [])):
        assert doubted(seen("open-circuit", long_wave(scale), stated)) == wrong, scale


def test_a_gate_capture_has_nothing_left_to_look_at() -> None:
    from rotorproof.physics.gate_stream import REDUCED

    reduced = {name: np.array([1e-6, 2e-6]) for name in REDUCED}
    assert seen("gate-timing", reduced, {"sample_rate": "24 MHz"}, "controller") == []


def test_the_look_costs_little_on_the_longest_log_that_is_kept() -> None:
    at = np.arange(KEPT_ROWS) / 50e3
    noise = np.random.default_rng(1).normal(0, 0.02, at.size)
    log = {f"voltage_{p}": 25 * np.sin(480 * at - k * 2.0944) + noise for k, p in enumerate(("ab", "bc", "ca"))}

    def look() -> None:
        assert seen("open-circuit", {"time": at, **log}) == []

    def plain_loop() -> None:
        for column in log.values():
            total = 0.0
            for value in column.tolist():
                total += value * value

    # Beside other work of the same processor at the same time, so that no clock decides.
    spent: dict[str, list[float]] = {"look": [], "loop": []}
    for _ in range(3):
        for name, work in (("look", look), ("loop", plain_loop)):
            start = time.process_time()
            work()
            spent[name].append(time.process_time() - start)
    print(spent)
    assert min(spent["look"]) < 2 * min(spent["loop"]), spent


def test_a_look_that_fails_costs_no_result(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> list[Problem]:
        raise ZeroDivisionError("none")

    monkeypatch.setattr("rotorproof.checking.look.findings", fails)
    (problem,) = seen("load", load_run())
    assert problem.severity == "warning"
    assert "the look at the readings failed" in problem.message
    assert "decide.txt" in problem.message


@pytest.mark.parametrize("size", [1e-300, 1e300])
def test_readings_beyond_all_bounds_are_named_not_stumbled_over(size: float) -> None:
    for procedure, log in (("load", load_run()), ("coast-down", coast())):
        for name in log:
            with np.errstate(all="ignore"):
                found = seen(procedure, {**log, name: log[name] * size})
            assert not [problem for problem in found if "foresee" in problem.message]
    at = np.arange(0, 0.5, 1e-3)
    wave = {"time": at, "speed": 20 + 0.01 * np.sin(at)}
    wave |= {f"voltage_{p}": 25 * np.sin(400 * at - k * 2.0944) for k, p in enumerate(("ab", "bc", "ca"))}
    for name in wave:
        with np.errstate(all="ignore"):
            found = seen("open-circuit", {**wave, name: wave[name] * size})
        assert not [problem for problem in found if "foresee" in problem.message]


# ----- One recording behind two tests

TWO = """\
unit: NAME
kind: motor
tested_on: 2026-05-02
tests:
  - {procedure: coast-down, log: one.csv, label: bare}
  - {procedure: coast-down, log: two.csv, label: again}
"""


def unit(folder: Path, name: str, text: str = TWO, logs: Sequence[str] = ("1", "2")) -> Unit:
    (folder / name).mkdir()
    (folder / name / "unit.yaml").write_text(text.replace("NAME", name), encoding="utf-8")
    for file, content in zip(("one.csv", "two.csv"), logs, strict=True):
        rows = "\n".join(f"{0.1 * i:.1f},{100 - i}" for i in range(40))
        (folder / name / file).write_text(f"# {content}\ntime [s],speed [rpm]\n{rows}\n", encoding="utf-8")
    return load_unit(folder / name, SettingsFolder(CONFIG), f"{name}/unit.yaml")


def test_copies_within_a_unit_and_between_units(tmp_path: Path) -> None:
    sound, copied = unit(tmp_path, "A"), unit(tmp_path, "B", logs=("1", "1"))
    hashes = copies.hashes_of([sound, copied])
    assert copies.of_this_unit(sound, hashes) == []
    (problem,) = check_unit(copied, hashes=hashes).problems
    assert problem.file == "B/two.csv"
    assert "as one.csv (bare)" in problem.message
    across = copies.of_other_units([sound, copied], hashes)
    assert [p.file for p in across["B"]] == ["B/one.csv", "B/two.csv"]
    assert "A" not in across
    report = Readings([None, None], {"one.csv": "x", "two.csv": "x"}, [])
    assert [p.message for p in reading_problems(copied.file, report)] == [problem.message]


def test_a_copied_folder_is_told_in_one_line(tmp_path: Path) -> None:
    three = TWO + "  - {procedure: coast-down, log: two.csv, label: third, window: [1 s, 3 s]}\n"
    sound, copied = unit(tmp_path, "A", three), unit(tmp_path, "B", three)
    (problem,) = copies.of_other_units([sound, copied], copies.hashes_of([sound, copied]))["B"]
    assert problem.message.startswith(
        "3 of 3 tests hold the same readings, to the byte, as those of A (one.csv, two.csv)"
    )


def test_windows_of_one_recording_are_no_copies(tmp_path: Path) -> None:
    both = TWO.replace("label: bare", "window: [0 s, 1 s]").replace(
        "two.csv, label: again", "one.csv, window: [2 s, 3 s]"
    )
    windowed = unit(tmp_path, "A", both)
    assert copies.of_this_unit(windowed, copies.hashes_of([windowed])) == []
    same = unit(tmp_path, "B", TWO.replace("two.csv", "one.csv"))
    assert len(copies.of_this_unit(same, copies.hashes_of([same]))) == 1


def test_a_test_of_tomorrow(tmp_path: Path) -> None:
    made = unit(tmp_path, "A")
    assert check_unit(made, today=date(2026, 5, 2)).problems == []
    (problem,) = check_unit(made, today=date(2026, 5, 1)).problems
    assert (problem.line, problem.column, problem.severity) == (3, "tested_on", "warning")
    assert "later than today" in problem.message


# ----- From the log to results.json


def test_a_wrong_prefix_is_in_the_results_with_its_place(tmp_path: Path) -> None:
    bench = Bench(tmp_path).build()
    bench.edit("raw/BAD/steps.csv", "voltage_ab [V]", "voltage_ab [mV]")
    outcome = process(bench.root)
    assert outcome.results["BAD"]["verdict"] == "rejected"
    doubts = [p for p in outcome.problems["BAD"] if p.get("doubt") == "unit"]
    assert any("a 1000th of the others" in p["message"] for p in doubts)
    assert {(p["file"], p["column"], p["severity"]) for p in doubts} == {("BAD/steps.csv", "voltage_ab", "warning")}
    assert not [p for p in outcome.problems["GOOD"] if "doubt" in p]
