"""Position sensors: edges, glitches, where they switch over the electrical angle, and what kind of set they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from .phase import Track, shifted

SENSORS = ("a", "b", "c")
#: Pulses and gaps shorter than this electrical angle are contact bounce or interference, not a magnet.
GLITCH = np.radians(10.0)
TURN = 2 * np.pi
#: Rows of a log by event that may change nothing, as the first and the last do, and the share of all beyond them.
_FEW, _FEW_SHARE = 3, 0.02
#: Share of rows of a log by event in which several sensors may change at once.
_AT_ONCE = 0.05


#: At what instants the rows of a log stand: at a pace of the instrument, so that a change lies anywhere between two of
#: them; where a sensor changes and nowhere else, so that each names the instant of its change; such that both could be.
Rows = Literal["sampled", "by event", "doubtful"]


@dataclass(frozen=True)
class Edges:
    """Changes of one sensor: times ``(n,)`` in s and whether the level rises ``(n,)``."""

    time: np.ndarray
    rising: np.ndarray


def edges(time: np.ndarray, level: np.ndarray, *, by_event: bool) -> Edges:
    """Return the changes of a logic ``level`` ``(n,)`` (0 or 1).

    With a steady sampling rate a change lies, on average, midway between two readings; a log that holds only
    changes (``by_event``) names its instant itself.
    """
    high = level > 0.5
    at = changes(level)
    instant = time[at + 1] if by_event else 0.5 * (time[at] + time[at + 1])
    return Edges(instant, high[at + 1])


def changes(level: np.ndarray) -> np.ndarray:
    """Return the rows ``(k,)`` of a ``level`` ``(n,)`` after which it is another one."""
    high = level > 0.5
    return np.flatnonzero(high[1:] != high[:-1])


def rows_of(time: np.ndarray, levels: np.ndarray) -> Rows:
    """Tell at what instants rows at ``time`` ``(n,)`` with ``levels`` ``(k, n)`` stand.

    By event every row but a few changes one of the levels, and rows keep no pace, beyond what the rounding of their
    stamps makes of an even one. An uneven pace alone shows nothing: readings in step with a coarse clock have it.
    """
    changed = np.sum(np.diff(levels > 0.5, axis=1), axis=0)
    apart, step = np.diff(time), stamp_step(time)
    few = _FEW + _FEW_SHARE * changed.size
    if 2 * few < changed.size and np.sum(changed == 0) <= few:
        uneven = np.ptp(np.quantile(apart, [0.05, 0.95])) > 3 * step
        return "by event" if uneven and np.sum(changed > 1) <= _AT_ONCE * changed.size else "doubtful"
    short, long = np.quantile(apart, [0.1, 0.9])
    return "doubtful" if long > 2 * short + 3 * step else "sampled"


def stamp_step(time: np.ndarray) -> float:
    """Return the step (s) of which all of ``time`` ``(n,)`` are multiples, 0 where none is seen.

    From the coarsest decimal place that holds all stamps.
    """
    since = time - time[0]
    for place in range(13):
        steps = since * 10.0**place
        doubt = 1e-3 + 4 * np.finfo(float).eps * float(np.max(np.abs(time))) * 10.0**place
        whole = np.rint(steps)
        if doubt < 0.05 and np.max(np.abs(steps - whole)) < doubt:
            return float(np.gcd.reduce(whole.astype(np.int64))) / 10.0**place
    return 0.0


def rounding(time: np.ndarray) -> float:
    """Return the step (s) to which stamps ``(n,)`` of an even pace are rounded, 0 where they need no rounding."""
    step = stamp_step(time)
    return step if np.ptp(np.quantile(np.diff(time), [0.05, 0.95])) > 0.5 * step else 0.0


def without_glitches(found: Edges, angle: np.ndarray) -> tuple[Edges, np.ndarray, int]:
    """Merge edges closer together than ``GLITCH``; ``angle`` ``(n,)`` is the electrical angle of each edge in rad.

    A cluster with an odd number of edges is one true change, placed in its middle; one with an even number is a
    pulse and disappears. Returns the edges left, their angles, and the number of pulses and gaps removed.
    """
    if found.time.size == 0:
        return found, angle, 0
    cluster = np.concatenate([[0], np.cumsum(np.diff(angle) >= GLITCH)])
    first = np.flatnonzero(np.concatenate([[True], np.diff(cluster) > 0]))
    last = np.append(first[1:], cluster.size) - 1
    length = last - first + 1
    odd = length % 2 == 1
    kept = Edges((0.5 * (found.time[first] + found.time[last]))[odd], found.rising[last][odd])
    return kept, (0.5 * (angle[first] + angle[last]))[odd], int(np.sum(length // 2))


def near(angle: np.ndarray | float, centre: np.ndarray | float) -> np.ndarray:
    """Return ``angle`` shifted by whole turns to within half a turn of ``centre`` (rad)."""
    return np.asarray(centre + np.mod(angle - np.asarray(centre) + np.pi, TURN) - np.pi)


def circular_mean(angle: np.ndarray) -> float:
    """Return the mean direction of angles ``(n,)`` in rad, in (-pi, pi]: the angle of the mean of exp(j angle)."""
    return float(np.angle(np.mean(np.exp(1j * angle))))


def aligned(turn: Track, raw: Sequence[Edges], windows: int) -> Track:
    """Return the track corrected by the edges of the sensors themselves, window by window.

    In each window the mean deviation of all edges about the mean angle of their kind is taken out; nothing but the
    edges says how the rotor turned, so what all have in common over a window counts as speed.
    """
    kept = [without_glitches(e, turn.at(e.time))[0] for e in raw]
    parts = [e.time[e.rising == rising] for e in kept for rising in (True, False)]
    parts = [times for times in parts if times.size >= 3]
    time = np.concatenate(parts)
    correction = np.zeros(time.size)
    at = turn.at
    for _ in range(2):
        angle = [at(times) for times in parts]
        correction = np.concatenate([near(a, circular_mean(a)) - circular_mean(a) for a in angle])
        order = np.argsort(time)
        pieces = [p for p in np.array_split(order, windows) if p.size]
        centre = np.array([time[p].mean() for p in pieces])
        at = shifted(at, centre, -np.array([correction[p].mean() for p in pieces]))
    return replace(turn, at=at)


@dataclass(frozen=True)
class SensorSet:
    """What kind of set three sensors are: 120 or 60 electrical degrees (in rad), and how well that fits.

    ``nominal`` ``(3,)``: the places of an ideal set of this kind, rad, first sensor at 0. ``inverted``: the sensor
    whose inversion makes a 60 degree set one of 120 degrees (its middle one), ``None`` for 120 degrees.
    ``order``: sensors in the order in which they switch. ``sequence``: +1 for A-B-C, -1 for A-C-B.
    """

    spacing: float
    nominal: np.ndarray
    inverted: int | None
    order: tuple[int, ...]
    sequence: int
    misfit: float


def classify(centre: np.ndarray) -> SensorSet:
    """Find the kind of set from the middles of the high levels ``(3,)`` in rad, in the driven direction.

    A set of 60 degrees and one of 120 degrees with one sensor inverted are the same thing: no measurement of the
    levels can tell them apart.
    """
    best: SensorSet | None = None
    third, half = TURN / 3, np.pi
    order: tuple[int, ...]
    for sense in (1, -1):
        for inverted in (None, 0, 1, 2):
            nominal = sense * third * np.arange(3.0)
            if inverted is not None:
                nominal[inverted] += half
            nominal = np.mod(nominal - nominal[0], TURN)
            away = np.mod(centre - nominal, TURN)
            rest = near(away, circular_mean(away)) - circular_mean(away)
            misfit = float(np.max(np.abs(rest)))
            if best is not None and misfit >= best.misfit:
                continue
            if inverted is None:
                order, sequence = ((0, 1, 2) if sense == 1 else (0, 2, 1)), sense
            else:
                # The inverted sensor is the middle one; the set spans 60 degrees to either side of it.
                ahead = near(nominal, nominal[inverted])
                order = tuple(int(i) for i in np.argsort(ahead))
                sequence = 1 if order in ((0, 1, 2), (1, 2, 0), (2, 0, 1)) else -1
            best = SensorSet(third if inverted is None else third / 2, nominal, inverted, order, sequence, misfit)
    assert best is not None
    return best


def levels_at(x: np.ndarray, rise: np.ndarray, fall: np.ndarray) -> np.ndarray:
    """Return the levels ``(k, n)`` at electrical angles ``x`` of sensors that are high from ``rise`` to ``fall``."""
    since = np.mod(x[None, :] - rise[:, None], TURN)
    return np.asarray(since < np.mod(fall - rise, TURN)[:, None])


def mean_crossing(fundamentals: np.ndarray) -> float:
    """Return the mean angle (rad) by which lines cross zero behind the nearest sixth of a turn.

    ``fundamentals`` ``(k,)`` are the complex amplitudes of the lines, each the real part of one times exp(j x).
    """
    ahead = np.angle(fundamentals) + 0.5 * np.pi
    sixth = np.pi / 3
    return -float(np.mean(ahead - sixth * np.round(ahead / sixth)))
