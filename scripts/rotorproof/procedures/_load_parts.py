"""The parts of a load run's fit: torque over current, efficiency, losses, rated torque."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import friction, load_points
from ..physics.regression import linear_fit
from . import _load_views as views
from . import _winding_state
from ._collected import Collected
from .base import Log
from .fit import Block

_SPLIT = ("coulomb_friction", "viscous_friction", "winding_loss", "friction_iron_loss", "additional_loss")


@dataclass(frozen=True)
class Points:
    """The operating points ``(n,)`` in SI, positive: ``supply`` and ``phases`` are powers, ``None`` where not logged.

    ``used``: the supply reading can be right; ``free``: the brake is off (``None``: not logged).
    """

    speed: np.ndarray
    torque: np.ndarray
    supply: np.ndarray | None
    phases: np.ndarray | None
    used: np.ndarray
    free: np.ndarray | None


_POWER_COLUMNS = (
    ("phase_power",),
    ("phase_power_a", "phase_power_b", "phase_power_c"),
    ("wattmeter_1", "wattmeter_2"),
)


def points(log: Log, used: np.ndarray | None, free: np.ndarray | None) -> Points:
    """Return the points of a log; ``used`` and ``free`` from an earlier fit are kept."""
    supply = None
    if "supply_voltage" in log and "supply_current" in log:
        supply = log["supply_voltage"] * log["supply_current"]
    if used is None:
        used = np.ones(log["speed"].size, bool)
        if supply is not None:
            used = ~load_points.suspect_supply(log["supply_voltage"], log["supply_current"])[0]
    brake = log.get("brake")
    if free is None and brake is not None:
        free = brake == 0
    speed, torque = (_forwards(log[name]) for name in ("speed", "torque"))
    return Points(speed, torque, supply, phase_power(log), used, free)


def phase_power(log: Log) -> np.ndarray | None:
    """Return the total power of the phases ``(n,)`` in W: read as such, or the sum of three phases or two wattmeters.

    Two wattmeters in lines A and C, both against line B, add up to the total in any three-wire circuit (Blondel).
    """
    for names in _POWER_COLUMNS:
        if all(name in log for name in names):
            return np.sum([log[name] for name in names], axis=0)
    return None


def _forwards(readings: np.ndarray) -> np.ndarray:
    """Return readings ``(n,)`` turned so that most are positive; those near zero keep their noise of either sign."""
    return readings if float(np.sum(readings)) >= 0 else -readings


def torque_per_ampere(log: Log, at: Points, found: Collected) -> None:
    """Fit torque over the motor's current: the q-axis current of a field-oriented drive, or the DC current."""
    several = bool(np.ptp(at.speed) > 0.1 * at.speed.max()) and not load_points.is_line(at.speed, at.torque)
    current_q = log.get("current_q")
    if current_q is not None:
        current = _forwards(current_q)
        fitted = load_points.torque_line(current, at.torque, at.speed if several else None)
        found.add("scatter of torque over q-axis current", ("torque_constant_q",), fitted, (0,))
        found.missing["torque_constant"] = (
            "the log holds a q-axis current, so the drive is field-oriented and its DC current is not the motor's: see "
            "torque_constant_q"
        )
        found.panels.append(views.torque_current(current, at.torque, fitted, "Current, q axis"))
        return
    if at.supply is None:
        return
    standby = log.conditions.get("standby_power", 0.0)
    if "standby_power" not in log.conditions:
        found.notes.append(
            "No standby power of a controller was stated, so all of the supply current is taken for the motor's: state "
            "'standby_power' unless the motor was fed without one."
        )
    duty = log.get("duty")
    if duty is None and not load_points.is_line(at.speed, at.torque):
        found.missing["torque_constant"] = (
            "the points spread over a grid of speeds, so a throttle was at work and the DC current is not the "
            "motor's; log "
            "'duty', or one characteristic at full throttle"
        )
        return
    across = log["supply_voltage"] * (1.0 if duty is None else duty)
    rows = at.used & (across > 0)
    current = ((at.supply - standby) / np.where(across > 0, across, 1.0))[rows]
    speed, torque = at.speed[rows], at.torque[rows]
    if several:
        fitted = load_points.torque_line(current, torque, speed)
        found.add("scatter of torque over DC current", ("torque_constant",), fitted, (0,))
    else:
        fitted = load_points.torque_line(current, torque, None)
        found.add("scatter of torque over DC current", ("characteristic/slope",), fitted, (0,))
        # Speed follows from current here: what part of friction falls with speed cannot be seen, only bounded.
        lean = float(linear_fit(np.column_stack([np.ones_like(current), current]), speed).values[1])
        most = max(float(fitted.values[1]), 0.0) / float(speed.max())
        found.blocks.append(
            Block(
                "share of friction that falls with speed, between none and all",
                {"characteristic/viscous": 0.5 * most},
                np.array([[most**2 / 12.0]]),
                np.inf,
                "rectangular",
            )
        )
        found.exact("speed over current", "characteristic/lean", lean)
    found.quantity_notes["torque_constant"] = [
        "from shaft torque over DC current under load" + ("" if duty is None else ", DC current over duty")
    ]
    found.panels.append(
        views.torque_current(current, torque, fitted, "Supply current" if duty is None else "DC current over duty")
    )


