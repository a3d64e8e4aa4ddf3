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


#: A reading off the line by so many robust standard deviations, by this share of what the line leads to, and by this
#: share of the middle voltage is a slip of the pen or of the meter's range, not scatter or warming (common practice,
#: no source).
_FAR_DEVIATIONS, _FAR_SHARE, _FAR_FLOOR = 10.0, 0.2, 0.1
#: So many readings are enough to find the line of most.
_ENOUGH = 300


def far_off(current: np.ndarray, voltage: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which readings (A, V, both ``(n,)``) lie far off the line of the others, and the voltage it leads to.

    The line is that of the median of all slopes between two readings (Theil and Sen), which single readings do not
    move. Where fewer than five carry current none is called far off.
    """
    alone = np.zeros(current.shape, bool)
    carrying = np.abs(current) > 0
    if np.count_nonzero(carrying) < 5:
        return alone, voltage
    # A pair that is left open while others are tested stays near zero.
    carrying = np.abs(current) > 0.01 * float(np.median(np.abs(current[carrying])))
    chosen = np.flatnonzero(carrying)[:: max(1, int(np.count_nonzero(carrying)) // _ENOUGH)]
    if len(chosen) < 5:
        return alone, voltage
    i, u = current[chosen], voltage[chosen]
    one, other = np.triu_indices(len(chosen), 1)
    apart = i[one] != i[other]
    if not apart.any():
        return alone, voltage
    slope = float(np.median((u[one] - u[other])[apart] / (i[one] - i[other])[apart]))
    expected = float(np.median(u - slope * i)) + slope * current
    rest = np.abs(voltage - expected)
    spread = 1.4826 * float(np.median(rest[carrying]))
    least = max(_FAR_DEVIATIONS * spread, _FAR_FLOOR * float(np.median(np.abs(expected[carrying]))))
    far = rest > np.maximum(least, _FAR_SHARE * np.maximum(np.abs(voltage), np.abs(expected)))
    return far & carrying, expected


def resistance_from_steps(current: np.ndarray, voltage: np.ndarray) -> Estimates:
    """Fit ``voltage = offset + R current`` (A, V, both ``(n,)``); values are ``[offset, R]``.

    The offset takes up thermal EMF and the zero errors of the meters. Raises ``FitError`` if the current
    never changes, since a single current cannot tell offset from resistance.
    """
    return linear_fit(np.column_stack([np.ones_like(current), current]), voltage)


def heat_put_in(power: np.ndarray, time: np.ndarray | None) -> np.ndarray:
    """Return the heat in the winding at each of the readings ``(n,)``, in the order they were taken.

    ``power`` ``(n,)`` in W; with ``time`` ``(n,)`` in s the result is in J, else in W times readings, for readings
    taken at an even pace: sum_(j<i) P_j dt_j + P_i dt_i/2, each reading counting half of its own step.
    """
    steps = np.ones_like(power) if time is None else np.diff(time, prepend=time[0] - np.median(np.diff(time)))
    heat = np.cumsum(power * steps)
    return heat - 0.5 * power * steps


def resistances_from_steps(
    current: np.ndarray, voltage: np.ndarray, used: np.ndarray, time: np.ndarray | None = None
) -> Estimates:
    """Fit all line pairs at once, with the winding warming as the test goes on.

    ``current``, ``voltage`` (A, V) and ``used`` (bool) are ``(n, k)``, a row per reading and a column per pair, rows in
    the order they were taken. The model is ``voltage = offset_k + R_k current (1 + w heat)`` with one warming
    coefficient ``w`` for the winding, where ``heat`` is the energy put in so far (``heat_put_in``): the test current
    itself heats the copper, later pairs are measured warmer, and without ``w`` that would pass for unbalance.
    Values are ``[offset_1 .. offset_k, R_1 .. R_k, w]``, the resistances those of the start. Raises ``FitError``.
    """
    k = current.shape[1]
    first = [resistance_from_steps(current[used[:, i], i], voltage[used[:, i], i]).values[1] for i in range(k)]
    heat = heat_put_in(np.where(used, current**2 * np.abs(first), 0.0).sum(axis=1), time)
    heat = heat / max(float(heat.max()), 1e-300)
    design, observed = [], []
    for i in range(k):
        rows = used[:, i]
        block = np.zeros((int(rows.sum()), 2 * k + 1))
        block[:, i] = 1.0
        block[:, k + i] = current[rows, i]
        block[:, 2 * k] = first[i] * current[rows, i] * heat[rows]
        design.append(block)
        observed.append(voltage[rows, i])
    return linear_fit(np.vstack(design), np.concatenate(observed))


def temperature_factor(temperature: Any, constant: Any, reference: float = 20.0) -> Any:
    """Return R(temperature)/R(reference) = (k + T)/(k + T0), temperatures in degC (IEC 60034-1).

    ``temperature`` may be one value or an array. ``constant`` k: 234.5 for annealed copper (resistivity tables,
    IEC 60028), 235 in the machine standards, 225 for aluminium.
    """
    return (constant + temperature) / (constant + reference)


def phase_resistance(resistance_ab: float, resistance_bc: float, resistance_ca: float) -> float:
    """Return half the mean of the line-to-line resistances (ohm), (R_ab + R_bc + R_ca)/6: that of a star's phase."""
    return (resistance_ab + resistance_bc + resistance_ca) / 6.0


def unbalance(values: np.ndarray) -> Any:
    """Return the largest deviation from the mean over the mean, as a ratio (NEMA MG 1, 14.36): max |R_i - mean|/mean.

    ``values`` is ``(3,)`` or, for many trials at once, ``(3, n)``; the result ``()`` or ``(n,)``.
    """
    mean = np.mean(values, axis=0)
    return np.max(np.abs(values - mean), axis=0) / mean
