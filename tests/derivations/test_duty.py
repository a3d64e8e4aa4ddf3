"""Figures of a duty against the balance of a DC machine worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.derivations._duty import figures, lacking, voltage_margins
from rotorproof.derivations.pack_prediction import DERIVATION
from tests.derivations.test_pack_prediction import GIVEN
from tests.outside import Outside

DUTY = {
    **{key: value for key, value in GIVEN.items() if key != "pack_current_limit"},
    "vehicle_cruise_speed": 5.0,
    "duty_climb_grade": 0.04,
    "duty_climb_speed": 3.0,
    "duty_start_grade": 0.08,
    "continuous_current": 15.0,
    "bench_speed_max": 100.0,
}

pytestmark = pytest.mark.usefixtures("smooth_drive")


def _resisting(speed: float, grade: float) -> float:
    angle = math.atan(grade)
    weight = 110.0 * 9.80665
    force = weight * (math.sin(angle) + 0.009 * math.cos(angle)) + 0.5 * 1.2 * 0.55 * speed**2
    return force * 2.1 / (2 * math.pi)


def _drag(speed: float) -> float:
    return 0.4 + 0.01 * speed / (2.1 / (2 * math.pi))


def test_margins_are_those_of_a_dc_machine(outside: Outside) -> None:
    found = figures(DUTY, paired=False)
    k, two_r, radius = 1.35, 2 * 0.12, 2.1 / (2 * math.pi)
    source = "power balance of a DC machine and force balance of a vehicle, worked out by hand"
    for name, speed, grade in (("cruise", 5.0, 0.0), ("climb", 3.0, 0.04), ("start", 0.0, 0.08)):
        available = k * (36.0 - k * speed / radius) / two_r - _drag(speed)
        by_hand = available - _resisting(speed, grade)
        outside("season", f"torque to spare, {name}", ours=float(found[name]), published=by_hand,
                allowance=1e-6 * abs(by_hand), source=source, unit="N m")  # fmt: skip
    current = (_resisting(3.0, 0.04) + _drag(3.0)) / k
    power = (_resisting(5.0, 0.0) + _drag(5.0)) / k
    power = power * (k * 5.0 / radius + two_r * power)
    outside("season", "current below the continuous one on the grade", ours=float(found["heat"]),
            published=15.0 - current, allowance=1e-6, source=source, unit="A")  # fmt: skip
    outside("season", "energy of the cruise", ours=float(found["energy"]), published=power / 5.0, allowance=1e-5,
            source=source, unit="J/m")  # fmt: skip


def test_arrays_give_what_each_of_their_values_gives() -> None:
    rows = np.array([1.30, 1.35, 1.40])
    many = figures({**DUTY, "emf_constant_dc": rows}, paired=False)
    for place, value in enumerate(rows):
        one = figures({**DUTY, "emf_constant_dc": value}, paired=False)
        for name in one:
            assert np.broadcast_to(many[name], 3)[place] == pytest.approx(one[name], rel=1e-9)


def test_a_margin_is_nothing_where_the_prediction_settles() -> None:
    speed = DERIVATION.derive({**DUTY, "vehicle_grade": 0.04})["pack_road_speed"]
    found = figures({**DUTY, "duty_climb_speed": speed}, paired=False)
    assert float(found["climb"]) == pytest.approx(0.0, abs=1e-6)


def test_what_is_missing_is_named() -> None:
    assert lacking(DUTY, paired=False) == []
    without = {key: value for key, value in DUTY.items() if key not in ("duty_climb_grade", "phase_resistance")}
    assert set(lacking(without, paired=False)) == {"duty_climb_grade", "phase_resistance"}
    assert "controller_loss" in lacking(DUTY, paired=True)
    assert "heat" not in figures({k: v for k, v in DUTY.items() if k != "continuous_current"}, paired=False)


def test_voltages_a_controller_leaves_of_the_pack() -> None:
    found = voltage_margins({**GIVEN, "start_voltage": 31.5, "overvoltage_cutoff": 44.0})
    assert found == {"starts": 4.5, "empty": -1.5, "full": 2.0}
    assert voltage_margins(GIVEN) == {}
