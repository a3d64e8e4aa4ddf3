"""What a machine has to spare over its duty: torque at cruise, on a grade and at a start, and current for heat.

Figures by which one machine is chosen from many. They are differences of torque and of current at stated speeds, not
speeds that settle somewhere, so that they follow what they rest on smoothly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from ..physics import road
from ..physics.block_commutation import Values
from .drive_prediction import _pair, _without_losses
from .pack_prediction import UNMEASURED, _energy, _lacking, _load, _machine, _source

#: Scalars of the duty; the cruise is that of the vehicle.
DUTY = ("duty_climb_grade", "duty_climb_speed", "duty_start_grade")


def lacking(given: Mapping[str, Values], paired: bool) -> list[str]:
    """Return the names of what is needed and not there; of a pair also what its controller must have shown."""
    found = _lacking(given) + [name for name in (*DUTY, "vehicle_cruise_speed") if name not in given]
    if _load(given) is None:
        found.append("vehicle_rolling_circumference")
    if paired:
        limits = ("supply_current_limit", "phase_current_limit")
        losses = ("controller_loss", "controller_efficiency", "standby_power")
        found += [name for name in (*limits, *losses) if name not in given]
    return list(dict.fromkeys(found))


def impossible(given: Mapping[str, Values]) -> str:
    """Return why a pair whose controller was measured cannot be predicted all the same, "" if it can."""
    together: Any = given
    return _without_losses(together) or ""


#: Scalars that are one number for all candidates of a call: switches, and what the bench reached.
ALIKE = (
    "drive_field_oriented",
    "bench_speed_max",
    "bench_speed_max_apart",
    "coulomb_friction_holds_controller_loss",
)


def figures(given: Mapping[str, Values], paired: bool) -> dict[str, Values]:
    """Return margins (N m, A) and the energy of the cruise (J/m) for scalars, or arrays ``(n,)`` of them.

    ``paired`` takes limits and losses of the controller as measured. A figure is left out where what it needs was not
    measured. In arrays the scalars ``ALIKE`` are the same for all. Raises ``FitError`` where no operating point fits.
    """
    if paired:
        together: Any = given
        given = _pair(together)
    machine, source, load = _machine(given), _source(given, "nominal"), _load(given)
    assert load is not None
    shape = np.broadcast_shapes(*(np.shape(value) for value in given.values()))
    cruise, climb = (np.broadcast_to(given[key], shape)[()] for key in ("vehicle_cruise_speed", "duty_climb_speed"))
    level, slope = given.get("vehicle_grade", 0.0), given["duty_climb_grade"]
    found: dict[str, Values] = {
        name: road.output_torque(machine, source, speed / load.radius) - load.force(speed, grade) * load.radius
        for name, speed, grade in (("cruise", cruise, level), ("climb", climb, slope))
    }
    needed = load.force(0.0, given["duty_start_grade"]) * load.radius
    found["start"] = road.output_torque(machine, source, 0.0) - needed
    holding = road.holding_point(machine, load, climb, slope)
    if "continuous_current" in given:
        found["heat"] = given["continuous_current"] - holding.heating
    limit = given.get("pack_motor_current_limit", math.inf)
    if np.all(np.isfinite(limit)):
        found["current"] = limit - road.motor_current(machine, source, holding)
    found["energy"] = _energy(machine, load, source, cruise, level, given.get(UNMEASURED, 1.0))
    return found


def voltage_margins(given: Mapping[str, Values]) -> dict[str, Values]:
    """Return what a controller leaves of the pack's voltages in V: to start on it, also empty, and to bear it full."""
    found: dict[str, Values] = {}
    if {"start_voltage", "pack_voltage_empty"} <= given.keys():
        found["starts"] = given["pack_voltage_nominal"] - given["start_voltage"]
        found["empty"] = given["pack_voltage_empty"] - given["start_voltage"]
    if {"overvoltage_cutoff", "pack_voltage_full"} <= given.keys():
        found["full"] = given["overvoltage_cutoff"] - given["pack_voltage_full"]
    return found
