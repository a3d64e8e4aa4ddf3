"""No-load run: friction with iron loss from the power balance, and the back-EMF constant once more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from ..physics import friction, steady
from ..physics.regression import linear_fit
from . import _winding_state
from ._collected import Collected
from .base import Axis, Block, Condition, Fit, Log, Panel, Procedure, Quantity, Series

_SAMPLED = 60  # rows from which a log is a record in time rather than a table of readings
_STANDING = 0.02  # of the highest speed
_TORQUE = Axis("Friction torque with iron loss", "torque", "N m")
_SPEED = Axis("Speed", "speed", "rpm")


@dataclass(frozen=True)
class Points:
    """Operating points of the run, each ``(k,)`` in SI; speeds positive, power before any loss is taken off."""

    voltage: np.ndarray
    current: np.ndarray
    power: np.ndarray
    speed: np.ndarray
    temperature: np.ndarray | None
    duty: np.ndarray | None
    current_q: np.ndarray | None

    def at(self, chosen: np.ndarray) -> Points:
        """Return the points of a boolean mask ``(k,)``."""
        return Points(*(None if v is None else v[chosen] for v in vars(self).values()))  # type: ignore[arg-type]


@dataclass(frozen=True)
class NoLoadFit(Fit):
    """A fit with the stretches it used, so that repeating it for uncertainty uses the same."""

    rows: tuple[slice, ...] | None = None


class NoLoad(Procedure):
    """The unit turns freely at several supply voltages; what it takes is friction, iron and a little winding loss."""

    name = "no-load"
    title = "No-load run"
    purpose = "Find what the unit takes to turn freely: friction together with iron loss, and its back-EMF constant."
    unit_kinds = ("motor", "drive")
    required_columns = ("supply_voltage", "supply_current", "speed")
    optional_columns = ("time", "duty", "temperature_winding", "current_q")
    conditions = (
        *_winding_state.CONDITIONS,
        Condition(
            "standby_power", "power", "power the controller takes with the motor standing; or log a row at speed zero"
        ),
    )
    needs = (_winding_state.NEED,)
    gives = ("coulomb_friction", "viscous_friction", "no_load_current", "emf_constant_dc")
    quantities = (
        Quantity(
            "coulomb_friction",
            "Coulomb friction with iron loss",
            "T_c",
            "torque",
            "N m",
            "torque at speed zero of the straight line through friction torque over speed: bearings, seals and the "
            "hysteresis part of the iron loss together, which no run with the magnets in place can tell apart",
            "power balance after IEC 60034-2-1, constant losses",
            preferred=("no-load", "coast-down", "load"),
        ),
        Quantity(
            "viscous_friction",
            "Viscous friction with iron loss",
            "b",
            "viscous_friction",
            "N m s/rad",
            "slope of the straight line through friction torque over speed: viscous drag, the eddy-current part of the "
            "iron loss and, where not told apart, air drag",
            "power balance after IEC 60034-2-1, constant losses",
            preferred=("no-load", "coast-down", "load"),
        ),
        Quantity(
            "no_load_current",
            "No-load current",
            "I_0",
            "current",
            "A",
            "DC supply current, controller included, of the unit turning freely at rated voltage; at the highest "
            "voltage "
            "of the run where the nameplate states none or the run did not reach it (the note says which)",
            "definition",
            preferred=("no-load",),
        ),
    )
    not_covered = (
        "Iron loss is part of the friction here, so no check speaks for either alone.",
        "No run of a real motor with certified losses is compared.",
    )
    cautions = (
        "The wheel turns at full speed with nothing to slow it: fix the axle with its torque arms, keep the spokes "
        "clear, and stand out of the plane of rotation.",
        "Raise the supply voltage step by step and wait at each step until speed and current stand still.",
        "Fuse the supply; a lithium pack can deliver a welding current into a shorted controller.",
    )
    minimum_rows = 4
    order = 40

    def fit(self, logs: Sequence[Log], given: Mapping[str, float], near: Fit | None = None) -> Fit:
        """Fit the power balance, the no-load current over voltage and the voltage over speed."""
        log = logs[0]
        rows = near.rows if isinstance(near, NoLoadFit) else _rows(log)
        points = _points(log, rows)
        turning = points.speed > _STANDING * points.speed.max()
        if not np.any(turning) or points.speed.max() == 0:
            raise FitError("the speed is zero throughout; log the run with the motor turning")
        standing = ~turning & (points.voltage > 0.05 * points.voltage.max())
        run, still = points.at(turning), points.at(standing)
        ordered = rows is None and "time" in log and log["speed"].size >= _SAMPLED
        result = Collected()
        resistance = _resistance(log, given, run, result)
        standby = None
        if resistance is not None:
            standby = _friction(run, still, resistance, log.conditions.get("standby_power"), ordered, result)
        _no_load_current(run, standby, given, ordered, result)
        _emf(run, resistance, standby, ordered, result)
        if not result.blocks:
            raise FitError("the readings give neither friction nor no-load current; take at least five voltages")
        if rows is not None:
            result.notes.append(
                f"{len(rows)} steady stretches found in {log['speed'].size} samples; the rest is left out."
            )
        elif ordered:
            result.notes.append(
                "The record shows no steady stretches; it is taken as a sweep slow enough to be steady."
            )
        panels = [_with_left_out(panel, log, rows) for panel in result.panels]
        return NoLoadFit(
            result.blocks, panels, result.tables, result.notes, missing=result.missing,
            quantity_notes=result.quantity_notes, rows=rows,
        )  # fmt: skip

    def with_controller_loss(self, log: Log) -> frozenset[str]:
        """Return friction: the power of the supply feeds the controller first, and only its standby is taken off."""
        del log
        return frozenset({"coulomb_friction", "viscous_friction"})

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the fitted parameters under their public names."""
        del given
        return {name: value for name, value in parameters.items() if name in self.gives}


