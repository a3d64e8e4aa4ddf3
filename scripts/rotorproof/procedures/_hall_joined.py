"""Sensors and lines captured a few channels at a time, joined through a line voltage that every capture holds.

The electrical angle of a capture begins where the fundamental of the common line passes zero, so a level stands at the
same angle in all of them, whenever and at whatever speed they were taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import hall, line_checks
from ..physics.phase import Track, track
from ._emf_records import lines_of
from .base import Log, line_title

#: Stretches of a capture by which the phase of the common line is judged.
_STRETCHES = 8


@dataclass(frozen=True)
class Joined:
    """One log in place of several: that with the most lines, with the sensors of the others over its angle.

    ``doubt``: standard uncertainty in rad of the angle of each sensor that came from another capture.
    """

    log: Log
    doubt: Mapping[str, float]
    words: str = ""


def joined(logs: Sequence[Log]) -> Joined:
    """Join the captures of one run. Raises ``FitError`` where they have no line voltage in common."""
    if len(logs) == 1:
        return Joined(logs[0], {})
    lines = [_lines(log) for log in logs]
    common = next((name for name in line_checks.LINES if all(name in found for found in lines)), None)
    if common is None:
        raise FitError(
            "the captures have no line voltage in common that would join them; capture the same line, for example A-B, "
            "beside each sensor and beside the second line"
        )
    best = max(range(len(logs)), key=lambda place: (len(lines[place]), -place))
    base = logs[best]
    tracks = [track(log["time"], found[common][None]) for log, found in zip(logs, lines, strict=True)]
    doubts = [_phase_doubt(turn, found[common]) for turn, found in zip(tracks, lines, strict=True)]
    # As many whole turns as the shortest capture holds.
    turns = min(int(np.floor(turn.angle[-1] / hall.TURN) - np.ceil(turn.angle[0] / hall.TURN)) for turn in tracks)
    if turns < 2:
        raise FitError("a capture holds fewer than two whole electrical turns; capture at least one turn of the wheel")
    angle = tracks[best].angle - hall.TURN * np.ceil(tracks[best].angle[0] / hall.TURN)
    kept = (angle >= 0) & (angle < hall.TURN * turns)
    columns = {name: values[kept] for name, values in base.columns.items()}
    doubt, said = {}, []
    for sensor in hall.SENSORS:
        name = f"hall_{sensor}"
        if name in columns:
            continue
        place = next((n for n, log in enumerate(logs) if name in log), None)
        if place is None:
            raise FitError(
                f"no capture holds sensor {sensor.upper()}; capture it beside line {line_title(common[-2:])}"
            )
        other = tracks[place].angle - hall.TURN * np.ceil(tracks[place].angle[0] / hall.TURN)
        # The nearest reading, so that a change lies, on average, midway between two of them as elsewhere.
        row = np.searchsorted(0.5 * (other[1:] + other[:-1]), angle[kept])
        columns[name] = logs[place][name][row]
        doubt[sensor] = float(np.hypot(doubts[place], doubts[best]))
        said.append(f"sensor {sensor.upper()} within {np.degrees(doubt[sensor]):.2g} electrical degrees")
    words = (
        f"{len(logs)} captures were joined through line {line_title(common[-2:])}, which each of them holds, over "
        f"{turns} electrical turns: {', '.join(said)} (standard uncertainty of the phase)."
    )
    return Joined(Log(base.label, columns, base.conditions, base.stated), doubt, words)


def _lines(log: Log) -> dict[str, np.ndarray]:
    """Return the line voltages that a capture holds by name; none where it holds none."""
    try:
        names, raw = lines_of(log)
    except FitError:
        return {}
    return {name: line_checks.line_of(raw, name) for name in names}


def _phase_doubt(turn: Track, volts: np.ndarray) -> float:
    """Return the standard uncertainty (rad) of where the fundamental of a line passes zero, by stretches of turns."""
    number = np.floor(turn.angle / hall.TURN - np.ceil(turn.angle[0] / hall.TURN)).astype(int)
    # Whole turns alone: in a part of one the offset and the harmonics would look like a phase.
    whole = (number >= 0) & (number < int(number[-1]))
    stretches = min(_STRETCHES, int(number[-1]))
    wave = volts * np.exp(-1j * turn.angle) * turn.speed
    phases = []
    for part in np.array_split(np.arange(int(number[-1])), stretches):
        here = whole & (number >= part[0]) & (number <= part[-1])
        phases.append(float(np.angle(1j * np.sum(wave[here]))))
    return float(np.std(np.unwrap(phases), ddof=1) / np.sqrt(stretches))
