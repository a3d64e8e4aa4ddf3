"""No-load run: friction with iron loss from the power balance, and the back-EMF constant once more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from ..physics import friction, steady
from ..physics.regression import Estimates, linear_fit
from ..signs import number_text
from . import _winding_state
from .base import Axis, Condition, Log, Panel, Procedure, Quantity, Report, Series, outside
from .fit import Fit

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
    time: np.ndarray | None

    def at(self, chosen: np.ndarray) -> Points:
        """Return the points of a boolean mask ``(k,)``."""
        return Points(*(None if v is None else v[chosen] for v in vars(self).values()))  # type: ignore[arg-type]

    def and_also(self, other: Points) -> Points:
        """Return these points with ``other`` behind them."""
        pairs = zip(vars(self).values(), vars(other).values(), strict=True)
        return Points(*(None if v is None else np.concatenate([v, w]) for v, w in pairs))  # type: ignore[arg-type]


@dataclass(frozen=True)
class Choice:
    """Which readings are used for what: masks over the points of the run or over those at which it turns.

    ``rows`` are the steady stretches of a record in time (``None``: each row is a point), ``ordered`` says that the
    points follow in time without rests. The supply current is fitted over ``powers`` of the voltage from 1 on at the
    points ``full``, and read at rated voltage or at the highest of the run.
    """

    rows: tuple[slice, ...] | None
    ordered: bool
    turning: np.ndarray
    standing: np.ndarray
    full: np.ndarray
    powers: int
    at_rated: bool


@dataclass(frozen=True)
class Balance:
    """The power balance: friction and what it rests on, ``(k,)`` for the points at which the rotor turns."""

    fitted: Estimates
    standby: np.ndarray
    torque: np.ndarray
    stated: bool


@dataclass(frozen=True)
class Seen:
    """What the report shows; ``None`` where these readings do not give it."""

    run: Points
    still: Points
    resistance: np.ndarray | None
    balance: Balance | None
    current: Estimates | None
    current_at: tuple[float, float]
    behind: tuple[np.ndarray, Estimates] | None


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
    # fmt: off
    quantities = (
        Quantity(
            "coulomb_friction", "Coulomb friction with iron loss", "T_c", "torque", "N m",
            "torque at speed zero of the straight line through friction torque over speed: bearings, seals and the "
            "hysteresis part of the iron loss together, which no run with the magnets in place can tell apart",
            "power balance after IEC 60034-2-1, constant losses",
            preferred=("no-load", "coast-down", "load"),
        ),
        Quantity(
            "viscous_friction", "Viscous friction with iron loss", "b", "viscous_friction", "N m s/rad",
            "slope of the straight line through friction torque over speed: viscous drag, the eddy-current part of the "
            "iron loss and, where not told apart, air drag",
            "power balance after IEC 60034-2-1, constant losses",
            preferred=("no-load", "coast-down", "load"),
            reach="speed",
        ),
        Quantity(
            "no_load_current", "No-load current", "I_0", "current", "A",
            "DC supply current, controller included, of the unit turning freely at rated voltage; at the highest "
            "voltage of the run where the nameplate states none or the run did not reach it (the note says which)",
            "definition",
            preferred=("no-load",),
            key=4,
        ),
    )
    # fmt: on
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

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Find the steady stretches, the points at which the rotor turns, and those for the no-load current."""
        log = logs[0]
        rows = _rows(log)
        points = _points(log, rows)
        turning = points.speed > _STANDING * points.speed.max()
        if not np.any(turning) or points.speed.max() == 0:
            raise FitError("the speed is zero throughout; log the run with the motor turning")
        run = points.at(turning)
        full = _full_throttle(run)
        voltage = run.voltage[full]
        rated = given.get("nameplate_rated_voltage")
        at_rated = rated is not None and 0.97 * float(voltage.min()) <= rated <= 1.03 * float(voltage.max())
        powers = 1 if _distinct(voltage) >= 3 else 0
        if powers == 0:
            target = _target(voltage, given, at_rated)
            full &= np.abs(run.voltage - target) <= 0.03 * target
        return Choice(
            rows,
            rows is None and "time" in log and log["speed"].size >= _SAMPLED,
            turning,
            ~turning & (points.voltage > 0.05 * points.voltage.max()),
            full,
            powers,
            at_rated,
        )

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Fit the power balance, the no-load current over voltage and the voltage over speed."""
        log, fit = logs[0], Fit()
        points = _points(log, choice.rows)
        run, still = points.at(choice.turning), points.at(choice.standing)
        resistance, lacking = _winding_state.resistance(log, given, run.temperature, run.speed.size)
        stated = log.conditions.get("standby_power")
        balance = behind = None
        if resistance is None:
            fit.lacking(("coulomb_friction", "viscous_friction", "emf_constant_dc"), lacking)
        else:
            balance = _friction(run, still, resistance, stated, choice.ordered, fit)
        standby = balance.standby if balance else None
        if resistance is not None and standby is None and stated is not None:
            standby = np.full(run.speed.shape, stated)
        current_at, current = _no_load_current(run, standby, given, choice, fit)
        if resistance is not None:
            behind = _emf(run, resistance, standby, choice.ordered, fit)
        if not fit.blocks:
            raise FitError("the readings give neither friction nor no-load current; take at least five voltages")
        fit.seen = Seen(run, still, resistance, balance, current, current_at, behind)
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Show friction and voltage over speed and the supply current over voltage."""
        report, seen = Report(), fit.seen
        if seen.resistance is not None:
            report.notes.append(
                f"Winding loss with a phase resistance of {1e3 * float(np.mean(seen.resistance)):.4g} mΩ."
            )
        if seen.balance:
            _show_friction(seen, report)
        if seen.current:
            _show_current(logs[0], seen, choice, report)
        if seen.behind:
            _show_emf(seen, report)
        if choice.rows is not None:
            report.notes.append(
                f"{len(choice.rows)} steady stretches found in {logs[0]['speed'].size} samples; the rest is left out."
            )
        elif choice.ordered:
            report.notes.append(
                "The record shows no steady stretches; it is taken as a sweep slow enough to be steady."
            )
        return report

    def with_controller_loss(self, log: Log) -> frozenset[str]:
        """Return friction: the power of the supply feeds the controller first, and only its standby is taken off."""
        return frozenset({"coulomb_friction", "viscous_friction"})


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
    others = (column(name) for name in ("temperature_winding", "duty", "current_q", "time"))
    return Points(voltage, current, power, np.abs(speed), *others)


