"""From a log of sensor levels, with or without EMF, to edges at electrical angles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ..errors import FitError, Problem
from ..physics import hall, line_checks, thinning, waveform
from ..physics.phase import Track, track
from ._emf_records import lines_of
from .base import Log

_MOST_ORDERS = 25
_POINTS = 1440  # of a turn
#: Electrical turns per correction of the angle where it comes from the sensors themselves.
_TURNS = 4.0


@dataclass(frozen=True)
class Capture:
    """One log made ready: sensors that change, their edges and angles, and the EMF per turn if it was recorded.

    ``lines``: harmonics ``(H, 3)`` of the lines A-B, B-C, C-A over the angle, ``None`` without them. ``step``:
    electrical angle between two readings. ``windows``: corrections of the angle that the edges themselves made.
    """

    time: np.ndarray
    levels: np.ndarray
    alive: tuple[str, ...]
    edges: Mapping[str, hall.Edges]
    angles: Mapping[str, np.ndarray]
    glitches: Mapping[str, int]
    track: Track
    lines: np.ndarray | None
    why_no_emf: str
    step: float
    windows: int
    warnings: tuple[Problem, ...]

    def wave(self, x: np.ndarray) -> np.ndarray:
        """Return the EMF ``(3, n)`` of the three lines per electrical speed at electrical angles ``x`` (rad)."""
        if self.lines is None:
            raise FitError(self.why_no_emf)
        turning = np.exp(1j * np.outer(np.arange(1, len(self.lines) + 1), x))
        return np.asarray((self.lines.T @ turning).real)


@dataclass(frozen=True)
class Choice:
    """What stays while readings are shifted.

    ``reference`` are the mean angles of the edges ``(2 k,)``, ``kind`` the set of sensors (``None``: not told),
    ``exact`` numbers without scatter by name, ``table`` the six-step drive for each state of the sensors.
    """

    reference: np.ndarray
    kind: hall.SensorSet | None = None
    exact: dict[str, float] = field(default_factory=dict)
    table: Mapping[int, int] = field(default_factory=dict)
    missing: dict[str, str] = field(default_factory=dict)


def turn(means: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return electrical angles ``(n,)`` over one turn and the levels ``(3, n)`` there, from mean edge angles."""
    x = (np.arange(_POINTS) + 0.5) * (hall.TURN / _POINTS)
    return x, hall.levels_at(x, means[0::2], means[1::2])


def capture(log: Log) -> Capture:
    """Read the edges of a log. Raises ``FitError`` if no rotation can be seen."""
    time = log["time"]
    if lacking := [s.upper() for s in hall.SENSORS if f"hall_{s}" not in log]:
        raise FitError(
            f"sensor {', '.join(lacking)} was not captured; a scope of two channels takes one sensor at a time beside "
            "the same line voltage, and that line beside a second one: list each capture as a test"
        )
    levels = np.stack([log[f"hall_{s}"] for s in hall.SENSORS])
    warnings: list[Problem] = []

    def warn(text: str, column: str | None = None) -> None:
        warnings.append(Problem(text, severity="warning", column=column))

    if np.min(levels) < -0.01 or np.max(levels) > 1.01:
        raise FitError("the sensor levels must be 0 or 1; give the threshold or scale of the channels in the layout")
    by_event = hall.is_by_event(levels)
    alive = [s for s, level in zip(hall.SENSORS, levels, strict=True) if np.ptp(level) > 0.5]
    for s in hall.SENSORS:
        if s not in alive:
            level = levels[hall.SENSORS.index(s), 0]
            warn(
                f"sensor {s.upper()} stays at {level:.0f}: a broken wire, a missing pull-up or a dead sensor",
                f"hall_{s}",
            )
    if not alive:
        raise FitError("none of the three sensors ever changes; check their supply, pull-ups and ground")
    turn, lines, why = _emf(log, warn)
    windows = 0
    if turn is None:
        turn = _from_levels(time, levels, alive, by_event)
        windows = int(np.clip(turn.turns / _TURNS, 3, 2000))
        raw_edges = [hall.edges(time, levels[hall.SENSORS.index(s)], by_event=by_event) for s in alive]
        turn = hall.aligned(turn, raw_edges, windows)
    edges, angles, glitches = {}, {}, {}
    for s in alive:
        raw = hall.edges(time, levels[hall.SENSORS.index(s)], by_event=by_event)
        edges[s], angles[s], glitches[s] = hall.without_glitches(raw, turn.at(raw.time))
        if glitches[s]:
            warn(
                f"sensor {s.upper()}: {glitches[s]} pulses or gaps shorter than {np.degrees(hall.GLITCH):.0f} "
                "electrical degrees were left out as bounce or interference; check pull-up, screen and supply",
                f"hall_{s}",
            )
        expected = 2 * turn.turns
        if abs(edges[s].time.size - expected) > max(3.0, 0.02 * expected):
            warn(
                f"sensor {s.upper()} shows {edges[s].time.size} changes where {expected:.0f} belong: it misses magnets "
                "or sees too much",
                f"hall_{s}",
            )
    step = 0.0 if by_event else float(turn.speed.mean()) * float(time[-1] - time[0]) / (time.size - 1)
    if step > np.radians(10):
        warn(
            f"only {2 * np.pi / step:.0f} readings per electrical turn: edges are uncertain by several degrees. Sample "
            "at least 200 times per turn, or use a logic analyser"
        )
    return Capture(
        time, levels, tuple(alive), edges, angles, glitches, turn, lines, why, step, windows, tuple(warnings)
    )


