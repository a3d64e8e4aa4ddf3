"""Friction from a power balance: what the supply gives, less what the winding and the controller turn into heat."""

from __future__ import annotations

import math

import numpy as np

from ..errors import FitError
from .regression import Estimates, linear_fit


def air_share(speed: np.ndarray, power: np.ndarray, *, standby_known: bool) -> tuple[float, float] | None:
    """Return which share of the torque ``power / speed`` at top speed goes as its square, and its standard error.

    ``speed`` ``(n,)`` in rad/s, above zero, ``power`` ``(n,)`` in W. Coulomb friction and hysteresis take a constant
    torque, viscous drag and eddy currents one in proportion to speed, air, a fan or a propeller one as its square
    (affinity laws). Where the standby power is not taken off, its part of the torque, as one over speed, is fitted too.
    ``None`` with fewer than two points more than terms, or where their speeds do not tell the terms apart.
    """
    top = float(speed.max())
    x = speed / top
    terms = [np.ones_like(x), x, x**2] + ([] if standby_known else [1.0 / x])
    if x.size < len(terms) + 2:
        return None
    try:
        fitted = linear_fit(np.column_stack(terms), power / speed)
    except FitError:
        return None
    whole = float(np.sum(fitted.values[:3]))
    if not whole > 0:
        return None
    return float(fitted.values[2]) / whole, float(np.sqrt(fitted.covariance[2, 2])) / whole


def six_step_winding_loss(phase_resistance: float | np.ndarray, current: np.ndarray) -> np.ndarray:
    """Return the winding loss (W) at DC ``current`` (A): 2 R I^2, two phases in series at any time."""
    return 2.0 * phase_resistance * np.asarray(current, dtype=float) ** 2


def rotor_frame_winding_loss(
    phase_resistance: float | np.ndarray, current_q: np.ndarray, current_d: np.ndarray | float = 0.0
) -> np.ndarray:
    """Return the winding loss (W) of sinusoidal currents, given as peaks in the rotor frame (A).

    Three phases, each of RMS current peak/sqrt(2): 1.5 R (iq^2 + id^2).
    """
    return 1.5 * phase_resistance * (np.asarray(current_q, dtype=float) ** 2 + np.asarray(current_d, dtype=float) ** 2)


def sine_winding_loss(phase_resistance: float | np.ndarray, emf_voltage: np.ndarray, power: np.ndarray) -> np.ndarray:
    """Return the winding loss (W) of sinusoidal currents in phase with the EMF that take ``power`` (W) in all.

    ``emf_voltage`` is the DC EMF constant times speed (V). With the amplitude of the line EMF of a sine, pi/3 of it,
    the power is sqrt(3)/2 E i + 1.5 R i^2.
    """
    amplitude = np.sqrt(0.75) * (np.pi / 3) * np.asarray(emf_voltage)
    r = 1.5 * np.asarray(phase_resistance)
    current = 2 * power / (amplitude + np.sqrt(amplitude**2 + 4 * r * power))
    return np.asarray(r * current**2)


def bridge_loss_in_friction(
    coulomb: float, viscous: float, emf_constant: float, drop: float, resistance: float, speed_max: float
) -> tuple[float, float]:
    """Return the parts of ``coulomb`` (N m) and ``viscous`` (N m s/rad) that are the loss of a bridge, not friction.

    A power balance at no load takes what a bridge loses beyond standby, ``drop`` I + ``resistance`` I^2 (V, ohm), for
    friction. With the no-load current I = (c + b w)/Ke this is a polynomial in speed w; its linear and square terms
    are torques, its constant is spread over both by least squares between 0.3 and 1 times ``speed_max`` (rad/s).
    """
    i0, i1 = coulomb / emf_constant, viscous / emf_constant
    constant = drop * i0 + resistance * i0**2
    # Normal equations of the torque 1/x = c + b x over 0.3 < x < 1: voltages at even steps, weighed by their inverse.
    m0, m1, m2 = ((1.0 - 0.3**k) / k for k in range(1, 4))
    inverse = -math.log(0.3)
    determinant = m0 * m2 - m1**2
    spread_c = (inverse * m2 - m0 * m1) / determinant * constant / speed_max
    spread_b = (m0 * m0 - inverse * m1) / determinant * constant / speed_max**2
    return drop * i1 + 2.0 * resistance * i0 * i1 + spread_c, resistance * i1**2 + spread_b


def no_load_balance(
    voltage: np.ndarray,
    speed: np.ndarray,
    power: np.ndarray,
    *,
    standby: np.ndarray | None,
    standby_rises: bool = False,
    ordered: bool = False,
    noise: np.ndarray | None = None,
) -> Estimates:
    """Fit ``power = c speed + b speed^2 (+ p0 s (+ i0 voltage))``, all ``(n,)`` in W, rad/s, V.

    ``power`` is the supply power less the winding loss; values are ``[c, b]``, then p0 where ``standby`` gives the
    course ``s`` ``(n,)`` of a standby power that is not known, then i0 where ``standby_rises``. Bearing friction and
    hysteresis make c, viscous drag and eddy currents b; p0 and i0 are what the controller takes with the motor
    standing, which readings at speed zero determine. The balance is divided by the voltage, since it is the current
    reading that scatters alike from row to row, or by ``noise`` ``(n,)``, the relative size of each row's scatter,
    where that is known. Raises ``FitError`` where the readings do not determine all terms.
    """
    columns = [speed, speed**2]
    if standby is not None:
        columns.append(standby)
    if standby_rises:
        columns.append(voltage)
    size = voltage if noise is None else noise
    return linear_fit(np.column_stack(columns) / size[:, None], power / size, ordered=ordered)
