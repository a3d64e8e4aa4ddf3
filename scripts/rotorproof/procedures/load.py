"""Load run: efficiency, torque constant and losses from operating points under load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError, Problem
from ..physics import friction, load_points, winding
from . import _load_views as views
from .base import Block, Condition, Fit, Log, Need, Panel, Procedure, Quantity, Table

_AT_PEAK = "at the measured point of greatest shaft power"
_LOSSES = "after the summation of losses, IEC 60034-2-1"


@dataclass(frozen=True)
class LoadFit(Fit):
    """A fit with the points it chose, so that repeating it for uncertainty chooses the same."""

    used: np.ndarray | None = None
    free: np.ndarray | None = None
    best: Mapping[str, int] | None = None


class Load(Procedure):
    """The unit is braked at points of torque and speed while power in and out are read."""

    name = "load"
    title = "Load run"
    purpose = "Find efficiency over torque and speed, the torque constant, and where the losses arise."
    unit_kinds = ("motor", "drive")
    required_columns = ("torque", "speed", ("supply_current", "phase_power", "current_q"))
    optional_columns = (
        "supply_voltage",
        "current_d",
        "duty",
        "brake",
        "temperature_winding",
    )
    conditions = (
        Condition("winding_temperature", "temperature", "winding temperature during the run"),
        Condition("standby_power", "power", "power the controller takes with the motor standing"),
        Condition(
            "line_resistance", "resistance", "line-to-line resistance at 20 degC, where no resistance test was made"
        ),
    )
    needs = (Need("phase_resistance", "winding loss"),)
    gives = (
        "efficiency_max",
        "motor_efficiency_max",
        "rated_torque",
        "torque_constant_q",
        "coulomb_friction",
        "viscous_friction",
        "winding_loss",
        "friction_iron_loss",
        "additional_loss",
    )
    quantities = (
        Quantity(
            "efficiency_max",
            "Greatest efficiency, supply to shaft",
            "eta_max",
            "ratio",
            "percent",
            "greatest efficiency at a measured point: shaft power over DC supply power, controller included, with the "
            "losses smoothed over all points",
            "input-output method, IEC 60034-2-1",
        ),
        Quantity(
            "motor_efficiency_max",
            "Greatest efficiency of the motor alone",
            "eta_m",
            "ratio",
            "percent",
            "greatest efficiency at a measured point: shaft power over the power of the three phases, with the losses "
            "smoothed over all points",
            "input-output method, IEC 60034-2-1",
        ),
        Quantity(
            "rated_torque",
            "Torque at rated power",
            "T_N",
            "torque",
            "N m",
            "shaft torque at which the unit gives its rated power, on its characteristic at the supply voltage of "
            "the run",
            "definition; rated output after IEC 60034-1",
        ),
        Quantity(
            "torque_constant_q",
            "Torque per ampere of q-axis current",
            "K_q",
            "torque_constant",
            "N m/A",
            "slope of shaft torque over q-axis current, the peak of the phase current (for sinusoidal waves "
            "sqrt(3)/2 of "
            "the peak line-to-line back-EMF constant)",
            "power balance of the two-axis model",
        ),
        Quantity(
            "winding_loss",
            "Winding loss",
            "P_w",
            "power",
            "W",
            f"loss in the winding at its temperature, {_AT_PEAK}",
            _LOSSES,
        ),
        Quantity(
            "friction_iron_loss",
            "Friction and iron loss",
            "P_c",
            "power",
            "W",
            f"friction and iron loss taken from the points without brake, {_AT_PEAK}",
            _LOSSES,
        ),
        Quantity(
            "additional_loss",
            "Additional loss",
            "P_LL",
            "power",
            "W",
            f"what winding, friction, iron and standby leave of the total loss, {_AT_PEAK}; where only DC power was "
            "read it holds the controller's loss",
            _LOSSES,
        ),
    )
    cautions = (
        "Brake, coupling and torque arm carry the full torque: check bolts and guards before power, and run up slowly.",
        "Winding and controller heat up within minutes at high load: watch their temperatures and pause between "
        "points.",
        "Keep clear of the plane of rotation; a wheel that comes loose leaves the bench at speed.",
    )
    minimum_rows = 8
    order = 60
    time_ordered = False

    def fit(self, logs: Sequence[Log], given: Mapping[str, float], near: Fit | None = None) -> Fit:
        """Fit torque over current, the losses over torque and speed, and friction from the points without brake."""
        log = logs[0]
        before = near if isinstance(near, LoadFit) else None
        result = _Result(best=dict(before.best or {}) if before else {})
        speed, torque = np.abs(log["speed"]), np.abs(log["torque"])
        if speed.max() == 0 or torque.max() == 0:
            raise FitError("speed or torque is zero throughout; log points with the brake on")
        used = before.used if before is not None and before.used is not None else _usable(log, result)
        free = before.free if before else log["brake"] == 0 if "brake" in log else None
        _torque_constant(log, speed, torque, result)
        power = log["supply_voltage"] * log["supply_current"] if _has_supply(log) else None
        surfaces: dict[str, load_points.LossSurface] = {}
        for name, column, title in (
            ("efficiency_max", power, "supply to shaft"),
            ("motor_efficiency_max", log.get("phase_power"), "motor alone"),
        ):
            if column is None:
                continue
            mask = used if name == "efficiency_max" else np.ones(speed.size, bool)
            surface = _efficiency(name, title, speed, torque, column, mask, result)
            if surface is not None:
                surfaces[name] = surface
        if not surfaces and "efficiency_max" not in result.missing:
            result.missing["efficiency_max"] = "no electrical power is logged; add supply_voltage and supply_current"
        _split(log, given, speed, torque, power, used, free, result=result)
        _rated(speed, torque, given, result)
        if not result.blocks:
            raise FitError("the readings give no quantity; log supply power or current beside torque and speed")
        return LoadFit(
            result.blocks, result.panels, result.tables, result.notes, result.warnings, result.missing,
            quantity_notes=result.quantity_notes, used=used, free=free, best=result.best,
        )  # fmt: skip

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return efficiencies from loss and shaft power at the best point; the rest is fitted as it stands."""
        del given
        result = {}
        for name in ("efficiency_max", "motor_efficiency_max"):
            if f"{name}/loss" in parameters:
                out = parameters[f"{name}/shaft"]
                result[name] = out / (out + parameters[f"{name}/loss"])
        result |= {name: value for name, value in parameters.items() if "/" not in name}
        return result