def _rows(log: Log) -> tuple[slice, ...] | None:
    if "time" not in log or log["speed"].size < _SAMPLED:
        return None
    found = steady.plateaus([log[name] for name in ("supply_voltage", "supply_current", "speed")])
    return tuple(found) if len(found) >= 4 else None


def _points(log: Log, rows: tuple[slice, ...] | None) -> Points:
    def column(name: str) -> np.ndarray | None:
        return None if name not in log else log[name] if rows is None else steady.levels(log[name], rows)

    product = log["supply_voltage"] * log["supply_current"]
    power = product if rows is None else steady.levels(product, rows)
    speed = column("speed")
    voltage, current = column("supply_voltage"), column("supply_current")
    assert speed is not None and voltage is not None and current is not None
    return Points(
        voltage, current, power, np.abs(speed), column("temperature_winding"), column("duty"), column("current_q")
    )


def _resistance(log: Log, given: Mapping[str, float], run: Points, result: Collected) -> np.ndarray | None:
    """Return the phase resistance (ohm) at the temperature of each point, or say what is missing."""
    found, lacking = _winding_state.resistance(log, given, run.temperature, run.speed.size)
    if found is None:
        result.lacking(("coulomb_friction", "viscous_friction", "emf_constant_dc"), lacking)
        return None
    result.notes.append(f"Winding loss with a phase resistance of {1e3 * float(np.mean(found)):.4g} mohm.")
    return found


def motor_current(run: Points, standby: np.ndarray | float) -> np.ndarray:
    """Return the current in the two conducting phases (A): the supply power less standby over the motor's voltage."""
    effective = run.voltage if run.duty is None else run.voltage * run.duty
    return (run.power - standby) / effective


def _winding_loss(run: Points, resistance: np.ndarray, standby: np.ndarray | float) -> np.ndarray:
    if run.current_q is not None:
        return friction.rotor_frame_winding_loss(resistance, run.current_q)
    return friction.six_step_winding_loss(resistance, motor_current(run, standby))


