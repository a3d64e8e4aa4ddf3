"""What six gates do in short slices of time, for a capture that does not hold all three sensors beside them."""

from __future__ import annotations

import numpy as np

from .bridge import conduction_states

#: Length of a slice in s: several periods of switching, a few slices to a sensor sector.
LENGTH = 200e-6
#: Slices that are worked on at once.
_MOST = 1 << 16
_CHANNELS = np.arange(9)


class GateSlices:
    """Counts slices by the conduction state of the bridge, with the mean level of every channel in each state.

    A slice counts where the ones before and after it show the same state, so that none lies across a step. ``levels``
    ``(8, 10)``: number of slices and sum of the mean levels of six gates and three sensors; ``steps`` ``(8, 8)``: how
    often one state came after another.
    """

    def __init__(self) -> None:
        self.levels = np.zeros((8, 10))
        self.steps = np.zeros((8, 8))
        self.time = np.zeros(0)
        self.level = np.zeros(0, dtype=np.int64)
        self.border: float | None = None
        self.open = (np.zeros(0, dtype=np.int64), np.zeros((9, 0)))  # states and levels of the last two slices
        self.before = -1

    def add(self, time: np.ndarray, level: np.ndarray) -> None:
        """Take channels ``(n,)``, packed as bits, that hold over the n intervals between ``time`` ``(n + 1,)``."""
        if self.border is None:
            self.border = float(time[0])
        self.time = np.concatenate([self.time[:-1], time])
        self.level = np.concatenate([self.level, level.astype(np.int64)])
        while (count := int((self.time[-1] - self.border) / LENGTH)) > 0:
            count = min(count, _MOST)
            self._cut(self.border + LENGTH * np.arange(count + 1))

    def _cut(self, border: np.ndarray) -> None:
        bits = self.level >> _CHANNELS[:, None] & 1
        total = np.concatenate([np.zeros((9, 1)), np.cumsum(bits * np.diff(self.time), axis=1)], axis=1)
        share = np.diff(np.array([np.interp(border, self.time, row) for row in total]), axis=1) / LENGTH
        kept = max(int(np.searchsorted(self.time, border[-1], side="right")) - 1, 0)
        kept = min(kept, self.level.size - 1)
        self.time, self.level, self.border = self.time[kept:], self.level[kept:], float(border[-1])
        state = np.concatenate([self.open[0], conduction_states(share[0:6:2].T, share[1:6:2].T)])
        share = np.concatenate([self.open[1], share], axis=1)
        self.open = (state[-2:], share[:, -2:])
        steady = np.flatnonzero((state[1:-1] == state[:-2]) & (state[1:-1] == state[2:])) + 1
        np.add.at(self.levels[:, 0], state[steady], 1.0)
        for channel in range(9):
            np.add.at(self.levels[:, channel + 1], state[steady], share[channel, steady])
        row = state[steady] if self.before < 0 else np.append(self.before, state[steady])
        if row.size:
            self.before = int(row[-1])
            change = np.flatnonzero(row[1:] != row[:-1])
            np.add.at(self.steps, (row[change], row[change + 1]), 1.0)