class _Result:
    """What the parts of the fit collect; ``best`` is the point of greatest efficiency by quantity."""

    def __init__(self, best: dict[str, int]) -> None:
        self.best = best
        self.blocks: list[Block] = []
        self.panels: list[Panel] = []
        self.tables: list[Table] = []
        self.notes: list[str] = []
        self.warnings: list[Problem] = []
        self.missing: dict[str, str] = {}
        self.quantity_notes: dict[str, list[str]] = {}


def _has_supply(log: Log) -> bool:
    return "supply_voltage" in log and "supply_current" in log


def _usable(log: Log, result: _Result) -> np.ndarray:
    """Return the points whose supply power can be right, and warn of the others."""
    if not _has_supply(log):
        return np.ones(log["speed"].size, bool)
    suspect, expected = load_points.suspect_supply(log["supply_voltage"], log["supply_current"])
    for row in np.flatnonzero(suspect):
        result.warnings.append(
            Problem(
                f"supply voltage {log['supply_voltage'][row]:.2f} V in reading {row + 1} where the others lead to "
                f"{expected[row]:.2f} V (six robust standard deviations from their line over current); the reading is "
                "left out of the power balance. Check it",
                column="supply_voltage",
                severity="warning",
                procedure="load",
            )
        )
    return ~suspect


