"""Counting while reading: distinct values with their counts, runs of equal states over block borders, windows."""

from __future__ import annotations

import numpy as np


class Tally:
    """Distinct whole numbers and how often each came; flat as long as the distinct ones are few."""

    def __init__(self) -> None:
        self.values = np.zeros(0, dtype=np.int64)
        self.counts = np.zeros(0, dtype=np.int64)

    def add(self, numbers: np.ndarray) -> None:
        """Count ``numbers`` ``(n,)``, whole."""
        if numbers.size == 0:
            return
        values, counts = np.unique(numbers, return_counts=True)
        both, place = np.unique(np.concatenate([self.values, values]), return_inverse=True)
        self.counts = np.bincount(place, np.concatenate([self.counts, counts])).astype(np.int64)
        self.values = both


class Runs:
    """Runs of equal states in a series that arrives in blocks.

    ``feed`` returns the runs whose beginning and both neighbours are known: state before, state, state after,
    start and end, arrays ``(k,)``. The two last runs are kept for the next block.
    """

    def __init__(self) -> None:
        self.starts = np.zeros(0)
        self.states = np.zeros(0, dtype=np.int64)

    def feed(self, times: np.ndarray, states: np.ndarray) -> tuple[np.ndarray, ...]:
        """Take states ``(n,)`` that hold from ``times`` ``(n,)`` on."""
        joined_times = np.concatenate([self.starts, times])
        joined = np.concatenate([self.states, states.astype(np.int64)])
        begins = np.flatnonzero(np.append(True, joined[1:] != joined[:-1]))
        starts, kept = joined_times[begins], joined[begins]
        self.starts, self.states = starts[-2:], kept[-2:]
        return kept[:-2], kept[1:-1], kept[2:], starts[1:-1], starts[2:]


class Windows:
    """Means of step functions over equal windows of time; windows double in length when they grow too many."""

    def __init__(self, columns: int, length: float = 0.01, most: int = 2048) -> None:
        self.length, self.most = length, most
        self.origin: float | None = None
        self.sums = np.zeros((columns, 0))
        self.filled = np.zeros(0)

    def add(self, times: np.ndarray, values: np.ndarray) -> None:
        """Take values ``(columns, n)`` that hold over the n intervals between ``times`` ``(n + 1,)``."""
        if times.size < 2:
            return
        if self.origin is None:
            self.origin = float(times[0])
        duration = np.diff(times)
        integral = np.concatenate([np.zeros((values.shape[0], 1)), np.cumsum(values * duration, axis=1)], axis=1)
        while (times[-1] - self.origin) / self.length > self.most:
            self._double()
        first = int((times[0] - self.origin) // self.length)
        last = int(np.ceil((times[-1] - self.origin) / self.length))
        last = max(last, first + 1)
        grid = np.clip(self.origin + self.length * np.arange(first, last + 1), times[0], times[-1])
        if last > self.filled.size:
            more = last - self.filled.size
            self.filled = np.concatenate([self.filled, np.zeros(more)])
            self.sums = np.concatenate([self.sums, np.zeros((self.sums.shape[0], more))], axis=1)
        self.filled[first:last] += np.diff(grid)
        for row in range(values.shape[0]):
            self.sums[row, first:last] += np.diff(np.interp(grid, times, integral[row]))

    def _double(self) -> None:
        if self.filled.size % 2:
            self.filled = np.append(self.filled, 0.0)
            self.sums = np.concatenate([self.sums, np.zeros((self.sums.shape[0], 1))], axis=1)
        self.filled = self.filled.reshape(-1, 2).sum(axis=1)
        self.sums = self.sums.reshape(self.sums.shape[0], -1, 2).sum(axis=2)
        self.length *= 2

    def means(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the middles of the whole windows ``(k,)`` in s and the means ``(columns, k)``."""
        whole = self.filled > 0.999 * self.length
        origin = 0.0 if self.origin is None else self.origin
        middles = origin + self.length * (np.arange(self.filled.size) + 0.5)
        return middles[whole], self.sums[:, whole] / self.filled[whole]
