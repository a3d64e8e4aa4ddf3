"""Does a controller's commutation fit a motor's sensors and phases? Told from the two tables alone.

A table is a number: for the sensor states in rising order a digit 1 to 6 for the drive (``six_step.PAIRS``). The
motor's says what each state asks for, the controller's what it does. With the wave taken as a sine, that decides the
torque of every connection: averaged over its sector, a drive 60 k electrical degrees off gives cos(60 k) of the best.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np

from .bridge import RING_60, RING_120
from .six_step import Connection, connections, mend

_POINTS = 360


def read_table(code: float, ring: tuple[int, ...] = RING_120) -> dict[int, int] | None:
    """Return sensor state -> index in ``PAIRS``, or ``None`` if ``code`` is no six-step table of that sensor set."""
    digits = str(round(code))
    if sorted(digits) != list("123456"):
        return None
    table = {state: int(digit) - 1 for state, digit in zip(sorted(ring), digits, strict=True)}
    steps = {(table[after] - table[state]) % 6 for state, after in zip(ring, ring[1:] + ring[:1], strict=True)}
    return table if steps in ({1}, {5}) else None


def spacing(code: float) -> float | None:
    """Return the spacing of the sensors that a table is for: 120 or 60 electrical degrees, in rad."""
    for ring, degrees in ((RING_120, 120), (RING_60, 60)):
        if read_table(code, ring) is not None:
            return float(np.radians(degrees))
    return None


@cache
def pairing(motor: int, controller: int) -> tuple[Connection, ...] | None:
    """Return what each of the 36 connections does; ``None`` if one is no table for sensors 120 degrees apart."""
    asked, done = read_table(motor), read_table(controller)
    if asked is None or done is None:
        return None
    return tuple(connections(*_turn(asked), done))


def connected(all_of_them: tuple[Connection, ...], phases: float, sensors: float) -> Connection:
    """Return the connection whose wires are ``phases`` and ``sensors``, written as digits: 231 is B, C, A."""
    orders = [tuple(int(digit) - 1 for digit in str(round(order))) for order in (phases, sensors)]
    return next(c for c in all_of_them if [c.phases, c.sensors] == orders)


def wires_moved(start: Connection, all_of_them: tuple[Connection, ...]) -> tuple[int, Connection] | None:
    """Return how many wires must move to run forward with full torque, and the connection then; ``None``: none does."""
    goal = mend(start, all_of_them)
    if goal is None:
        return None
    before, after = (*start.phases, *start.sensors), (*goal.phases, *goal.sensors)
    return sum(x != y for x, y in zip(before, after, strict=True)), goal


def _turn(asked: Mapping[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return sensor levels ``(3, n)`` and line-to-line EMF ``(3, n)`` over a turn in which ``asked`` is right."""
    x = (np.arange(_POINTS) + 0.5) * (2 * np.pi / _POINTS)
    lines = np.stack([np.sin(x), np.sin(x - 2 * np.pi / 3), np.sin(x + 2 * np.pi / 3)])
    state_of = {drive: state for state, drive in asked.items()}
    # The drive k has its crest at 90 + 60 k degrees, in the middle of its sector.
    drive = np.floor((x - np.pi / 3) / (np.pi / 3)).astype(int) % 6
    state = np.array([state_of[int(k)] for k in drive])
    return np.stack([state & 4, state & 2, state & 1]) > 0, lines
