"""The level at which a quantity stays while its cause still rises: a limit that acts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from .regression import correlation_time


@dataclass(frozen=True)
class Plateau:
    """A level, its standard error with degrees of freedom, where it holds, and how far it was overshot.

    ``inside`` ``(n,)`` marks the readings used; ``slope`` is the drift over the plateau as a share of the level;
    ``overshoot_error`` the standard uncertainty of the overshoot.
    """

    level: float
    standard_error: float
    degrees_of_freedom: float
    inside: np.ndarray
    slope: float
    overshoot: float
    overshoot_error: float


def plateau(values: np.ndarray, least: float = 0.08, band: float = 0.04, drift: float = 0.03) -> Plateau:
    """Return the highest level at which ``values`` ``(n,)``, in order of a rising load, stay.

    The level is sought among running means over a fortieth of the record: it is the highest that at least the share
    ``least`` of the readings keeps within ``band`` of it, so a short overshoot is none. Raises ``FitError`` if there
    is no such level or if it still rises by more than ``drift`` where the record ends.
    """
    n = values.size
    smooth, width = _running_means(values)
    place = np.arange(smooth.size) + width // 2
    ordered = np.sort(smooth)
    if ordered[-1] <= 0:
        raise FitError("the current never rises; load the motor until the controller limits")
    # Highest level whose band of +/- half holds enough readings: slide from the top over the sorted means.
    low = np.searchsorted(ordered, ordered * (1 - band))
    held = np.arange(ordered.size) - low + 1
    enough = np.flatnonzero(held >= least * smooth.size)
    if enough.size == 0:
        raise FitError("the current stays at no level; hold each load for some seconds, up to well beyond the limit")
    top = int(enough[-1])
    centre = float(np.median(ordered[low[top] : top + 1]))
    member = np.abs(smooth - centre) <= 0.5 * band * centre
    held_at = _without_ascent(smooth, np.flatnonzero(member), width)
    first, last = int(place[held_at[0]]), int(place[held_at[-1]])
    inside = np.zeros(n, dtype=bool)
    inside[place[held_at]] = True
    used = values[inside]
    count = used.size
    level = float(used.mean())
    x = np.linspace(-0.5, 0.5, count)
    slope = float(x @ used / (x @ x)) / level
    reaches_end = last >= n - 1 - width
    if reaches_end and slope > drift:
        raise FitError(
            f"the current still rises at the end of the log (by {slope * 100:.0f} % over the last part): the limit "
            "was not reached; load the motor more"
        )
    if (last - first + 1) > 0 and member[: max(1, smooth.size // 10)].all() and member.all():
        raise FitError("the current is the same from the first reading on; begin the log at a low load")
    time = correlation_time(used - used.mean() - slope * level * x)
    error = float(used.std(ddof=1)) * np.sqrt(time / count)
    overshoot = float(smooth.max()) / level - 1
    one_mean = float(used.std(ddof=1)) * np.sqrt(max(time, 1.0) / width) / level
    return Plateau(level, float(error), max(count / time - 1, 1.0), inside, slope, overshoot, float(one_mean))


def still_moving(load: np.ndarray, least: float = 0.02) -> int:
    """Return how many readings of ``load`` ``(n,)`` are over when it has moved for the last time.

    A load that stands raises no current to a limit: what flows then is a steady state. The end is where the running
    mean over a fortieth of the record last differs from its final value by more than ``least`` of its range; ``n``
    where the load moves up to the end or at no time.
    """
    n = load.size
    smooth, width = _running_means(load)
    away = np.flatnonzero(np.abs(smooth - smooth[-1]) > least * float(np.ptp(smooth)))
    return n if away.size == 0 else min(n, int(away[-1]) + width)


def highest_mean(values: np.ndarray) -> float:
    """Return the highest mean of ``values`` ``(n,)`` over a fortieth of the record."""
    return float(_running_means(values)[0].max())


def _running_means(values: np.ndarray) -> tuple[np.ndarray, int]:
    """Return the means over each fortieth of a record, three readings at least, and how many readings that is."""
    width = max(3, values.size // 40)
    return np.convolve(values, np.ones(width) / width, mode="valid"), width


def _without_ascent(smooth: np.ndarray, held: np.ndarray, width: int) -> np.ndarray:
    """Return the places ``held`` at a level less those at its ends where the means still climb to it.

    On its way up a current passes the lower half of the band, which would pull the mean down. The level is the median
    of the places; the way up ends where a mean first comes as near to it as half of them stay, and a mean's width
    later. Where less than half would be left, the current drifts all along and all places stay.
    """
    level = float(np.median(smooth[held]))
    near = 1.5 * float(np.median(np.abs(smooth[held] - level)))
    reached = np.flatnonzero(smooth[held] >= level - near - 1e-9 * level)
    begin = int(reached[0]) + (width // 2 if reached[0] > 0 else 0)
    end = int(reached[-1]) + 1 - (width // 2 if reached[-1] < held.size - 1 else 0)
    return held[begin:end] if end - begin >= held.size // 2 else held


def link_current(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Return the amplitude of block-shaped phase currents ``(n,)``: the mean magnitude of the two that carry most.

    (|a| + |b| + |c| - min(|a|, |b|, |c|))/2.
    In six-step operation two phases carry the same current and the third none, so this is the current that the
    bridge limits, and noise does not push it up as a maximum of the three would. With sinusoidal currents it
    ripples between 0.75 and 0.866 of their peak.
    """
    magnitudes = np.abs(np.stack([a, b, c]))
    return 0.5 * (magnitudes.sum(axis=0) - magnitudes.min(axis=0))