def motor_current(run: Points, standby: np.ndarray | float) -> np.ndarray:
    """Return the current in the two conducting phases (A): the supply power less standby over the motor's voltage."""
    effective = run.voltage if run.duty is None else run.voltage * run.duty
    return (run.power - standby) / effective


def _winding_loss(run: Points, resistance: np.ndarray, standby: np.ndarray | float) -> np.ndarray:
    if run.current_q is not None:
        return friction.rotor_frame_winding_loss(resistance, run.current_q)
    return friction.six_step_winding_loss(resistance, motor_current(run, standby))


def _friction(
    run: Points, still: Points, resistance: np.ndarray, stated: float | None, ordered: bool, fit: Fit
) -> Balance | None:
    """Fit the power balance; the standby power is stated, or follows from the readings."""
    known = stated is not None
    need = 3 if known or still.speed.size else 4
    distinct = _distinct(run.speed)
    if distinct < need:
        fit.lacking(
            ("coulomb_friction", "viscous_friction"),
            f"the run holds {distinct} distinct speed(s); run at {need} or more voltages spread over the range",
        )
        return None
    used = run if known else run.and_also(replace(still, speed=np.zeros_like(still.speed)))
    rises = not known and still.speed.size > 1 and bool(np.ptp(still.voltage) > 0.1 * still.voltage.max())
    standby = np.full(run.speed.shape, stated if stated is not None else 0.0)
    # A few rounds: standby power that is found only here also shifts the small winding loss.
    for _ in range(1 if known else 4):
        power = used.power.copy()
        power[: run.speed.size] -= _winding_loss(run, resistance, standby) + (standby if known else 0.0)
        fitted = friction.no_load_balance(
            used.voltage, used.speed, power, standby_unknown=not known, standby_rises=rises, ordered=ordered
        )
        if not known:
            standby = fitted.values[2] + (fitted.values[3] * run.voltage if rises else np.zeros_like(run.speed))
    fit.estimates("scatter of the power balance", ("coulomb_friction", "viscous_friction"), fitted, (0, 1))
    regressors = {"speed": used.speed, "supply_voltage": used.voltage}
    fit.left("power balance over the supply voltage", "A", power / used.voltage, fitted, regressors, used.time)
    torque = (run.power - _winding_loss(run, resistance, standby) - standby) / run.speed
    return Balance(fitted, standby, torque, known)