def efficiency(
    name: str, title: str, at: Points, power: np.ndarray | None, best: dict[str, int], found: Collected
) -> load_points.LossSurface | None:
    """Smooth the losses over all points and give the greatest efficiency among them."""
    if power is None:
        return None
    used = at.used if power is at.supply else np.ones(at.speed.size, bool)
    try:
        surface = load_points.loss_surface(at.speed[used], at.torque[used], (power - at.torque * at.speed)[used])
    except FitError as error:
        found.missing[name] = str(error)
        return None
    modelled, _ = surface.efficiency(at.speed, at.torque)
    repeated = name in best  # a repetition for uncertainty shows nothing
    if not repeated:
        loaded = used & (at.torque > 0.05 * at.torque.max()) & (modelled < 1)
        best[name] = int(np.argmax(np.where(loaded, modelled, -1.0)))
    k = best[name]
    loss, u = surface.loss(at.speed[k : k + 1], at.torque[k : k + 1])
    found.blocks.append(
        Block(
            f"scatter of the losses, {title}",
            {f"{name}/loss": float(loss[0])},
            np.array([[float(u[0]) ** 2]]),
            surface.estimates.degrees_of_freedom,
        )
    )
    found.exact("shaft power", f"{name}/shaft", float(at.torque[k] * at.speed[k]))
    found.quantity_notes[name] = [_where(at, k)]
    if not repeated:
        found.panels += views.efficiency(title, surface, at.speed, at.torque, power, used)
    return surface


def _where(at: Points, k: int) -> str:
    return f"at {at.torque[k]:.3g} N m and {at.speed[k] * 60 / (2 * np.pi):.0f} rpm"


def split(
    log: Log,
    given: Mapping[str, float],
    at: Points,
    surfaces: Mapping[str, load_points.LossSurface | None],
    best: dict[str, int],
    noise: float | None,
    found: Collected,
) -> float | None:
    """Fit friction and iron loss to the points without brake and split the losses of the others.

    Returns the share of the noise that grows with speed, as told by all points; ``noise`` keeps that of an earlier fit.
    """
    inverter = at.phases is None  # the power of the phases holds neither standby power nor switching loss
    power = at.supply if inverter else at.phases
    surface = surfaces["efficiency_max" if inverter else "motor_efficiency_max"]
    if power is None or at.free is None or surface is None:
        return None
    free = at.free & at.used & (at.speed > 0)
    if free.sum() < 5 or np.ptp(at.speed[free]) < 0.3 * at.speed[free].max():
        found.lacking(
            _SPLIT, "too few points without brake (column 'brake' at 0) at different speeds; log five or more"
        )
        return None
    resistance, lacking = _winding_state.resistance(log, given, log.get("temperature_winding"), at.speed.size)
    copper = None if resistance is None else _winding_loss(log, resistance, power)
    if copper is None:
        found.lacking(
            _SPLIT, lacking or "the current in the winding is not known; log current_q, or duty with the supply current"
        )
        return None
    stated = log.conditions.get("standby_power")
    unknown = inverter and stated is None
    given_standby = float(stated) if inverter and stated is not None else 0.0
    balance = power - copper - at.torque * at.speed - given_standby
    # The six or so points without brake cannot tell how their scatter grows with speed; all points together can.
    level = log["supply_voltage"] if inverter else np.ones(at.speed.size)
    rows = at.used if inverter else np.ones(at.speed.size, bool)
    if noise is None:
        noise = load_points.torque_noise_share(at.speed[rows], level[rows], surface.estimates.residuals)
    size = load_points.power_noise(at.speed[free], level[free], noise)
    fitted = friction.no_load_balance(level[free], at.speed[free], balance[free], standby_unknown=unknown, noise=size)
    c, b = (float(v) for v in fitted.values[:2])
    standby = float(fitted.values[2]) if unknown else given_standby
    k = best.setdefault("split", int(np.argmax(np.where(at.used, at.torque * at.speed, -1.0))))
    w = float(at.speed[k])
    terms = np.zeros((4 if unknown else 3, fitted.values.size))
    terms[0, 0] = terms[1, 1] = 1.0
    terms[2, :2] = w, w**2
    values = {"coulomb_friction": c, "viscous_friction": b, "friction_iron_loss": c * w + b * w**2}
    if unknown:
        terms[3, 2] = 1.0
        values["standby/loss"] = standby
    else:
        found.exact("standby power", "standby/loss", standby)
    found.blocks.append(
        Block(
            "scatter of the points without brake",
            values,
            terms @ fitted.covariance @ terms.T,
            fitted.degrees_of_freedom,
        )
    )
    # Smoothed over all points, so that one point's noise is not taken for a loss.
    total, u = surface.loss(at.speed[k : k + 1], at.torque[k : k + 1])
    found.blocks.append(
        Block(
            "scatter of the total loss",
            {"total/loss": float(total[0])},
            np.array([[float(u[0]) ** 2]]),
            surface.estimates.degrees_of_freedom,
        )
    )
    found.blocks.append(_winding_block(at, copper, k))
    _words(at, k, inverter, unknown, standby, found)
    found.panels.append(views.friction(at.speed[free], (balance[free] - standby * unknown) / at.speed[free], c, b))
    iron = c * at.speed + b * at.speed**2
    found.tables.append(views.loss_table(at.speed, at.torque, power, copper, iron, standby, at.used))
    return noise