def _torque_constant(log: Log, speed: np.ndarray, torque: np.ndarray, result: _Result) -> None:
    if "current_q" not in log:
        return
    current = np.abs(log["current_q"])
    several = np.ptp(speed) > 0.1 * speed.max()
    fitted = load_points.torque_line(current, torque, speed if several else None)
    result.blocks.append(
        Block(
            "scatter of torque over q-axis current",
            {"torque_constant_q": float(fitted.values[0])},
            fitted.covariance[:1, :1],
            fitted.degrees_of_freedom,
        )
    )
    result.notes.append(
        f"Torque over q-axis current leaves {fitted.values[1]:.3g} N m at standstill"
        + (f" and {fitted.values[2]:.2g} N m per rad/s" if several else "")
        + " for friction."
    )
    result.panels.append(views.torque_current(current, torque, fitted, "Current, q axis"))


def _efficiency(
    name: str,
    title: str,
    speed: np.ndarray,
    torque: np.ndarray,
    power: np.ndarray,
    used: np.ndarray,
    result: _Result,
) -> load_points.LossSurface | None:
    loss = power - torque * speed
    try:
        surface = load_points.loss_surface(speed[used], torque[used], loss[used])
    except FitError as error:
        result.missing[name] = str(error)
        return None
    efficiency, _ = surface.efficiency(speed, torque)
    loaded = used & (torque > 0.05 * torque.max())
    if name not in result.best:
        result.best[name] = int(np.argmax(np.where(loaded & (efficiency < 1), efficiency, -1.0)))
    at = result.best[name]
    there, u = surface.loss(speed[at : at + 1], torque[at : at + 1])
    result.blocks += [
        Block(
            f"scatter of the losses, {title}",
            {f"{name}/loss": float(there[0])},
            np.array([[float(u[0]) ** 2]]),
            surface.estimates.degrees_of_freedom,
        ),
        Block("shaft power", {f"{name}/shaft": float(torque[at] * speed[at])}, np.zeros((1, 1)), np.inf),
    ]
    rpm = speed[at] * 60 / (2 * np.pi)
    result.quantity_notes[name] = [f"at {torque[at]:.3g} N m and {rpm:.0f} rpm"]
    result.panels += views.efficiency(title, surface, speed, torque, power, used)
    return surface


def _split(
    log: Log,
    given: Mapping[str, float],
    speed: np.ndarray,
    torque: np.ndarray,
    supply: np.ndarray | None,
    used: np.ndarray,
    released: np.ndarray | None,
    *,
    result: _Result,
) -> None:
    """Fit friction and iron loss to the points without brake and split the losses of the others."""
    phase = log.get("phase_power")
    power = supply if phase is None else phase
    if power is None or released is None:
        return
    names = ("coulomb_friction", "viscous_friction", "winding_loss", "friction_iron_loss", "additional_loss")
    free = released & used & (speed > 0)
    resistance, why = _resistance(log, given)
    copper = None if resistance is None else _winding_loss(log, resistance, power)
    if copper is None:
        why = why or "the current in the winding is not known; log current_q, or duty with the supply current"
    elif free.sum() < 5 or np.ptp(speed[free]) < 0.3 * speed[free].max():
        why = "too few points without brake (column 'brake' at 0) at different speeds; log five or more"
    if why or copper is None:
        result.missing |= dict.fromkeys(names, why)
        return
    stated = log.conditions.get("standby_power")
    inverter = "phase_power" not in log  # the power of the phases holds no standby power
    unknown = inverter and stated is None
    balance = power - copper - torque * speed - (stated or 0.0) * inverter
    # All in the unit of power: the readings' scatter is that of the supply current, at one supply voltage.
    level = log["supply_voltage"][free] if _has_supply(log) else np.ones(int(free.sum()))
    fitted = friction.no_load_balance(level, speed[free], balance[free], standby_unknown=unknown)
    c, b = (float(v) for v in fitted.values[:2])
    standby = float(fitted.values[2]) if unknown else (stated or 0.0) * inverter
    at = int(np.argmax(np.where(used, torque * speed, -1.0)))
    w = float(speed[at])
    iron = c * w + b * w**2
    rest = float(power[at] - torque[at] * w - copper[at] - iron - standby)
    # One block: what friction takes, the remainder loses.
    terms = np.zeros((5, fitted.values.size))
    terms[0, 0] = terms[1, 1] = 1.0
    terms[3, :2] = w, w**2
    terms[4, :2] = -w, -(w**2)
    if unknown:
        terms[4, 2] = -1.0
    values = dict(zip(names, (c, b, float(copper[at]), iron, rest), strict=True))
    result.blocks.append(
        Block(
            "scatter of the points without brake",
            values,
            terms @ fitted.covariance @ terms.T,
            fitted.degrees_of_freedom,
        )
    )
    where = f"at {torque[at]:.3g} N m and {w * 60 / (2 * np.pi):.0f} rpm"
    for name in names[2:]:
        result.quantity_notes[name] = [where]
    for name in names[:2]:
        result.quantity_notes[name] = [
            "from the points without brake; includes iron loss"
            + (" and what the controller loses beyond its standby power" if inverter else "")
        ]
    if unknown:
        result.notes.append(
            f"Standby power was not stated: {standby:.2f} W follow from the points without brake, extrapolated to "
            "speed "
            "zero, and widen the intervals of friction."
        )
    result.panels.append(
        views.friction(speed[free], (balance[free] - (standby if unknown else 0.0)) / speed[free], c, b)
    )
    iron_all = c * speed + b * speed**2
    result.tables.append(views.loss_table(speed, torque, power, copper, iron_all, standby, used))


