"""What a sample clock can and cannot tell of an interval between two edges."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..errors import FitError


@dataclass(frozen=True)
class Shortest:
    """The shortest of many intervals: estimate in s and the half-widths in s of its rectangular errors."""

    value: float
    half_widths: tuple[float, ...]
    reason: str


def shortest(values: np.ndarray, counts: np.ndarray, interval: float) -> Shortest:
    """Return the shortest interval behind sampled ones: ``values`` ``(n,)`` in s that came ``counts`` times.

    Each edge is seen at the next sample, so an interval that reads n samples lies between n - 1 and n + 1, and its
    error is the difference of two rectangular ones: triangular (JCGM 100:2008, 4.3.9). What more can be said
    depends on how the shortest readings lie:

    - one reading apart from all others, or all readings equal: triangular, one sample to either side;
    - two neighbouring readings n and n + 1, nothing next to them: a constant interval between n and n + 1 samples,
      rectangular, half a sample to either side of the middle;
    - a spread over more than two neighbouring readings: the interval varies, and the shortest reading may be
      anything between both cases; rectangular, one sample to either side.

    Raises ``FitError`` without values.
    """
    if values.size == 0:
        raise FitError("there are no intervals to take the shortest of")
    order = np.argsort(values)
    values, counts = values[order], counts[order]
    steps = np.rint((values - values[0]) / interval).astype(int)
    together = 1 + int(np.argmin(np.append(np.diff(steps) == 1, False)))
    lowest = float(values[0])
    if together == 1:
        return Shortest(lowest, (interval / 2, interval / 2), "one reading, one sample to either side (triangular)")
    if together == 2:
        return Shortest(
            lowest + interval / 2, (interval / 2,), "between two neighbouring readings (rectangular, half a sample)"
        )
    return Shortest(lowest, (interval,), "the shortest of a spread (rectangular, one sample to either side)")


@dataclass(frozen=True)
class Period:
    """Mean and spread of a period: s, with the standard error of the mean and the number of independent periods."""

    mean: float
    standard_error: float
    standard_deviation: float
    count: int


def period(values: np.ndarray, counts: np.ndarray, span: float) -> Period:
    """Return the period of a switching signal from intervals ``values`` ``(n,)`` in s that came ``counts`` times.

    Intervals further than a quarter from the median hold a missing or an extra edge and are left out. Gates of one
    bridge show the same periods, so no more of them count than the record of ``span`` s has room for. The standard
    error takes them as independent; consecutive ones share an edge and compensate where the switching keeps its own
    time, so it errs to the safe side. Raises ``FitError`` with fewer than ten.
    """
    total = float(counts.sum())
    if total < 10:
        raise FitError(f"the gates were chopped over {int(total)} whole periods only; capture longer, at part throttle")
    median = _median(values, counts)
    near = np.abs(values - median) <= 0.25 * median
    n = float(counts[near].sum())
    mean = float(np.sum(values[near] * counts[near]) / n)
    variance = float(np.sum(counts[near] * (values[near] - mean) ** 2) / (n - 1))
    independent = max(min(n, span / mean), 2.0)
    return Period(mean, math.sqrt(variance / independent), math.sqrt(variance), int(independent))


def steady(values: np.ndarray, counts: np.ndarray, interval: float) -> tuple[np.ndarray, np.ndarray]:
    """Return intervals and counts without those that commutation cuts short or draws out.

    For a gate captured without the sensors, which would tell where a sector ends. Kept is what lies within 7.41 median
    absolute deviations of the median (five standard deviations of a normal scatter, and all of an even one), and
    within two samples of it in any case.
    """
    if values.size == 0:
        return values, counts
    middle = _median(values, counts)
    away = np.abs(values - middle)
    kept = away <= max(7.41 * _median(away, counts), 2.5 * interval)
    return values[kept], counts[kept]


def _median(values: np.ndarray, counts: np.ndarray) -> float:
    order = np.argsort(values)
    total = np.cumsum(counts[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def jitter(spread: Period, interval: float) -> tuple[float, float] | None:
    """Return the standard deviation of a period without the sample clock's share, and its standard uncertainty.

    The clock adds between 0 and interval^2/4 to the variance (the fraction f of a sample left over gives
    f (1 - f)), a sixth on average. ``None`` where the spread does not stand out from that.
    """
    variance = spread.standard_deviation**2 - interval**2 / 6
    if spread.standard_deviation**2 <= interval**2 / 2:
        return None
    value = math.sqrt(variance)
    scatter = spread.standard_deviation**2 * math.sqrt(2 / (spread.count - 1))
    clock = interval**2 * math.sqrt(1 / 180)  # standard deviation of f (1 - f) for a uniform f
    return value, math.hypot(scatter, clock) / (2 * value)
