"""Clock times written in steps: what that leaves open of the time of each reading (JCGM 100:2008, F.2.2.1).

Where readings come at another pace than the clock ticks, each stamp is off by itself, and that shows in the scatter of
the readings. Where they come nearly at its pace, neighbours are off alike and the error wanders over the log: as a line
between a few places of the log, each with a rectangular error of its own (common practice, no source; the tests hold it
against clocks of every pace).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

#: Places of a log that are off by themselves, evenly spaced, and what a budget calls them.
PLACES = ("first reading", "middle", "last reading")


@dataclass(frozen=True, slots=True)
class StampError:
    """Rounding of the stamps about one of ``PLACES``, rectangular with a half-width of half a ``step`` (s).

    The readings towards the next places move along in proportion: so a duration from end to end gets the errors of both
    ends, and the slope and the bend of anything over time get theirs.
    """

    step: float
    place: int

    def error(self, readings: np.ndarray) -> np.ndarray:
        """Return the error of each time ``(n,)`` (s) for one standard uncertainty of this place, in s."""
        readings = np.asarray(readings, dtype=float)
        whole = 0.5 * self.step / math.sqrt(3.0)
        span = float(np.ptp(readings)) if readings.size else 0.0
        if span == 0:
            return np.full(readings.shape, whole if self.place == 0 else 0.0)
        along = (readings - readings.min()) / span * (len(PLACES) - 1)
        return whole * np.clip(1.0 - np.abs(along - self.place), 0.0, None)
