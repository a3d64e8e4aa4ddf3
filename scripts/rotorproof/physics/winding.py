"""The winding as a resistance: slopes, temperature, phase values and unbalance."""

from __future__ import annotations

from typing import Any

import numpy as np

from .regression import Estimates, linear_fit


def driven(current: np.ndarray) -> np.ndarray:
    """Return which of the readings ``(n,)`` belong to a driven pair, as a boolean mask.

    Where a pair is left open while others are tested its current stays within 1 % of its own largest value of
    zero; such rows are kept only if the whole log is at that level.
    """
    current = np.asarray(current, dtype=float)
    largest = np.max(np.abs(current), initial=0.0)
    return np.ones(current.shape, bool) if largest == 0 else np.abs(current) > 0.01 * largest


def resistance_from_steps(current: np.ndarray, voltage: np.ndarray) -> Estimates:
    """Fit ``voltage = offset + R current`` (A, V, both ``(n,)``); values are ``[offset, R]``.

    The offset takes up thermal EMF and the zero errors of the meters. Raises ``FitError`` if the current
    never changes, since a single current cannot tell offset from resistance.
    """
    return linear_fit(np.column_stack([np.ones_like(current), current]), voltage)


def temperature_factor(temperature: float, constant: float, reference: float = 20.0) -> float:
    """Return R(temperature)/R(reference) = (k + T)/(k + T0), temperatures in degC (IEC 60034-1).

    ``constant`` k: 234.5 for annealed copper (resistivity tables, IEC 60028), 235 in the machine standards,
    225 for aluminium.
    """
    return (constant + temperature) / (constant + reference)


def phase_resistance(resistance_ab: float, resistance_bc: float, resistance_ca: float) -> float:
    """Return half the mean of the three line-to-line resistances (ohm)."""
    return (resistance_ab + resistance_bc + resistance_ca) / 6.0


def unbalance(values: np.ndarray) -> Any:
    """Return the largest deviation from the mean over the mean, as a ratio (NEMA MG 1, 14.36).

    ``values`` is ``(3,)`` or, for many trials at once, ``(3, n)``; the result ``()`` or ``(n,)``.
    """
    mean = np.mean(values, axis=0)
    return np.max(np.abs(values - mean), axis=0) / mean
