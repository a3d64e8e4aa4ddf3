"""What the gate-timing procedure finds in reduced captures, part by part: values, figures, tables, warnings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..errors import FitError, Problem
from ..physics import sampling
from ..physics.bridge import SCHEMES, STATES
from ..physics.commutation import Commutation, judge
from ..physics.linearity import levels, linearity
from ..physics.six_step import table_code
from .base import Axis, Log, Panel, Series, Table
from .fit import Block

_EDGES = tuple(f"leg {leg}, {side} switch turns on" for leg in "ABC" for side in ("low", "high"))
_LISTED = 20
_BIPOLAR = 0b1111


def _exact(label: str, **values: float) -> Block:
    return Block(label, values, np.zeros((len(values), len(values))), float("inf"))


class Parts:
    """The parts of a fit while they are gathered."""

    def __init__(self) -> None:
        self.blocks: list[Block] = []
        self.panels: list[Panel] = []
        self.tables: list[Table] = []
        self.notes: list[str] = []
        self.warnings: list[Problem] = []
        self.missing: dict[str, str] = {}
        self.details: dict[str, object] = {}

    def warn(self, message: str) -> None:
        self.warnings.append(Problem(message, severity="warning", procedure="gate-timing"))


def sampled(prefix: str, found: sampling.Shortest) -> list[Block]:
    """Return a time read by a sample clock as its value and its rectangular errors of resolution."""
    edges = {f"{prefix}_edge_{n}": 0.0 for n in range(len(found.half_widths))}
    covariance = np.diag(np.array(found.half_widths) ** 2 / 3)
    return [
        _exact(f"{prefix} time as read", **{f"{prefix}_read": found.value}),
        Block("resolution of the sample clock", edges, covariance, float("inf"), "rectangular"),
    ]


def check_levels(logs: Sequence[Log]) -> None:
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


def dead_time(logs: Sequence[Log], parts: Parts) -> None:
    best: sampling.Shortest | None = None
    rows: list[list[str | float | int]] = []
    series = []
    for log in logs:
        interval = float(log["sample_interval"][0])
        for group, edge in enumerate(_EDGES):
            mine = log["dead_time_group"] == group
            if not mine.any():
                continue
            values, counts = log["dead_time"][mine], log["dead_time_count"][mine]
            found = sampling.shortest(values, counts, interval)
            if best is None or found.value < best.value:
                best = found
            mean = float(np.sum(values * counts) / counts.sum())
            name = edge if len(logs) == 1 else f"{log.label}: {edge}"
            rows.append([name, int(counts.sum()), *(f"{t * 1e9:.0f}" for t in (values.min(), mean, values.max()))])
            series.append(Series(name, values, counts))
    if best is None:
        reason = (
            "the switches of one leg never follow each other within 20 us: the bridge is not switched complementary "
            "at this load, so there is no dead time to measure"
        )
        parts.missing["dead_time_min"] = reason
        return
    parts.blocks += sampled("dead", best)
    parts.notes.append(f"Shortest dead time: {best.reason}.")
    if best.value - sum(best.half_widths) <= 0:
        parts.warn(
            "the two switches of a leg changed within one sample of each other: whether they overlap cannot be told at "
            "this sample rate; capture faster"
        )
    parts.tables.append(Table("Dead time", ("edge", "count", "shortest / ns", "mean / ns", "longest / ns"), rows))
    parts.panels.append(
        Panel(
            "dead-time",
            "Dead time by leg and edge",
            Axis("Dead time", "time", "ns"),
            Axis("Count", "number", "1"),
            series,
            "Each edge of each leg should show one or two neighbouring bars, one sample of the analyser apart.",
            form="bars",
        )
    )


def overlaps(logs: Sequence[Log], parts: Parts) -> None:
    total = sum(float(log["overlap_total"][0]) for log in logs)
    parts.blocks.append(_exact("count of overlaps", overlap_count=total))
    interval = max(float(log["sample_interval"][0]) for log in logs)
    parts.notes.append(f"Overlaps shorter than one sample ({interval * 1e9:.3g} ns) can escape detection.")
    events = [
        [f"{start:.9f}", "ABC"[int(leg)], f"{duration * 1e9:.0f}", log.label]
        for log in logs
        for start, duration, leg in zip(log["overlap_start"], log["overlap_duration"], log["overlap_leg"], strict=True)
    ]
    if events:
        first = events[0]
        parts.warn(
            f"both switches of one leg were commanded on together {int(total)} times, first at {first[0]} s in leg "
            f"{first[1]} for {first[2]} ns: do not run this controller on a pack"
        )
        parts.tables.append(
            Table("Overlaps (first ones)", ("start / s", "leg", "duration / ns", "capture"), events[:_LISTED])
        )


def pwm(logs: Sequence[Log], parts: Parts) -> None:
    values = np.concatenate([log["pwm_period"] for log in logs])
    counts = np.concatenate([log["pwm_period_count"] for log in logs])
    try:
        spread = sampling.period(values, counts, sum(float(log["span"][0]) for log in logs))
    except FitError as error:
        parts.missing["pwm_frequency"] = parts.missing["pwm_jitter"] = str(error)
        return
    parts.blocks.append(
        Block(
            "scatter of the switching period",
            {"period": spread.mean},
            np.array([[spread.standard_error**2]]),
            float(spread.count - 1),
        )
    )
    interval = max(float(log["sample_interval"][0]) for log in logs)
    found = sampling.jitter(spread, interval)
    if found is None:
        parts.missing["pwm_jitter"] = (
            f"the period scatters by {spread.standard_deviation * 1e9:.3g} ns, no more than the sample clock of "
            f"{interval * 1e9:.3g} ns makes it; capture faster to see less"
        )
    else:
        parts.blocks.append(
            Block(
                "scatter of the switching jitter",
                {"pwm_jitter": found[0]},
                np.array([[found[1] ** 2]]),
                float(spread.count - 1),
            )
        )
    schemes = np.sum([log["scheme_count"] for log in logs], axis=0)
    if schemes.sum() > 0:
        for key in np.argsort(-schemes, kind="stable")[:2]:
            if schemes[key] > 0.1 * schemes.sum():
                title = SCHEMES.get(int(key), "in a mixed manner")
                parts.notes.append(f"Switching: {title}, in {schemes[key] / schemes.sum() * 100:.0f} % of the sectors.")
    near = np.abs(values - spread.mean) < 0.25 * spread.mean
    parts.panels.append(
        Panel(
            "pwm-period",
            "Time between turn-ons",
            Axis("Period", "time", "us"),
            Axis("Count", "number", "1"),
            [Series("periods", values[near], counts[near])],
            "A narrow group is a steady switching frequency.",
            form="bars",
        )
    )


def commutation(logs: Sequence[Log], parts: Parts) -> None:
    table = np.sum([log["state_table"] for log in logs], axis=0).reshape(8, 8)
    steps = np.sum([log["sensor_steps"] for log in logs], axis=0).reshape(8, 8)
    found = judge(table, steps)
    parts.blocks.append(
        _exact("count of disturbances", sensor_disturbances=sum(float(log["glitch_total"][0]) for log in logs))
    )
    if found.all_legs > 0.5 * table.sum() and table.sum() > 0:
        reason = "all three legs are switched at once (sine or space-vector drive), so there is no commutation table"
        parts.missing |= dict.fromkeys(("commutation_errors", "controller_table", "commutation_delay"), reason)
        return
    if found.judged < 12:
        reason = (
            f"only {found.judged} whole sensor sectors with conduction were captured; capture at least two electrical "
            "turns under drive"
        )
        parts.missing |= dict.fromkeys(("commutation_errors", "controller_table", "commutation_delay"), reason)
        return
    dropouts = sum(float(log["dropout_total"][0]) for log in logs)
    parts.blocks.append(_exact("count of commutation errors", commutation_errors=found.errors + dropouts))
    code = table_code({sensors: state - 1 for sensors, state in found.table.items()})
    parts.blocks.append(_exact("commutation table", controller_table=float(code)))
    _describe(found, dropouts, table, logs, parts)
    values = np.concatenate([log["commutation_delay"] for log in logs])
    counts = np.concatenate([log["commutation_delay_count"] for log in logs])
    if counts.sum() < 6:
        parts.missing["commutation_delay"] = "fewer than six steps from one state to its neighbour were captured"
        return
    n = float(counts.sum())
    mean = float(np.sum(values * counts) / n)
    variance = float(np.sum(counts * (values - mean) ** 2) / (n - 1))
    interval = max(float(log["sample_interval"][0]) for log in logs)
    variance = max(variance, interval**2 / 6)
    parts.blocks.append(
        Block("scatter of the commutation delay", {"commutation_delay": mean}, np.array([[variance / n]]), n - 1)
    )
    parts.notes.append(
        f"Commutation delay {values.min() * 1e6:.1f} us to {values.max() * 1e6:.1f} us over {int(n)} steps."
    )


def _describe(found: Commutation, dropouts: float, table: np.ndarray, logs: Sequence[Log], parts: Parts) -> None:
    parts.details["commutation_errors"] = {
        "table": {f"{code:03b}": STATES[state] for code, state in sorted(found.table.items())},
        "sensor_spacing": found.spacing,
    }
    parts.tables.append(
        Table(
            "Commutation table as found",
            ("sensors a b c", "state by the six-step rule", "sectors", "of these so driven"),
            [
                [f"{code:03b}", STATES[state], int(table[code].sum()), int(table[code, state])]
                for code, state in found.table.items()
            ],
        )
    )
    parts.notes.append(
        f"Sensors {found.spacing} electrical degrees apart; {found.judged} sectors judged: {found.wrong} in a wrong "
        f"state, {int(dropouts)} without conduction, {found.skipped} skipped sensor steps, {found.invalid} with an "
        "impossible sensor code."
    )
    if found.against:
        parts.warn(
            "the conduction states turn against the sensors: two sensor wires, or two phase wires, are swapped (or "
            "two channels of the capture are named the wrong way round); every sector counts as an error"
        )
    if found.invalid:
        parts.warn(f"impossible sensor codes in {found.invalid} sectors: a sensor is lost, inverted or not powered")
    events = [
        [f"{start:.6f}", f"{int(code):03b}", STATES[int(state)], log.label]
        for log in logs
        for start, code, state in zip(log["wrong_start"], log["wrong_code"], log["wrong_state"], strict=True)
    ]
    if events:
        parts.tables.append(
            Table(
                "Sectors unlike the others of their code (first ones)",
                ("start / s", "sensors", "state", "capture"),
                events[:_LISTED],
            )
        )


def duty(logs: Sequence[Log], parts: Parts) -> None:
    if int(np.argmax(np.sum([log["scheme_count"] for log in logs], axis=0))) == _BIPOLAR:
        parts.missing["duty_linearity"] = (
            "both legs are chopped complementary, so the bridge is connected all the time and the gates' on-times "
            "show no duty ratio"
        )
        return
    x, y, error, axis = _duty_points(logs)
    if x.size == 0:
        parts.missing["duty_linearity"] = (
            "neither a throttle or duty channel nor the condition 'commanded_duty' of several captures says what was "
            "asked for; add one"
        )
        return
    try:
        found = linearity(x, y, error)
    except FitError as reason:
        parts.missing["duty_linearity"] = str(reason)
        return
    parts.blocks.append(
        Block(
            "scatter of the duty ratio",
            {"duty_linearity": found.value},
            np.array([[found.standard_uncertainty**2]]),
            float(max(x.size - 2, 1)),
        )
    )
    line = np.array([x.min(), x.max()])
    parts.panels.append(
        Panel(
            "duty",
            "Duty ratio against command",
            axis,
            Axis("Duty ratio", "ratio", "percent"),
            [
                Series("measured", x, y, "measured", error),
                Series("line", line, found.intercept + found.slope * line, "fit"),
            ],
            "The duty ratio should follow its command in a straight line.",
            residuals=[Series("deviation", x, found.deviations)],
            residual_axis=Axis("Deviation", "ratio", "percent"),
        )
    )


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
