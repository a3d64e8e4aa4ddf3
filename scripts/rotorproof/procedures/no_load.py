"""No-load run: friction with iron loss from the power balance, and the back-EMF constant once more."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from ..physics import friction, magnets, steady
from ..physics.coasting import LOWEST
from ..physics.regression import Estimates, linear_fit
from ..signs import number_text
from . import _bridge_cost, _magnets, _winding_state
from . import _no_load as run_of
from ._friction_line import FrictionLine
from ._no_load import FRICTION, Balance, Choice, Machine, Points, distinct
from .assumption import MAGNET_COEFFICIENT, STANDBY_GROWTH, Assumption
from .base import Axis, Condition, Lack, Log, Panel, Procedure, Quantity, Report, Series, electrical_turns, outside
from .fit import Fit

_SAMPLED = 60  # rows from which a log is a record in time rather than a table of readings
#: Share of the torque at top speed that air drag of a wheel stays below (common practice, no source).
_MOST_AIR = 0.5
_STANDING = 0.02  # of the highest speed
_LOADED = 0.4  # of the rated current: more is no run without load (common practice, no source)
_LEFT_IN_EMF = 0.01
#: What moves with the winding resistance.
_OF_MACHINE = (*FRICTION, "emf_constant_dc")
_BY_RESISTANCE = (*_OF_MACHINE, "speed_constant")
_TORQUE = Axis("Friction torque with iron loss", "torque", "N m")
_SPEED = Axis("Speed", "speed", "rpm")


@dataclass(frozen=True)
class Seen:
    """What the report shows; ``None`` where these readings do not give it."""

    run: Points
    still: Points
    machine: Machine | None
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
        _magnets.CONDITION,
        _bridge_cost.CONDITION,
        Condition(
            run_of.FROM,
            "number",
            "'nameplate': nobody measured the winding resistance; what rated power, voltage and current leave it takes "
            "its place, with that doubt",
            choices=("nameplate",),
        ),
        Condition(
            "standby_power", "power", "power the controller takes with the motor standing; or log a row at speed zero"
        ),
    )
    needs = (_winding_state.NEED, *_bridge_cost.NEEDS)
    assumptions = (
        MAGNET_COEFFICIENT,
        *_bridge_cost.ASSUMPTIONS,
        STANDBY_GROWTH,
        Assumption(
            "rated_copper_share",
            0.15,
            0.13,
            "at rated current the winding turns 2 to 28 percent of rated power to heat (common practice, no source), "
            "since nobody measured its resistance",
        ),
    )
    gives = ("coulomb_friction", "viscous_friction", "no_load_current", "emf_constant_dc", "speed_constant")
    # fmt: off
    quantities = (
        Quantity(
            "coulomb_friction", "Coulomb friction with iron loss", "T_c", "torque", "N m",
            "torque at speed zero of the straight line of least squares through friction torque over speed, evenly "
            f"over speeds from {100 * LOWEST:.0f} percent of the highest on: bearings, seals and the hysteresis part "
            "of the iron loss together, which no run with the magnets in place can tell apart",
            "power balance after IEC 60034-2-1, constant losses",
            preferred=("coast-down", "no-load", "load"),
            remedy="turn the wheel by hand with the wires open and look for what rubs",
            least=0.0,
            holds="windage",
            impossible="a current, voltage or torque read too small, standby power stated too large, or "
            "readings taken before the speed stood still",
        ),
        Quantity(
            "viscous_friction", "Viscous friction with iron loss", "b", "viscous_friction", "N m s/rad",
            f"slope of that line (speeds from {100 * LOWEST:.0f} percent of the highest on): viscous drag, the "
            "eddy-current part of the iron loss and, where not told apart, air drag; beside a windage, constant and "
            "slope are those of its parabola",
            "power balance after IEC 60034-2-1, constant losses",
            preferred=("coast-down", "no-load", "load"),
            reach="speed",
            least=0.0,
            holds="windage",
            impossible="friction that falls with speed (a bearing or grease that warms up), a load on the "
            "shaft, or a current read wrongly at one end of the run",
        ),
        Quantity(
            "no_load_current", "No-load current", "I_0", "current", "A",
            "DC supply current, controller included, of the unit turning freely at rated voltage; at the highest "
            "voltage of the run where the nameplate states none or the run did not reach it (the note says which)",
            "definition",
            preferred=("no-load",),
            key=4,
            least=0.0,
            impossible="the current probe is clamped the wrong way round, or its zero is off",
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
    minutes = 30

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what needs the winding's resistance, where neither a test, the log nor the nameplate tells it."""
        (log,) = logs
        why = run_of.unknown(log, known)
        return [*super().lacks(logs, known), *([Lack(why, _OF_MACHINE)] if why else [])]

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Find the steady stretches, the points at which the rotor turns, and those for the no-load current."""
        log = logs[0]
        rows = _rows(log)
        points = _points(log, rows)
        turning = points.speed > _STANDING * points.speed.max()
        if not np.any(turning) or points.speed.max() == 0:
            raise FitError("the speed is zero throughout; log the run with the motor turning")
        run = points.at(turning)
        _refuse_load(run, points.at(~turning), log.conditions.get("standby_power"))
        full = _full_throttle(run)
        voltage = run.voltage[full]
        rated = given.get("nameplate_rated_voltage")
        at_rated = rated is not None and 0.97 * float(voltage.min()) <= rated <= 1.03 * float(voltage.max())
        powers = 1 if distinct(voltage) >= 3 else 0
        if powers == 0:
            target = _target(voltage, given, at_rated)
            full &= np.abs(run.voltage - target) <= 0.03 * target
        choice = Choice(
            rows,
            rows is None and "time" in log and log["speed"].size >= _SAMPLED,
            turning,
            ~turning & (points.voltage > 0.05 * points.voltage.max()),
            full,
            powers,
            at_rated,
        )
        choice = run_of.with_cost(log, given, points, choice)
        return replace(choice, lacking={**_no_emf(log, given, points, choice), **choice.lacking})

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Fit the power balance, the no-load current over voltage and the voltage over speed."""
        log, fit = logs[0], Fit()
        fit.missing |= choice.lacking
        run, still = choice.of(_points(log, choice.rows))
        machine, _ = run_of.machine(log, given, run)
        balance = behind = None
        if machine is not None and "coulomb_friction" not in choice.lacking:
            balance = run_of.balance(run, still, machine, log, given, choice)
            run_of.keep_friction(balance, run, fit)
            if choice.held:
                at_most = replace(choice, held=(sum(choice.held), 0.0))
                run_of.keep_doubt(balance, run_of.balance(run, still, machine, log, given, at_most), fit)
        stated = log.conditions.get("standby_power")
        standby = balance.standby if balance else None if stated is None else np.full(run.speed.shape, stated)
        current_at, current = _no_load_current(run, standby, given, choice, fit)
        if machine is not None and standby is not None and "emf_constant_dc" not in choice.lacking:
            behind = run_of.behind(run, machine, standby, given, choice)
            fit.estimates("scatter of supply voltage over speed", ("emf_constant_dc",), behind[1], (1,))
            name, rests = "voltage behind the winding resistance", ("scatter of supply voltage over speed",)
            fit.left(name, "V", *behind, {"speed": run.speed}, run.time, blocks=rests)
            run_of.warmth(log, given, run).doubt(fit)
        if machine is not None and not machine.field_oriented and choice.cost is None:
            # Nothing tells what the ripple costs: as much as it does in most motors may be left in.
            _bridge_cost.left_in_friction(fit)
            label = "commutation and ripple, not taken off, in emf"
            fit.block(label, {"emf/ripple": 0.0}, _LEFT_IN_EMF**2 / 3.0, distribution="rectangular")
        if not set(fit.parameters) & set(self.gives):
            raise FitError("the readings give neither friction nor no-load current; take at least five voltages")
        if machine is not None and machine.bounded:
            fit.exact("resistance bounded by the nameplate", bounded=1.0)
        fit.seen = Seen(run, still, machine, balance, current, current_at, behind)
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Show friction and voltage over speed and the supply current over voltage."""
        log, report, seen = logs[0], Report(), fit.seen
        if seen.machine is not None:
            report.notes += _machine_words(log, given, choice, seen)
            if seen.machine.bounded:
                report.stated |= dict.fromkeys(_BY_RESISTANCE, run_of.bound_words(given))
        _name_load(seen.run, given, report)
        if seen.balance:
            _show_friction(log, choice, seen, report)
        if seen.current:
            _show_current(log, seen, choice, report)
        if seen.behind:
            _show_emf(seen, report)
        if choice.rows is not None:
            report.notes.append(
                f"{len(choice.rows)} steady stretches found in {log['speed'].size} samples; the rest is left out."
            )
        elif choice.ordered:
            report.notes.append(
                "The record shows no steady stretches; it is taken as a sweep slow enough to be steady."
            )
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return friction, current and EMF constant with the doubts that have no other place."""
        result = super().derive(parameters, given)
        for name in FRICTION:
            if name in result:
                doubt = 1.0 + parameters.get("friction/ripple", 0.0)
                standby = parameters.get(f"{name}/standby", 0.0) * parameters.get("standby/doubt", 0.0)
                result[name] = (result[name] + standby) * doubt
        if "emf_constant_dc" in result:
            warmer = magnets.emf_share(20.0 + parameters["magnets/doubt"], given["magnet_coefficient"])
            result["emf_constant_dc"] = result["emf_constant_dc"] * (1.0 + parameters.get("emf/ripple", 0.0)) / warmer
            if "bounded" in parameters:
                # Where electrical readings and a nameplate are all there is, this is what is asked for.
                result["speed_constant"] = 1.0 / result["emf_constant_dc"]
        return result

    def friction_line(self, fit: Fit) -> FrictionLine | None:
        """Return where the line through the power balance stands."""
        return None if fit.seen.balance is None else fit.seen.balance.line()

    def with_controller_loss(self, log: Log) -> frozenset[str]:
        """Return friction: the power of the supply feeds the controller first, and only its standby is taken off."""
        return frozenset({"coulomb_friction", "viscous_friction"})


