"""A supply swept up and down: where an output goes on and off, in which direction, and how cleanly."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from ..errors import FitError

Direction = Literal["up", "down"]
#: Readings before a change through which its value is drawn.
_READINGS = 12
#: Variance of such a line half a reading beyond its end, over that of a reading: 1/n + 12 (n/2)^2 / (n (n^2 - 1)).
EXTRAPOLATION = 1 / _READINGS + 12 * (_READINGS / 2) ** 2 / (_READINGS * (_READINGS**2 - 1))


@dataclass(frozen=True)
class Switching:
    """One change of state: ``value`` of the swept quantity, half the gap between the readings around it.

    ``extra`` counts further changes close by that it made on its way (chatter). ``rate`` is the sweep's in units
    per second there.
    """

    direction: Direction
    on: bool
    value: float
    half_gap: float
    extra: int
    index: int
    rate: float


def turning_points(values: np.ndarray, share: float = 0.1) -> np.ndarray:
    """Return the indices at which a swept quantity ``(n,)`` turns, ends included.

    A turn counts when the quantity comes back by ``share`` of its whole range. Raises ``FitError`` if the quantity
    does not vary.
    """
    span = float(np.ptp(values))
    if span <= 0:
        raise FitError("the supply voltage never changes; sweep it slowly up and down")
    threshold = share * span
    block = max(1, values.size // 4000)
    usable = values.size // block * block
    coarse = values[:usable].reshape(-1, block).mean(axis=1)
    points = [0]
    extreme, direction = 0, 0
    for i in range(1, coarse.size):
        if direction == 0:
            if abs(coarse[i] - coarse[0]) > threshold:
                direction, extreme = (1, i) if coarse[i] > coarse[0] else (-1, i)
        elif (coarse[i] - coarse[extreme]) * direction > 0:
            extreme = i
        elif (coarse[extreme] - coarse[i]) * direction > threshold:
            points.append(extreme)
            direction, extreme = -direction, i
    middle = [min(point * block + block // 2, values.size - 1) for point in points[1:]]
    return np.array([0, *middle, values.size - 1])


def switchings(time: np.ndarray, swept: np.ndarray, on: np.ndarray, close: float) -> tuple[list[Switching], int]:
    """Return the switchings of ``on`` ``(n,)`` over ``swept`` ``(n,)``, and how many changes were mere chatter.

    Changes within ``close`` of each other (unit of ``swept``) on one leg of the sweep are one switching, that of the
    first; where they lead back to the state before they are chatter alone. The value is that of a straight line
    through the readings before the change, at the middle between the last reading before and the first after: what
    comes after may have stepped by the drop in the supply's leads.
    """
    found: list[Switching] = []
    idle = 0
    points = turning_points(swept)
    for begin, end in pairwise(points):
        direction: Direction = "up" if swept[end] > swept[begin] else "down"
        changes = begin + np.flatnonzero(on[begin + 1 : end + 1] != on[begin:end])
        place = 0
        while place < changes.size:
            last = place
            while last + 1 < changes.size and abs(swept[changes[last + 1]] - swept[changes[place]]) <= close:
                last += 1
            count = last - place + 1
            if count % 2 == 0:
                idle += count
            else:
                index = int(changes[place])
                value, gap, rate = _line(time, swept, index)
                found.append(Switching(direction, bool(on[index + 1]), value, gap, count - 1, index, rate))
                idle += count - 1
            place = last + 1
    return found, idle


def _line(time: np.ndarray, swept: np.ndarray, index: int) -> tuple[float, float, float]:
    """Return the swept value between two readings, half its change from one to the other, and its rate."""
    before = slice(max(0, index - _READINGS + 1), index + 1)
    t, v = time[before], swept[before]
    middle = 0.5 * (time[index] + time[index + 1])
    if t.size < _READINGS:
        raise FitError("the output changes within the first readings of the log; begin before it does")
    dt = t - middle
    slope = float(np.cov(dt, v, bias=True)[0, 1] / np.var(dt))
    value = float(v.mean() - slope * dt.mean())
    return value, 0.5 * abs(slope) * float(time[index + 1] - time[index]), slope


def noise(swept: np.ndarray) -> float:
    """Return the standard deviation of a slowly swept quantity's reading from its second differences ``(n - 2,)``.

    White noise of deviation s gives second differences of s sqrt(6); the median keeps steps out of it.
    """
    second = np.abs(np.diff(swept, 2))
    return float(np.median(second) / 0.6745 / np.sqrt(6.0)) if second.size else 0.0
