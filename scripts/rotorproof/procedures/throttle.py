"""Throttle: the characteristic of a slow sweep, and how fast the output goes away when something breaks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..errors import FitError, Problem
from ..physics.characteristic import Characteristic, characteristic
from ..physics.response import Moment, Stop, largest_step, never_on, stop_after
from ._unsplit import Fit, Procedure
from .base import Axis, Condition, Log, Panel, Quantity, Series, Table
from .fit import Block

_SWEEP = "sweep"
#: Fault case as written in ``case`` -> the quantity that its response time is, its symbol, and what happens.
_FAULTS = {
    "signal open": ("response_signal_open", "t_open", "throttle signal wire opened"),
    "signal to supply": ("response_signal_to_supply", "t_supply", "throttle signal shorted to its supply (5 V)"),
    "signal to ground": ("response_signal_to_ground", "t_ground", "throttle signal shorted to ground"),
    "signal out of range": ("response_out_of_range", "t_range", "throttle signal outside its working range"),
    "throttle at power-on": ("response_power_on", "t_on", "power switched on with the throttle up: it must not start"),
    "sensor lost": ("response_sensor_lost", "t_sensor", "a position sensor disconnected while driving"),
}
_BRAKE = "brake"
_CASES = (_SWEEP, *_FAULTS, _BRAKE)
#: Outputs by preference: what the controller does, before what the vehicle does of it.
_OUTPUTS = (
    ("duty", Axis("Duty ratio", "ratio", "percent")),
    ("supply_current", Axis("Supply current", "current", "A")),
    ("speed", Axis("Speed", "speed", "rpm")),
)
#: An output that goes on is watched at least this long, so that the time watched is a failure under any sane limit.
_WATCHED = 5.0


class Throttle(Procedure):
    """One log per case: a slow sweep up and down, and one for each fault that is tried."""

    name = "throttle"
    title = "Throttle and faults"
    purpose = "See what the throttle does, and whether the motor stops when a wire breaks or a brake acts."
    unit_kinds = ("controller", "drive")
    required_columns = ("time", ("duty", "supply_current", "speed"))
    optional_columns = ("throttle", "brake", "supply_voltage")
    conditions = (
        Condition("case", "number", "what this log shows", required=True, choices=_CASES),
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
        *(quantity for quantity, _, _ in _FAULTS.values()),
        "fault_response_time",
        "fault_cases_without_stop",
        "brake_response_time",
    )
    quantities = (
        Quantity(
            "throttle_deadband",
            "Throttle dead band",
            "U_db",
            "voltage",
            "V",
            "range of the throttle signal from its released value to the start of the output",
            "dead band as in IEC 61298-2: range of the input without observable change of the output",
        ),
        Quantity(
            "throttle_start",
            "Throttle signal at start",
            "U_start",
            "voltage",
            "V",
            "signal at which the curve through 4 % to 50 % of the output meets zero, or the middle of a starting jump",
            "definition",
        ),
        Quantity(
            "throttle_full",
            "Throttle signal at full output",
            "U_full",
            "voltage",
            "V",
            "signal at which the curve through 50 % to 96 % of the output meets its end value",
            "definition",
        ),
        Quantity(
            "throttle_linearity",
            "Throttle linearity",
            "delta_lin",
            "ratio",
            "percent",
            "largest deviation of the output, in means over twentieths of the signal between start and end, from "
            "their line of least squares, by their span",
            "independent linearity as in IEC 61298-2 (from memory)",
        ),
        Quantity(
            "throttle_hysteresis",
            "Throttle hysteresis",
            "delta_hys",
            "ratio",
            "percent",
            "largest difference of the output between sweep up and sweep down at one signal, by its span",
            "hysteresis as in IEC 61298-2, dead band included",
        ),
        Quantity(
            "throttle_reversal",
            "Throttle reversal",
            "delta_rev",
            "ratio",
            "percent",
            "largest fall of the output while the signal rises, beyond its noise, by its span (0: monotonic)",
            "definition",
        ),
        Quantity(
            "throttle_step",
            "Largest throttle step",
            "delta_step",
            "ratio",
            "percent",
            "largest change of the output over one fortieth of the signal's range, by its span",
            "definition",
        ),
        *(
            Quantity(
                quantity,
                f"Response: {case}",
                symbol,
                "time",
                "s",
                f"time from the fault to the last reading with output: {what}",
                "definition; the output has ended at 5 % of its value before",
            )
            for case, (quantity, symbol, what) in _FAULTS.items()
        ),
        Quantity(
            "fault_response_time",
            "Longest fault response",
            "t_fault",
            "time",
            "s",
            "longest of the response times of all fault cases; given only where every case was tried",
            "definition",
        ),
        Quantity(
            "fault_cases_without_stop",
            "Fault cases without stop",
            "N_fault",
            "number",
            "1",
            "number of the tried fault and brake cases after which the output went on to the end of the log",
            "definition",
        ),
        Quantity(
            "brake_response_time",
            "Brake response",
            "t_brake",
            "time",
            "s",
            "time from the brake signal to the last reading with output",
            "definition; EN 15194 limits the distance instead (5 m with cut-off switches on the brakes)",
        ),
    )
    not_covered = (
        "No recording of a real controller is compared; sweeps and faults are drawn or simulated.",
        "A fall of the output within 1/150 of the sweep reads too small, since running means keep noise out: by "
        "0.9 % of the span on a straight characteristic.",
    )
    cautions = (
        "The motor may run away when its throttle signal is shorted to 5 V: lift and guard the wheel, keep a "
        "switch for the supply within reach, and let nobody stand in the plane of the wheel.",
        "Short the signal through 1 kOhm where the controller's maker does not allow a hard short.",
        "Disconnecting a sensor under load can pull high currents: use a current-limited supply.",
    )
    minimum_rows = 8
    combines = True
    order = 25

    def fit(self, logs: Sequence[Log], given: Mapping[str, float], near: Fit | None = None) -> Fit:
        """Fit the sweep and time the faults; each log by its case."""
        del given, near
        state = _State()
        for log in logs:
            case = _CASES[int(log.conditions["case"])]
            try:
                if case == _SWEEP:
                    _sweep(log, state)
                else:
                    _fault(log, case, state)
            except FitError as error:
                state.refused.setdefault(case, str(error))
        return _gathered(state, single=len(logs) == 1)

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the quantities; a response is its value with the errors of its sampling."""
        del given
        result = {name: value for name, value in parameters.items() if name in self.gives}
        if "throttle_start" in result and "released" in parameters:
            result["throttle_deadband"] = result["throttle_start"] - parameters["released"]
        for name in (*(quantity for quantity, _, _ in _FAULTS.values()), "brake_response_time"):
            if f"{name}/read" in parameters:
                result[name] = sum(v for key, v in parameters.items() if key.startswith(f"{name}/"))
        responses = [result[quantity] for quantity, _, _ in _FAULTS.values() if quantity in result]
        if len(responses) == len(_FAULTS):
            result["fault_response_time"] = max(responses)
        return result