def _no_emf(log: Log, given: Mapping[str, float], points: Points, choice: Choice) -> dict[str, str]:
    """Return why the EMF constant cannot be given, nothing if it can."""
    run, still = choice.of(points)
    machine, lacking = run_of.machine(log, given, run)
    if machine is None:
        return {"emf_constant_dc": lacking}
    if machine.field_oriented:
        return {
            "emf_constant_dc": "the log holds a q-axis current, or its conditions say so: the drive is field-oriented "
            "and its DC voltage is not the motor's; use the open-circuit test"
        }
    stated = log.conditions.get("standby_power")
    standby = None if stated is None else np.full(run.speed.shape, stated)
    if "coulomb_friction" not in choice.lacking:
        standby = run_of.balance(run, still, machine, log, given, choice).standby
    if standby is None or distinct(run.effective()) < 3:
        return {
            "emf_constant_dc": "the motor's voltage hardly varied; run at full throttle at three or more supply "
            "voltages, or log 'duty'"
        }
    line = run_of.behind(run, machine, standby, given, choice)[1]
    if line.residual_sd > 0.02 * float(run.effective().max()) or line.values[1] <= 0:
        return {
            "emf_constant_dc": "speed is not proportional to supply voltage in this run, as if the throttle was not "
            "fully open; run at full throttle or log 'duty'"
        }
    return {}


