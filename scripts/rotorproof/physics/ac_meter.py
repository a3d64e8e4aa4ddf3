"""What an AC voltmeter shows of an EMF that is no sine.

The wave of a line is ``cos x + h5 cos 5x + h7 cos 7x`` times its amplitude: three lines a third of a turn apart that
sum to zero hold no harmonics of three, and those above the seventh are small.
"""

from __future__ import annotations

import numpy as np

#: Form factor of a sine, RMS over rectified mean: by it a mean-responding meter multiplies what it reads
#: (IEC 60050-103, form factor; pi / (2 sqrt 2)).
SINE_FORM_FACTOR = float(np.pi / (2 * np.sqrt(2)))
_CREST = np.linspace(0.0, np.pi / 6, 61)


def rms(h5: float | np.ndarray, h7: float | np.ndarray) -> float | np.ndarray:
    """Return the RMS value over the amplitude of the fundamental: sqrt((1 + h5^2 + h7^2)/2) (Parseval)."""
    found: float | np.ndarray = np.sqrt(0.5 * (1.0 + np.square(h5) + np.square(h7)))
    return found


def rectified_mean(h5: float | np.ndarray, h7: float | np.ndarray) -> float | np.ndarray:
    """Return the mean of the rectified wave over the amplitude of the fundamental, by its integral over a half wave.

    (2/pi) (1 + h5/5 - h7/7), for h5 and h7 over the fundamental and in phase with its crest.
    One and a half times it is the mean of the largest of the six line voltages: of three numbers that sum to zero the
    largest without its sign is half the sum of all three without theirs.
    """
    found: float | np.ndarray = 2 / np.pi * (1.0 + np.asarray(h5) / 5 - np.asarray(h7) / 7)
    return found


def peak(h5: float | np.ndarray, h7: float | np.ndarray) -> float | np.ndarray:
    """Return the largest value of cos x + h5 cos 5x + h7 cos 7x; it lies within 30 degrees of the crest."""
    h5, h7 = np.asarray(h5, dtype=float)[..., None], np.asarray(h7, dtype=float)[..., None]
    found: np.ndarray = np.max(np.cos(_CREST) + h5 * np.cos(5 * _CREST) + h7 * np.cos(7 * _CREST), axis=-1)
    return found


def shown(h5: float | np.ndarray, h7: float | np.ndarray, mean_responding: float) -> float | np.ndarray:
    """Return what a meter shows over the amplitude: of a true-RMS one (0), or a mean-responding one (1).

    ``rms``, or ``rectified_mean`` times the form factor of a sine, pi/(2 sqrt(2)); between 0 and 1 a mixture.
    """
    by_mean = SINE_FORM_FACTOR * rectified_mean(h5, h7)
    return (1.0 - mean_responding) * rms(h5, h7) + mean_responding * by_mean
