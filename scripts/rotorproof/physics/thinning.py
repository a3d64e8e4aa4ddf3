"""Long records made short before a fit: neighbouring readings are averaged, as far as no harmonic suffers."""

from __future__ import annotations

import numpy as np

from .phase import Track, track

#: Averaging stops where fewer readings than this would be left of an electrical turn.
FEWEST_PER_TURN = 500
#: Readings that an averaged record may hold before it is left as it is.
_ENOUGH = 50_000
#: A part of one that double precision does not hold.
_ROUNDING = 1e-17


def first_factor(lines: np.ndarray) -> int:
    """Return how many readings of ``lines`` ``(k, n)`` to average at first, 1 for none.

    A wave that would turn within the averaged readings loses size; then the record is left as it is.
    """
    m = lines.shape[1] // _ENOUGH
    if m < 2:
        return 1
    return m if keeps(lines, m) else 1


def keeps(lines: np.ndarray, m: int) -> bool:
    """Tell whether averaging ``m`` readings of ``lines`` ``(k, n)`` leaves the size of the largest nearly as it is."""
    before, after = lines.std(axis=1).max(), thinned(lines, m).std(axis=1).max()
    return bool(after > 0.9 * before)


def thinned(values: np.ndarray, m: int) -> np.ndarray:
    """Return ``values`` ``(..., n)`` averaged over each ``m`` neighbours; up to m - 1 last readings are left out."""
    if m == 1:
        return values
    n = values.shape[-1] // m
    # As a product with a vector: several times as fast as a mean over short rows.
    return np.asarray(values[..., : n * m].reshape(*values.shape[:-1], n, m) @ np.full(m, 1.0 / m))


def follow(time: np.ndarray, lines: np.ndarray) -> tuple[Track, int]:
    """Follow the angle of ``lines`` ``(k, n)``; return it with the number of neighbours averaged (long records)."""
    m = first_factor(lines)
    turn = track(thinned(time, m), thinned(lines, m))
    per_turn = turn.angle.size / turn.turns
    if m > 1 and per_turn < FEWEST_PER_TURN:
        m = max(1, int(m * per_turn / FEWEST_PER_TURN))
        turn = track(thinned(time, m), thinned(lines, m))
    return turn, m


def attenuation(orders: int, m: int, step: float) -> np.ndarray:
    """Return by which factor ``(orders,)`` averaging ``m`` readings, ``step`` rad apart, lessens each harmonic.

    The mean of m equally spaced phasors: sin(m h step / 2) / (m sin(h step / 2)).
    """
    x = 0.5 * step * np.arange(1, orders + 1)
    return np.asarray(np.sin(m * x) / (m * np.sin(x)))


def attenuation_of_spread(orders: int, spread: np.ndarray) -> np.ndarray:
    """Return by which factor ``(n, orders)`` averaging lessens each harmonic, where it is not the same everywhere.

    ``spread`` ``(n,)`` is the mean square in rad^2 of the angles that were averaged, from their middle: of a uniform
    angle 2 a wide a^2/3, and (m^2 - 1) step^2/12 of m readings. The factor is that of the uniform angle,
    sin(h a)/(h a), which differs from ``attenuation`` in the fourth power of h a only: by 1e-5 of order 40 at 500
    averages a turn.
    """
    square = 3.0 * spread
    factor = np.empty((orders, spread.size))
    for row in range(orders):
        factor[row] = _sine_over_angle((row + 1.0) ** 2 * square)
    return factor.T


def _sine_over_angle(square: np.ndarray) -> np.ndarray:
    """Return sin(x)/x from x^2: by its series where that is short, which takes a fifth of the time of the sine."""
    largest = float(square.max(initial=0.0))
    if largest > 1.0:
        return np.asarray(np.sinc(np.sqrt(square) / np.pi))
    terms, left = 1, largest / 6.0
    while left > _ROUNDING:
        terms += 1
        left *= largest / ((2 * terms) * (2 * terms + 1))
    value = np.ones_like(square)
    for k in range(terms, 0, -1):
        value *= square
        value *= -1.0 / ((2 * k) * (2 * k + 1))
        value += 1.0
    return value
