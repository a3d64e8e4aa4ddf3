"""What the motor really does on the pack and in the vehicle, by the same solution of machine and bridge.

The motor runs with its bench controller, its winding at the temperature that the settings state for the pack. The
magnets' temperature is free, so every value comes for two (COLD and HOT, between which it is all but a straight line)
and for the housing temperature that goes with that winding at rest in the workshop's air. Full duty; where the pack's
current limit is reached the controller chops, so that its supply current stays at the limit. Energy is that taken
from the cells, with the pack's own loss, the controller's and its standby. Torque at standstill is the air gap's mean
over a commutation step less what stays in the gear's mesh and the friction of slow turning; the steepest grade is where
it holds weight and rolling resistance (ISO 8855 for grade; steady force balance, any textbook).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator, make_interp_spline
from scipy.optimize import brentq

from tests.simulation.independent import definitions, field_oriented, thermal
from tests.simulation.independent.draw import Vehicle
from tests.simulation.independent.machine import Controller, Motor
from tests.simulation.independent.operating import Request, Steady

COLD, HOT = 20.0, 60.0
GRAVITY = 9.80665
DUTIES = (0.4, 0.48, 0.58, 0.7, 0.85, 1.0)

Floats = NDArray[np.float64]


def requests(motor: Motor, controller: Controller, vehicle: Vehicle) -> list[Request]:
    """Operating points to be solved: for either magnet temperature no load, then the road at each duty."""
    radius = vehicle.circumference / (2 * np.pi)
    load = vehicle.mass * GRAVITY * vehicle.rolling * radius
    square = vehicle.air_density * vehicle.drag_area / 2 * radius**3
    common = {"source": vehicle.resistance, "winding": vehicle.winding, "running_time": 3600.0}
    out = []
    for magnets in (COLD, HOT):
        out.append(Request(motor, controller, vehicle.voltage, magnets=magnets, **common))
        out += [
            Request(
                motor, controller, vehicle.voltage, load=load, load_square=square, duty=d, magnets=magnets, **common
            )
            for d in DUTIES
        ]
    return out


def housing_temperature(motor: Motor, winding: float, air: float) -> float:
    """Temperature of the housing, and so of the magnets, with the winding steady at `winding` degC, motor at rest."""
    body = motor.body

    def gap(shell: float) -> float:
        return (winding - shell) / body.winding_to_housing - (shell - air) / float(body.to_air(shell - air))

    return float(brentq(gap, air, winding))


def output_torque(motor: Motor, current: float, magnets: float) -> float:
    """Torque at the output as it begins to turn, N m, with a direct current through two lines in A."""
    held = definitions.slow_friction(motor, magnets)
    return motor.mesh * float(definitions.static_torque(motor, [current], magnets)[0]) - held


def truths(motor: Motor, vehicle: Vehicle, found: Steady, air: float) -> dict[str, dict[str, float]]:
    """Predicted quantities: values at COLD and HOT magnets and at those of the housing; km/h, rpm, N m, percent,
    Wh/km."""
    per = 1 + len(DUTIES)
    warm = housing_temperature(motor, vehicle.winding, air)
    ends = []
    for k, magnets in enumerate((COLD, HOT)):
        one = slice(k * per, (k + 1) * per)
        ends.append(_at(motor, vehicle, found.speed[one], found.current[one], magnets))
    out = {}
    for name in ends[0].keys() & ends[1].keys():
        cold, hot = ends[0][name], ends[1][name]
        out[name] = {"value": cold + (hot - cold) * (warm - COLD) / (HOT - COLD), "cold": cold, "hot": hot}
    air = definitions.REFERENCE_AIR
    limit = air + definitions.RISE_LIMIT[motor.insulation_class]
    amperes = thermal.continuous_current(motor)
    cold, hot, real = (
        output_torque(motor, amperes, magnets) for magnets in (COLD, HOT, housing_temperature(motor, limit, air))
    )
    out["pack_continuous_torque"] = {"value": real, "cold": cold, "hot": hot}
    return out


def field_oriented_truths(motor: Motor, controller: Controller, vehicle: Vehicle, air: float) -> dict[str, float]:
    """The same quantities were the motor driven by sinusoidal currents with space-vector modulation, magnets warm.

    The motor's current limit is then the peak of the phase current.
    """
    magnets = housing_temperature(motor, vehicle.winding, air)
    radius = vehicle.circumference / (2 * np.pi)
    load = vehicle.mass * GRAVITY * vehicle.rolling * radius
    square = vehicle.air_density * vehicle.drag_area / 2 * radius**3
    common = {"voltage": vehicle.voltage, "source": vehicle.resistance, "winding": vehicle.winding, "magnets": magnets}
    free = field_oriented.limit_speed(motor, controller, load=0.0, load_square=0.0, **common)
    road = field_oriented.limit_speed(
        motor, controller, load=load, load_square=square, supply_limit=vehicle.supply_limit, **common
    )
    out = {
        "pack_no_load_speed": free * 30 / np.pi,
        "pack_road_speed": road * radius * 3.6,
        "pack_top_torque": motor.mesh * field_oriented.torque_of(motor, vehicle.motor_limit, magnets)
        - definitions.slow_friction(motor, magnets),
        "magnet_temperature": magnets,
    }
    cruise = vehicle.cruise / radius
    if cruise < road:
        bus = vehicle.voltage
        for _ in range(30):
            state = field_oriented.at_torque(
                motor,
                controller,
                speed=cruise,
                torque=load + square * cruise**2,
                bus=bus,
                winding=vehicle.winding,
                magnets=magnets,
            )
            bus = vehicle.voltage - vehicle.resistance * state.power / bus
        out["energy_per_distance"] = vehicle.voltage * state.power / bus / vehicle.cruise / 3.6
    return out


def _at(motor: Motor, vehicle: Vehicle, speed: Floats, current: Floats, magnets: float) -> dict[str, float]:
    radius = vehicle.circumference / (2 * np.pi)
    road, drawn = speed[1:], current[1:]
    top = float(road[-1])
    if drawn[-1] > vehicle.supply_limit:
        top = float(PchipInterpolator(drawn, road)(vehicle.supply_limit))
    torque = output_torque(motor, vehicle.motor_limit, magnets)
    weight = vehicle.mass * GRAVITY
    share = torque / radius / weight
    slope = brentq(lambda a: np.sin(a) + vehicle.rolling * np.cos(a) - share, -0.1, np.pi / 2) if share < 1 else np.nan
    out = {
        "pack_no_load_speed": float(speed[0]) * 30 / np.pi,
        "pack_road_speed": top * radius * 3.6,
        "pack_top_torque": torque,
    }
    if np.isfinite(slope):
        out["pack_max_grade"] = float(100 * np.tan(slope))
    cruise = vehicle.cruise / radius
    if road[0] < cruise < top:
        out["energy_per_distance"] = (
            vehicle.voltage * float(make_interp_spline(road, drawn, k=3)(cruise)) / vehicle.cruise / 3.6
        )
    return out
