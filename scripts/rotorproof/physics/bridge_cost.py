"""What commutation and ripple add to the formulas of a smooth bridge, at measured points and near their conditions.

A smooth bridge has ``V = Ke w + 2 R I``, ``T = Ke I`` and a winding loss of ``2 R I^2``. A real one takes more voltage,
gives a little less torque and heats the winding more (``block_commutation``). What it adds is solved once at each point
and followed along inductance, shape of the EMF and lead of the switching by a parabola through three solutions each, so
that a fit that is repeated with other readings need not solve the bridge again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from . import block_commutation

#: Steps to both sides of the centre: of ln(L/R), of the fifth and the seventh harmonic, and of the lead (rad).
_STEPS = (0.4, 0.02, 0.02, 0.035)


@dataclass(frozen=True)
class Conditions:
    """What the added terms hang on beside speed and current: L/R in s, harmonics of the EMF, lead in rad."""

    time_constant: float
    fifth: float
    seventh: float
    lead: float

    def coordinates(self) -> np.ndarray:
        """Return the four coordinates along which the terms are followed."""
        return np.array([np.log(self.time_constant), self.fifth, self.seventh, self.lead])


@dataclass(frozen=True)
class Added:
    """Voltage (V), winding loss (W) and torque (N m) beyond those of a smooth bridge, each ``(n,)``."""

    voltage: np.ndarray
    copper: np.ndarray
    torque: np.ndarray


@dataclass(frozen=True)
class Cost:
    """The added terms ``(3, n)`` at ``centre``, and their slopes and bends ``(4, 3, n)`` along the coordinates."""

    centre: Conditions
    level: np.ndarray
    slope: np.ndarray
    bend: np.ndarray

    def at(self, conditions: Conditions) -> Added:
        """Return the added terms near the centre."""
        away = conditions.coordinates() - self.centre.coordinates()
        found = self.level + np.tensordot(away, self.slope, 1) + np.tensordot(away**2, self.bend, 1)
        return Added(*found)


def cost(
    resistance: np.ndarray,
    emf_dc: np.ndarray,
    turns: float,
    speed: np.ndarray,
    current: np.ndarray,
    centre: Conditions,
) -> Cost:
    """Solve the bridge at points ``(n,)`` of ``speed`` (rad/s) and mean DC ``current`` (A).

    ``resistance`` (ohm, per phase) and ``emf_dc`` (V s/rad) are those of each point ``(n,)``; ``turns`` counts
    electrical turns in one of the shaft. Raises ``FitError`` where a point is none of a six-step bridge.
    """
    steps, shape = np.array(_STEPS), (1 + 2 * len(_STEPS), speed.size)
    winding, ke, r, w, i = _moved(resistance, emf_dc, turns, speed, current, centre)
    found = block_commutation.at_current(winding, w, i)
    added = np.stack([found.voltage - ke * w - 2 * r * i, found.copper - 2 * r * i**2, found.torque - ke * i])
    added = added.reshape(3, *shape).swapaxes(0, 1)  # (9, 3, n)
    up, down = added[1::2], added[2::2]
    per = steps[:, None, None]
    return Cost(centre, added[0], (up - down) / (2 * per), (up + down - 2 * added[0]) / (2 * per**2))


def solvable(
    resistance: np.ndarray,
    emf_dc: np.ndarray,
    turns: float,
    speed: np.ndarray,
    current: np.ndarray,
    centre: Conditions,
) -> np.ndarray:
    """Tell at which of the points ``(n,)`` that ``cost`` takes it finds what is added."""
    winding, _, _, w, i = _moved(resistance, emf_dc, turns, speed, current, centre)
    try:
        found = block_commutation.where(winding, w, lambda state: state.current, i)
    except FitError:
        return np.zeros(speed.size, bool)
    return ~np.isnan(found.overlap).reshape(-1, speed.size).any(axis=0)


def _moved(
    resistance: np.ndarray,
    emf_dc: np.ndarray,
    turns: float,
    speed: np.ndarray,
    current: np.ndarray,
    centre: Conditions,
) -> tuple[block_commutation.Winding, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the windings at the centre and a step to both sides of it, and EMF, resistance, speed, current of each.

    Each ``(9 n,)``, the points of one place after those of another.
    """
    steps = np.array(_STEPS)
    places = [np.zeros(4)] + [
        sign * step * unit for unit, step in zip(np.eye(4), steps, strict=True) for sign in (1, -1)
    ]
    moved = centre.coordinates() + np.array(places)  # (9, 4)
    each = [column[:, None] * np.ones_like(speed) for column in moved.T]
    shape = (len(places), speed.size)
    r, ke, w, i = (np.broadcast_to(v, shape).ravel() for v in (resistance, emf_dc, speed, current))
    log_tau, fifth, seventh, lead = (v.ravel() for v in each)
    winding = block_commutation.from_dc(ke, r, np.exp(log_tau) * r, turns, {5: fifth, 7: seventh}, lead)
    return winding, ke, r, w, i
