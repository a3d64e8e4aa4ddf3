"""What the nameplate and the kind of unit let expect of a quantity, before any reading.

The ranges are common practice, no source, unless a comment says more: motors and controllers of light vehicles, hub
motors above all. They are wide: 95 of 100 sound units lie within, and what lies beyond is asked about, not refused.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from ..quantities import quantities
from ..settings.acceptance import ProcessFile
from ..units import parse


@dataclass(frozen=True)
class Expected:
    """The range of a quantity in SI, and what it follows from in words."""

    low: float
    high: float
    why: str
    #: It was found by measuring, and is no practice of the trade.
    measured: bool = False

    @property
    def middle(self) -> float:
        """Return the logarithm of the middle of the range, which spans factors."""
        return 0.5 * (math.log(self.low) + math.log(self.high))

    @property
    def spread(self) -> float:
        """Return the standard deviation of the logarithm: the range holds about 95 of 100 sound units."""
        return 0.25 * (math.log(self.high) - math.log(self.low))


_KIND = "the kind of unit"


def expected(kind: str, plate: Mapping[str, float]) -> dict[str, Expected]:
    """Return the ranges by quantity. ``plate`` holds nameplate scalars in SI by their name on the nameplate."""
    return _of_controller(plate) if kind == "controller" else _of_motor(plate)


def expected_of_model(population: ProcessFile) -> dict[str, Expected]:
    """Return the ranges by quantity that other units of the model let expect: 95 % of them, with 95 % confidence."""
    why = f"the scatter of {population.units} units of the model {population.model}"
    found = {}
    for name, one in population.ranges.items():
        low, high = (parse(text, quantities()[name].kind).value for text in (one.low, one.high))
        found[name] = Expected(low, high, why, measured=True)
    return found


def line_inductance(plate: Mapping[str, float]) -> tuple[float, float] | None:
    """Return between which ends (H) the inductance of two phases in series lies: their resistance by time constant.

    ``None`` where the nameplate tells no rated voltage and current.
    """
    ranges = _of_motor(plate)
    if "phase_resistance" not in ranges:
        return None
    ohms, times = ranges["phase_resistance"], ranges["electrical_time_constant"]
    return 2 * ohms.low * times.low, 2 * ohms.high * times.high


def _of_motor(plate: Mapping[str, float]) -> dict[str, Expected]:
    ranges = {
        "electrical_time_constant": Expected(0.2e-3, 12e-3, _KIND),
        "thermal_time_constant": Expected(120.0, 3 * 3600.0, _KIND),
        "thermal_capacity": Expected(200.0, 20e3, _KIND),
        "thermal_resistance": Expected(0.05, 4.0, _KIND),
        # From one turn on, which a cogging test needs; of many nobody turns a worm drive by hand.
        "reach/angle": Expected(4.0, 60.0, _KIND),
        # The motor drives itself up, or a drill does, and either run may be taken at another supply; from below a
        # fifth of its speed a coast-down tells little.
        "coasting begins": Expected(0.2, 2.0, _KIND),
        # Nothing gives out more than it takes in.
        "efficiency_max": Expected(0.5, 0.98, _KIND),
        "motor_efficiency_max": Expected(0.55, 0.99, _KIND),
    }
    volt, watt, speed = (plate.get(name) for name in ("rated_voltage", "rated_power", "rated_speed"))
    ampere = plate.get("rated_current") or (watt / volt / 0.8 if watt and volt else None)
    torque = plate.get("rated_torque") or (watt / speed if watt and speed else None)
    if volt and speed:
        # At rated voltage the EMF at rated speed is less than the voltage, and most of it.
        constant, why = volt / speed, "rated voltage over rated speed"
        ranges |= {
            "emf_constant_dc": Expected(0.55 * constant, 1.1 * constant, why),
            "emf_constant_peak": Expected(0.55 * constant, 1.2 * constant, why),
            "emf_constant_rms": Expected(0.38 * constant, 0.87 * constant, why),
            "torque_constant_q": Expected(0.4 * constant, 1.3 * constant, why),
        }
        ranges["torque_constant"] = ranges["emf_constant_dc"]
    if volt and ampere:
        # Rated copper loss of 1.5 % to 36 % of the input, in two phases of a star.
        why = "rated voltage and current"
        ranges |= {
            "phase_resistance": Expected(0.0075 * volt / ampere, 0.18 * volt / ampere, why),
            "no_load_current": Expected(0.008 * ampere, 0.45 * ampere, "rated current"),
            "continuous_current": Expected(0.3 * ampere, 5.0 * ampere, "rated current"),
            "saturation_current": Expected(0.8 * ampere, 60.0 * ampere, "rated current"),
        }
    if torque:
        why = "rated torque" if "rated_torque" in plate else "rated power over rated speed"
        ranges |= {
            "drag": Expected(0.004 * torque, 0.3 * torque, why),
            "cogging_torque": Expected(0.0005 * torque, 0.35 * torque, why),
            "moment_of_inertia": Expected(0.0006 * torque, 0.06 * torque, why),
        }
    # How far a run with the rotor free, loaded or locked goes.
    reach = {"supply_voltage": (volt, 0.15, 1.4), "speed": (speed, 0.15, 1.8), "supply_current": (ampere, 0.15, 4.0),
             "torque": (torque, 0.15, 4.0)}  # fmt: skip
    for name, (rated, least, most) in reach.items():
        if rated:
            ranges[f"reach/{name}"] = Expected(least * rated, most * rated, "the nameplate")
    if pairs := plate.get("pole_pairs"):
        turns = pairs * plate.get("gear_ratio", 1.0)
        ranges["pole_pair_ratio"] = Expected(turns / 1.05, turns * 1.05, "pole pairs and gear of the nameplate")
    return ranges


def _of_controller(plate: Mapping[str, float]) -> dict[str, Expected]:
    ranges = {
        "pwm_frequency": Expected(4e3, 60e3, _KIND),
        "dead_time_min": Expected(50e-9, 8e-6, _KIND),
        "controller_efficiency": Expected(0.7, 0.998, _KIND),
        "standby_power": Expected(0.08, 10.0, _KIND),
        "throttle_start": Expected(0.4, 2.5, _KIND),
        "throttle_full": Expected(1.8, 5.2, _KIND),
        # Of light vehicles; the supply gives less current than a phase carries, but for a few percent.
        "supply_current_limit": Expected(3.0, 100.0, _KIND),
        "phase_current_limit": Expected(6.0, 300.0, _KIND),
        "limit ratio": Expected(0.1, 1.1, _KIND),
        # At full throttle, before any limit, the supply gives a turning motor the current of a phase, and never more.
        "full duty": Expected(0.3, 1.1, _KIND),
        "reach/throttle": Expected(2.2, 6.0, _KIND),
        "reach/time": Expected(3.0, 120.0, _KIND),
    }
    volt = plate.get("rated_voltage")
    ampere = plate.get("rated_current") or (plate["rated_power"] / volt if volt and "rated_power" in plate else None)
    if volt:
        ranges |= {
            "start_voltage": Expected(0.55 * volt, 1.12 * volt, "rated voltage"),
            "cutoff_voltage": Expected(0.5 * volt, 1.05 * volt, "rated voltage"),
            "overvoltage_cutoff": Expected(1.0 * volt, 2.2 * volt, "rated voltage"),
            "reach/supply_voltage": Expected(0.75 * volt, 2.0 * volt, "the nameplate"),
        }
    if ampere:
        ranges |= {
            "supply_current_limit": Expected(0.4 * ampere, 2.5 * ampere, "rated current"),
            "phase_current_limit": Expected(0.5 * ampere, 8.0 * ampere, "rated current"),
        }
        if volt:
            why = "rated voltage and current"
            ranges["controller_loss"] = Expected(0.003 * volt * ampere, 0.25 * volt * ampere, why)
    for name, least, most in _STATED:
        if name in plate:
            stated = plate[name]
            ranges[name] = Expected(least * stated, most * stated, f"{name.replace('_', ' ')} of the nameplate")
    return ranges


#: How far what a controller does lies from what its nameplate states of the same.
_STATED = (
    ("start_voltage", 0.85, 1.18),
    ("cutoff_voltage", 0.85, 1.18),
    ("overvoltage_cutoff", 0.85, 1.18),
    ("supply_current_limit", 0.65, 1.5),
    ("phase_current_limit", 0.65, 1.5),
)
