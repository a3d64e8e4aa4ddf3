"""Six-step commutation: which phases to drive for each sensor state, and what a connection of wires does.

Torque per ampere into phase x and out of phase y is the EMF between x and y over the speed (power balance), so
the EMF measured beside the sensors tells everything without a current.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

PHASES = "ABC"
#: Drive code -> phase driven high and low: the order in which a six-step drive goes through them.
PAIRS = ((0, 1), (0, 2), (1, 2), (1, 0), (2, 0), (2, 1))
#: A common table of six-step drives, sensor state ABC -> index in ``PAIRS``; published for example at
#: applied-ee.github.io, six-step commutation ("one common arrangement").
COMMON_TABLE: dict[int, int] = {0b101: 0, 0b100: 1, 0b110: 2, 0b010: 3, 0b011: 4, 0b001: 5}
_SLIVER = np.radians(5.0)  # states seen for less are the play between two edges


def states(levels: np.ndarray) -> np.ndarray:
    """Return the sensor states ``(n,)`` 0 to 7 of ``levels`` ``(3, n)``, sensor A being the 4."""
    return np.asarray(4 * levels[0].astype(int) + 2 * levels[1] + levels[2])


def between(lines: np.ndarray, high: int, low: int) -> np.ndarray:
    """Return the EMF from phase ``high`` to phase ``low`` of ``lines`` ``(3, n)``: A-B, B-C, C-A."""
    if (high + 1) % 3 == low:
        return lines[high]
    return -lines[low]


def best_table(levels: np.ndarray, lines: np.ndarray) -> dict[int, int]:
    """Return for each sensor state the drive (index in ``PAIRS``) with the most torque in the driven direction.

    ``levels`` ``(3, n)`` and ``lines`` ``(3, n)`` over one electrical turn at equal steps.
    """
    state = states(levels)
    table = {}
    for number in np.unique(state):
        here = state == number
        if here.sum() * (2 * np.pi / state.size) < _SLIVER:
            continue
        torque = [float(between(lines, *pair)[here].mean()) for pair in PAIRS]
        table[int(number)] = int(np.argmax(torque))
    return table


def table_code(table: Mapping[int, int]) -> int:
    """Return the table as one number: for the states in rising order, a digit 1 to 6 for the drive.

    1: A high B low, 2: A-C, 3: B-C, 4: B-A, 5: C-A, 6: C-B.
    """
    return int("".join(str(table[state] + 1) for state in sorted(table)))


@dataclass(frozen=True)
class Connection:
    """One way to connect: controller terminals A, B, C to motor phases, inputs A, B, C to sensors; what it does.

    ``torque`` is the mean torque over that of the best drive, +1 forward; ``behaviour`` one of ``forward``,
    ``backward``, ``forward, badly timed``, ``backward, badly timed``, ``does not run``.
    """

    phases: tuple[int, ...]
    sensors: tuple[int, ...]
    torque: float
    behaviour: str


def connections(levels: np.ndarray, lines: np.ndarray, table: Mapping[int, int]) -> list[Connection]:
    """Return what each of the 36 connections does on a controller that commutates by ``table``."""
    best = np.max([between(lines, *pair) for pair in PAIRS], axis=0)
    found = []
    for phases in permutations(range(3)):
        for sensors in permutations(range(3)):
            state = states(levels[list(sensors)])
            torque = np.zeros(state.size)
            for number, drive in table.items():
                high, low = PAIRS[drive]
                here = state == number
                torque[here] = between(lines, phases[high], phases[low])[here]
            found.append(Connection(phases, sensors, float(torque.mean() / best.mean()), _behaviour(torque, best)))
    return found


def _behaviour(torque: np.ndarray, best: np.ndarray) -> str:
    mean = float(torque.mean() / best.mean())
    along = float(np.maximum(torque, 0).sum())
    against = float(-np.minimum(torque, 0).sum())
    whole = along + against
    # Where a good part of the turn pushes back, the rotor stands still at the place between.
    if whole == 0 or min(along, against) > 0.15 * whole:
        return "does not run"
    way = "forward" if mean > 0 else "backward"
    return way if abs(mean) > 0.85 else f"{way}, badly timed"


def mend(start: Connection, all_of_them: Sequence[Connection]) -> Connection | None:
    """Return the connection that runs forward with the fewest wires moved from ``start``; ``None`` if none does."""
    good = [c for c in all_of_them if c.behaviour == "forward"]
    if not good:
        return None

    def moved(other: Connection) -> tuple[int, int, tuple[int, ...], tuple[int, ...]]:
        phases = sum(x != y for x, y in zip(start.phases, other.phases, strict=True))
        sensors = sum(x != y for x, y in zip(start.sensors, other.sensors, strict=True))
        return phases + sensors, sensors, other.phases, other.sensors

    return min(good, key=moved)


def change_words(start: Connection, goal: Connection) -> str:
    """Say in words which wires to move at the controller to get from one connection to another."""
    parts = []
    for what, before, after in (("phase", start.phases, goal.phases), ("sensor", start.sensors, goal.sensors)):
        places = [i for i in range(3) if before[i] != after[i]]
        if len(places) == 2:
            parts.append(f"exchange the {what} wires at {PHASES[places[0]]} and {PHASES[places[1]]}")
        elif places:
            new = ", ".join(f"{PHASES[i]} to {what} {PHASES[after[i]]}" for i in places)
            parts.append(f"connect {new}")
    return "; ".join(parts) if parts else "nothing to change"
