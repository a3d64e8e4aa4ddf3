"""Readings that come at an even pace, from clock times that are cut to coarse steps.

A reading that carries the stamp s was taken between s and s plus a step (or half a step before and after, if the clock
rounds: the whole log then shifts, and only differences count). Where one even pace fits between these bounds for every
reading, it tells far more than a single stamp does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..procedures.base import FEWEST_EVEN

#: More readings are not looked at for an even pace, since it takes time.
_MOST = 20_000
#: By so much of a step a reading may lie outside its bounds, as loggers are late now and then; the ends of the log may
#: be as late as any (common practice, no source).
_LATE = 0.05
#: Of a step that is a smaller share of the pace nothing is to be won.
_COARSE = 0.02


@dataclass(frozen=True, slots=True)
class Pace:
    """An even pace: s between readings, and by how much the time from first to last may be off either way (s)."""

    period: float
    half_width: float

    def times(self, readings: int) -> np.ndarray:
        """Return the time of each reading since the first, ``(readings,)`` in s."""
        return self.period * np.arange(readings)


def even_pace(stamps: np.ndarray, step: float) -> Pace | None:
    """Return the even pace of readings whose ``stamps`` ``(n,)`` (s) were written in steps (s), if there is one.

    The middle of the paces that fit is taken. Linear programming: the smallest lateness tells whether one does, then
    come the slowest and the fastest.
    """
    n = stamps.size
    if not FEWEST_EVEN <= n <= _MOST or step * (n - 1) < _COARSE * (stamps[-1] - stamps[0]):
        return None
    from scipy.optimize import linprog

    # In steps and in lengths of the log, so that the solver sees numbers about one. Unknown: start, length, lateness.
    along = np.linspace(0.0, 1.0, n)
    low = (stamps - stamps[0]) / step
    ones = np.ones(n)
    rows = np.vstack([np.column_stack([-ones, -along, -ones]), np.column_stack([ones, along, -ones])])
    ends = np.concatenate([-low, low + 1.0])
    anything: list[tuple[float | None, float | None]] = [(None, None), (None, None)]
    best = linprog([0.0, 0.0, 1.0], rows, ends, bounds=[*anything, (0.0, None)])
    if best.x is None or best.x[2] > _LATE:
        return None
    late = [*anything, (0.0, _LATE)]
    slowest, fastest = (linprog([0.0, sign, 0.0], rows, ends, bounds=late) for sign in (-1.0, 1.0))
    if slowest.x is None or fastest.x is None:
        return None
    longest, shortest = float(slowest.x[1]) * step, float(fastest.x[1]) * step
    return Pace(0.5 * (longest + shortest) / (n - 1), 0.5 * (longest - shortest) + _LATE * step)
