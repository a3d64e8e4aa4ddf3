"""Figures, tables and words of the gate-timing procedure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..columns import COLUMNS
from ..physics.bridge import SCHEMES, STATES
from ..physics.gate_stream import GATES, HALLS
from ._gate_timing import (
    Judged,
    Seen,
    channels,
    gates_lacking,
    interval,
    legs_captured,
    legs_title,
    legs_unseen,
    not_judged,
    periods,
    sensors_lacking,
    whole_legs,
)
from .base import Axis, Hint, Log, Panel, Report, Series, Table

_EDGES = tuple(f"leg {leg}, {side} switch turns on" for leg in "ABC" for side in ("low", "high"))
#: A figure of fewer bars than this shows nothing.
_FEWEST = 2
_LISTED = 20


def report(logs: Sequence[Log], seen: Seen) -> Report:
    """Return what the report shows of the captures."""
    report = Report()
    _not_captured(logs, report)
    if seen.dead:
        report.notes.append(f"Shortest dead time: {seen.dead.reason}.")
        if seen.dead.value - sum(seen.dead.half_widths) <= 0:
            report.warn(
                "the two switches of a leg changed within one sample of each other: whether they overlap cannot be "
                "told at this sample rate; capture faster"
            )
        _dead_time(logs, report)
    if legs_captured(logs):
        _overlaps(logs, report)
    if seen.period:
        _pwm(logs, seen.period.mean, report)
    if seen.commutation:
        _commutation(seen.commutation, logs, report)
    if seen.joined:
        _joined(*seen.joined, report)
    if seen.duty:
        x, y, error, axis, found = seen.duty
        line = np.array([x.min(), x.max()])
        report.panels.append(
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
    return report


def _not_captured(logs: Sequence[Log], report: Report) -> None:
    """Name the parts that no capture shows, where they matter for what is given."""
    legs, sensors = legs_captured(logs), sensors_lacking(logs)
    if gates := gates_lacking(logs):
        whole = [leg for leg in range(3) if {2 * leg, 2 * leg + 1} <= set(gates)]
        named = ", ".join(
            [f"both gates of {legs_title(''.join('ABC'[leg] for leg in whole))}"] * bool(whole)
            + [_gate_title(number) for number in gates if number // 2 not in whole]
        )
        report.notes.append(f"Not captured, so nothing is said of it: {named}.")
        report.extrapolated["pulse_width_min"] = f"from the gates captured, without {named}"
        report.bounds["pulse_width_min"] = "most"
    if sensors:
        report.notes.append(f"Not captured, so nothing is said of it: sensor {', '.join(sensors)}.")
    lacking = legs_unseen(legs)
    if legs and lacking:
        what = f"{legs_title(legs)} alone"
        report.extrapolated |= {"dead_time_min": f"from {what}", "overlap_count": f"from {what}"}
        # What a leg that nobody saw does can only shorten the one and add to the other.
        report.bounds |= {"dead_time_min": "most", "overlap_count": "least"}
        report.warn(
            f"dead time and overlaps are those of {what}: whether {legs_title(lacking)} can short the supply is not "
            "known; capture both gates of every leg, in as many captures as the analyser needs, before a battery is "
            "connected",
            danger=True,
        )
    if len(logs) > 1 and not any(all(seen.all() for seen in channels(log)) for log in logs):
        rows: list[list[str | float | int]] = []
        for log in logs:
            have, senses = channels(log)
            rows.append(
                [
                    log.label,
                    ", ".join("ABC"[leg] for leg in whole_legs(log)) or "none",
                    ", ".join(_gate_title(n) for n in range(6) if have[n] and n // 2 not in whole_legs(log)) or "none",
                    ", ".join(letter for letter, there in zip("ABC", senses, strict=True) if there) or "none",
                ]
            )
        report.tables.append(Table("What each capture holds", ("capture", "legs", "single gates", "sensors"), rows))


def _gate_title(number: int) -> str:
    return COLUMNS[GATES[number]].title


def _dead_time(logs: Sequence[Log], report: Report) -> None:
    rows: list[list[str | float | int]] = []
    series = []
    for log in logs:
        for group, edge in enumerate(_EDGES):
            mine = log["dead_time_group"] == group
            if not mine.any():
                continue
            values, counts = log["dead_time"][mine], log["dead_time_count"][mine]
            mean = float(np.sum(values * counts) / counts.sum())
            name = edge if len(logs) == 1 else f"{log.label}: {edge}"
            rows.append([name, int(counts.sum()), *(f"{t * 1e9:.0f}" for t in (values.min(), mean, values.max()))])
            series.append(Series(name, values, counts))
    report.tables.append(Table("Dead time", ("edge", "count", "shortest / ns", "mean / ns", "longest / ns"), rows))
    if np.unique(np.concatenate([np.zeros(0), *(one.x for one in series)])).size < _FEWEST:
        return
    report.panels.append(
        Panel(
            "dead-time",
            "Dead time by leg and edge",
            Axis("Dead time", "time", "ns"),
            Axis("Count", "number", "1"),
            series,
            "Each edge of each leg should show one or two neighbouring bars, one sample of the analyser apart.",
            drawing="bars",
        )
    )


def _overlaps(logs: Sequence[Log], report: Report) -> None:
    total = sum(float(log["overlap_total"][0]) for log in logs)
    report.notes.append(f"Overlaps shorter than one sample ({interval(logs) * 1e9:.3g} ns) can escape detection.")
    events = [
        [f"{start:.9f}", "ABC"[int(leg)], f"{duration * 1e9:.0f}", log.label]
        for log in logs
        for start, duration, leg in zip(log["overlap_start"], log["overlap_duration"], log["overlap_leg"], strict=True)
    ]
    if events:
        first = events[0]
        report.warn(
            "do not run this controller on a pack: both switches of one leg were commanded on together "
            f"{_times(int(total))}, first at {float(first[0]):.4g} s in leg {first[1]} for {first[2]} ns",
            danger=True,
        )
        report.hints.append(
            Hint(
                "overlap_count",
                f"leg {first[1]} is switched on on both sides for {first[2]} ns, which shorts the supply through it",
                "lengthen the dead time or replace the gate driver, then capture the gates again before any battery is "
                "connected",
            )
        )
        report.tables.append(
            Table("Overlaps (first ones)", ("start / s", "leg", "duration / ns", "capture"), events[:_LISTED])
        )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _pwm(logs: Sequence[Log], period: float, report: Report) -> None:
    schemes = np.sum([log["scheme_count"] for log in logs], axis=0)
    if schemes.sum() > 0:
        for key in np.argsort(-schemes, kind="stable")[:2]:
            if schemes[key] > 0.1 * schemes.sum():
                title = SCHEMES.get(int(key), "in a mixed manner")
                report.notes.append(
                    f"Switching: {title}, in {schemes[key] / schemes.sum() * 100:.0f} % of the sectors."
                )
    values, counts = periods(logs)
    near = np.abs(values - period) < 0.25 * period
    if np.unique(values[near]).size < _FEWEST:
        report.notes.append(f"All periods came out at {1e6 * values[near][0]:.4g} µs, to the step of the sample clock.")
        return
    report.panels.append(
        Panel(
            "pwm-period",
            "Time between turn-ons",
            Axis("Period", "time", "us"),
            Axis("Count", "number", "1"),
            [Series("periods", values[near], counts[near])],
            "A narrow group is a steady switching frequency.",
            drawing="bars",
        )
    )


def _joined(table: Mapping[int, int], shared: Sequence[int], report: Report) -> None:
    """Show a table that two captures gave through a channel in common, and what it rests on."""
    report.details["commutation_errors"] = {
        "table": {f"{code:03b}": STATES[state] for code, state in sorted(table.items())}
    }
    rows = [[f"{code:03b}", STATES[state]] for code, state in table.items()]
    report.tables.append(Table("Commutation table as found", ("sensors a b c", "state"), rows))
    names = " and ".join(COLUMNS[(*GATES, *HALLS)[number]].title for number in shared)
    report.notes.append(
        f"The six gates were captured apart from the three sensors; {names} in both joins the captures. The rotor is "
        "taken to have turned the same way in both"
        + (", which one channel does not show" if len(shared) == 1 else "")
        + ". Not measured: commutation errors and delay."
    )
    report.extrapolated["controller_table"] = f"joined from two captures through {names}"


def _commutation(judged: Judged, logs: Sequence[Log], report: Report) -> None:
    found, table = judged.found, judged.table
    report.details["commutation_errors"] = {
        "table": {f"{code:03b}": STATES[state] for code, state in sorted(found.table.items())},
        "sensor_spacing": found.spacing,
    }
    report.tables.append(
        Table(
            "Commutation table as found",
            ("sensors a b c", "state by the six-step rule", "sectors", "of these so driven"),
            [
                [f"{code:03b}", STATES[state], int(table[code].sum()), int(table[code, state])]
                for code, state in found.table.items()
            ],
        )
    )
    report.notes.append(
        f"Sensors {found.spacing} electrical degrees apart; {found.judged} sectors judged: {found.wrong} in a wrong "
        f"state, {judged.dropouts} without conduction, {found.skipped} skipped sensor steps, {found.invalid} with "
        "an impossible sensor code."
    )
    if not any(all(seen.all() for seen in channels(log)) for log in logs):
        report.notes.append(
            "No capture holds all six gates and three sensors: each leg is judged in the captures that hold it, which "
            "the sensor codes join."
        )
    if not_judged(judged):
        report.bounds["commutation_errors"] = "least"
    if unseen := legs_unseen(judged.legs):
        named = legs_title(unseen)
        report.notes.append(
            f"Nothing was captured of {named} beside the sensors: the table takes from the six-step rule what it does, "
            "and a fault of it alone is not counted."
        )
        report.extrapolated |= dict.fromkeys(
            ("commutation_errors", "controller_table"), f"from {legs_title(judged.legs)}, without {named}"
        )
    if found.against:
        report.warn(
            "the conduction states turn against the sensors: two sensor wires, or two phase wires, are swapped (or "
            "two channels of the capture are named the wrong way round); every sector counts as an error"
        )
    if found.invalid:
        report.warn(f"impossible sensor codes in {found.invalid} sectors: a sensor is lost, inverted or not powered")
    events = [
        [f"{start:.6f}", f"{int(code):03b}", STATES[int(state)], log.label]
        for log in logs
        for start, code, state in zip(log["wrong_start"], log["wrong_code"], log["wrong_state"], strict=True)
    ]
    if events:
        report.tables.append(
            Table(
                "Sectors unlike the others of their code (first ones)",
                ("start / s", "sensors", "state", "capture"),
                events[:_LISTED],
            )
        )
    values, counts = judged.delays, judged.delay_counts
    if counts.sum() >= 6:
        report.notes.append(
            f"Commutation delay {values.min() * 1e6:.1f} µs to {values.max() * 1e6:.1f} µs over {int(counts.sum())} "
            "steps."
        )
