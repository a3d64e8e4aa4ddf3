"""The time window of a log that a test asks for: what lies outside is left out, and said."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..errors import InputError, Problem


class Window:
    """Readings from ``start`` to ``end`` s, of a log that may arrive in pieces."""

    def __init__(self, start: float, end: float) -> None:
        self.start, self.end = start, end
        self.kept = self.rows = 0
        self._first = self._last = 0.0

    def inside(self, time: np.ndarray) -> np.ndarray:
        """Return which of the next times ``(n,)`` lie inside, and count them."""
        inside = (time >= self.start) & (time <= self.end)
        if time.size:
            self._first = self._first if self.rows else float(time[0])
            self._last = float(time[-1])
        self.rows += time.size
        self.kept += int(np.count_nonzero(inside))
        return inside

    def of(self, columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return the next readings as far as they lie inside."""
        inside = self.inside(columns["time"])
        return {name: values[inside] for name, values in columns.items()}

    def note(self, minimum_rows: int, shown: str) -> Problem:
        """Say at the end what was left out. Raises ``InputError`` if fewer than ``minimum_rows`` are left."""
        if self.kept < minimum_rows:
            raise InputError(
                Problem(
                    f"the window {self.start:g} s to {self.end:g} s holds {self.kept} of the {self.rows} readings; at "
                    f"least {minimum_rows} are needed (the log runs from {self._first:g} s to {self._last:g} s)",
                    file=shown,
                    column="time",
                )
            )
        return Problem(
            f"{self.rows - self.kept} of {self.rows} readings lie outside the window {self.start:g} s to "
            f"{self.end:g} s and are left out, as the test asks",
            file=shown,
            severity="warning",
        )


def no_time(shown: str) -> Problem:
    """Return the problem of a window on a log without time."""
    return Problem("the test names a 'window' but its log has no time column", file=shown, column="time")


def not_for_a_capture(shown: str) -> Problem:
    """Return the problem of a window on a capture, which is reduced while it is read."""
    return Problem(
        "a capture is reduced while it is read and takes no 'window'; export the part that is wanted", file=shown
    )
