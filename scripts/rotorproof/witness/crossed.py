"""What the readings of one test say, without a fit, of a constant that another test gives: cruder, and of its own.

Each is good for telling a slip of ten, and its spread says how far it is from telling less.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from ..physics.commutation_drop import SHARE, emf_and_inductance
from ..physics.plateau import link_current
from ..physics.stall import share_left
from ..procedures.base import Log
from ..procedures.current_limit import PHASES, phase_currents
from ..procedures.fit import Fit

#: Relative change of the resistance of copper per kelvin, from 20 °C (IEC 60034-1: 1/(235 + 20)).
COPPER = 1 / 255
#: Electrical turns from which on their number tells a speed.
_FEWEST_TURNS = 4
#: Fed with direct current, a winding at rest takes less than this share of the rated voltage.
_AT_REST = 0.3
#: Its voltage over current follows its temperature as copper does, within this share, over so many kelvin or more.
_AS_COPPER, _WARMED = 0.35, 10.0
#: Points under more than this share of the largest current tell what commutation takes; duty from here on is full.
_LOADED, _FULL = 0.15, 0.98
#: A closed switch of the bridge (ohm), and the half of the range of it (common practice, no source).
_SWITCH, _SWITCH_APART = 0.006, 0.004
#: An inductance by load is one if its standard error is less than this share of it.
_TOLD = 0.4
#: A rotor that turns does so at more than this (rad/s), about a fifth of what a hub does (common practice, no source).
_TURNING = 5.0
#: What an ammeter reads of nothing (A): its step and zero (common practice, no source).
_ZERO = 0.003


def volts_per_speed(log: Log) -> float | None:
    """Return supply voltage over speed where the load is least, which is the EMF constant but for a few percent."""
    columns = [log.get(name) for name in ("supply_voltage", "speed", "torque")]
    volt, speed, torque = columns
    if volt is None or speed is None or torque is None:
        return None
    duty = log.get("duty")
    light = (np.abs(torque) <= 0.25 * float(np.max(np.abs(torque), initial=0.0))) & (speed != 0)
    if not light.any():
        return None
    fed = volt if duty is None else volt * duty
    return float(np.median(np.abs(fed[light] / speed[light])))


def volts_per_turn(log: Log, plate: Mapping[str, float]) -> float | None:
    """Return the crest of the line voltage over the speed that a position sensor and the pole pairs tell, in V s/rad.

    It is the EMF constant but for a few percent; the angles of sensors do not feel how large the voltage is.
    """
    time, volt, level = (log.get(name) for name in ("time", "voltage_ab", "hall_a"))
    pairs = plate.get("pole_pairs")
    if time is None or volt is None or level is None or not pairs:
        return None
    rises = np.flatnonzero(np.diff((level > 0.5).astype(int)) > 0)
    if rises.size < _FEWEST_TURNS:
        return None
    turns = (rises.size - 1) / (pairs * plate.get("gear_ratio", 1.0))
    lasted = float(time[rises[-1]] - time[rises[0]])
    low, high = np.percentile(volt, (1.0, 99.0))
    return float(0.5 * (high - low)) * lasted / (2.0 * math.pi * turns) if lasted > 0 else None


def fed(logs: Mapping[int, Log], places: Sequence[int], plate: Mapping[str, float]) -> float | None:
    """Return half of voltage over current of a winding at rest that direct current warms, in ohm at 20 °C.

    At rest it is where the voltage is no more than such a winding takes, or where voltage over current, or current over
    voltage, follows the temperature as the resistance of copper does. Else a controller may feed it: ``None``.
    """
    rated = plate.get("rated_voltage")
    for place in places:
        log = logs[place]
        volt, ampere = log.get("supply_voltage"), log.get("supply_current")
        warm = log.get("temperature_winding")
        if not rated or volt is None or ampere is None or "speed" in log or not volt.size:
            continue
        if np.any(ampere == 0) or np.any(volt == 0):
            continue
        if float(np.max(np.abs(volt))) < _AT_REST * rated or (warm is not None and _as_copper(volt / ampere, warm)):
            degrees = float(warm[0]) if warm is not None and warm.size else 20.0
            return 0.5 * abs(float(volt[0] / ampere[0])) / (1.0 + COPPER * (degrees - 20.0))
    return None


def _as_copper(ratio: np.ndarray, warm: np.ndarray) -> bool:
    """Tell whether the logarithm of ``ratio`` ``(n,)`` changes with the temperature ``(n,)`` as copper does."""
    if warm.size < 3 or float(np.ptp(warm)) < _WARMED or np.any(ratio / ratio[0] <= 0):
        return False
    # ln(1 + (T - 20)/255) grows by one for each unit of itself.
    copper = np.log(np.maximum(1.0 + COPPER * (warm - 20.0), 1e-3))
    apart = copper - copper.mean()
    slope = float(apart @ np.log(ratio / ratio[0]) / (apart @ apart))
    return abs(abs(slope) - 1.0) < _AS_COPPER


def inductance_by_load(log: Log, values: Mapping[str, float], plate: Mapping[str, float]) -> tuple[float, float] | None:
    """Return the inductance of a phase (H) by the voltage that commutation takes under load, and its relative error.

    ``values`` are those of the unit's tests: without the resistance, and without what a locked rotor says of
    saturation, which lowers the EMF as commutation seems to raise it, nothing is told. ``None`` then, and where no
    full voltage is known to stand at the motor. The drive must be a six-step one.
    """
    volt, ampere, speed = (log.get(name) for name in ("supply_voltage", "supply_current", "speed"))
    warm, duty = log.get("temperature_winding"), log.get("duty")
    ohms, pairs = values.get("phase_resistance"), values.get("pole_pairs", plate.get("pole_pairs"))
    if volt is None or ampere is None or speed is None or duty is None or not pairs or not ohms or ohms < 0:
        return None
    if warm is None:
        return None
    used = (ampere > _LOADED * float(np.max(ampere, initial=0.0))) & (speed > 0) & (duty >= _FULL)
    if "saturation_current" in values:
        left = share_left(ampere, values["saturation_current"], values["saturation_sharpness"])
    elif values.get("droop_current"):
        left = 1.0 - values.get("torque_droop", 0.0) * (ampere / values["droop_current"]) ** 2
    else:
        return None
    if used.sum() < 4:
        return None
    hot = ohms * (1.0 + COPPER * (warm - 20.0)) + _SWITCH
    turns = pairs * plate.get("gear_ratio", 1.0)
    _, found, error = emf_and_inductance(volt[used], ampere[used], speed[used], hot[used], turns, left[used])
    # A resistance too large by this is an inductance too small by as much as takes the same voltage.
    error = math.hypot(error, 2.0 * _SWITCH_APART / (SHARE * turns * float(np.median(speed[used]))))
    return (found, error / found) if error < _TOLD * found else None


def locked_out(log: Log) -> tuple[float, float] | None:
    """Return the power (W) of a controller that a sweep of its supply does not let drive, and its relative error."""
    volt, ampere = log.get("supply_voltage"), log.get("supply_current")
    if volt is None or ampere is None or volt.size < 2:
        return None
    low, high = np.percentile(ampere, (1.0, 99.0))
    idle = ampere < low + 0.2 * (high - low)
    power = float(np.median(volt[idle] * ampere[idle])) if idle.any() else 0.0
    return (power, _ZERO * float(np.median(volt[idle])) / power) if power > 0 else None


def while_driving(log: Log, fit: Fit) -> tuple[float, float] | None:
    """Return the loss (W) of a controller that drives, towards no output, and its relative error.

    It is the intercept of the loss curve ``fit``, which its scatter may leave anywhere: of a small one the logarithm is
    not known. ``log`` tells the supply voltage.
    """
    block = next((one for one in fit.blocks if "c0" in one.values), None)
    if block is None or (power := block.values["c0"]) <= 0:
        return None
    place = list(block.values).index("c0")
    variance = max(float(block.covariance[place, place]), 0.0)
    zero = _ZERO * float(np.median(np.abs(log["supply_voltage"])))
    return power, math.hypot(math.sqrt(variance), zero) / power


def full_share(log: Log) -> tuple[float, bool] | None:
    """Return the largest share of the phase current that comes from the supply, and whether the rotor turned then.

    A bridge passes on power, so that the share is its duty ratio: never above one, and one at full throttle before a
    limit is reached. A rotor that stands takes little voltage, so that only readings of one that turns are used where
    a speed tells them, else all. A tenth of the readings may have a larger share, by noise.
    """
    supply, speed = log.get("supply_current"), log.get("speed")
    if supply is None or sum(name in log for name in PHASES) < 2:
        return None
    link = link_current(*phase_currents(log))
    used = link > 0.1 * float(np.max(link, initial=0.0))
    turns = False
    if speed is not None:
        fast = np.abs(speed) > max(_TURNING, 0.5 * float(np.max(np.abs(speed), initial=0.0)))
        if turns := bool((used & fast).any()):
            used &= fast
    return (float(np.percentile(supply[used] / link[used], 90.0)), turns) if used.any() else None
