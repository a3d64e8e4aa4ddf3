"""From an open-circuit log to lines that can be fitted, and the speed beside them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..errors import FitError, Problem
from ..physics import line_checks, thinning
from ..physics.phase import Track, track
from ..physics.waveform import LINES
from .base import Log

_PHASES = ("a", "b", "c")
#: Averaging stops where fewer readings than this would be left of an electrical turn.
FEWEST_PER_TURN = 500


@dataclass(frozen=True)
class Record:
    """One log made ready: lines ``(k, n)`` in V, their names, the angle, and the mechanical speed if known."""

    label: str
    names: tuple[str, ...]
    lines: np.ndarray
    track: Track
    #: Mechanical speed per reading ``(n,)`` or one stated number, rad/s with its sign; ``None``: not known.
    speed: np.ndarray | float | None
    #: Relative standard uncertainty of that speed as its instrument or writer states it.
    stated: float | None
    findings: tuple[str, ...]
    #: Neighbouring readings averaged into each of ``lines`` (long records), 1 for none.
    averaged: int = 1

    @property
    def electrical_speed(self) -> float:
        """Return the mean electrical speed in rad/s."""
        return float(self.track.speed.mean())

    @property
    def per_turn(self) -> float:
        """Return the number of readings per electrical turn."""
        return self.track.angle.size * self.averaged / self.track.turns

    @property
    def direction(self) -> int:
        """Return the sign of the mechanical speed, +1 where it is not known."""
        if self.speed is None:
            return 1
        return -1 if float(np.mean(self.speed)) < 0 else 1

    @property
    def sequence(self) -> int:
        """Return +1 for A-B-C in positive rotation, -1 for A-C-B, 0 if one line cannot tell."""
        return self.track.sequence * self.direction

    def speed_groups(self) -> list[tuple[float, float]]:
        """Return (electrical, mechanical) mean speeds of stretches of the record, one if the speed is stated."""
        if self.speed is None:
            return []
        if isinstance(self.speed, float):
            return [(self.electrical_speed, abs(self.speed))]
        parts = int(np.clip(self.track.turns, 3, 24))
        edges = np.linspace(0, self.speed.size, parts + 1).astype(int)
        return [(float(self.track.speed[i:j].mean()), abs(float(self.speed[i:j].mean()))) for i, j in pairwise(edges)]


def prepare(log: Log, procedure: str, given: Mapping[str, float]) -> Record:
    """Pick the lines of a log, mend what can be mended and follow the angle. Raises ``FitError``."""
    names, raw, findings = lines_of(log)
    for name, readings in raw.items():
        share = line_checks.clipped_share(readings)
        if share:
            findings.append(
                f"{share:.1%} of the readings of {name} stand at one and the same extreme: the wave looks clipped, "
                "which makes the constants too small. Record again on a larger range"
            )
    lines = np.stack([line_of(raw, name) for name in names])
    checked = line_checks.check_lines(names, lines)
    findings.extend(checked.findings)
    kept = [names.index(name) for name in checked.names]
    lines = lines[kept] * np.asarray(checked.signs)[:, None]
    speed, stated = _speed(log, findings)
    rate = (log["time"].size - 1) / float(log["time"][-1] - log["time"][0])
    if speed is not None and "nameplate_pole_pairs" in given:
        hertz = abs(float(np.mean(speed))) * given["nameplate_pole_pairs"] * given.get("nameplate_gear_ratio", 1.0)
        if rate < 2.2 * hertz / (2 * np.pi):
            raise FitError(
                f"{log.label}: at this speed {given['nameplate_pole_pairs']:.0f} pole pairs give "
                f"{hertz / (2 * np.pi):.0f} Hz, but the log holds only {rate:.0f} readings per second: what "
                "is seen is an alias. Sample at least "
                "20 times per electrical turn"
            )
    turn, m = follow(log["time"], lines)
    lines = thinning.thinned(lines, m)
    if not isinstance(speed, float) and speed is not None:
        speed = thinning.thinned(speed, m)
    record = Record(log.label, checked.names, lines, turn, speed, stated, tuple(findings), m)
    if record.per_turn < 10:
        findings.append(
            f"only {record.per_turn:.1f} readings per electrical turn: harmonics above order "
            f"{0.45 * record.per_turn:.0f} are not seen, and a still faster wave would show as an alias. "
            "Sample at least 20 times per turn"
        )
    return replace(record, findings=tuple(findings))


def follow(time: np.ndarray, lines: np.ndarray) -> tuple[Track, int]:
    """Follow the angle of ``lines`` ``(k, n)``; return it with the number of neighbours averaged (long records)."""
    m = thinning.first_factor(lines)
    turn = track(thinning.thinned(time, m), thinning.thinned(lines, m))
    per_turn = turn.angle.size / turn.turns
    if m > 1 and per_turn < FEWEST_PER_TURN:
        m = max(1, int(m * per_turn / FEWEST_PER_TURN))
        turn = track(thinning.thinned(time, m), thinning.thinned(lines, m))
    return turn, m


def lines_of(log: Log) -> tuple[list[str], dict[str, np.ndarray], list[str]]:
    """Return the line names that the log gives, its raw voltage columns, and a note where phases were used.

    Raises ``FitError`` if the log holds no line voltage and fewer than two phase voltages.
    """
    raw = {f"voltage_{name}": log[f"voltage_{name}"] for name in LINES if f"voltage_{name}" in log}
    if raw:
        return [name.removeprefix("voltage_") for name in raw], raw, []
    raw = {f"voltage_{name}": log[f"voltage_{name}"] for name in _PHASES if f"voltage_{name}" in log}
    if len(raw) < 2:
        raise FitError(
            f"{log.label}: one phase voltage cannot give a line voltage; record voltage_ab, or two phases to the "
            "star point"
        )
    if len(raw) == 3:
        return list(LINES), raw, []
    pair = "".join(name[-1] for name in raw)
    return [pair if pair in LINES else "ca"], raw, []


def line_of(raw: Mapping[str, np.ndarray], name: str) -> np.ndarray:
    """Return the line voltage ``name`` from line or phase voltage columns."""
    if f"voltage_{name}" in raw:
        return raw[f"voltage_{name}"]
    return raw[f"voltage_{name[0]}"] - raw[f"voltage_{name[1]}"]


def _speed(log: Log, findings: list[str]) -> tuple[np.ndarray | float | None, float | None]:
    """Return the speed (column before condition) and its relative stated uncertainty."""
    speed: np.ndarray | float
    if "speed" in log:
        speed = log["speed"]
    elif "speed" in log.conditions:
        speed = float(log.conditions["speed"])
    else:
        return None, None
    level = abs(float(np.mean(speed)))
    if level < 1e-3:
        findings.append("the speed reads zero while the machine gives a voltage: it was left out; check the tachometer")
        return None, None
    return speed, (log.stated["speed"] / level if "speed" in log.stated else None)


def warnings_of(record: Record, procedure: str) -> list[Problem]:
    """Return what was found in the record as warnings."""
    return [Problem(f"{record.label}: {text}", severity="warning", procedure=procedure) for text in record.findings]
