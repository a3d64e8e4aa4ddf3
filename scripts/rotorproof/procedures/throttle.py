"""Throttle: the characteristic of a slow sweep, and how fast the output goes away when something breaks."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from ..physics.characteristic import Characteristic, characteristic
from ..physics.response import Moment, Stop, largest_step, level_before, never_on, settled_level, stop_after
from ..signs import number_text
from . import _fault_limits
from .base import Axis, Condition, Hint, Lack, Log, Panel, Procedure, Quantity, Report, Series, Table, drawn
from .fit import Fit

_SWEEP = "sweep"
#: Fault case as written in ``case`` -> the quantity that its response time is, its symbol, and what happens.
FAULTS = {
    "signal open": ("response_signal_open", "t_open", "throttle signal wire opened"),
    "signal to supply": ("response_signal_to_supply", "t_supply", "throttle signal shorted to its supply (5 V)"),
    "signal to ground": ("response_signal_to_ground", "t_ground", "throttle signal shorted to ground"),
    "signal out of range": ("response_out_of_range", "t_range", "throttle signal outside its working range"),
    "throttle at power-on": ("response_power_on", "t_on", "power switched on with the throttle up: it must not start"),
    "sensor lost": ("response_sensor_lost", "t_sensor", "a position sensor disconnected while driving"),
}
_BRAKE = "brake"
_CASES = (_SWEEP, *FAULTS, _BRAKE)
#: Outputs by preference: what the controller does, before what the vehicle does of it.
_OUTPUTS = (
    ("duty", Axis("Duty ratio", "ratio", "percent")),
    ("supply_current", Axis("Supply current", "current", "A")),
    ("speed", Axis("Speed", "speed", "rpm")),
)
#: What is left of a current on a rotor that comes to rest is standby up to this share of that before; a rotor that
#: keeps more than the other share of its speed is driven (common practice, no source).
_STANDBY_AT_REST, _STILL_DRIVEN = 0.8, 0.97
#: Where a bend begins is doubtful by this share of its width (of a cubic that touches the same line, the part that the
#: parabola takes for zero stays below a thousandth of the output; common practice, no source).
_OTHER_BEND = 0.1


@dataclass(frozen=True)
class Sweep:
    """The characteristic in one log, by the output on ``axis`` ``(n,)``."""

    log: Log
    output: np.ndarray
    axis: Axis
    found: Characteristic


@dataclass(frozen=True)
class Tried:
    """A fault that was tried: the output on ``axis`` ``(n,)``, when it happened, and how long the output went on."""

    case: str
    time: np.ndarray
    output: np.ndarray
    axis: Axis
    event: Moment
    stop: Stop
    idle: float
    stated: Mapping[str, float]

    @property
    def quantity(self) -> str:
        """Return the name of the response time."""
        return "brake_response_time" if self.case == _BRAKE else FAULTS[self.case][0]


class Throttle(Procedure):
    """One log per case: a slow sweep up and down, and one for each fault that is tried."""

    name = "throttle"
    title = "Throttle and faults"
    purpose = "See what the throttle does, and whether the motor stops when a wire breaks or a brake acts."
    unit_kinds = ("controller", "drive")
    required_columns = ("time", ("duty", "supply_current", "speed"))
    optional_columns = ("throttle", "brake", "supply_voltage", "torque")
    conditions = (
        Condition("case", "number", "what this log shows", required=True, choices=_CASES),
        Condition("standby_current", "current", "current the controller takes with the motor off, in a fault case"),
        Condition("event_time", "time", "time in the log at which the fault was applied, where no column shows it"),
    )
    gives = (
        "throttle_deadband",
        "throttle_start",
        "throttle_full",
        "throttle_linearity",
        "throttle_hysteresis",
        "throttle_reversal",
        "throttle_step",
        *(quantity for quantity, _, _ in FAULTS.values()),
        "fault_response_time",
        "fault_cases_without_stop",
        "brake_response_time",
    )
    # fmt: off
    quantities = (
        Quantity(
            "throttle_deadband", "Throttle dead band", "U_db", "voltage", "V",
            "range of the throttle signal from its released value to where the output first leaves zero, at the foot "
            "of a parabola where the curve begins with a bend",
            "dead band as in IEC 61298-2: range of the input without observable change of the output",
            no_bound="below zero the output is on with the throttle released: the fault that it looks for",
        ),
        Quantity(
            "throttle_start", "Throttle signal at start", "U_th_start", "voltage", "V",
            "signal at which the curve through 4 % to 50 % of the output meets zero, or the middle of a starting jump",
            "definition",
            no_bound="a signal may lie to either side of its ground",
        ),
        Quantity(
            "throttle_full", "Throttle signal at full output", "U_th_full", "voltage", "V",
            "signal at which the curve through 50 % to 96 % of the output meets its end value",
            "definition",
            no_bound="a signal may lie to either side of its ground",
        ),
        Quantity(
            "throttle_linearity", "Throttle linearity", "delta_lin", "ratio", "percent",
            "largest deviation of the output, in means over twentieths of the signal between start and end, from "
            "their line of least squares, by their span",
            "independent linearity as in IEC 61298-2",
            basis="memory",
            least=0.0,
        ),
        Quantity(
            "throttle_hysteresis", "Throttle hysteresis", "delta_hys", "ratio", "percent",
            "largest difference of the output between sweep up and sweep down at one signal, by its span",
            "hysteresis as in IEC 61298-2, dead band included",
            least=0.0,
        ),
        Quantity(
            "throttle_reversal", "Throttle reversal", "delta_rev", "ratio", "percent",
            "largest fall of the output while the signal rises, beyond its noise, by its span (0: monotonic)",
            "definition",
            least=0.0,
        ),
        Quantity(
            "throttle_step", "Largest throttle step", "delta_step", "ratio", "percent",
            "largest change of the output over one fortieth of the signal's range, by its span",
            "definition",
            least=0.0,
        ),
        *(
            Quantity(
                quantity, f"Response: {case}", symbol, "time", "s",
                f"time from the fault to the last reading with output: {what}",
                "definition; the output has ended at a share of its value before, standby subtracted: 5 % where the "
                "acceptance set states no other ('fault_tests')",
                least=0.0,
            )
            for case, (quantity, symbol, what) in FAULTS.items()
        ),
        Quantity(
            "fault_response_time", "Longest fault response", "t_fault", "time", "s",
            "longest of the response times of all fault cases; given only where every case was tried",
            "definition",
            remedy="replace the controller, or its firmware if its maker has a cure",
            least=0.0,
        ),
        Quantity(
            "fault_cases_without_stop", "Fault cases without stop", "N_fault", "number", "1",
            "number of the tried fault and brake cases after which the output went on to the end of the log",
            "definition",
            least=0.0,
            whole=True,
        ),
        Quantity(
            "brake_response_time", "Brake response", "t_brake", "time", "s",
            "time from the brake signal to the last reading with output",
            "definition; EN 15194 limits the distance instead (5 m with cut-off switches on the brakes)",
            remedy="look at the brake switch and its wiring, then try the case again",
            least=0.0,
        ),
    )
    # fmt: on
    not_covered = (
        "No recording of a real controller is compared; sweeps and faults are drawn or simulated.",
        "A fall of the output within 1/150 of the sweep reads too small, since running means keep noise out: by "
        "0.9 % of the span on a straight characteristic.",
    )
    cautions = (
        "The motor may run away when its throttle signal is shorted to 5 V: lift and guard the wheel, keep a "
        "switch for the supply within reach, and let nobody stand in the plane of the wheel.",
        "Short the signal through 1 kΩ where the controller's maker does not allow a hard short.",
        "Disconnecting a sensor under load can pull high currents: use a current-limited supply.",
    )
    minimum_rows = 8
    combines = True
    order = 25
    minutes = 15

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what the cases that no log shows would give."""
        tried = {_CASES[int(log.conditions["case"])] for log in logs if "case" in log.conditions}
        found = [] if _SWEEP in tried else [Lack(_NO_SWEEP, self.gives[:7])]
        if not tried - {_SWEEP}:
            return [*found, Lack(_NONE_TRIED, self.gives[7:])]
        untried = [case for case in FAULTS if case not in tried]
        found += [Lack(_not_tried(case), (FAULTS[case][0],)) for case in untried]
        if _BRAKE not in tried:
            found.append(Lack(_not_tried(_BRAKE), ("brake_response_time",)))
        return [*found, Lack(_not_all_tried(untried), ("fault_response_time",))] if untried else found

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> dict[str, bool]:
        """Decide once, on the readings as they are, in which cases the output ended: a count has no scatter."""
        ended = {}
        for log in logs:
            case = _CASES[int(log.conditions["case"])]
            if case == _SWEEP:
                continue
            try:
                ended[case] = _stop(log, case, _fault_limits.of(given))[1].stopped
            except FitError:
                continue  # said when it is estimated
        return ended

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Mapping[str, bool]) -> Fit:
        """Fit the sweep and time the faults; each log by its case."""
        fit = Fit(seen={})
        refused: dict[str, str] = {}
        for log in logs:
            case = _CASES[int(log.conditions["case"])]
            try:
                if case in fit.seen:
                    raise FitError(
                        "there are two sweeps; keep one, or give the second to another unit"
                        if case == _SWEEP
                        else f"the case {case!r} was recorded twice; keep one log of it"
                    )
                limits = _fault_limits.of(given)
                fit.seen[case] = _sweep(log, fit) if case == _SWEEP else _fault(log, case, choice, limits, fit)
            except FitError as error:
                refused.setdefault(case, str(error))
        if len(logs) == 1 and refused:
            raise FitError(next(iter(refused.values())))
        _lacking(fit, refused)
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Mapping[str, bool], fit: Fit) -> Report:
        """Show the characteristic and each fault that was tried."""
        report, rows = Report(), []
        for case, seen in fit.seen.items():
            if case == _SWEEP:
                _show_sweep(seen, report)
                continue
            stop = seen.stop
            if not stop.stopped:
                report.warn(f"do not ride with this controller: {_goes_on(seen)}", danger=True)
                report.hints.append(
                    Hint(
                        "fault_cases_without_stop",
                        f"in the case '{case}' the output never ended",
                        "do not power it with a wheel on the ground; replace the controller, or its firmware if its "
                        "maker has a cure, then try every case again",
                    )
                )
            elif case == _BRAKE:
                report.quantity_notes[seen.quantity] = [
                    f"At 25 km/h this is {stop.duration * 25 / 3.6:.2f} m; EN 15194 allows 5 m where all brakes carry "
                    "cut-off switches."
                ]
            if stop.stopped and seen.idle > 0 and "standby_current" not in seen.stated:
                report.quantity_notes[seen.quantity] = [
                    *report.quantity_notes.get(seen.quantity, []),
                    f"The current stays at {number_text(seen.idle, '.2g')} A to the end, taken as the controller's "
                    f"standby; "
                    "state 'standby_current', or log duty, torque or speed, to be sure.",
                ]
            shown = f"{stop.duration:.3f}" if stop.stopped else f"not within {stop.watched:.1f}"
            rows.append([case, shown, "yes" if stop.stopped else "no", seen.axis.title])
            report.panels.append(_response_panel(seen))
        if rows:
            report.notes.append(_fault_limits.note(given))
            report.tables.append(Table("Faults tried", ("case", "output ended after / s", "ended", "seen by"), rows))
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the quantities; a response is its value with the errors of its sampling."""
        result = super().derive(parameters, given)
        for name in ("released", "onset", "bend", "bend/doubt"):
            result.pop(name, None)
        if "onset" in parameters and "released" in parameters:
            onset = parameters["onset"] + parameters["bend/doubt"]
            result["throttle_deadband"] = onset - parameters["released"]
        for name in (*(quantity for quantity, _, _ in FAULTS.values()), "brake_response_time"):
            if f"{name}/read" in parameters:
                result[name] = sum(v for key, v in parameters.items() if key.startswith(f"{name}/"))
        responses = [result[quantity] for quantity, _, _ in FAULTS.values() if quantity in result]
        if len(responses) == len(FAULTS):
            result["fault_response_time"] = max(responses)
        return result


def _output(log: Log) -> tuple[str, np.ndarray, Axis]:
    for name, axis in _OUTPUTS:
        if name in log:
            return name, log[name], axis
    raise FitError("the log has neither duty nor supply current nor speed")


def _sweep(log: Log, fit: Fit) -> Sweep:
    if "throttle" not in log:
        raise FitError("the log of the sweep has no throttle column; record the throttle signal")
    _, output, axis = _output(log)
    # Speed follows the duty ratio with the motor's inertia; a characteristic needs it settled.
    found = characteristic(log["throttle"], output)
    lin, start, full, released = found.straight, found.start, found.full, found.released

    def add(what: str, name: str, value: float, u: float, dof: float) -> None:
        fit.block(f"scatter of the {what}", {name: value}, u * u, dof)

    add("released signal", "released", released.value, released.standard_uncertainty, released.count - 1)
    add("sweep, start", "throttle_start", start.value, start.standard_uncertainty, start.count - 3)
    bend = {"onset": found.bend.onset, "bend": found.bend.width}
    fit.block("scatter of the sweep, bend at the start", bend, found.bend.covariance, found.bend.count - 4.0)
    # The foot of a parabola is not seen: a bend of another shape leaves zero a little sooner or later.
    # Where no bend is seen, scatter may hide one.
    doubt = (_OTHER_BEND * found.bend.width + found.bend.hidden) ** 2 / 3.0
    fit.block("shape of the bend at the start", {"bend/doubt": 0.0}, doubt, distribution="rectangular")
    freedom = float(found.bins.count.sum() - 2 * found.bins.count.size)
    add("sweep, linearity", "throttle_linearity", lin.value, lin.standard_uncertainty, freedom)
    add("sweep, reversal", "throttle_reversal", *found.reversal, float(start.count))
    add("sweep, step", "throttle_step", *found.step, float(start.count))
    if full is None:
        fit.missing["throttle_full"] = "the output still rises at the end of the sweep; sweep to the stop"
    else:
        add("sweep, end", "throttle_full", full.value, full.standard_uncertainty, full.count - 3)
    if found.hysteresis is None:
        fit.missing["throttle_hysteresis"] = "the log holds no sweep back down; release the throttle as slowly"
    else:
        add("sweep, hysteresis", "throttle_hysteresis", *found.hysteresis, float(start.count))
    return Sweep(log, output, axis, found)


def _show_sweep(seen: Sweep, report: Report) -> None:
    axis, found, lin = seen.axis, seen.found, seen.found.straight
    report.notes.append(
        f"Sweep by {axis.title.lower()}: released {found.released.value:.3f} V, start {found.start.value:.3f} V"
        + (f", full {found.full.value:.3f} V" if found.full else "")
        + (
            f"; it begins at {found.bend.onset:.3f} V with a bend of {found.bend.width:.2f} V."
            if found.bend.width
            else "."
        )
    )
    if axis.kind == "speed":
        report.notes.append(
            "Speed stands for the output: it lags behind the throttle, so hysteresis holds the lag too."
        )
    keep = drawn(seen.output.size)
    line = np.array([found.bins.input[0], found.bins.input[-1]])
    report.panels.append(
        Panel(
            "characteristic",
            "Output against throttle signal",
            Axis("Throttle signal", "voltage", "V"),
            axis,
            [
                Series("sweep", seen.log["throttle"][keep], seen.output[keep]),
                Series("line", line, lin.intercept + lin.slope * line, "fit"),
            ],
            "A dead band, then a straight rise without steps or reversals, then the end value.",
            residuals=[Series("deviation", found.bins.input, lin.deviations)],
            residual_axis=Axis("Deviation", axis.kind, axis.unit),
        )
    )


def _fault_output(log: Log) -> tuple[str, np.ndarray, Axis]:
    """Return what shows that the motor is driven: its torque, else what the controller does, never speed alone."""
    if "torque" in log:
        return "torque", np.abs(log["torque"]), Axis("Torque", "torque", "N m")
    name, output, axis = _output(log)
    if name == "speed":
        raise FitError(
            "speed alone does not show when the output ended, since the wheel coasts; record supply current or duty"
        )
    return name, output, axis


def _idle(log: Log, name: str, output: np.ndarray, event: Moment, limits: Mapping[str, float]) -> float:
    """Return what is no output: the standby current, as stated or as the log itself shows it at its end; else 0."""
    if name != "supply_current":
        return 0.0
    if "standby_current" in log.conditions:
        return log.conditions["standby_current"]
    time, settled = log["time"], settled_level(log["time"], output, event)
    before = level_before(time, output, event)
    if settled is None or settled <= limits["ended_share"] * before:
        return 0.0
    most = limits["standby_share"]
    if "speed" in log:
        speed = np.abs(log["speed"])
        was, left = level_before(time, speed, event), float(np.median(speed[-max(3, speed.size // 50) :]))
        # A rotor that comes to rest is not driven, whatever current is left; one that keeps its speed is.
        most = _STANDBY_AT_REST if left < limits["coasted_share"] * was else 0.0 if left > _STILL_DRIVEN * was else most
    return settled if settled <= most * before else 0.0


def _stop(log: Log, case: str, limits: Mapping[str, float]) -> tuple[Moment, Stop, float]:
    name, output, _ = _fault_output(log)
    time, event = log["time"], _event(log, case)
    if case == "throttle at power-on":
        quiet = {
            "duty": limits["driven_share"],
            "torque": limits["driven_share"] * float(np.max(output)),
            "supply_current": float(np.min(output)) + limits["driven_current"],
        }
        return event, never_on(time, output, event, quiet[name]), 0.0
    idle = _idle(log, name, output, event, limits)
    return event, stop_after(time, output, event, limits["ended_share"], idle), idle


def _fault(log: Log, case: str, ended: Mapping[str, bool], limits: Mapping[str, float], fit: Fit) -> Tried:
    _, output, axis = _fault_output(log)
    time = log["time"]
    event, found, idle = _stop(log, case, limits)
    # Whether the output ended is decided once; an error of the meter moves when, not whether.
    if ended.get(case, found.stopped) != found.stopped:
        found = replace(found, stopped=ended[case])
    # So that the time watched is a failure under any sane limit.
    if not found.stopped and found.watched < limits["watched"]:
        raise FitError(
            f"the output is still there at the end of the log, {found.watched:.2g} s after the event; record for "
            f"{limits['watched']:g} s after it, so that it is a result"
        )
    tried = Tried(case, time, output, axis, event, found, idle, log.conditions)
    if not found.stopped:
        # The time watched is a lower bound, and a bound must never pass for a response that keeps a limit.
        fit.missing[tried.quantity] = f"{_goes_on(tried)}; this counts among the fault cases without stop"
        return tried
    fit.exact(f"response to {case}", **{f"{tried.quantity}/read": found.duration})
    if found.half_widths:
        edges = {f"{tried.quantity}/edge_{n}": 0.0 for n in range(len(found.half_widths))}
        variances = np.diag(np.array(found.half_widths) ** 2 / 3)
        fit.block(f"time between readings, {case}", edges, variances, distribution="rectangular")
    return tried


def _goes_on(tried: Tried) -> str:
    return f"{tried.case}: the output went on for all of the {tried.stop.watched:.1f} s recorded"


def _event(log: Log, case: str) -> Moment:
    if "event_time" in log.conditions:
        return Moment(log.conditions["event_time"], 0.0)
    time = log["time"]
    if case == _BRAKE and "brake" in log:
        return largest_step(time, log["brake"])
    if case == "throttle at power-on" and "supply_voltage" in log:
        return largest_step(time, log["supply_voltage"])
    if case.startswith("signal") and "throttle" in log:
        return largest_step(time, log["throttle"])
    raise FitError(f"{case}: no column shows when it happened; state it as the condition 'event_time'")


def _response_panel(tried: Tried) -> Panel:
    keep, output = drawn(tried.output.size), tried.output
    mark = np.array([tried.event.time, tried.event.time])
    ended = tried.stop.stopped
    return Panel(
        tried.case.replace(" ", "-"),
        f"Output after: {tried.case}" if ended else f"FAILS. Output after: {tried.case}",
        Axis("Time", "time", "s"),
        tried.axis,
        [
            Series("output" if ended else "output, which never ended", tried.time[keep], output[keep]),
            Series("event", mark, np.array([0.0, float(np.max(output))]), "limit"),
        ],
        "The output must go to zero soon after the event and stay there."
        if ended
        else f"The output went on for all of the {tried.stop.watched:.1f} s recorded after the event.",
    )


_NO_SWEEP = "no log with 'case: sweep' was recorded"
_NONE_TRIED = "no fault case was tried"


def _not_tried(case: str) -> str:
    return f"the case {case!r} was not tried"


def _not_all_tried(untried: Sequence[str]) -> str:
    return f"not every fault case was tried; these lack: {', '.join(untried)}"


def _lacking(fit: Fit, refused: Mapping[str, str]) -> None:
    """Count the cases without stop, and say which cases were not tried or not understood."""
    endless = [case for case, (quantity, _, _) in FAULTS.items() if quantity in fit.missing]
    if _SWEEP not in fit.seen:
        fit.lacking(Throttle.gives[:7], refused.get(_SWEEP, _NO_SWEEP))
    untried = [case for case in FAULTS if case not in fit.seen]
    for case in untried:
        fit.missing[FAULTS[case][0]] = refused.get(case, _not_tried(case))
    if _BRAKE not in fit.seen:
        fit.missing["brake_response_time"] = refused.get(_BRAKE, _not_tried(_BRAKE))
    if endless:
        fit.missing["fault_response_time"] = f"the output never ended after: {', '.join(endless)}"
    elif untried:
        fit.missing["fault_response_time"] = _not_all_tried(untried)
    stops = [seen.stop for case, seen in fit.seen.items() if case != _SWEEP]
    if stops:
        fit.exact("count of cases", fault_cases_without_stop=float(sum(not stop.stopped for stop in stops)))
    else:
        fit.missing["fault_cases_without_stop"] = _NONE_TRIED


PROCEDURE = Throttle()
