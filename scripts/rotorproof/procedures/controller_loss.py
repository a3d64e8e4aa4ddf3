"""Loss of a controller: direct current in, three phases out, and what it takes when it does nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..errors import FitError, Problem
from ..physics.bridge_power import averages, samples_per_edge, three_phase_power, whole_periods
from ..physics.regression import correlation_time, linear_fit
from ._unsplit import Fit, Procedure
from .base import Axis, Condition, Log, Panel, Quantity, Series
from .fit import Block

_LINES = ("voltage_ab", "voltage_bc", "voltage_ca")
_PHASES = ("current_a", "current_b", "current_c")
_STATES = ("driving", "standby")
#: Points from which the input power is drawn as a curve over the output power.
_CURVE = 5
#: Samples between two switching edges below which the sampled product is no longer trusted.
_FEW_SAMPLES = 8.0


@dataclass
class _Points:
    """Operating points: powers in W, covariance of each (input, output) pair from scatter, periods or readings."""

    output: list[float] = field(default_factory=list)
    input: list[float] = field(default_factory=list)
    covariance: list[np.ndarray] = field(default_factory=list)
    count: list[int] = field(default_factory=list)


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
    quantities = (
        Quantity(
            "controller_efficiency",
            "Controller efficiency",
            "eta_c",
            "ratio",
            "percent",
            "power out of the three phases over power in from the supply, at rated output power, or at the highest "
            "output measured where that is lower or not stated",
            "definition; three-phase power by two wattmeters (Blondel's theorem)",
        ),
        Quantity(
            "controller_loss",
            "Controller loss",
            "P_loss",
            "power",
            "W",
            "power in less power out at the same point",
            "definition",
        ),
        Quantity(
            "standby_power",
            "Standby power",
            "P_0",
            "power",
            "W",
            "mean power from the supply with the controller switched on and the throttle released",
            "definition",
        ),
    )
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
    time_ordered = False

    def fit(self, logs: Sequence[Log], given: Mapping[str, float], near: Fit | None = None) -> Fit:
        """Gather the operating points of all logs, and the standby power."""
        del near
        points = _Points()
        notes: list[str] = []
        warnings: list[Problem] = []
        blocks: list[Block] = []
        missing: dict[str, str] = {}
        standby = [log for log in logs if _STATES[int(log.conditions["state"])] == "standby"]
        if standby:
            blocks.append(_standby(standby))
        else:
            missing["standby_power"] = "no log with 'state: standby' was recorded"
        for log in logs:
            if log in standby:
                continue
            if "phase_power" in log:
                _table(log, points)
            else:
                _waveform(log, points, notes, warnings)
        panels: list[Panel] = []
        if points.output:
            blocks += _reference(points, given.get("nameplate_rated_power"), notes, panels)
        else:
            for name in ("controller_efficiency", "controller_loss"):
                missing[name] = "no log with 'state: driving' was recorded"
        return Fit(blocks, panels=panels, notes=notes, warnings=warnings, missing=missing)

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return efficiency and loss at the reference output."""
        del given
        result = {}
        if "standby_power" in parameters:
            result["standby_power"] = parameters["standby_power"]
        if "reference_output" in parameters:
            output = parameters["reference_output"]
            loss = parameters["c0"] + parameters["c1"] * output + parameters["c2"] * output**2
            result |= {"controller_loss": loss, "controller_efficiency": output / (output + loss)}
        elif "output_power" in parameters:
            output, power = parameters["output_power"], parameters["input_power"]
            result |= {"controller_loss": power - output, "controller_efficiency": output / power}
        return result


def _standby(logs: Sequence[Log]) -> Block:
    power = np.concatenate([log["supply_voltage"] * log["supply_current"] for log in logs])
    time = correlation_time(power)
    n = power.size
    variance = float(power.var(ddof=1)) * time / n
    return Block(
        "scatter of the standby power",
        {"standby_power": float(power.mean())},
        np.array([[variance]]),
        max(n / time - 1, 1.0),
    )


def _table(log: Log, points: _Points) -> None:
    power = log["supply_voltage"] * log["supply_current"]
    for into, out in zip(power.tolist(), log["phase_power"].tolist(), strict=True):
        points.input.append(into)
        points.output.append(out)
        points.covariance.append(np.zeros((2, 2)))
        points.count.append(1)


def _waveform(log: Log, points: _Points, notes: list[str], warnings: list[Problem]) -> None:
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
    notes.append(
        f"{log.label}: {k} electrical periods of {found.length.mean() * 1e3:.2f} ms, {per_edge:.0f} samples between "
        f"switching edges, {points.output[-1]:.1f} W out of {points.input[-1]:.1f} W."
    )
    if per_edge < _FEW_SAMPLES:
        warnings.append(
            Problem(
                f"{log.label}: only {per_edge:.1f} samples lie between switching edges, so the power of the phases "
                "hangs on where they fall; sample faster",
                severity="warning",
                procedure=ControllerLoss.name,
            )
        )


def _reference(points: _Points, rated: float | None, notes: list[str], panels: list[Panel]) -> list[Block]:
    output, into = np.array(points.output), np.array(points.input)
    if not (output > 0).any():
        raise FitError("no power came out of the phases; check the signs of the currents and the order of the phases")
    if np.any(output > 1.02 * into):
        raise FitError(
            "more power comes out of the phases than goes in; check scales and signs of voltages and currents"
        )
    top = int(np.argmax(output))
    if output.size < _CURVE or np.ptp(output) < 0.2 * output[top]:
        if output.size > 1:
            notes.append(f"Fewer than {_CURVE} spread loads: the one of the highest output is given.")
        if points.count[top] < 2:
            raise FitError(
                f"{output.size} readings at {len(set(np.round(output)))} loads say nothing of their scatter; take "
                f"at least {_CURVE} loads spread from low to rated output"
            )
        values = {"input_power": float(into[top]), "output_power": float(output[top])}
        return [Block("scatter of the periods", values, points.covariance[top], float(points.count[top] - 1))]
    reference = min(rated, float(output[top])) if rated is not None and rated >= output.min() else float(output[top])
    # Rising loss: a part that is always there, one with the current (diodes, edges), one with its square (channels).
    fitted = linear_fit(np.column_stack([np.ones_like(output), output, output**2]), into - output)
    notes.append(
        f"Loss as a curve of second order over the output, {output.size} points, residual {fitted.residual_sd:.2g} "
        f"W; read at {reference:.0f} W."
    )
    names = ("c0", "c1", "c2")
    line = np.linspace(float(output.min()), float(output[top]), 60)
    curve = fitted.values[0] + fitted.values[1] * line + fitted.values[2] * line**2
    positive = line > 0.02 * output[top]
    panels += [
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
    return [
        Block(
            "scatter of the loss curve",
            dict(zip(names, fitted.values.tolist(), strict=True)),
            fitted.covariance,
            fitted.degrees_of_freedom,
        ),
        Block("reference output", {"reference_output": reference}, np.zeros((1, 1)), float("inf")),
    ]


PROCEDURE = ControllerLoss()