class _State:
    """What the logs have given so far."""

    def __init__(self) -> None:
        self.blocks: list[Block] = []
        self.panels: list[Panel] = []
        self.notes: list[str] = []
        self.warnings: list[Problem] = []
        self.quantity_notes: dict[str, list[str]] = {}
        self.missing: dict[str, str] = {}
        self.refused: dict[str, str] = {}
        self.rows: list[list[str | float | int]] = []
        self.swept = False
        self.stops: dict[str, Stop] = {}

    def warn(self, message: str) -> None:
        self.warnings.append(Problem(message, severity="warning", procedure=Throttle.name))


def _output(log: Log) -> tuple[str, np.ndarray, Axis]:
    for name, axis in _OUTPUTS:
        if name in log:
            return name, log[name], axis
    raise FitError("the log has neither duty nor supply current nor speed")


def _one(label: str, name: str, value: float, u: float, dof: float) -> Block:
    return Block(label, {name: value}, np.array([[u * u]]), dof)


def _sweep(log: Log, state: _State) -> None:
    if state.swept:
        raise FitError("there are two sweeps; keep one, or give the second to another unit")
    if "throttle" not in log:
        raise FitError("the log of the sweep has no throttle column; record the throttle signal")
    name, output, axis = _output(log)
    # Speed follows the duty ratio with the motor's inertia; a characteristic needs it settled.
    found = characteristic(log["throttle"], output)
    state.swept = True
    lin, start, full = found.straight, found.start, found.full
    blocks = [
        _one(
            "scatter of the released signal",
            "released",
            found.released.value,
            found.released.standard_uncertainty,
            found.released.count - 1,
        ),
        _one("scatter of the sweep, start", "throttle_start", start.value, start.standard_uncertainty, start.count - 3),
        _one(
            "scatter of the sweep, linearity",
            "throttle_linearity",
            lin.value,
            lin.standard_uncertainty,
            float(found.bins.count.sum() - 2 * found.bins.count.size),
        ),
        _one("scatter of the sweep, reversal", "throttle_reversal", *found.reversal, float(start.count)),
        _one("scatter of the sweep, step", "throttle_step", *found.step, float(start.count)),
    ]
    if full is not None:
        blocks.append(
            _one("scatter of the sweep, end", "throttle_full", full.value, full.standard_uncertainty, full.count - 3)
        )
    else:
        state.missing["throttle_full"] = "the output still rises at the end of the sweep; sweep to the stop"
    if found.hysteresis is not None:
        blocks.append(
            _one("scatter of the sweep, hysteresis", "throttle_hysteresis", *found.hysteresis, float(start.count))
        )
    else:
        state.missing["throttle_hysteresis"] = "the log holds no sweep back down; release the throttle as slowly"
    state.blocks += blocks
    state.notes.append(
        f"Sweep by {axis.title.lower()}: released {found.released.value:.3f} V, start {start.value:.3f} V"
        + (f", full {full.value:.3f} V." if full else ".")
    )
    if name == "speed":
        state.notes.append("Speed stands for the output: it lags behind the throttle, so hysteresis holds the lag too.")
    state.panels.append(_panel(log, output, axis, found))


