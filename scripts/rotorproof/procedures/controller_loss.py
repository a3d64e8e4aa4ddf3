"""Loss of a controller: direct current in, three phases out, and what it takes when it does nothing."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..errors import FitError
from ..physics.bridge_power import averages, samples_per_edge, three_phase_power, whole_periods
from ..physics.regression import Estimates, correlation_time, linear_fit
from .base import Axis, Condition, Lack, Log, Panel, Procedure, Quantity, Report, Series, Suspect
from .fit import Fit

_LINES = ("voltage_ab", "voltage_bc", "voltage_ca")
_PHASES = ("current_a", "current_b", "current_c")
_STATES = ("driving", "standby")
#: Points from which the input power is drawn as a curve over the output power.
_CURVE = 5
#: Power in over power out is compared between rows of more than this share of the median output, if there are so many;
#: a row is off by ten within this share of ten (common practice, no source).
_LIGHT, _FEWEST_ROWS, _NEAR_TEN = 0.08, 5, 0.2
#: Samples between two switching edges below which the sampled product is no longer trusted.
_FEW_SAMPLES = 8.0


@dataclass(frozen=True)
class _Record:
    """A waveform of one load: mean powers in W, electrical periods and their mean (s), samples between edges."""

    label: str
    input: float
    output: float
    periods: int
    period: float
    per_edge: float


@dataclass
class _Points:
    """Operating points: powers in W, covariance of each (input, output) pair from scatter, periods or readings."""

    output: list[float] = field(default_factory=list)
    input: list[float] = field(default_factory=list)
    covariance: list[np.ndarray] = field(default_factory=list)
    count: list[int] = field(default_factory=list)
    records: list[_Record] = field(default_factory=list)
    curve: Estimates | None = None


_GIVES = {"standby": ("standby_power",), "driving": ("controller_efficiency", "controller_loss")}


def _none_of(state: str) -> str:
    return f"no log with 'state: {state}' was recorded"


class ControllerLoss(Procedure):
    """Readings of a power analyser over several loads, or sampled waveforms at one load each; and a log at standby."""

    name = "controller-loss"
    title = "Controller loss"
    purpose = "Find the efficiency of the controller at rated output and the power it takes at standby."
    unit_kinds = ("controller", "drive")
    required_columns = ("supply_voltage", "supply_current")
    optional_columns = ("time", "phase_power", *_LINES, *_PHASES)
    conditions = (
        Condition("state", "number", "whether the log was taken driving or at standby", required=True, choices=_STATES),
    )
    gives = ("controller_efficiency", "controller_loss", "standby_power")
    # fmt: off
    quantities = (
        Quantity(
            "controller_efficiency", "Controller efficiency", "eta_c", "ratio", "percent",
            "power out of the three phases over power in from the supply, at rated output power, or at the highest "
            "output measured where that is lower or not stated",
            "definition; three-phase power by two wattmeters (Blondel's theorem)",
            key=7,
            least=0.0,
            most=1.0,
            impossible="more comes out than goes in: a unit, a probe or a phase of the wattmeter",
        ),
        Quantity(
            "controller_loss", "Controller loss", "P_loss", "power", "W",
            "power in less power out at the same point",
            "definition",
            reach="supply_voltage",
            least=0.0,
            impossible="output power read too large: a unit, a probe, or columns exchanged",
        ),
        Quantity(
            "standby_power", "Standby power", "P_0", "power", "W",
            "mean power from the supply with the controller switched on and the throttle released",
            "definition",
            key=10,
            least=0.0,
        ),
    )
    # fmt: on
    not_covered = (
        "Phase errors of current probes and the bandwidth of the instruments are the user's to state; no check "
        "covers them.",
        "No power analyser's readings of a real controller are compared.",
    )
    cautions = (
        "Measure current probes' zero before and after: at high efficiency the loss is a small difference of large "
        "powers.",
        "Use the same instrument range for all loads; voltage probes on the phases see the full supply within "
        "nanoseconds, so use probes rated and isolated for it.",
        "The motor turns under load: guard wheel and brake.",
    )
    minimum_rows = 5
    combines = True
    order = 65
    minutes = 60
    time_ordered = False

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what the state that no log shows would give."""
        there = {_STATES[int(log.conditions["state"])] for log in logs if "state" in log.conditions}
        return [Lack(_none_of(state), gives) for state, gives in _GIVES.items() if state not in there]

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: None) -> Fit:
        """Gather the operating points of all logs, and the standby power."""
        points, fit = _Points(), Fit()
        of_state = {state: [log for log in logs if _STATES[int(log.conditions["state"])] == state] for state in _STATES}
        if of_state["standby"]:
            _standby(of_state["standby"], fit)
        else:
            fit.missing["standby_power"] = _none_of("standby")
        for log in of_state["driving"]:
            (_table if "phase_power" in log else _waveform)(log, points)
        if points.output:
            _reference(points, given.get("nameplate_rated_power"), fit)
        else:
            fit.lacking(_GIVES["driving"], _none_of("driving"))
        fit.seen = points
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: None, fit: Fit) -> Report:
        """Show loss and efficiency over the output, and say what each waveform holds."""
        report, points = Report(), fit.seen
        for record in points.records:
            report.notes.append(
                f"{record.label}: {record.periods} electrical periods of {record.period * 1e3:.2f} ms, "
                f"{record.per_edge:.0f} samples between switching edges, {record.output:.1f} W out of "
                f"{record.input:.1f} W."
            )
            if record.per_edge < _FEW_SAMPLES:
                report.warn(
                    f"{record.label}: only {record.per_edge:.1f} samples lie between switching edges, so the power of "
                    "the phases hangs on where they fall; sample faster"
                )
        if points.curve is not None:
            _show_curve(points, points.curve, fit.parameters["reference_output"], report)
        elif len(points.output) > 1:
            report.notes.append(f"Fewer than {_CURVE} spread loads: the one of the highest output is given.")
        return report

    def suspects(self, columns: Mapping[str, np.ndarray]) -> Sequence[Suspect]:
        """Return the rows of a table whose power in over power out is ten times, or a tenth, of that of the others."""
        if "phase_power" not in columns or any(name not in columns for name in self.required_columns):
            return ()
        volt, ampere, out = (columns[name] for name in ("supply_voltage", "supply_current", "phase_power"))
        clear = np.abs(out) > _LIGHT * (float(np.median(np.abs(out))) if out.size else 0.0)
        if clear.sum() < _FEWEST_ROWS:
            return ()
        ratio = np.full(out.size, np.nan)
        ratio[clear] = volt[clear] * ampere[clear] / out[clear]
        off = ratio / np.nanmedian(ratio)
        found = []
        for row in np.flatnonzero(np.minimum(np.abs(off - 10.0) / 10.0, np.abs(off - 0.1) / 0.1) < _NEAR_TEN):
            # A supply keeps its voltage; of current and power the readings before and after tell nothing.
            steady = 0.5 < volt[row] / np.median(volt) < 2.0
            column = "supply_current" if steady else "supply_voltage"
            which = "supply current or phase power" if steady else "supply voltage"
            found.append(
                Suspect(
                    int(row),
                    column,
                    f"the power that goes in is {off[row]:.2g} times what the other rows lead to at this output: is a "
                    f"decimal of {which} wrong? Correct it if it is a slip",
                    f"reading {row + 1} of {which}",
                )
            )
        return found

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return efficiency and loss at the reference output."""
        result = super().derive(parameters, given)
        if "reference_output" in parameters:
            output = parameters["reference_output"]
            loss = parameters["c0"] + parameters["c1"] * output + parameters["c2"] * output**2
            result |= {"controller_loss": loss, "controller_efficiency": output / (output + loss)}
        elif "output_power" in parameters:
            output, power = parameters["output_power"], parameters["input_power"]
            result |= {"controller_loss": power - output, "controller_efficiency": output / power}
        return result


def _standby(logs: Sequence[Log], fit: Fit) -> None:
    power = np.concatenate([log["supply_voltage"] * log["supply_current"] for log in logs])
    time = correlation_time(power)
    variance = float(power.var(ddof=1)) * time / power.size
    freedom = max(power.size / time - 1, 1.0)
    fit.block("scatter of the standby power", {"standby_power": float(power.mean())}, variance, freedom)


def _table(log: Log, points: _Points) -> None:
    power = log["supply_voltage"] * log["supply_current"]
    for into, out in zip(power.tolist(), log["phase_power"].tolist(), strict=True):
        points.input.append(into)
        points.output.append(out)
        points.covariance.append(np.zeros((2, 2)))
        points.count.append(1)


def _waveform(log: Log, points: _Points) -> None:
    voltages = {name[-2:]: log[name] for name in _LINES if name in log}
    currents = {name[-1:]: log[name] for name in _PHASES if name in log}
    if "time" not in log or len(voltages) < 2 or len(currents) < 2:
        raise FitError(
            f"{log.label}: it has no phase_power, and for waveforms time, two line voltages and two phase currents are "
            "needed"
        )
    time = log["time"]
    if np.any(np.diff(time) <= 0):
        raise FitError(f"{log.label}: time must increase from row to row in a waveform")
    begins = whole_periods(next(iter(currents.values())))
    found = averages(time, log["supply_voltage"] * log["supply_current"], three_phase_power(voltages, currents), begins)
    k = found.length.size
    weight = found.length / found.length.sum()
    points.input.append(float(weight @ found.input))
    points.output.append(float(weight @ found.output))
    points.covariance.append(np.cov(np.stack([found.input, found.output])) / k)
    points.count.append(k)
    per_edge = samples_per_edge(next(iter(voltages.values())))
    mean = float(found.length.mean())
    points.records.append(_Record(log.label, points.input[-1], points.output[-1], k, mean, per_edge))


def _reference(points: _Points, rated: float | None, fit: Fit) -> None:
    output, into = np.array(points.output), np.array(points.input)
    if not (output > 0).any():
        raise FitError("no power came out of the phases; check the signs of the currents and the order of the phases")
    if np.any(output > 1.02 * into):
        raise FitError(
            "more power comes out of the phases than goes in; check scales and signs of voltages and currents"
        )
    top = int(np.argmax(output))
    if output.size < _CURVE or np.ptp(output) < 0.2 * output[top]:
        if points.count[top] < 2:
            raise FitError(
                f"{output.size} readings at {len(set(np.round(output)))} loads say nothing of their scatter; take "
                f"at least {_CURVE} loads spread from low to rated output"
            )
        values = {"input_power": float(into[top]), "output_power": float(output[top])}
        fit.block("scatter of the periods", values, points.covariance[top], points.count[top] - 1.0)
        return
    reference = min(rated, float(output[top])) if rated is not None and rated >= output.min() else float(output[top])
    # Rising loss: a part that is always there, one with the current (diodes, edges), one with its square (channels).
    points.curve = linear_fit(np.column_stack([np.ones_like(output), output, output**2]), into - output)
    fit.estimates("scatter of the loss curve", ("c0", "c1", "c2"), points.curve)
    fit.exact("reference output", reference_output=reference)
    rests = ("scatter of the loss curve",)
    fit.left("loss over output power", "W", into - output, points.curve, {"output_power": output}, blocks=rests)


def _show_curve(points: _Points, fitted: Estimates, reference: float, report: Report) -> None:
    output, into = np.array(points.output), np.array(points.input)
    top = float(output.max())
    report.notes.append(
        f"Loss as a curve of second order over the output, {output.size} points, residual {fitted.residual_sd:.2g} "
        f"W; read at {reference:.0f} W."
    )
    line = np.linspace(float(output.min()), top, 60)
    curve = fitted.values[0] + fitted.values[1] * line + fitted.values[2] * line**2
    positive = line > 0.02 * top
    report.panels += [
        Panel(
            "loss",
            "Loss over output power",
            Axis("Output power", "power", "W"),
            Axis("Loss", "power", "W"),
            [
                Series("measured", output, into - output, "measured", np.full(output.size, fitted.residual_sd)),
                Series("fit", line, curve, "fit"),
            ],
            "The loss rises from its standing part with the output.",
            residuals=[Series("residual", output, fitted.residuals)],
            residual_axis=Axis("Residual", "power", "W"),
        ),
        Panel(
            "efficiency",
            "Efficiency over output power",
            Axis("Output power", "power", "W"),
            Axis("Efficiency", "ratio", "percent"),
            [
                Series("measured", output[output > 0], (output / into)[output > 0]),
                Series("fit", line[positive], (line / (line + curve))[positive], "fit"),
            ],
            "Efficiency falls at low output, where the standing loss weighs most.",
        ),
    ]


PROCEDURE = ControllerLoss()
