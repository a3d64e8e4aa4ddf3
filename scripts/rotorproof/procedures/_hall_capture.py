"""From a log of sensor levels, with or without EMF, to edges at electrical angles."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property

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
class Part:
    """What one log holds, by its own electrical angle: sensors that change, and the line voltages.

    ``waves``: harmonics ``(H,)`` of each line by name (``ab``) over the angle; ``volts`` its readings along ``track``,
    which may be means of neighbours. ``dead``: sensors that never change. ``step``: electrical angle between two
    readings, or two stamps of a log by event. ``within``: by which angle (rad) the rises and the falls of a sensor may
    all be early or late, as its rows do not tell where between them a change lies. ``doubtful``: rows keep no pace.
    ``windows``: corrections of the angle that the edges themselves made.
    """

    edges: Mapping[str, hall.Edges]
    angles: Mapping[str, np.ndarray]
    glitches: Mapping[str, int]
    dead: tuple[str, ...]
    track: Track
    waves: Mapping[str, np.ndarray]
    volts: Mapping[str, np.ndarray]
    step: float
    within: Mapping[str, tuple[float, float]]
    doubtful: bool
    windows: int
    warnings: tuple[Problem, ...]

    @property
    def alive(self) -> tuple[str, ...]:
        """Return the sensors that change."""
        return tuple(self.edges)


@dataclass(frozen=True)
class Capture:
    """One log, or several joined, made ready: sensors that change, their edges and angles, and the EMF per turn.

    ``since`` gives of each edge the electrical turns since its log began, ``turns`` how many there were. ``waves`` and
    ``within`` are as in ``Part``. ``step``, by sensor, is the electrical angle between two readings; ``unpaced`` says
    that a log is ``doubtful``, ``windows`` counts corrections of angles that the edges themselves made. ``joined``:
    what was joined, in words, ``doubt`` the covariance in rad^2 of the angles ``doubtful`` that joining leaves open
    (``joined_a`` of sensor A, ``joined_crossings`` of the lines).
    ``undirected`` says why nothing holds that rests on all logs being of one direction, ``sources`` from how many of
    them the sensors come.
    """

    edges: Mapping[str, hall.Edges]
    angles: Mapping[str, np.ndarray]
    since: Mapping[str, np.ndarray]
    turns: Mapping[str, float]
    glitches: Mapping[str, int]
    waves: Mapping[str, np.ndarray]
    step: Mapping[str, float]
    within: Mapping[str, tuple[float, float]]
    unpaced: bool
    windows: int
    warnings: tuple[Problem, ...]
    joined: str = ""
    doubtful: tuple[str, ...] = ()
    doubt: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))
    undirected: str = ""
    sources: int = 1

    @property
    def alive(self) -> tuple[str, ...]:
        """Return the sensors that change."""
        return tuple(self.edges)

    @cached_property
    def lines(self) -> np.ndarray | None:
        """Return the harmonics ``(H, 3)`` of the lines A-B, B-C, C-A; ``None`` where fewer than two were captured."""
        return all_lines(self.waves)

    @property
    def why_no_emf(self) -> str:
        """Say why there is no EMF of all lines."""
        return why_no_emf(len(self.waves))

    def wave(self, x: np.ndarray) -> np.ndarray:
        """Return the EMF ``(3, n)`` of the three lines per electrical speed at electrical angles ``x`` (rad)."""
        if self.lines is None:
            raise FitError(self.why_no_emf)
        turning = np.exp(1j * np.outer(np.arange(1, len(self.lines) + 1), x))
        return np.asarray((self.lines.T @ turning).real)


def why_no_emf(lines: int) -> str:
    """Say why so few ``lines`` do not tell the EMF of all three."""
    if lines:
        return "only one line voltage was recorded; record a second, it gives the third"
    return "no line voltages were recorded beside the sensors; record voltage_ab and voltage_bc too"


def all_lines(waves: Mapping[str, np.ndarray]) -> np.ndarray | None:
    """Return the harmonics ``(H, 3)`` of the three lines from those of two or three, ``None`` from fewer."""
    if len(waves) < 2:
        return None
    orders = min(len(wave) for wave in waves.values())
    kept = {name: wave[:orders] for name, wave in waves.items()}
    third = -np.sum(list(kept.values()), axis=0)
    return np.stack([kept.get(name, third) for name in line_checks.LINES], axis=1)


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
    """Read the edges of a log that holds all sensors. Raises ``FitError`` if no rotation can be seen."""
    found = part(log)
    check_alive(found.alive)
    since = {s: (angle - found.track.angle[0]) / hall.TURN for s, angle in found.angles.items()}
    turns, step = dict.fromkeys(found.alive, found.track.turns), dict.fromkeys(found.alive, found.step)
    return Capture(
        found.edges,
        found.angles,
        since,
        turns,
        found.glitches,
        found.waves,
        step,
        found.within,
        found.doubtful,
        found.windows,
        found.warnings,
    )


def check_alive(alive: Collection[str]) -> None:
    """Raise ``FitError`` where no sensor changes."""
    if not alive:
        raise FitError("none of the three sensors ever changes; check their supply, pull-ups and ground")


def part(log: Log) -> Part:
    """Read what a log holds of sensors and lines. Raises ``FitError`` if no rotation can be seen."""
    time = log["time"]
    levels = {s: log[f"hall_{s}"] for s in hall.SENSORS if f"hall_{s}" in log}
    warnings: list[Problem] = []

    def warn(text: str, column: str | None = None) -> None:
        warnings.append(Problem(text, severity="warning", column=column))

    for s, level in levels.items():
        if np.min(level) < -0.01 or np.max(level) > 1.01:
            raise FitError(
                f"the levels of hall_{s} must be 0 or 1, not {np.min(level):.3g} to {np.max(level):.3g}; where the "
                "channel shows volts, give its 'threshold' in the layout"
            )
    rows: hall.Rows = hall.rows_of(time, np.stack(list(levels.values()))) if levels else "sampled"
    if rows == "by event" and any(name.startswith("voltage_") for name in log.columns):
        rows = "doubtful"  # volts are sampled, whatever their pace
    by_event, doubtful = rows == "by event", rows == "doubtful"
    alive = [s for s, level in levels.items() if np.ptp(level) > 0.5]
    dead = tuple(s for s in levels if s not in alive)
    for s in dead:
        warn(
            f"sensor {s.upper()} stays at {levels[s][0]:.0f}: a broken wire, a missing pull-up or a dead sensor",
            f"hall_{s}",
        )
    turn, waves, volts = _emf(log, warn)
    windows = 0
    if turn is None:
        check_alive(alive)
        turn = _from_levels(time, np.stack([levels[s] for s in alive]), held=by_event or doubtful)
        windows = int(np.clip(turn.turns / _TURNS, 3, 2000))
        turn = hall.aligned(turn, [hall.edges(time, levels[s], by_event=by_event) for s in alive], windows)
    edges, angles, glitches, within = {}, {}, {}, {}
    for s in alive:
        raw = hall.edges(time, levels[s], by_event=by_event)
        edges[s], angles[s], glitches[s] = hall.without_glitches(raw, turn.at(raw.time))
        within[s] = _within(rows, time, levels[s], raw, turn)
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
    step = float(turn.speed.mean()) * (hall.stamp_step(time) if by_event else float(np.diff(time).mean()))
    if alive and doubtful:
        warn(
            "the rows stand at no even pace, so that a change may lie anywhere between two of them: each is put midway "
            "and counted as uncertain by its gap. Where the rows are changes, export the sensors alone or as a value "
            "change dump; else sample at a steady rate"
        )
    elif alive and step > np.radians(10):
        what = "steps of the clock" if by_event else "readings"
        warn(
            f"only {2 * np.pi / step:.0f} {what} per electrical turn: edges are uncertain by several degrees. Sample "
            "at least 200 times per turn, or use a logic analyser"
        )
    if rows == "sampled":
        # An edge is midway between two stamps, each rounded by itself.
        step = float(np.hypot(step, float(turn.speed.mean()) * hall.rounding(time) / np.sqrt(2)))
    return Part(edges, angles, glitches, dead, turn, waves, volts, step, within, doubtful, windows, tuple(warnings))


def _within(rows: hall.Rows, time: np.ndarray, level: np.ndarray, raw: hall.Edges, turn: Track) -> tuple[float, float]:
    """Return by which angle (rad) all rises and all falls of a ``level`` ``(n,)`` may be early or late."""
    if rows == "sampled":
        # At a pace of its own the instrument takes a change now early, now late: their scatter shows it.
        return 0.0, 0.0
    if rows == "by event":
        half = 0.5 * float(turn.speed.mean()) * hall.stamp_step(time)
        return half, half
    at = hall.changes(level)
    gap = turn.at(time[at + 1]) - turn.at(time[at])
    rise, fall = (0.5 * float(np.mean(gap[kind])) if kind.any() else 0.0 for kind in (raw.rising, ~raw.rising))
    return rise, fall


def _emf(log: Log, warn: Callable[[str], None]) -> tuple[Track | None, dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Return the angle by the line voltages, and harmonics and readings of each; ``None`` without any."""
    if not any(name.startswith("voltage_") for name in log.columns):
        return None, {}, {}
    names, raw = lines_of(log)
    checked = line_checks.check_lines(names, np.stack([line_checks.line_of(raw, name) for name in names]))
    for text in checked.findings:
        warn(text)
    rows = [sign * line_checks.line_of(raw, name) for name, sign in zip(checked.names, checked.signs, strict=True)]
    lines = np.stack(rows)
    turn, m = thinning.follow(log["time"], lines)
    lines = thinning.thinned(lines, m)
    orders = min(_MOST_ORDERS, waveform.highest_order(turn.angle.size / turn.turns))
    c = waveform.coefficients([waveform.reduce(turn, lines, orders, m)], jackknife=False).best
    return turn, dict(zip(checked.names, c.T, strict=True)), dict(zip(checked.names, lines, strict=True))


def _from_levels(time: np.ndarray, levels: np.ndarray, *, held: bool) -> Track:
    """Return the angle as the sensors themselves tell it: all three, or the first of those ``levels`` ``(k, n)``.

    ``held``: rows keep no pace, so that a level counts from its row to the next.
    """
    signals = (levels if len(levels) == 3 else levels[:1]) > 0.5
    if held:
        changes = int(np.sum(signals[:, 1:] != signals[:, :-1])) / (2 * len(signals))
        grid = np.linspace(time[0], time[-1], int(np.clip(192 * changes, 1000, 2_000_000)))
        signals = signals[:, np.clip(np.searchsorted(time, grid, side="right") - 1, 0, time.size - 1)]
        time = grid
    waves = signals.astype(float) - 0.5
    if len(signals) == 3:
        # A set of 60 degrees turns like one of 120 once the right sensor is inverted: the one that evens their sum.
        flips = [np.ones(3), *(1.0 - 2.0 * np.eye(3))]
        best = min(flips, key=lambda flip: float(np.var(flip @ waves)))
        waves = waves * best[:, None]
    return track(time, waves, turns_per_window=_TURNS)
