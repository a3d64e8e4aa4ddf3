"""What the gate-timing procedure estimates from reduced captures, part by part (shown by ``_gate_views``)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import sampling
from ..physics.commutation import Commutation, judge
from ..physics.linearity import Linearity, levels, linearity
from ..physics.six_step import table_code
from .base import Axis, Log
from .fit import Fit

_BIPOLAR = 0b1111


@dataclass(frozen=True)
class Seen:
    """What the report shows; ``None`` where these captures do not give it. ``duty``: its points and their line."""

    dead: sampling.Shortest | None
    period: sampling.Period | None
    commutation: Commutation | None
    duty: tuple[np.ndarray, np.ndarray, np.ndarray, Axis, Linearity] | None


def sampled(prefix: str, found: sampling.Shortest, fit: Fit) -> None:
    """Add a time read by a sample clock as its value and its rectangular errors of resolution."""
    edges = {f"{prefix}_edge_{n}": 0.0 for n in range(len(found.half_widths))}
    fit.exact(f"{prefix} time as read", **{f"{prefix}_read": found.value})
    variances = np.diag(np.array(found.half_widths) ** 2 / 3)
    fit.block("resolution of the sample clock", edges, variances, distribution="rectangular")


def interval(logs: Sequence[Log]) -> float:
    """Return the longest time between two samples, in s."""
    return max(float(log["sample_interval"][0]) for log in logs)


def pooled(logs: Sequence[Log], column: str) -> tuple[np.ndarray, np.ndarray]:
    """Return values of all captures and how often each was seen."""
    return tuple(np.concatenate([log[name] for log in logs]) for name in (column, f"{column}_count"))  # type: ignore[return-value]


def check_levels(logs: Sequence[Log]) -> None:
    """Raise ``FitError`` where a gate signal is upside down or none ever turned on."""
    for log in logs:
        share = log["leg_overlap_time"] / log["span"][0]
        leg = int(np.argmax(share))
        if share[leg] > 0.2:
            raise FitError(
                f"{log.label}: both gates of leg {'ABC'[leg]} read as on for {share[leg] * 100:.0f} % of the time, "
                "which no bridge survives; a gate signal is active-low, so set 'invert: true' for it in the layout"
            )
        if not np.any(log["gate_on_time"] > 0):
            raise FitError(f"{log.label}: no gate ever turned on; capture while the controller drives the motor")


def dead_time(logs: Sequence[Log], fit: Fit) -> sampling.Shortest | None:
    """Find the shortest dead time over all captures and edges."""
    best: sampling.Shortest | None = None
    for log in logs:
        for group in np.unique(log["dead_time_group"]):
            mine = log["dead_time_group"] == group
            found = sampling.shortest(
                log["dead_time"][mine], log["dead_time_count"][mine], float(log["sample_interval"][0])
            )
            if best is None or found.value < best.value:
                best = found
    if best is None:
        fit.missing["dead_time_min"] = (
            "the switches of one leg never follow each other within 20 µs: the bridge is not switched complementary "
            "at this load, so there is no dead time to measure"
        )
    else:
        sampled("dead", best, fit)
    return best


def pwm(logs: Sequence[Log], fit: Fit) -> sampling.Period | None:
    """Find the switching period and its jitter."""
    try:
        spread = sampling.period(*pooled(logs, "pwm_period"), sum(float(log["span"][0]) for log in logs))
    except FitError as error:
        fit.lacking(("pwm_frequency", "pwm_jitter"), str(error))
        return None
    freedom = float(spread.count - 1)
    fit.block("scatter of the switching period", {"period": spread.mean}, spread.standard_error**2, freedom)
    found = sampling.jitter(spread, interval(logs))
    if found is None:
        fit.missing["pwm_jitter"] = (
            f"the period scatters by {spread.standard_deviation * 1e9:.3g} ns, no more than the sample clock of "
            f"{interval(logs) * 1e9:.3g} ns makes it; capture faster to see less"
        )
    else:
        fit.block("scatter of the switching jitter", {"pwm_jitter": found[0]}, found[1] ** 2, freedom)
    return spread


def states(logs: Sequence[Log]) -> np.ndarray:
    """Return how many sectors of each sensor code were driven in each state ``(8, 8)``."""
    return np.asarray(np.sum([log["state_table"] for log in logs], axis=0).reshape(8, 8))


def dropouts(logs: Sequence[Log]) -> float:
    """Return how often conduction ceased between driven sectors."""
    return sum(float(log["dropout_total"][0]) for log in logs)


def commutation(logs: Sequence[Log], fit: Fit) -> Commutation | None:
    """Judge the sectors by the six-step rule, and time the steps."""
    table = states(logs)
    found = judge(table, np.sum([log["sensor_steps"] for log in logs], axis=0).reshape(8, 8))
    glitches = sum(float(log["glitch_total"][0]) for log in logs)
    fit.exact("count of disturbances", sensor_disturbances=glitches)
    reason = ""
    if found.all_legs > 0.5 * table.sum() and table.sum() > 0:
        reason = "all three legs are switched at once (sine or space-vector drive), so there is no commutation table"
    elif found.judged < 12:
        reason = (
            f"only {found.judged} whole sensor sectors with conduction were captured; capture at least two electrical "
            "turns under drive"
        )
    if reason:
        fit.lacking(("commutation_errors", "controller_table", "commutation_delay"), reason)
        return None
    fit.exact("count of commutation errors", commutation_errors=found.errors + dropouts(logs))
    code = table_code({sensors: state - 1 for sensors, state in found.table.items()})
    fit.exact("commutation table", controller_table=float(code))
    values, counts = pooled(logs, "commutation_delay")
    n = float(counts.sum())
    if n < 6:
        fit.missing["commutation_delay"] = "fewer than six steps from one state to its neighbour were captured"
        return found
    mean = float(np.sum(values * counts) / n)
    variance = max(float(np.sum(counts * (values - mean) ** 2) / (n - 1)), interval(logs) ** 2 / 6)
    fit.block("scatter of the commutation delay", {"commutation_delay": mean}, variance / n, n - 1)
    return found


def duty(logs: Sequence[Log], fit: Fit) -> tuple[np.ndarray, np.ndarray, np.ndarray, Axis, Linearity] | None:
    """Find how far the duty ratio departs from a straight line over its command."""
    x, y, error, axis = _duty_points(logs)
    if int(np.argmax(np.sum([log["scheme_count"] for log in logs], axis=0))) == _BIPOLAR:
        fit.missing["duty_linearity"] = (
            "both legs are chopped complementary, so the bridge is connected all the time and the gates' on-times "
            "show no duty ratio"
        )
    elif x.size == 0:
        fit.missing["duty_linearity"] = (
            "neither a throttle or duty channel nor the condition 'commanded_duty' of several captures says what was "
            "asked for; add one"
        )
    else:
        try:
            found = linearity(x, y, error)
        except FitError as reason:
            fit.missing["duty_linearity"] = str(reason)
            return None
        variance, freedom = found.standard_uncertainty**2, float(max(x.size - 2, 1))
        fit.block("scatter of the duty ratio", {"duty_linearity": found.value}, variance, freedom)
        return x, y, error, axis, found
    return None


def _duty_points(logs: Sequence[Log]) -> tuple[np.ndarray, np.ndarray, np.ndarray, Axis]:
    """Return command, duty ratio and its standard error, from channels in one capture or from several captures."""
    nothing = np.zeros(0)
    stated = [log for log in logs if "commanded_duty" in log.conditions]
    if len(stated) >= 5:
        x = np.array([log.conditions["commanded_duty"] for log in stated])
        y = np.array([float(np.mean(log["window_duty"])) for log in stated])
        spread = [np.std(log["window_duty"]) / np.sqrt(max(log["window_duty"].size, 1)) for log in stated]
        return x, y, np.array(spread), Axis("Commanded duty ratio", "ratio", "percent")
    for name, axis in (
        ("window_command", Axis("Commanded duty ratio", "ratio", "percent")),
        ("window_throttle", Axis("Throttle signal", "voltage", "V")),
    ):
        having = [log for log in logs if name in log]
        if not having:
            continue
        given = np.concatenate([log[name] for log in having])
        duty = np.concatenate([log["window_duty"] for log in having])
        inside = (duty > 0.02) & (duty < 0.98)  # the dead band and the stop are not part of the characteristic
        if inside.sum() < 15:
            return nothing, nothing, nothing, axis
        try:
            found = levels(given[inside], duty[inside])
        except FitError:
            return nothing, nothing, nothing, axis
        return found.input, found.output, found.error, axis
    return nothing, nothing, nothing, Axis("Command", "ratio", "percent")