def _refuse_load(run: Points, still: Points, stated: float | None) -> None:
    """Raise ``FitError`` where torque grows with speed as no friction does: a propeller or a fan is at work."""
    standby = stated if stated is not None else float(still.power.mean()) if still.speed.size else None
    power = run.power if standby is None else run.power - standby
    found = friction.air_share(run.speed, power, standby_known=standby is not None)
    if found is not None and found[0] - 3.0 * found[1] > _MOST_AIR:
        raise FitError(
            f"the unit ran under load, not at no load: {100 * found[0]:.0f} % of its torque at top speed grows as the "
            "square of speed, as that of a propeller or a fan does and friction and iron loss do not. Take off what "
            "the unit drives, or log torque as well and give the test as a load run"
        )


def _name_load(run: Points, given: Mapping[str, float], report: Report) -> None:
    """Say so where the supply current is that of a unit under load, by the nameplate's rated one."""
    rated, most = run_of.rated_current(given), float(run.current.max())
    if rated is not None and most > _LOADED * rated:
        report.warn(
            f"the supply current reaches {number_text(most, '.2g')} A, {100 * most / rated:.0f} % of the rated one: "
            "these points are under load, and what is called friction holds that load. Without load a unit takes a few "
            "to 20 percent (common practice); give points under load as a load run, with their torque",
            "supply_current",
        )


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


