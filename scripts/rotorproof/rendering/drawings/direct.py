"""Names of lines beside the lines themselves, so that neither colour nor dash need be looked up.

Sizes are in points. The room that a figure leaves its axes is only known once it is laid out, so it is estimated; names
keep a distance from lines that makes good for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..style import INK

_LETTER, _HIGH, _SIZE = 3.6, 7.0, 7.0
#: A name's middle stands so far from its line, the further the steeper the line is; and no nearer to any other.
_AWAY, _OWN, _CLEAR = (6.0, 8.0, 10.5, 13.5), 1.0, 2.0
#: Beyond this, more room around a name is no better; a name further from its line is worse by this much a point.
_ROOMY, _WORSE = 14.0, 0.6
#: Labels, ticks and legend around the axes; what is left to the readings where residuals stand below.
_ROUND, _ABOVE_RESIDUALS = (44.0, 66.0), 0.75
#: Places tried along a line, and points by which a line is known where names might meet it.
_TRIED, _KNOWN = 60, 400
_FEWEST = 2


@dataclass(frozen=True)
class Named:
    """A line as drawn, ``x`` and ``y`` ``(n,)`` in the units of the axes, and its name."""

    artist: Any
    x: np.ndarray
    y: np.ndarray
    name: str


def name_lines(figure: Any, axes: Any, lines: Sequence[Named], points: Sequence[np.ndarray] = ()) -> None:
    """Write each line's name beside it where it is clear of all others and of ``points`` ``(n, 2)``.

    A line that finds no such place, or has no point, keeps its entry in the legend. Limits of the axes must be set.
    """
    lines = [line for line in lines if np.any(np.isfinite(line.x) & np.isfinite(line.y))]
    if len(lines) < _FEWEST:
        return
    room = np.array([figure.get_figwidth() * 72 - _ROUND[0], figure.get_figheight() * 72 - _ROUND[1]])
    room[1] *= 1.0 if len(figure.axes) == 1 else _ABOVE_RESIDUALS
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()

    def placed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.stack([(x - x0) / (x1 - x0) * room[0], (y - y0) / (y1 - y0) * room[1]], axis=-1)

    courses = [_along(placed(line.x, line.y), _KNOWN) for line in lines]
    marks = [placed(one[:, 0], one[:, 1]) for one in points]
    taken: list[np.ndarray] = []
    for line, course in zip(lines, courses, strict=True):
        size = np.array([_LETTER * len(line.name), _HIGH])
        best = _best_place(course, [*(one for one in courses if one is not course), *marks, *taken], size, room)
        if best is None:
            continue
        x, y = best / room * [x1 - x0, y1 - y0] + [x0, y0]
        axes.text(x, y, line.name, fontsize=_SIZE, color=INK, ha="center", va="center", zorder=8)
        line.artist.set_label("_" + line.name)
        low, high = best - size / 2, best + size / 2
        taken.append(np.stack(np.meshgrid(np.linspace(low[0], high[0], 20), [low[1], high[1]]), axis=-1).reshape(-1, 2))


def _best_place(course: np.ndarray, others: list[np.ndarray], size: np.ndarray, room: np.ndarray) -> np.ndarray | None:
    """Return the middle of the best place for a name of this ``size`` beside its line, if there is any.

    From the end, where lines have parted; a name is nearer to its own line than to any other.
    """
    around = np.concatenate([one.reshape(-1, 2) for one in others]) if others else np.zeros((0, 2))
    places = [(side * far, _score(_ROOMY, far)) for far in _AWAY for side in (1.0, -1.0)]
    # What lies further from a place on the line is out of sight of every name there.
    sight = size / 2 + [0.0, max(_AWAY)] + _ROOMY
    best: np.ndarray | None = None
    reached = -np.inf
    for at in course[np.linspace(len(course) - 1, 0, _TRIED).astype(int)]:
        # The first of equals stays, so what cannot be better need not be measured.
        better = [away for away, most in places if most > reached]
        if not better:
            break
        seen, own_seen = (one[np.all(np.abs(one - at) <= sight, axis=1)] for one in (around, course))
        for away in better:
            centre = at + np.array([0.0, away])
            low, high = centre - size / 2, centre + size / 2
            if low.min() < 1.0 or (room - high).min() < 1.0:
                continue
            clear, own = _distance(low, high, seen), _distance(low, high, own_seen)
            score = _score(clear, abs(away))
            if own >= _OWN and clear >= max(_CLEAR, own + 1.0) and score > reached:
                best, reached = centre, score
    return best


def _score(clear: float, away: float) -> float:
    # Rounded: computers may differ in the last digits, and none of that may choose a place.
    return round(min(clear, _ROOMY) - _WORSE * away, 1)


def _along(course: np.ndarray, count: int) -> np.ndarray:
    """Return ``count`` points evenly along a line ``(n, 2)``, gaps left out."""
    course = course[np.all(np.isfinite(course), axis=1)]
    if len(course) < _FEWEST:
        return course.reshape(-1, 2)
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(course, axis=0).T))])
    at = np.linspace(0.0, length[-1], count)
    return np.stack([np.interp(at, length, course[:, 0]), np.interp(at, length, course[:, 1])], axis=-1)


def _distance(low: np.ndarray, high: np.ndarray, points: np.ndarray) -> float:
    """Return how far a box is from the nearest of ``points`` ``(n, 2)``."""
    if not len(points):
        return 99.0
    away = np.maximum(np.maximum(low - points, points - high), 0.0)
    return float(np.min(np.hypot(away[:, 0], away[:, 1])))