def _show_friction(seen: Seen, report: Report) -> None:
    assert seen.balance is not None
    fitted, run = seen.balance.fitted, seen.run
    c, b = (float(v) for v in fitted.values[:2])
    watts = float(np.mean(seen.balance.standby))
    if seen.balance.stated:
        report.notes.append(f"Standby power {watts:.2f} W as stated.")
    elif seen.still.speed.size:
        report.notes.append(f"Standby power {watts:.2f} W from {seen.still.speed.size} reading(s) at standstill.")
    else:
        u = float(np.sqrt(fitted.covariance[2, 2]))
        report.notes.append(
            f"No standby power was stated and no row at standstill logged: {watts:.2f} W (standard uncertainty {u:.2f} "
            "W) follow from the fit, which widens the intervals of friction. A reading at speed zero would narrow them."
        )
    for name in ("coulomb_friction", "viscous_friction"):
        report.quantity_notes[name] = ["includes iron loss, and what the controller loses beyond its standby power"]
    if b < 0:
        report.notes.append("The friction torque falls with speed in this run; look at the figure before you use it.")
    line = np.linspace(0.0, float(run.speed.max()), 50)
    report.panels.append(
        Panel(
            "friction",
            "Friction torque with iron loss",
            _SPEED,
            _TORQUE,
            [
                Series("power balance", run.speed, seen.balance.torque),
                Series("straight line", line, c + b * line, "fit"),
            ],
            "Supply power less winding loss and standby power, over speed; a bend means air drag, a bearing that "
            "sticks, or readings taken before the speed stood still.",
            residuals=[Series("power balance", run.speed, seen.balance.torque - c - b * run.speed)],
            residual_axis=Axis("Residual", "torque", "mN m"),
        )
    )


def _distinct(values: np.ndarray) -> int:
    """Return how many values differ by more than 3 % of the largest: repeated readings count once."""
    rising = np.sort(values)
    count, last = 0, -np.inf
    for value in rising:
        if value - last > 0.03 * rising[-1]:
            count, last = count + 1, value
    return count


def _full_throttle(run: Points) -> np.ndarray:
    """Return at which points ``(k,)`` the motor had all of the supply voltage."""
    if run.duty is not None:
        return run.duty >= 0.97 * run.duty.max()
    if np.ptp(run.voltage) < 0.05 * run.voltage.max() and np.ptp(run.speed) > 0.1 * run.speed.max():
        return run.speed >= 0.97 * run.speed.max()  # one supply voltage, the speed set by the throttle
    return np.ones(run.speed.shape, bool)


def _target(voltage: np.ndarray, given: Mapping[str, float], at_rated: bool) -> float:
    return float(given["nameplate_rated_voltage"] if at_rated else voltage.max())


def _no_load_current(
    run: Points, standby: np.ndarray | None, given: Mapping[str, float], choice: Choice, fit: Fit
) -> tuple[tuple[float, float], Estimates | None]:
    """Fit current over voltage among the points at full throttle and read it at the voltage of the definition.

    Returns that voltage with the current there, and the fit.
    """
    voltage, current = run.voltage[choice.full], run.current[choice.full]
    # The standby part falls with voltage, the rest rises in a straight line: only the rest is fitted.
    own = np.zeros_like(voltage) if standby is None else standby[choice.full] / voltage
    target = _target(voltage, given, choice.at_rated)
    if voltage.size < choice.powers + 2:
        fit.missing["no_load_current"] = (
            f"{voltage.size} reading(s) near {target:.1f} V leave its scatter unknown; take three or more, or run at "
            "several voltages"
        )
        return (target, np.nan), None
    design = np.column_stack([(voltage - target) ** power for power in range(choice.powers + 1)])
    fitted = linear_fit(design, current - own, ordered=choice.ordered)
    order = np.argsort(voltage)
    at_target = float(np.interp(target, voltage[order], (own * voltage)[order])) / target
    value = float(fitted.values[0]) + at_target
    freedom = fitted.degrees_of_freedom
    fit.block("scatter of the supply current", {"no_load_current": value}, fitted.covariance[:1, :1], freedom)
    time = None if run.time is None else run.time[choice.full]
    fit.left("supply current over voltage", "A", current - own, fitted, {"supply_voltage": voltage}, time)
    return (target, value), fitted