def _emf(log: Log, warn: object) -> tuple[Track | None, np.ndarray | None, str]:
    """Return angle and harmonics from the line voltages, or why there are none."""
    if not any(name.startswith("voltage_") for name in log.columns):
        return None, None, "no line voltages were recorded beside the sensors; record voltage_ab and voltage_bc too"
    names, raw = lines_of(log)
    checked = line_checks.check_lines(names, np.stack([line_checks.line_of(raw, name) for name in names]))
    for text in checked.findings:
        warn(text)  # type: ignore[operator]
    rows = [sign * line_checks.line_of(raw, name) for name, sign in zip(checked.names, checked.signs, strict=True)]
    lines = np.stack(rows)
    turn, m = thinning.follow(log["time"], lines)
    lines = thinning.thinned(lines, m)
    if len(lines) == 1:
        return turn, None, "only one line voltage was recorded; record a second, it gives the third"
    orders = min(_MOST_ORDERS, waveform.highest_order(turn.angle.size / turn.turns))
    c = waveform.coefficients([waveform.reduce(turn, lines, orders, m)], jackknife=False).best
    full = np.empty((orders, 3), complex)
    for column, name in enumerate(line_checks.LINES):
        if name in checked.names:
            full[:, column] = c[:, checked.names.index(name)]
        else:
            full[:, column] = -c.sum(axis=1)
    return turn, full, ""


def _from_levels(time: np.ndarray, levels: np.ndarray, alive: list[str], by_event: bool) -> Track:
    """Return the angle as the sensors themselves tell it."""
    used = [hall.SENSORS.index(s) for s in alive] if len(alive) == 3 else [hall.SENSORS.index(alive[0])]
    signals = levels[used] > 0.5
    if by_event:
        changes = int(np.sum(signals[:, 1:] != signals[:, :-1])) / (2 * len(used))
        grid = np.linspace(time[0], time[-1], int(np.clip(192 * changes, 1000, 2_000_000)))
        signals = signals[:, np.clip(np.searchsorted(time, grid, side="right") - 1, 0, time.size - 1)]
        time = grid
    waves = signals.astype(float) - 0.5
    if len(used) == 3:
        # A set of 60 degrees turns like one of 120 once the right sensor is inverted: the one that evens their sum.
        flips = [np.ones(3), *(1.0 - 2.0 * np.eye(3))]
        best = min(flips, key=lambda flip: float(np.var(flip @ waves)))
        waves = waves * best[:, None]
    return track(time, waves, turns_per_window=_TURNS)
