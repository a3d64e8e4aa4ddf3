"""What the bench writes is accepted by the workflow, and its operating points balance."""

import json

import numpy as np
import pytest

from tests.benchmarks.independent_coverage import compare, judge
from tests.simulation.independent.operating import steady
from tests.simulation.independent.study import sessions, write_units


@pytest.mark.slow
def test_a_drawn_drive_is_read_fitted_and_compared(tmp_path):
    names = list(write_units(tmp_path, units=1, seed=21, drives=1))
    assert names == ["IM-0000", "IC-0000", "ID-0000"]
    for name in names:
        assert judge((tmp_path, name)) == ""
        found = json.loads((tmp_path / "reports" / name / "results.json").read_text(encoding="utf-8"))
        assert [p["message"] for p in found["problems"] if p["severity"] == "error"] == []
    rows, _, units, _ = compare(tmp_path)
    assert units == 3
    exact = ["pole_pairs (open-circuit)", "phase_sequence (open-circuit)", "commutation_table (hall-sensors)"]
    assert all(rows[name].held == 1 for name in exact)
    assert "drive: pack_road_speed (drive-prediction)" in rows


def test_power_of_an_operating_point_goes_to_winding_drag_controller_and_shaft():
    # Energy balance of the whole drive; the points are solved to a torque balance of 1e-6 and steps of 1e-4.
    requests = [r for r in sessions(1, 22)[0].requests() if r.duty == 1.0]
    found = steady(requests)
    power = found.voltage * found.current
    spent = found.copper + found.drag + found.controller + found.torque * found.speed
    assert spent == pytest.approx(power, abs=3e-4 * float(np.max(power)))
    loads = [r.load + r.load_square * w**2 for r, w in zip(requests, found.speed, strict=True)]
    assert found.torque == pytest.approx(np.array(loads), abs=1e-5 * max(loads))


def test_a_sagging_source_is_at_its_voltage_less_resistance_times_current():
    requests = [r for r in sessions(1, 23)[0].requests() if r.source > 0]
    found = steady(requests)
    expected = np.array([r.voltage - r.source * i for r, i in zip(requests, found.current, strict=True)])
    assert found.voltage == pytest.approx(expected, rel=1e-5)