def _machine_words(log: Log, given: Mapping[str, float], choice: Choice, seen: Seen) -> list[str]:
    machine, run = seen.machine, seen.run
    assert machine is not None
    milliohm = 1e3 * float(np.mean(machine.resistance))
    rests = " that rated power and current leave it, not measured" if machine.bounded else ""
    words = [f"Winding loss with a phase resistance of {milliohm:.4g} mΩ{rests}.", _bridge_cost.drive_words(log, given)]
    if choice.cost is not None:
        extra = _bridge_cost.added(choice.cost, given, run.speed.size)
        watts, volts = (number_text(float(v.max()), ".2g") for v in (extra.copper, extra.voltage))
        words.append(
            "The bridge as it commutates was solved at each point: ripple adds up to "
            f"{watts} W to the winding loss, commutation takes up to {volts} V."
        )
    elif not machine.field_oriented and electrical_turns(given) is None:
        words.append(_bridge_cost.uncorrected_words(_bridge_cost.NO_PAIRS))
    if seen.behind:
        words.append(run_of.warmth(log, given, run).words)
    return [one for one in words if one]


def _show_friction(log: Log, choice: Choice, seen: Seen, report: Report) -> None:
    assert seen.balance is not None
    fitted, run = seen.balance.fitted, seen.run
    c, b = (float(v) for v in fitted.values[:2])
    watts = float(np.mean(seen.balance.standby))
    if "standby_power" in log.conditions:
        report.notes.append(f"Standby power {watts:.2f} W as stated.")
    elif choice.held:
        report.notes.append(
            f"The fit alone would leave a standby power below zero; {choice.held[0]:.2f} W ± {choice.held[1]:.2f} W "
            "are taken, anything from none to what the readings allow."
        )
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
    regressors, rests = {"supply_voltage": voltage}, ("scatter of the supply current",)
    fit.left(
        "supply current over voltage", "A", current - own, fitted, regressors, time, blocks=rests, bends=run_of.BENDS
    )
    return (target, value), fitted


def _show_current(log: Log, seen: Seen, choice: Choice, report: Report) -> None:
    assert seen.current is not None
    target, value = seen.current_at
    why = "rated voltage" if choice.at_rated else "the highest voltage of the run"
    report.quantity_notes["no_load_current"] = [f"at {target:.1f} V, {why}"]
    voltage, current = seen.run.voltage[choice.full], seen.run.current[choice.full]
    if target > voltage.max():
        report.extrapolated["no_load_current"] = f"to {target:.1f} V from at most {voltage.max():.1f} V"
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