def _show_current(log: Log, seen: Seen, choice: Choice, report: Report) -> None:
    assert seen.current is not None
    target, value = seen.current_at
    why = "rated voltage" if choice.at_rated else "the highest voltage of the run"
    report.quantity_notes["no_load_current"] = [f"at {target:.1f} V, {why}"]
    voltage, current = seen.run.voltage[choice.full], seen.run.current[choice.full]
    series = [
        Series("readings", voltage, current),
        Series(f"at {target:.1f} V", np.array([target]), np.array([value]), "model"),
    ]
    if choice.powers:
        order = np.argsort(voltage)
        series.insert(1, Series("fit", voltage[order], (current - seen.current.residuals)[order], "fit"))
    if choice.rows is not None:
        out = outside(log["speed"].size, choice.rows, 500)
        series.insert(0, Series("not steady", log["supply_voltage"][out], log["supply_current"][out], "left out"))
    report.panels.append(
        Panel(
            "no-load-current",
            "Supply current at no load",
            Axis("Supply voltage", "voltage", "V"),
            Axis("Supply current", "current", "A"),
            series,
            "The supply current of the unit turning freely; it rises gently with voltage.",
        )
    )


def _emf(
    run: Points, resistance: np.ndarray, standby: np.ndarray | None, ordered: bool, fit: Fit
) -> tuple[np.ndarray, Estimates] | None:
    """Fit the voltage behind the winding resistance over speed; returns that voltage and the fit."""
    if run.current_q is not None:
        fit.missing["emf_constant_dc"] = (
            "the log holds a q-axis current, so the drive is field-oriented and its DC voltage is not the motor's; "
            "use the open-circuit test"
        )
        return None
    effective = run.voltage if run.duty is None else run.voltage * run.duty
    if standby is None or _distinct(effective) < 3:
        fit.missing["emf_constant_dc"] = (
            "the motor's voltage hardly varied; run at full throttle at three or more supply voltages, or log 'duty'"
        )
        return None
    behind = effective - 2.0 * resistance * motor_current(run, standby)
    fitted = linear_fit(np.column_stack([np.ones_like(run.speed), run.speed]), behind, ordered=ordered)
    if fitted.residual_sd > 0.02 * float(effective.max()) or fitted.values[1] <= 0:
        fit.missing["emf_constant_dc"] = (
            "speed is not proportional to supply voltage in this run, as if the throttle was not fully open; run at "
            "full throttle or log 'duty'"
        )
        return None
    fit.estimates("scatter of supply voltage over speed", ("emf_constant_dc",), fitted, (1,))
    fit.left("voltage behind the winding resistance", "V", behind, fitted, {"speed": run.speed}, run.time)
    return behind, fitted


def _show_emf(seen: Seen, report: Report) -> None:
    assert seen.behind is not None
    speed, (behind, fitted) = seen.run.speed, seen.behind
    report.notes.append(
        f"Voltage over speed leaves {number_text(fitted.values[0], '.3f')} V at speed zero: the drop of the "
        "controller's switches."
    )
    line = np.array([0.0, float(speed.max())])
    report.panels.append(
        Panel(
            "voltage-speed",
            "Voltage behind the winding resistance",
            _SPEED,
            Axis("Voltage", "voltage", "V"),
            [
                Series("supply voltage less winding drop", speed, behind),
                Series("fit", line, fitted.values[0] + fitted.values[1] * line, "fit"),
            ],
            "The slope is the back-EMF constant that a six-step drive presents to its supply; it cross-checks the "
            "open-circuit test.",
            residuals=[Series("residual", speed, fitted.residuals)],
            residual_axis=Axis("Residual", "voltage", "mV"),
        )
    )


PROCEDURE = NoLoad()
