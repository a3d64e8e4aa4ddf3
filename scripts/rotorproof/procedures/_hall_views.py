"""Figures, tables and words of the position sensor test, as data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..physics import hall, six_step
from ._hall_capture import Capture, Choice, turn
from .base import Axis, Panel, Report, Series, Table, drawn

_DRIVE = ("A", "B", "C")


@dataclass(frozen=True)
class Seen:
    """What the report shows: the capture, mean angle of each kind of edge ``(2 k,)``, and deviations from it."""

    found: Capture
    means: np.ndarray
    deviations: Sequence[np.ndarray]


def report(choice: Choice, seen: Seen) -> Report:
    """Return everything that is shown of a fit."""
    found, means, deviations = seen.found, seen.means, seen.deviations
    report = Report(warnings=list(found.warnings))
    report.details = {
        "glitches_removed": dict(found.glitches),
        "edges_degrees": {
            s: {"rise": _degrees(means[2 * i]), "fall": _degrees(means[2 * i + 1])} for i, s in enumerate(found.alive)
        },
    }
    report.tables.append(_edge_table(found, means, deviations))
    report.notes += [_angle_note(found), _glitch_note(found)]
    if found.joined:
        report.notes.append(found.joined)
    if choice.kind is not None:
        report.quantity_notes["hall_spacing"] = [_kind_note(choice.kind)]
    if choice.table:
        x, levels = turn(means)
        rows = _drive_rows(choice.table, levels, found.wave(x))
        report.details["commutation"] = rows
        report.tables.append(_drive_table(rows))
        if choice.kind is not None and "commutation_table" in choice.exact:
            _show_connections(levels, found.wave(x), choice.table, choice.kind.inverted, report)
    report.panels = [_timing(found, means), _edges_panel(found, deviations)]
    return report


def _degrees(angle: float) -> float:
    return round(float(np.degrees(np.mod(angle, hall.TURN))), 3)


def _angle_note(found: Capture) -> str:
    turns = f"{min(found.turns.values()):.1f} electrical turns"
    if not found.waves:
        return (
            f"{turns}; the electrical angle comes from the sensors themselves, so their offset to the EMF is not seen."
        )
    return f"{turns}; the electrical angle is that of the EMF: the first line recorded crosses zero upwards at 0."


def _glitch_note(found: Capture) -> str:
    removed = sum(found.glitches.values())
    return (
        f"{removed} pulses and gaps shorter than {np.degrees(hall.GLITCH):.0f} electrical degrees were removed before "
        "the evaluation."
    )


def _kind_note(kind: hall.SensorSet) -> str:
    if kind.inverted is None:
        return "Kind of set, so without uncertainty: the levels never agree, as in a set of 120 degrees."
    name = hall.SENSORS[kind.inverted].upper()
    order = "-".join(hall.SENSORS[i].upper() for i in kind.order)
    return (
        "Kind of set, so without uncertainty: all three levels agree in part of the turn. It is a set of 60 degrees in "
        f"the order {order}, or one of 120 degrees with sensor {name} inverted: the levels are the same. A controller "
        f"for 120 degrees needs sensor {name} inverted, or turned over."
    )


def _edge_table(found: Capture, means: np.ndarray, deviations: Sequence[np.ndarray]) -> Table:
    rows: list[list[str | float | int]] = []
    for i, s in enumerate(found.alive):
        width = means[2 * i + 1] - means[2 * i]
        rows.append(
            [
                s.upper(),
                _degrees(means[2 * i]),
                _degrees(means[2 * i + 1]),
                round(100 * float(width) / hall.TURN, 2),
                int(deviations[2 * i].size + deviations[2 * i + 1].size),
                found.glitches[s],
            ]
        )
    headers = ["Sensor", "Rises at / °", "Falls at / °", "High / %", "Edges", "Glitches removed"]
    return Table("Where the sensors switch (electrical degrees)", headers, rows)


def _drive_rows(table: Mapping[int, int], levels: np.ndarray, lines: np.ndarray) -> list[dict[str, Any]]:
    state = six_step.states(levels)
    rows = []
    for number, drive in table.items():
        high, low = six_step.PAIRS[drive]
        here = state == number
        x = (np.flatnonzero(here) + 0.5) * (hall.TURN / state.size)
        rows.append(
            {
                "state": f"{number:03b}",
                "centre_degrees": round(float(np.degrees(np.mod(hall.circular_mean(x), hall.TURN))), 1),
                "high": _DRIVE[high],
                "low": _DRIVE[low],
                "floating": _DRIVE[3 - high - low],
                "relative_torque": round(
                    float(six_step.between(lines, high, low)[here].mean() / np.abs(lines).max(axis=0).mean()), 4
                ),
            }
        )
    return sorted(rows, key=lambda row: row["centre_degrees"])


def _drive_table(rows: Sequence[Mapping[str, Any]]) -> Table:
    return Table(
        "Six-step drive for the wires as connected",
        ["State A B C", "Middle / °", "Driven: high", "low", "Opposite: high", "low", "Floating"],
        [[r["state"], r["centre_degrees"], r["high"], r["low"], r["low"], r["high"], r["floating"]] for r in rows],
    )


def _show_connections(
    levels: np.ndarray, lines: np.ndarray, table: Mapping[int, int], inverted: int | None, report: Report
) -> None:
    """Show the 36 connections on a controller with the common table, and how those of the own table count."""
    fed = levels.copy()
    if inverted is not None:
        fed[inverted] = ~fed[inverted]
    found = six_step.connections(fed, lines, six_step.COMMON_TABLE)
    own = six_step.connections(levels, lines, table)
    straight = next(c for c in found if c.phases == (0, 1, 2) and c.sensors == (0, 1, 2))
    goal = six_step.mend(straight, found)
    count = {kind: sum(c.behaviour == kind for c in found) for kind in sorted({c.behaviour for c in found})}
    report.notes += [
        "A controller with the common table (101 A-B, 100 A-C, 110 B-C, 010 B-A, 011 C-A, 001 C-B; high-low), "
        f"connected straight, {_runs(straight.behaviour)}"
        + (
            f"; to run forward: {six_step.change_words(straight, goal)}."
            if goal is not None and straight.behaviour != "forward"
            else "."
        ),
        "Of the 36 connections "
        + ", ".join(f"{n}: {kind}" for kind, n in count.items())
        + ". Forward is the direction "
        "driven in this log. A controller with another table differs: compare its table with the one above.",
    ]
    if inverted is not None:
        report.notes.append(
            f"These connections hold with sensor {hall.SENSORS[inverted].upper()} inverted, as a controller "
            "for 120 degrees needs it."
        )
    if goal is None:
        report.notes.append("No connection runs forward with full torque on such a controller: the sensors stand off.")
    orders = sorted({c.phases for c in found})
    behaves = {(c.phases, c.sensors): c.behaviour for c in found}
    letters = {order: "".join(_DRIVE[wire] for wire in order) for order in orders}
    headers = ["Phases at ABC", *(f"sensors {letters[order]}" for order in orders)]
    rows = [[letters[phases], *(behaves[phases, sensors] for sensors in orders)] for phases in orders]
    report.details["connections_common_table"] = [_connection(c) for c in found]
    report.details["connections_own_table"] = [_connection(c) for c in own]
    report.tables.append(
        Table("The 36 connections on a controller with the common table: wires at its terminals A, B, C", headers, rows)
    )


def _runs(behaviour: str) -> str:
    return behaviour if behaviour.startswith("does") else f"runs {behaviour}"


def _connection(c: six_step.Connection) -> dict[str, Any]:
    return {
        "phases": "".join(_DRIVE[p] for p in c.phases),
        "sensors": "".join(_DRIVE[s] for s in c.sensors),
        "behaviour": c.behaviour,
        "torque": round(c.torque, 4),
    }


def _timing(found: Capture, means: np.ndarray) -> Panel:
    """Return EMF and levels over the electrical angle, stacked."""
    bins = 360
    x = (np.arange(bins) + 0.5) * (hall.TURN / bins)
    series = []
    if found.lines is not None:
        wave = found.wave(x)
        size = np.abs(wave).max()
        series += [
            Series(f"EMF {name}", x, 0.5 + 0.5 * row / size, "fit")
            for name, row in zip(("A-B", "B-C", "C-A"), wave, strict=True)
        ]
    levels = hall.levels_at(x, means[0::2], means[1::2])
    series += [
        Series(f"Sensor {s.upper()}", x, row.astype(float), "measured")
        for s, row in zip(found.alive, levels, strict=True)
    ]
    return Panel(
        "timing",
        "Sensor levels over the electrical angle",
        Axis("Electrical angle", "angle", "deg"),
        Axis("Level", "logic", "1"),
        series,
        "Mean switching angles of all turns. The sensors should switch where a line-to-line EMF crosses zero (drawn "
        "scaled to its own crest, zero at half height).",
        drawing="levels",
    )


def _edges_panel(found: Capture, deviations: Sequence[np.ndarray]) -> Panel:
    series = []
    for i, s in enumerate(found.alive):
        for kind, word in ((0, "rises"), (1, "falls")):
            angle = found.angles[s][found.edges[s].rising == (kind == 0)]
            at = drawn(angle.size, 400)
            since = found.since[s][found.edges[s].rising == (kind == 0)]
            series.append(Series(f"{s.upper()} {word}", since[at], deviations[2 * i + kind][at], "measured"))
    return Panel(
        "edges",
        "Edges about their mean angle",
        Axis("Electrical turns since the start", "number", "1"),
        Axis("Deviation", "angle", "deg"),
        series,
        "A pattern that repeats with each turn of the wheel comes from unlike magnets, a cloud from unsteady sensors.",
    )