def _friction(
    run: Points, still: Points, resistance: np.ndarray, stated: float | None, ordered: bool, result: Collected
) -> np.ndarray | None:
    """Fit the power balance and return the standby power at each turning point (W)."""
    known = stated is not None
    need = 3 if known or still.speed.size else 4
    distinct = _distinct(run.speed)
    if distinct < need:
        result.lacking(
            ("coulomb_friction", "viscous_friction"),
            f"the run holds {distinct} distinct speed(s); run at {need} or more voltages spread over the range",
        )
        return None if stated is None else np.full(run.speed.shape, stated)
    rises = not known and still.speed.size > 1 and np.ptp(still.voltage) > 0.1 * still.voltage.max()
    voltage = np.concatenate([run.voltage, still.voltage]) if not known else run.voltage
    speed = np.concatenate([run.speed, np.zeros_like(still.speed)]) if not known else run.speed
    standby = np.full(run.speed.shape, stated if stated is not None else 0.0)
    # A few rounds: standby power that is found only here also shifts the small winding loss.
    for _ in range(1 if known else 4):
        balance = run.power - _winding_loss(run, resistance, standby)
        power = balance - standby if known else np.concatenate([balance, still.power])
        fitted = friction.no_load_balance(
            voltage, speed, power, standby_unknown=not known, standby_rises=rises, ordered=ordered
        )
        if not known:
            standby = fitted.values[2] + (fitted.values[3] * run.voltage if rises else np.zeros_like(run.speed))
    c, b = (float(v) for v in fitted.values[:2])
    result.add("scatter of the power balance", ("coulomb_friction", "viscous_friction"), fitted, (0, 1))
    watts = float(np.mean(standby))
    if known:
        result.notes.append(f"Standby power {watts:.2f} W as stated.")
    elif still.speed.size:
        result.notes.append(f"Standby power {watts:.2f} W from {still.speed.size} reading(s) at standstill.")
    else:
        u = float(np.sqrt(fitted.covariance[2, 2]))
        result.notes.append(
            f"No standby power was stated and no row at standstill logged: {watts:.2f} W (standard uncertainty "
            f"{u:.2f} W) follow from the fit, which widens the intervals of friction. A reading at speed zero would "
            "narrow them."
        )
    for name in ("coulomb_friction", "viscous_friction"):
        result.quantity_notes[name] = ["includes iron loss, and what the controller loses beyond its standby power"]
    if b < 0:
        result.notes.append("The friction torque falls with speed in this run; look at the figure before you use it.")
    torque = (run.power - _winding_loss(run, resistance, standby) - standby) / run.speed
    line = np.linspace(0.0, float(run.speed.max()), 50)
    result.panels.append(
        Panel(
            "friction",
            "Friction torque with iron loss",
            _SPEED,
            _TORQUE,
            [Series("power balance", run.speed, torque), Series("straight line", line, c + b * line, "fit")],
            "Supply power less winding loss and standby power, over speed; a bend means air drag, a bearing that "
            "sticks, or readings taken before the speed stood still.",
            residuals=[Series("power balance", run.speed, torque - c - b * run.speed)],
            residual_axis=Axis("Residual", "torque", "mN m"),
        )
    )
    return standby


def _distinct(values: np.ndarray) -> int:
    """Return how many values differ by more than 3 % of the largest: repeated readings count once."""
    rising = np.sort(values)
    count, last = 0, -np.inf
    for value in rising:
        if value - last > 0.03 * rising[-1]:
            count, last = count + 1, value
    return count


