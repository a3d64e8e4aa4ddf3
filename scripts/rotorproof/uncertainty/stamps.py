"""Clock times written in steps: what that leaves open of the time of each reading (JCGM 100:2008, F.2.2.1)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class StampEnd:
    """Rounding of the ``first`` or the last stamp of a log, rectangular with a half-width of half a ``step`` (s).

    The readings between the ends move along in proportion: so a duration from end to end gets the errors of both, and
    the slope of anything over time gets them too. What each stamp between the ends is off by itself is part of the
    scatter of the readings about a fit.
    """

    step: float
    first: bool

    def error(self, readings: np.ndarray) -> np.ndarray:
        """Return the error of each time ``(n,)`` (s) for one standard uncertainty of this end, in s."""
        readings = np.asarray(readings, dtype=float)
        whole = 0.5 * self.step / math.sqrt(3.0)
        span = float(np.ptp(readings)) if readings.size else 0.0
        if span == 0:
            return np.full(readings.shape, whole)
        along = (readings - readings.min()) / span
        return whole * (1.0 - along if self.first else along)