def _words(at: Points, k: int, inverter: bool, unknown: bool, standby: float, found: Collected) -> None:
    for name in _SPLIT[2:]:
        found.quantity_notes[name] = [_where(at, k)]
    for name in _SPLIT[:2]:
        found.quantity_notes[name] = [
            "from the points without brake; includes iron loss"
            + (" and what the controller loses beyond its standby power" if inverter else "")
        ]
    if unknown:
        found.notes.append(
            f"Standby power was not stated: {standby:.2f} W follow from the points without brake, extrapolated to "
            "speed "
            "zero, and widen the intervals of friction."
        )


def _winding_loss(log: Log, resistance: np.ndarray, power: np.ndarray) -> np.ndarray | None:
    """Return the winding loss (W) at each point; ``None`` where the motor's current is not known."""
    current_q, current_d, duty = log.get("current_q"), log.get("current_d"), log.get("duty")
    if current_q is not None:
        return friction.rotor_frame_winding_loss(resistance, current_q, 0.0 if current_d is None else current_d)
    if "supply_voltage" not in log or "supply_current" not in log:
        return None
    line = load_points.is_line(log["speed"], log["torque"])
    if duty is None and not line:
        return None
    across = log["supply_voltage"] * (1.0 if duty is None else duty)
    drawn = log["supply_voltage"] * log["supply_current"] - log.conditions.get("standby_power", 0.0)
    return friction.six_step_winding_loss(resistance, drawn / across)


def _winding_block(at: Points, copper: np.ndarray, k: int) -> Block:
    """Return the winding loss at point ``k``; the current's scatter is that about its plane over torque and speed."""
    columns = [np.ones_like(at.speed), at.torque]
    if not load_points.is_line(at.speed, at.torque):
        columns.append(at.speed)
    # The square root of the loss is the current, but for a constant.
    fitted = linear_fit(np.column_stack(columns)[at.used], np.sqrt(copper[at.used]))
    variance = 4.0 * float(copper[k]) * fitted.residual_sd**2
    return Block(
        "scatter of the winding's current",
        {"winding_loss": float(copper[k])},
        np.array([[variance]]),
        fitted.degrees_of_freedom,
    )


def rated(at: Points, given: Mapping[str, float], found: Collected) -> None:
    """Find the torque at rated power on the characteristic."""
    power = given.get("nameplate_rated_power")
    if power is None:
        found.missing["rated_torque"] = "the nameplate states no rated power; add 'rated_power' to the unit file"
        return
    if not load_points.is_line(at.speed, at.torque):
        found.missing["rated_torque"] = (
            "the points spread over a grid of speeds; torque at rated power is read from one characteristic at full "
            "throttle and fixed supply voltage: log that as a load test of its own"
        )
        return
    shaft = at.torque * at.speed
    if shaft.max() < power:
        found.missing["rated_torque"] = (
            f"the unit was loaded to {shaft.max():.0f} W only, below its rated {power:.0f} W; load it further"
        )
        return
    # Speed is nearly a straight line over torque; torque at rated power then solves T w(T) = P.
    scale = float(at.torque.max())
    order = 3 if at.torque.size >= 7 else 2
    y = at.torque / scale
    fitted = linear_fit(np.column_stack([y**k for k in range(order)]), at.speed)
    guess = float(
        at.torque[
            int(np.argmin(np.where(at.torque <= at.torque[int(np.argmax(shaft))], np.abs(shaft - power), np.inf)))
        ]
    )
    torque = guess
    for _ in range(50):
        speed = float(np.polyval(fitted.values[::-1], torque / scale))
        slope = float(np.polyval(np.polyder(fitted.values[::-1]), torque / scale)) / scale
        step = (torque * speed - power) / (speed + torque * slope)
        torque -= step
        if abs(step) < 1e-12 * scale:
            break
    # dT = -T dw / (w + T dw/dT), with dw from the coefficients.
    gradient = -torque * (torque / scale) ** np.arange(order) / (speed + torque * slope)
    found.blocks.append(
        Block(
            "scatter of speed over torque",
            {"rated_torque": torque},
            np.array([[float(gradient @ fitted.covariance @ gradient)]]),
            fitted.degrees_of_freedom,
        )
    )
    found.quantity_notes["rated_torque"] = [f"at {power:.0f} W and {speed * 60 / (2 * np.pi):.0f} rpm"]
