"""Back-EMF of a three-phase machine as a Fourier series, per phase and as a space vector.

The magnet flux linkage of phase k turns with the electrical angle; its derivative over that angle is the *shape*
`lambda_k(angle)` in V s (per electrical radian), so that the EMF is the electrical speed times the shape. Shapes run
from the sine to the trapezoid whose flat top is 120 electrical degrees wide.

Sources: Fourier series of a trapezoid (any handbook, for example Bronshtein and Semendyayev, table of Fourier series);
space vectors: Krause, Wasynczuk, Sudhoff, "Analysis of Electric Machinery", chapter 3 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

PHASES = np.exp(2j * np.pi / 3 * np.arange(3))
"""Axes of phases A, B, C in the stationary plane, (3,) complex."""

_RAMP = np.pi / 6
"""Half the angle in which the trapezoid with a flat top of 120 degrees rises from one side to the other, rad."""


def trapezoid_harmonic(order: int) -> float:
    """Amplitude of one odd harmonic of a trapezoid of height 1 whose flat top is 120 degrees wide.

    b_h = 4 sin(h a) / (pi h^2 a), a = 30 degrees (Fourier series of the trapezoid).
    """
    return float(4 * np.sin(order * _RAMP) / (np.pi * order**2 * _RAMP))


@dataclass(frozen=True)
class Waveform:
    """Shape of the EMF: `orders` (n,) of the harmonics and `parts` (3, n) complex amplitudes in V s per electrical
    radian.

    lambda_k(angle) = sum of Im(parts[k] exp(i orders (angle - 2 pi k/3))); orders[0] is 1.
    """

    orders: tuple[int, ...]
    parts: Complexes

    def phases(self, angle: Floats) -> Floats:
        """Shape of the three phases at electrical angles (n,) in rad, (3, n) in V s, zero sequence included."""
        turned = angle[None, :, None] - 2 * np.pi / 3 * np.arange(3)[:, None, None]
        waves = np.exp(1j * turned * np.array(self.orders)) * self.parts[:, None, :]
        return np.asarray(waves.imag.sum(axis=-1))

    def lines(self, angle: Floats) -> Floats:
        """Shape of the line voltages AB, BC, CA, (3, n) in V s."""
        phases = self.phases(angle)
        return phases - np.roll(phases, -1, axis=0)

    def fundamental(self) -> float:
        """Amplitude of the balanced fundamental: the magnets' flux linkage with a phase, V s."""
        return float(np.abs(self.parts[:, 0].mean()))

    @cached_property
    def vector(self) -> Complexes:
        """Fourier coefficients (2 h + 1,) of the shape's space vector, orders -h to h, in V s; h is the highest
        order."""
        highest = max(self.orders)
        count = 8 * highest
        angle = 2 * np.pi * np.arange(count) / count
        vector = 2 / 3 * (PHASES[:, None] * self.phases(angle)).sum(axis=0)
        spectrum = np.fft.fft(vector) / count
        return np.concatenate([spectrum[-highest:], spectrum[: highest + 1]])

    def zero_sequence(self) -> Floats:
        """Amplitudes (n,) in V s of what the three phases have in common: it drives a current round a delta."""
        turns = np.exp(-2j * np.pi / 3 * np.outer(np.arange(3), self.orders))
        return np.asarray(np.abs((self.parts * turns).mean(axis=0)))


def between(squareness: float, amplitude: float, scales: Floats, extra: dict[int, complex]) -> Waveform:
    """Shape between sine (`squareness` 0) and trapezoid (1), of fundamental `amplitude` in V s.

    `scales` (3,) are the phases' shares of it (unequal turns), `extra` relative amplitudes added by order, with their
    phase.
    """
    orders = (1, 2, 3, 5, 7, 11)
    base = np.array(
        [
            1.0 if n == 1 else 0.0 if n == 2 else squareness * trapezoid_harmonic(n) / trapezoid_harmonic(1)
            for n in orders
        ]
    )
    whole = base + np.array([extra.get(n, 0) for n in orders])
    return Waveform(orders, amplitude * np.outer(scales, whole))