def _resistance(log: Log, given: Mapping[str, float]) -> tuple[np.ndarray | None, str]:
    at_20 = given.get("phase_resistance")
    if at_20 is None and "line_resistance" in log.conditions:
        at_20 = 0.5 * log.conditions["line_resistance"]
    if at_20 is None:
        return None, "the winding resistance is not known; add a winding-resistance test or 'line_resistance'"
    if "temperature_winding" in log:
        temperature: np.ndarray | float = log["temperature_winding"]
    elif "winding_temperature" in log.conditions:
        temperature = log.conditions["winding_temperature"]
    else:
        return None, "the winding temperature is not stated; add the condition 'winding_temperature' or log it"
    factor = winding.temperature_factor(temperature, given["winding_constant"])  # type: ignore[arg-type]
    return at_20 * np.broadcast_to(factor, log["speed"].shape), ""


def _winding_loss(log: Log, resistance: np.ndarray, power: np.ndarray) -> np.ndarray | None:
    """Return the winding loss (W) at each point; ``None`` where the motor's current is not known."""
    if "current_q" in log:
        current_d = log.get("current_d")
        return friction.rotor_frame_winding_loss(resistance, log["current_q"], 0.0 if current_d is None else current_d)
    if "duty" in log and _has_supply(log):
        standby = log.conditions.get("standby_power", 0.0)
        return friction.six_step_winding_loss(resistance, (power - standby) / (log["supply_voltage"] * log["duty"]))
    return None


def _rated(speed: np.ndarray, torque: np.ndarray, given: Mapping[str, float], result: _Result) -> None:
    """Find the torque at rated power on the characteristic."""
    rated = given.get("nameplate_rated_power")
    if rated is None:
        result.missing["rated_torque"] = "the nameplate states no rated power; add 'rated_power' to the unit file"
        return
    if not load_points.is_line(speed, torque):
        result.missing["rated_torque"] = (
            "the points spread over a grid of speeds; torque at rated power is read from one characteristic at full "
            "throttle and fixed supply voltage: log that as a load test of its own"
        )
        return
    power = torque * speed
    if power.max() < rated:
        result.missing["rated_torque"] = (
            f"the unit was loaded to {power.max():.0f} W only, below its rated {rated:.0f} W; load it further"
        )
        return
    scale = float(torque.max())
    from ..physics.regression import linear_fit

    # Torque as a smooth function of shaft power on the branch below the greatest power.
    branch = torque <= torque[int(np.argmax(power))]
    powers = 3 if branch.sum() >= 7 else 2
    x = (power[branch] - rated) / rated
    fitted = linear_fit(np.column_stack([x**k for k in range(powers)]), torque[branch] / scale)
    result.blocks.append(
        Block(
            "scatter of torque over shaft power",
            {"rated_torque": float(fitted.values[0]) * scale},
            fitted.covariance[:1, :1] * scale**2,
            fitted.degrees_of_freedom,
        )
    )


PROCEDURE = Load()
