"""How a motor is fed from a DC supply: torque, current and the DC voltage that an operating point asks for.

A drive is a curve of operating points at each speed, followed by one coordinate that grows with the load. All values
may be arrays ``(n,)``. Torque is that of the EMF; friction is not part of it.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from . import block_commutation
from .block_commutation import Steady, Values, Winding


class Point(NamedTuple):
    """An operating point: DC voltage at full duty (V), DC current (A), torque (N m), and two currents of the motor (A).

    ``limited`` is the mean of the current that a limit on the motor's current acts on; ``heating`` is the direct
    current through two phases that heats the winding as much.
    """

    voltage: Values
    current: Values
    torque: Values
    limited: Values
    heating: Values


class Drive(ABC):
    """A motor with its way of being fed."""

    @abstractmethod
    def emf_dc(self) -> Values:
        """Return the DC EMF constant (V s/rad), near enough to begin a search with."""

    @abstractmethod
    def line_resistance(self) -> Values:
        """Return the resistance (ohm) in the path of the DC current, near enough to begin a search with."""

    @abstractmethod
    def point(self, speed: Values, coordinate: Values) -> Point:
        """Return the operating point at ``speed`` (rad/s, above zero) and this coordinate of load."""

    @abstractmethod
    def coordinate(self, speed: Values, current: Values) -> Values:
        """Return the coordinate near a DC ``current`` (A), to begin a search with."""

    @abstractmethod
    def where(self, speed: Values, of: Callable[[Point], Values], target: Values) -> Point:
        """Return the operating point at ``speed`` in which ``of`` it, growing with the load, is ``target``."""

    def from_direct(self, current: Values) -> Values:
        """Return the limited current (A) of the field and heat of a direct ``current`` (A) through two phases."""
        return current

    def direct(self, limited: Values) -> Values:
        """Return the direct current (A) through two phases of the field and heat of a ``limited`` current (A)."""
        return limited

    def standing_resistance(self) -> Values:
        """Return the resistance (ohm) that makes the heat of a limited current at standstill: P = r i^2."""
        return self.line_resistance()

    @abstractmethod
    def standing_torque(self, current: Values) -> Values:
        """Return the torque (N m) at standstill with this limited current (A)."""

    @abstractmethod
    def standing_current(self, voltage: Values, resistance: Values) -> Values:
        """Return the limited current (A) at standstill, full ``voltage`` (V) and ``resistance`` (ohm) before it."""


@dataclass(frozen=True)
class Smooth(Drive):
    """A machine without ripple or commutation, as a DC machine is: V = Ke w + R I and T = Ke I. Coordinate: I."""

    emf: Values
    resistance: Values

    def emf_dc(self) -> Values:
        """Return the EMF constant."""
        return self.emf

    def line_resistance(self) -> Values:
        """Return the resistance."""
        return self.resistance

    def point(self, speed: Values, coordinate: Values) -> Point:
        """Return the operating point with this current."""
        i = coordinate
        return Point(self.emf * speed + self.resistance * i, i, self.emf * i, i, np.abs(i))

    def coordinate(self, speed: Values, current: Values) -> Values:
        """Return the current itself."""
        del speed
        return current

    def where(self, speed: Values, of: Callable[[Point], Values], target: Values) -> Point:
        """Return the operating point sought."""
        return self.point(speed, _grown(lambda i: of(self.point(speed, i)), target, speed))

    def standing_torque(self, current: Values) -> Values:
        """Return Ke I."""
        return self.emf * current

    def standing_current(self, voltage: Values, resistance: Values) -> Values:
        """Return V / R."""
        return voltage / (self.resistance + resistance)


@dataclass(frozen=True)
class SixStep(Drive):
    """A six-step bridge (``block_commutation``). Coordinate: time in s that a current takes to leave its phase.

    A limit on the motor's current acts on that of the two conducting phases, which is more than the DC current: the
    phase that is switched off gives its own back to the supply.
    """

    winding: Winding

    def emf_dc(self) -> Values:
        """Return the mean of the line EMF around its crest over speed."""
        return self.winding.emf_dc()

    def line_resistance(self) -> Values:
        """Return that of two phases in series."""
        return 2 * self.winding.resistance

    def point(self, speed: Values, coordinate: Values) -> Point:
        """Return the steady state with this time of commutation."""
        overlap = coordinate * self.winding.pole_pairs * speed
        return self._of(speed, block_commutation.steady(self.winding, speed, overlap))

    def coordinate(self, speed: Values, current: Values) -> Values:
        """Return the time in which the supply and two line EMFs take a current down: 3 L I / (V + ...)."""
        emf = self.winding.emf * speed
        return 3 * self.winding.inductance * current / (1.9 * emf + 2 * self.winding.resistance * current)

    def where(self, speed: Values, of: Callable[[Point], Values], target: Values) -> Point:
        """Return the operating point sought, NaN where there is none. Raises ``FitError`` if there is none at all."""
        of_state = partial(self._of, speed)
        found = block_commutation.where(self.winding, speed, lambda state: np.asarray(of(of_state(state))), target)
        return of_state(found)

    def _of(self, speed: Values, state: Steady) -> Point:
        """Return the point; what heats is in 2 R I^2 = what the supply gives less what the EMF takes.

        So it holds ripple and changes of phase count.
        """
        copper = state.voltage * state.current - state.torque * speed
        heating = np.sqrt(np.maximum(copper, 0.0) / (2 * self.winding.resistance))
        return Point(state.voltage, state.current, state.torque, state.conducted, heating)

    def standing_torque(self, current: Values) -> Values:
        """Return the mean over the positions of a sector."""
        return self.winding.emf_dc() * current

    def standing_current(self, voltage: Values, resistance: Values) -> Values:
        """Return V / R through two phases."""
        return voltage / (2 * self.winding.resistance + resistance)


@dataclass(frozen=True)
class FieldOriented(Drive):
    """Sinusoidal currents in phase with the EMF (i_d = 0). Coordinate: current_q, the peak of a phase current (A).

    ``T = (sqrt(3)/2) a i_q`` with ``a`` the fundamental of the line EMF over speed (1.5 p psi i_q), copper loss
    ``1.5 R i_q^2``; the peak of the line voltage, ``sqrt(3) |v|``, is at most ``modulation`` times the DC voltage (1:
    the linear range of space-vector modulation; sqrt(3)/2: of sinusoidal modulation). A limit on the motor's current
    acts on i_q. Source: N. Mohan, Advanced Electric Drives (dq equations of a permanent-magnet machine).
    """

    winding: Winding
    modulation: Values = 1.0

    def emf_dc(self) -> Values:
        """Return DC volts per speed at no load, where the controller runs out of voltage."""
        return self.winding.emf / self.modulation

    def line_resistance(self) -> Values:
        """Return what takes 1.5 R i_q^2 at the DC current of full voltage, i_q sqrt(3)/2 times modulation."""
        return 2 * self.winding.resistance / np.square(self.modulation)

    def point(self, speed: Values, coordinate: Values) -> Point:
        """Return the operating point with this current_q."""
        w, i = self.winding, coordinate
        across = w.pole_pairs * speed * w.inductance * i
        along = w.emf * speed / np.sqrt(3) + w.resistance * i
        voltage = np.sqrt(3) * np.hypot(across, along) / self.modulation
        torque = np.sqrt(0.75) * w.emf * i
        supplied = torque * speed + 1.5 * w.resistance * i * i
        return Point(voltage, supplied / voltage, torque, i, np.abs(self.direct(i)))

    def coordinate(self, speed: Values, current: Values) -> Values:
        """Return current_q of the same torque."""
        del speed
        return current / (np.sqrt(0.75) * self.modulation)

    def where(self, speed: Values, of: Callable[[Point], Values], target: Values) -> Point:
        """Return the operating point sought."""
        return self.point(speed, _grown(lambda i: of(self.point(speed, i)), target, speed))

    def from_direct(self, current: Values) -> Values:
        """Return 2/sqrt(3) I: 1.5 R i^2 = 2 R I^2, and the space vectors are as long."""
        return current / np.sqrt(0.75)

    def direct(self, limited: Values) -> Values:
        """Return sqrt(3)/2 of current_q."""
        return np.sqrt(0.75) * limited

    def standing_resistance(self) -> Values:
        """Return 1.5 R."""
        return 1.5 * self.winding.resistance

    def standing_torque(self, current: Values) -> Values:
        """Return the torque of current_q."""
        return np.sqrt(0.75) * self.winding.emf * current

    def standing_current(self, voltage: Values, resistance: Values) -> Values:
        """Return current_q that takes all of the DC voltage: sqrt(3) R i = m (V - R_0 I), with I = 1.5 R i^2 / V'."""
        r, m = self.winding.resistance, self.modulation
        # The DC current is m sqrt(3)/2 i where the whole voltage drives the current through the winding.
        return m * voltage / (np.sqrt(3) * r + np.sqrt(0.75) * m * m * resistance)


def _grown(value: Callable[[Values], Values], target: Values, like: Values) -> Values:
    """Return the current (A) at which a function that grows with it reaches ``target``, by the secant method."""
    from scipy.optimize import newton

    begin = np.ones(np.broadcast_shapes(np.shape(like), np.shape(target)))

    def difference(current: np.ndarray, /) -> np.ndarray:
        return np.asarray(value(current) - target)

    found = newton(difference, np.atleast_1d(begin), tol=1e-12, maxiter=60)
    return np.asarray(found).reshape(begin.shape)
