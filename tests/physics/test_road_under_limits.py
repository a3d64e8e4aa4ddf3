"""Road speeds where a limit on the pack's current holds the vehicle to a walk or a crawl.

Sources: the balance of torques at one speed, whose root SciPy's brentq finds; for a machine without ripple the power
balance of pack and chopper, written down here.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from rotorproof.physics import road
from rotorproof.physics.block_commutation import from_dc
from rotorproof.physics.drives import Drive, FieldOriented, SixStep, Smooth
from tests.outside import Outside

LOAD = road.Load(100.0, 0.01, 0.5, 2.1, 1.2)
RADIUS = 2.1 / (2 * math.pi)
KE, R, COULOMB, VISCOUS, V, R_PACK = 1.2, 0.24, 0.4, 0.01, 36.0, 0.1
WINDING = from_dc(KE, R / 2, 1e-4, 20.0, {})


def _resisting(speed: float, grade: float) -> float:
    slope = math.atan(grade)
    force = 980.665 * (math.sin(slope) + 0.01 * math.cos(slope)) + 0.5 * 1.2 * 0.5 * (speed * RADIUS) ** 2
    return force * RADIUS


@pytest.mark.parametrize("limit", [0.5, 0.7, 1.0, 2.0, 5.0])
def test_a_vehicle_crawls_where_the_power_of_the_pack_carries_it(outside: Outside, limit: float) -> None:
    def left(speed: float) -> float:
        power = (V - limit * R_PACK) * limit
        current = (math.sqrt((KE * speed) ** 2 + 4 * R * power) - KE * speed) / (2 * R)
        return KE * current - COULOMB - VISCOUS * speed - _resisting(speed, 0.02)

    end = brentq(left, 1e-9, V / KE) * RADIUS
    machine = road.Machine(Smooth(KE, R), COULOMB, VISCOUS)
    outside(
        "pack_road_speed",
        f"100 kg on a grade of 2 percent from a pack limited to {limit:g} A",
        ours=road.road_speed(machine, road.Source(V, R_PACK, limit), LOAD, 0.02),
        published=end,
        allowance=1e-6 * end,
        unit="m/s",
        source="power balance of pack, chopper and machine, solved by SciPy's brentq",
    )


@pytest.mark.parametrize("drive", [SixStep(WINDING), FieldOriented(WINDING, 0.95)], ids=["six-step", "field-oriented"])
def test_torques_balance_at_the_road_speed_under_any_limits(drive: Drive) -> None:
    rng = np.random.default_rng(7)
    machine = road.Machine(drive, COULOMB, VISCOUS)
    compared = 0
    for _ in range(12):
        limit, of_motor = rng.uniform(0.4, 6.0), rng.choice([15.0, 40.0])
        source, grade = road.Source(V, R_PACK, limit, of_motor), rng.uniform(0.0, 0.04)

        def left(speed: float) -> float:
            available = road.output_torque(machine, source, np.array([speed]))  # noqa: B023
            return float(available[0]) - _resisting(speed, grade)  # noqa: B023

        found = float(road.road_speed(machine, source, LOAD, grade))
        if left(1e-3) < 0:  # not even a crawl
            assert math.isnan(found)
            continue
        compared += 1
        assert found == pytest.approx(brentq(left, 1e-3, 29.0, xtol=1e-10) * RADIUS, rel=1e-6)
    assert compared >= 6


def test_a_speed_under_a_limit_that_is_not_found_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """On 2 percent 0.5 A hold 0.06 km/h; a search that begins above it must not end at the 30 km/h of no limit."""
    monkeypatch.setattr(road, "_SLOWEST", 0.05)
    machine = road.Machine(SixStep(WINDING), COULOMB, VISCOUS)
    limits = np.array([0.5, 5.0])
    found = road.road_speed(machine, road.Source(V, R_PACK, limits), LOAD, 0.02)
    assert np.array_equal(np.isnan(found), [True, False])
    assert np.all(road.holds(machine, road.Source(V, R_PACK, limits), LOAD, 0.02))


@pytest.mark.parametrize("drive", [SixStep(WINDING), FieldOriented(WINDING, 0.95)], ids=["six-step", "field-oriented"])
def test_grades_that_hold_beside_grades_that_do_not_are_as_each_by_itself(drive: Drive) -> None:
    machine, source = road.Machine(drive, COULOMB, VISCOUS), road.Source(V, R_PACK, 5.0, 40.0)
    grades = np.linspace(0.0, 0.3, 7)
    together = road.road_speed(machine, source, LOAD, grades)
    assert 0 < np.isnan(together).sum() < grades.size
    np.testing.assert_allclose(
        together, [road.road_speed(machine, source, LOAD, float(grade)) for grade in grades], rtol=1e-9
    )
    held = [_resisting(0.0, grade) < road.output_torque(machine, source, 0.0) for grade in grades]
    assert np.isfinite(together).tolist() == held
