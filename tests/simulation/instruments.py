"""Imperfect instruments: one systematic error within the stated accuracy, noise, and steps of the converter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class BenchInstrument:
    """An instrument whose error stays within "relative * |reading| + fixed", the same for all its readings.

    ``position`` in [-1, 1] is where within the stated limits this specimen lies; ``noise`` is the standard
    deviation and ``step`` the resolution, both in the unit of the reading.
    """

    relative: float
    fixed: float
    position: float
    noise: float = 0.0
    step: float = 0.0

    @classmethod
    def drawn(
        cls, rng: np.random.Generator, relative: float, fixed: float, noise: float = 0.0, step: float = 0.0
    ) -> BenchInstrument:
        """Draw a specimen: its error is uniform within the stated limits (JCGM 100:2008, 4.3.7)."""
        return cls(relative, fixed, float(rng.uniform(-1, 1)), noise, step)

    def read(self, true: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Return readings of ``true`` ``(n,)``, in the same unit."""
        true = np.asarray(true, dtype=float)
        sign = -1.0 if float(np.mean(true)) < 0 else 1.0
        shown = true + self.position * (self.relative * true + sign * self.fixed)
        shown = shown + rng.normal(0.0, self.noise, true.shape) if self.noise else shown
        return np.round(shown / self.step) * self.step if self.step else shown
