"""A long open-circuit log from the file on: reduced, windowed, counted and stored; a short one stays as it is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import csv

from rotorproof.logs.store import Readings, load_readings, save_readings
from rotorproof.logs.unit_logs import read_unit
from rotorproof.physics.wave_stream import KEPT_ROWS, REDUCED
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.layout import Layout
from rotorproof.settings.unit import Test as UnitTest
from tests.simulation.open_circuit import RPM, Machine, Scope, record

UNITS = {"time": "s", "voltage_ab": "V", "voltage_bc": "V", "voltage_ca": "V"}
MACHINE = Machine(pole_pairs=10, linkage=0.5, shape="trapezoid")


def write(folder: Path, rows: int) -> dict[str, np.ndarray]:
    columns = record(MACHINE, Scope(200_000.0), np.random.default_rng(2), seconds=rows / 200_000, speed_rpm=150.0)
    table = pa.table({f"{name} [{unit}]": np.round(columns[name], 6) for name, unit in UNITS.items()})
    csv.write_csv(table, folder / "e.csv")
    return columns


def read(folder: Path, **more: object) -> Readings:
    test = UnitTest.model_validate(
        {"procedure": "open-circuit", "log": "e.csv", "conditions": {"speed": "150 rpm"}, **more}
    )
    return read_unit("A-1", folder, [test], {"plain": Layout()})


def test_a_long_log_is_reduced_and_gives_the_machines_constants(tmp_path: Path) -> None:
    write(tmp_path, KEPT_ROWS + 100_000)
    readings = read(tmp_path)
    columns = readings.columns[0]
    assert columns is not None, readings.problems
    assert set(columns) == {*REDUCED, *UNITS}
    assert columns["reading_count"][0] == KEPT_ROWS + 100_000
    save_readings(tmp_path / "r.npz", readings)
    stored = load_readings(tmp_path / "r.npz").columns[0]
    assert stored is not None
    assert all(np.array_equal(stored[name], columns[name]) for name in columns)
    procedure = procedures()["open-circuit"]
    logs = [Log("x", stored, {"speed": 150 * RPM})]
    choice = procedure.choose(logs, {})
    fit = procedure.estimate(logs, {}, choice)
    assert any("600000 readings. They were averaged" in note for note in procedure.report(logs, {}, choice, fit).notes)
    found = procedure.derive(fit.parameters, {"magnet_coefficient": -0.001})
    for name in ("emf_constant_peak", "emf_constant_rms", "emf_constant_dc"):
        assert found[name] == pytest.approx(MACHINE.truth()[name], rel=2e-3), name
    assert all(procedure.source_column(name) is None for name in REDUCED)
    assert all(procedure.source_column(name) == name for name in UNITS)


def test_a_window_cuts_before_anything_is_reduced(tmp_path: Path) -> None:
    columns = write(tmp_path, KEPT_ROWS + 100_000)
    readings = read(tmp_path, window=["0.5 s", "1.5 s"])
    kept = readings.columns[0]
    assert kept is not None
    inside = (columns["time"] >= 0.5) & (columns["time"] <= 1.5)
    assert kept["time"] == pytest.approx(columns["time"][inside])
    assert set(kept) == set(UNITS)
    outside = inside.size - inside.sum()
    assert any(f"{outside} of {inside.size} readings lie outside" in problem.message for problem in readings.problems)


def test_a_short_log_stays_as_it_is_and_one_too_short_is_refused(tmp_path: Path) -> None:
    columns = write(tmp_path, 2000)
    kept = read(tmp_path).columns[0]
    assert kept is not None
    assert set(kept) == set(UNITS)
    assert all(np.array_equal(kept[name], np.round(columns[name], 6)) for name in UNITS)
    write(tmp_path, 20)
    readings = read(tmp_path)
    assert readings.columns[0] is None
    assert "20 rows of readings; at least 24 are needed" in readings.problems[0].message


def test_time_that_runs_back_in_a_long_log_is_named_with_its_line(tmp_path: Path) -> None:
    write(tmp_path, KEPT_ROWS + 100_000)
    lines = (tmp_path / "e.csv").read_text().splitlines()
    lines[550_001], lines[550_002] = lines[550_002], lines[550_001]
    (tmp_path / "e.csv").write_text("\n".join(lines) + "\n")
    readings = read(tmp_path)
    assert readings.columns[0] is None
    assert readings.problems[0].line == 550_003
    assert "runs backwards" in readings.problems[0].message