def _panel(log: Log, output: np.ndarray, axis: Axis, found: Characteristic) -> Panel:
    lin = found.straight
    keep = np.unique(np.linspace(0, output.size - 1, min(output.size, 1500)).astype(int))
    line = np.array([found.bins.input[0], found.bins.input[-1]])
    return Panel(
        "characteristic",
        "Output against throttle signal",
        Axis("Throttle signal", "voltage", "V"),
        axis,
        [
            Series("sweep", log["throttle"][keep], output[keep]),
            Series("line", line, lin.intercept + lin.slope * line, "fit"),
        ],
        "A dead band, then a straight rise without steps or reversals, then the end value.",
        residuals=[Series("deviation", found.bins.input, lin.deviations)],
        residual_axis=Axis("Deviation", axis.kind, axis.unit),
    )


def _fault(log: Log, case: str, state: _State) -> None:
    quantity = "brake_response_time" if case == _BRAKE else _FAULTS[case][0]
    if quantity in state.stops:
        raise FitError(f"the case {case!r} was recorded twice; keep one log of it")
    name, output, axis = _output(log)
    if name == "speed":
        raise FitError(
            "speed alone does not show when the output ended, since the wheel coasts; record supply current or duty"
        )
    time = log["time"]
    event = _event(log, case)
    if case == "throttle at power-on":
        found = never_on(time, output, event, 0.02 if name == "duty" else _started(log, output))
    else:
        found = stop_after(time, output, event)
    if not found.stopped and found.watched < _WATCHED:
        raise FitError(
            f"the output is still there at the end of the log, {found.watched:.2g} s after the event; record for "
            f"{_WATCHED:g} s after it, so that it is a result"
        )
    state.stops[quantity] = found
    widths = found.half_widths if found.stopped else ()
    if found.stopped:
        state.blocks.append(
            Block(f"response to {case}", {f"{quantity}/read": found.duration}, np.zeros((1, 1)), float("inf"))
        )
    if widths:
        edges = {f"{quantity}/edge_{n}": 0.0 for n in range(len(widths))}
        covariance = np.diag(np.array(widths) ** 2 / 3)
        state.blocks.append(Block(f"time between readings, {case}", edges, covariance, float("inf"), "rectangular"))
    if not found.stopped:
        # The time watched is a lower bound, and a bound must never pass for a response that keeps a limit.
        text = f"{case}: the output went on for all of the {found.watched:.1f} s recorded"
        state.missing[quantity] = f"{text}; this counts among fault_cases_without_stop"
        state.warn(text + ". Do not ride with this controller")
    if case == _BRAKE and found.stopped:
        distance = found.duration * 25 / 3.6
        state.quantity_notes.setdefault(quantity, []).append(
            f"At 25 km/h this is {distance:.2f} m; EN 15194 allows 5 m where all brakes carry cut-off switches."
        )
    shown = f"{found.duration:.3f}" if found.stopped else f"not within {found.watched:.1f}"
    state.rows.append([case, shown, "yes" if found.stopped else "no", axis.title])
    state.panels.append(_response_panel(time, output, event, case, axis))


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