def _no_load_current(
    run: Points, standby: np.ndarray | None, given: Mapping[str, float], ordered: bool, result: Collected
) -> None:
    """Fit current over voltage among the points at full throttle and read it at the voltage of the definition."""
    full = np.ones(run.speed.shape, bool)
    if run.duty is not None:
        full = run.duty >= 0.97 * run.duty.max()
    elif np.ptp(run.voltage) < 0.05 * run.voltage.max() and np.ptp(run.speed) > 0.1 * run.speed.max():
        full = run.speed >= 0.97 * run.speed.max()  # one supply voltage, the speed set by the throttle
    voltage, current = run.voltage[full], run.current[full]
    # The standby part falls with voltage, the rest rises in a straight line: only the rest is fitted.
    own = np.zeros_like(voltage) if standby is None else standby[full] / voltage
    top = float(voltage.max())
    rated = given.get("nameplate_rated_voltage")
    reached = rated is not None and 0.97 * float(voltage.min()) <= rated <= 1.03 * top
    target = float(rated) if rated is not None and reached else top
    powers = 1 if _distinct(voltage) >= 3 else 0
    if powers == 0:
        chosen = np.abs(voltage - target) <= 0.03 * target
        voltage, current, own = voltage[chosen], current[chosen], own[chosen]
    if voltage.size < powers + 2:
        result.missing["no_load_current"] = (
            f"{voltage.size} reading(s) near {target:.1f} V leave its scatter unknown; take three or more, or run at "
            "several voltages"
        )
        return
    design = np.column_stack([(voltage - target) ** power for power in range(powers + 1)])
    fitted = linear_fit(design, current - own, ordered=ordered)
    at_target = float(np.interp(target, *_sorted(voltage, own * voltage))) / target
    value = float(fitted.values[0]) + at_target
    result.blocks.append(
        Block("scatter of the supply current", {"no_load_current": value}, fitted.covariance[:1, :1],
              fitted.degrees_of_freedom)
    )  # fmt: skip
    why = "rated voltage" if reached else "the highest voltage of the run"
    result.quantity_notes["no_load_current"] = [f"at {target:.1f} V, {why}"]
    series = [
        Series("readings", voltage, current),
        Series(f"at {target:.1f} V", np.array([target]), np.array([value]), "model"),
    ]
    if powers:
        order = np.argsort(voltage)
        series.insert(1, Series("fit", voltage[order], (current - fitted.residuals)[order], "fit"))
    result.panels.append(
        Panel(
            "no-load-current",
            "Supply current at no load",
            Axis("Supply voltage", "voltage", "V"),
            Axis("Supply current", "current", "A"),
            series,
            "The supply current of the unit turning freely; it rises gently with voltage.",
        )
    )


def _sorted(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort(x)
    return x[order], y[order]


def _emf(
    run: Points, resistance: np.ndarray | None, standby: np.ndarray | None, ordered: bool, result: Collected
) -> None:
    if resistance is None:
        return
    if run.current_q is not None:
        result.missing["emf_constant_dc"] = (
            "the log holds a q-axis current, so the drive is field-oriented and its DC voltage is not the motor's; "
            "use the open-circuit test"
        )
        return
    effective = run.voltage if run.duty is None else run.voltage * run.duty
    if standby is None or _distinct(effective) < 3:
        result.missing["emf_constant_dc"] = (
            "the motor's voltage hardly varied; run at full throttle at three or more supply voltages, or log 'duty'"
        )
        return
    behind = effective - 2.0 * resistance * motor_current(run, standby)
    fitted = linear_fit(np.column_stack([np.ones_like(run.speed), run.speed]), behind, ordered=ordered)
    if fitted.residual_sd > 0.02 * float(effective.max()) or fitted.values[1] <= 0:
        result.missing["emf_constant_dc"] = (
            "speed is not proportional to supply voltage in this run, as if the throttle was not fully open; run at "
            "full throttle or log 'duty'"
        )
        return
    result.add("scatter of supply voltage over speed", ("emf_constant_dc",), fitted, (1,))
    result.notes.append(
        f"Voltage over speed leaves {fitted.values[0]:.3f} V at speed zero: the drop of the controller's switches."
    )
    line = np.array([0.0, float(run.speed.max())])
    result.panels.append(
        Panel(
            "voltage-speed",
            "Voltage behind the winding resistance",
            _SPEED,
            Axis("Voltage", "voltage", "V"),
            [
                Series("supply voltage less winding drop", run.speed, behind),
                Series("fit", line, fitted.values[0] + fitted.values[1] * line, "fit"),
            ],
            "The slope is the back-EMF constant that a six-step drive presents to its supply; it cross-checks the "
            "open-circuit test.",
            residuals=[Series("residual", run.speed, fitted.residuals)],
            residual_axis=Axis("Residual", "voltage", "mV"),
        )
    )


def _with_left_out(panel: Panel, log: Log, rows: tuple[slice, ...] | None) -> Panel:
    """Show, under the current panel, the samples that belong to no steady stretch."""
    if rows is None or panel.name != "no-load-current":
        return panel
    out = np.ones(log["speed"].size, bool)
    for stretch in rows:
        out[stretch] = False
    step = max(1, int(out.sum()) // 500)
    left = Series("not steady", log["supply_voltage"][out][::step], log["supply_current"][out][::step], "left out")
    return replace(panel, series=[left, *panel.series])


PROCEDURE = NoLoad()
