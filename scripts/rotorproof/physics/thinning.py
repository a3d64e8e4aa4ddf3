"""Long records made short before a fit: neighbouring readings are averaged, as far as no harmonic suffers."""

from __future__ import annotations

import numpy as np

#: Readings that an averaged record may hold before it is left as it is.
_ENOUGH = 50_000


def first_factor(lines: np.ndarray) -> int:
    """Return how many readings of ``lines`` ``(k, n)`` to average at first, 1 for none.

    A wave that would turn within the averaged readings loses size; then the record is left as it is.
    """
    m = lines.shape[1] // _ENOUGH
    if m < 2:
        return 1
    before, after = lines.std(axis=1).max(), thinned(lines, m).std(axis=1).max()
    return m if after > 0.9 * before else 1


def thinned(values: np.ndarray, m: int) -> np.ndarray:
    """Return ``values`` ``(..., n)`` averaged over each ``m`` neighbours; up to m - 1 last readings are left out."""
    if m == 1:
        return values
    n = values.shape[-1] // m
    return np.asarray(values[..., : n * m].reshape(*values.shape[:-1], n, m).mean(axis=-1))


def attenuation(orders: int, m: int, step: float) -> np.ndarray:
    """Return by which factor ``(orders,)`` averaging ``m`` readings, ``step`` rad apart, lessens each harmonic.

    The mean of m equally spaced phasors: sin(m h step / 2) / (m sin(h step / 2)).
    """
    x = 0.5 * step * np.arange(1, orders + 1)
    return np.asarray(np.sin(m * x) / (m * np.sin(x)))