def _started(log: Log, output: np.ndarray) -> float:
    """Return the supply current above which a motor is driven: half an ampere over the idle current."""
    del log
    return float(np.min(output)) + 0.5


def _response_panel(time: np.ndarray, output: np.ndarray, event: Moment, case: str, axis: Axis) -> Panel:
    keep = np.unique(np.linspace(0, output.size - 1, min(output.size, 1500)).astype(int))
    mark = np.array([event.time, event.time])
    return Panel(
        case.replace(" ", "-"),
        f"Output after: {case}",
        Axis("Time", "time", "s"),
        axis,
        [
            Series("output", time[keep], output[keep]),
            Series("event", mark, np.array([0.0, float(np.max(output))]), "limit"),
        ],
        "The output must go to zero soon after the event and stay there.",
    )


def _gathered(state: _State, *, single: bool) -> Fit:
    if single and state.refused:
        raise FitError(next(iter(state.refused.values())))
    missing = dict(state.missing)
    if not state.swept:
        reason = state.refused.get(_SWEEP, "no log with 'case: sweep' was recorded")
        for name in Throttle.gives[:7]:
            missing[name] = reason
    lacking = []
    for case, (quantity, _, _) in _FAULTS.items():
        if quantity not in state.stops:
            missing[quantity] = state.refused.get(case, f"the case {case!r} was not tried")
            lacking.append(case)
    if "brake_response_time" not in state.stops:
        missing["brake_response_time"] = state.refused.get(_BRAKE, "the case 'brake' was not tried")
    endless = [case for case, (quantity, _, _) in _FAULTS.items() if quantity in state.missing]
    if endless:
        missing["fault_response_time"] = f"the output never ended after: {', '.join(endless)}"
    elif lacking:
        missing["fault_response_time"] = f"not every fault case was tried; these lack: {', '.join(lacking)}"
    blocks = list(state.blocks)
    if state.stops:
        going_on = float(sum(not stop.stopped for stop in state.stops.values()))
        blocks.append(Block("count of cases", {"fault_cases_without_stop": going_on}, np.zeros((1, 1)), float("inf")))
    else:
        missing["fault_cases_without_stop"] = "no fault case was tried"
    tables = []
    if state.rows:
        tables.append(Table("Faults tried", ("case", "output ended after / s", "ended", "seen by"), state.rows))
    return Fit(
        blocks,
        panels=state.panels,
        tables=tables,
        notes=state.notes,
        warnings=state.warnings,
        missing=missing,
        quantity_notes=state.quantity_notes,
    )


PROCEDURE = Throttle()
