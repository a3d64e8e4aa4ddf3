"""The road with a controller's measured limits and losses against a vehicle simulated with a chopper.

Sources
- SciPy's solve_ivp: vehicle, motor and a chopper whose duty ratio is searched by brute force; the controller is a
  supply of its own circuits, a voltage drop and a resistance, solved at the terminals rather than by our formula.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from rotorproof.physics import road
from rotorproof.physics.drives import Smooth
from tests.outside import Outside

KE, R, COULOMB, VISCOUS = 1.35, 0.30, 0.4, 0.01
V, R_PACK, PACK_LIMIT, MOTOR_LIMIT = 36.0, 0.12, 12.0, 25.0
STANDING, DROP, R_ON = 3.2, 0.35, 0.045
MASS, ROLLING, AREA, AROUND, AIR = 110.0, 0.009, 0.55, 2.1, 1.2
RADIUS = AROUND / (2 * math.pi)
SIMULATED = "SciPy solve_ivp: vehicle with a chopper of searched duty ratio and a controller's losses"


def steady(duty: np.ndarray, speed: float) -> tuple[np.ndarray, np.ndarray]:
    """Return motor and supply current at duty ratios ``(n,)``: a fixed point at the pack's terminals."""
    supply = np.zeros_like(duty)
    motor = np.zeros_like(duty)
    for _ in range(60):
        terminal = V - R_PACK * supply
        motor = np.maximum((duty * terminal - DROP - KE * speed) / (R + R_ON), 0.0)
        supply = 0.5 * supply + 0.5 * (duty * motor + STANDING / terminal)
    return motor, supply


def simulated_speed(grade: float) -> float:
    slope = math.atan(grade)

    def acceleration(_: float, state: np.ndarray) -> list[float]:
        w = state[0] / RADIUS
        low, high = 0.0, 1.0
        for _ in range(3):  # ever finer around the largest duty ratio that breaks no limit
            duty = np.linspace(low, high, 201)
            motor, supply = steady(duty, w)
            last = int(np.flatnonzero((motor <= MOTOR_LIMIT) & (supply <= PACK_LIMIT))[-1])
            low, high = duty[last], duty[min(last + 1, 200)]
        current = motor[last]
        drag = MASS * 9.80665 * (math.sin(slope) + ROLLING * math.cos(slope)) + 0.5 * AIR * AREA * state[0] ** 2
        return [((KE * current - COULOMB - VISCOUS * w) / RADIUS - drag) / MASS]

    return float(solve_ivp(acceleration, (0, 150), [0.0], max_step=1.5).y[0, -1])


def ours() -> tuple[road.Machine, road.Source, road.Load]:
    controller = road.Controller(STANDING, DROP, R_ON)
    return (
        road.Machine(Smooth(KE, R), COULOMB, VISCOUS),
        road.Source(V, R_PACK, PACK_LIMIT, MOTOR_LIMIT, controller),
        road.Load(MASS, ROLLING, AREA, AROUND, AIR),
    )


@pytest.mark.parametrize("grade", [0.0, 0.02, 0.04])
def test_road_speed_is_where_the_simulated_pair_settles(outside: Outside, grade: float) -> None:
    end = simulated_speed(grade)
    outside(
        "pack_road_speed",
        f"steady speed of motor and controller with losses on a grade of {100 * grade:g} percent",
        ours=road.road_speed(*ours(), grade),
        published=end,
        allowance=2e-3 * end,
        unit="m/s",
        source=SIMULATED,
    )


def test_the_power_at_a_cruise_is_what_the_simulated_pack_gives(outside: Outside) -> None:
    machine, source, load = ours()
    velocity = 20 / 3.6
    w = velocity / RADIUS
    drag = MASS * 9.80665 * ROLLING + 0.5 * AIR * AREA * velocity**2
    wanted = (drag * RADIUS + COULOMB + VISCOUS * w) / KE
    duty = brentq(lambda d: steady(np.array([d]), w)[0][0] - wanted, 0.3, 1.0)
    supply = float(steady(np.array([duty]), w)[1][0])
    delivered = road.supply_power(machine, load, velocity, 0.0, source.controller)
    outside(
        "energy_per_distance",
        "power from the pack's cells at 20 km/h with the controller's losses",
        ours=road.pack_power(delivered, source),
        published=V * supply,
        allowance=1e-3 * V * supply,
        unit="W",
        source=SIMULATED,
    )


def test_a_lossless_controller_changes_nothing() -> None:
    machine, source, load = ours()
    plain = road.Source(V, R_PACK, PACK_LIMIT, MOTOR_LIMIT)
    none = road.Source(V, R_PACK, PACK_LIMIT, MOTOR_LIMIT, road.Controller())
    assert road.road_speed(machine, plain, load) == road.road_speed(machine, none, load)
    assert road.road_speed(machine, source, load) < road.road_speed(machine, plain, load)
