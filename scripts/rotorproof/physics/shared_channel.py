"""The commutation table from two captures: six gates in one, three sensors in the other, and a channel in both.

The conduction states follow each other in time as the sensor codes do, six to an electrical turn. A sensor that both
captures hold is high in the same part of the turn in both, a gate works in the same part: that tells which state
belongs to which code, if the rotor turned the same way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from .bridge import RING_60, RING_120

#: Slices or sectors of each kind that a mean wants.
_FEWEST = 3
#: Share of the steps that must go one way.
_ONE_WAY = 0.9
#: A channel that differs by less over the turn tells nothing of it.
_FLAT = 0.1
#: An order is told from the next best one by this share of its own score at least: neighbours of a level that is high
#: in three of six sectors score a third, of a gate that works in two of six a quarter.
_APART = 0.4
#: The same way is told from the other by this much of a score: of two sensors, which score two the right way round,
#: two thirds are left the other way.
_DIRECTED = 0.8


@dataclass(frozen=True)
class Turn:
    """Six members of an electrical turn in the order of time, and the mean level ``(6, 9)`` of each channel in each."""

    members: tuple[int, ...]
    level: np.ndarray


def turn_of_states(levels: np.ndarray, steps: np.ndarray) -> Turn:
    """Return the conduction states 1 to 6 in the order in which they came (see ``GateSlices`` for the arguments).

    Raises ``FitError`` where they do not follow each other.
    """
    if levels[7, 0] > 0.5 * levels[:, 0].sum():
        raise FitError(
            "all three legs are switched at once (sine or space-vector drive), so there is no commutation table"
        )
    if levels[1:7, 0].min() < _FEWEST:
        raise FitError(
            "the capture of six gates does not show all six states of the bridge long enough; capture two electrical "
            "turns under drive, at a lower speed"
        )
    mean = levels[1:7, 1:] / levels[1:7, :1]
    return _in_time(tuple(range(1, 7)), mean, steps)


def turn_of_codes(code: np.ndarray, share: np.ndarray) -> Turn:
    """Return the sensor codes in the order in which they came, from the sectors ``(n,)`` of a capture.

    ``share`` ``(n, 6)`` of a sector's time in which each gate was on. Raises ``FitError`` where codes are lacking.
    """
    count = np.bincount(code, minlength=8)
    ring = RING_60 if count[[0b000, 0b111]].sum() > count[[0b010, 0b101]].sum() else RING_120
    if count[list(ring)].min() < _FEWEST:
        raise FitError("the capture of the sensors does not show all their codes; capture two electrical turns")
    gates = np.array([share[code == one].mean(axis=0) for one in ring])
    bits = np.array([[one >> 2 & 1, one >> 1 & 1, one & 1] for one in ring], dtype=float)
    followed = np.zeros((8, 8))
    np.add.at(followed, (code[:-1], code[1:]), 1.0)
    return _in_time(ring, np.concatenate([gates, bits], axis=1), followed)


def _in_time(ring: tuple[int, ...], level: np.ndarray, steps: np.ndarray) -> Turn:
    onward = sum(float(steps[one, ring[(k + 1) % 6]]) for k, one in enumerate(ring))
    back = sum(float(steps[ring[(k + 1) % 6], one]) for k, one in enumerate(ring))
    if max(onward, back) < _ONE_WAY * (onward + back) or onward + back < _FEWEST:
        raise FitError("the rotor does not turn one way through a capture; capture while it is driven in one direction")
    return Turn(ring, level) if onward > back else Turn(ring[::-1], level[::-1])


def table_through(states: Turn, codes: Turn, shared: Sequence[int], *, why_undirected: str = "") -> Mapping[int, int]:
    """Return the conduction state for each sensor code, by the ``shared`` channels (0 to 5 gates, 6 to 8 sensors).

    ``why_undirected`` says why the captures may be of two directions ("": they are not): one sensor, or the gates of
    one leg, fit a rotor that turns the other way as well, with a table that is the mirror image of the true one.
    Raises ``FitError`` where the channels do not tell the table, or tell that the rotor turned the other way, and
    with these words where they do not tell that it turned the same way.
    """
    one, other = (_patterns(turn.level[:, list(shared)]) for turn in (states, codes))
    telling = (np.ptp(one, axis=0) > 0) & (np.ptp(other, axis=0) > 0)
    if not telling.any():
        raise FitError("the channel that both captures hold stays as it is over the turn, so it cannot join them")
    one, other = one[:, telling], other[:, telling]
    score = np.array([np.sum(one * np.roll(other, -k, axis=0)) for k in range(6)])
    against = max(float(np.sum(one * np.roll(other[::-1], -k, axis=0))) for k in range(6))
    best = int(np.argmax(score))
    second = float(np.partition(score, -2)[-2])
    if against > score[best] + (1 - _APART) * one.shape[1]:
        raise FitError("the rotor turned one way in one capture and the other way in the other; capture the same way")
    if score[best] <= 0.5 * one.shape[1] or second > (1 - _APART) * score[best]:
        raise FitError(
            "the channels that both captures hold do not tell which state of the bridge belongs to which sensor code; "
            "capture one of the sensors beside the six gates"
        )
    if why_undirected and against > score[best] - _DIRECTED:
        raise FitError(why_undirected)
    return {codes.members[(k + best) % 6]: states.members[k] for k in range(6)}


def _patterns(level: np.ndarray) -> np.ndarray:
    """Return levels ``(6, k)`` about their mean and of length one, zero where they hardly change."""
    away = level - level.mean(axis=0)
    size = np.linalg.norm(away, axis=0)
    return np.asarray(np.where(np.ptp(level, axis=0) > _FLAT, away / np.maximum(size, 1e-12), 0.0))
