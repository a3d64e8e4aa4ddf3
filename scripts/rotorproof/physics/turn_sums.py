"""Sums over blocks of turns and bins of angle: what is left of a record of any length, and never grows."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

#: Blocks of equal turns held at most; when more would be needed, each two become one.
MOST_BLOCKS = 48


class TurnSums:
    """Sums of ``quantities`` by block and bin, with ``bins`` in a turn."""

    def __init__(self, quantities: int, bins: int) -> None:
        self.bins = bins
        self.turns_per_block = 1
        self.sums = np.zeros((quantities, 0, bins))

    def add(self, turn: np.ndarray, place: np.ndarray, values: Iterable[np.ndarray | float]) -> None:
        """Add values ``(n,)``, or one for all, of each quantity at rising turns ``(n,)`` from 0 and bins ``(n,)``.

        Values are taken one by one: fastest if they are made only then.
        """
        if turn.size == 0:
            return
        first, last = max(int(turn[0]), 0), max(int(turn[-1]), 0)
        while last // self.turns_per_block >= MOST_BLOCKS:
            self._halve()
        low, high = first // self.turns_per_block, last // self.turns_per_block + 1
        if high > self.sums.shape[1]:
            more = high - self.sums.shape[1]
            self.sums = np.concatenate([self.sums, np.zeros((len(self.sums), more, self.bins))], axis=1)
        # Block by block, of which a stretch of readings touches few, because turns rise.
        ends = [0, *np.searchsorted(turn, np.arange(low + 1, high) * self.turns_per_block).tolist(), turn.size]
        pieces = [(block, slice(*ends[block - low : block - low + 2])) for block in range(low, high)]
        for row, value in enumerate(values):
            for block, rows in pieces:
                if isinstance(value, np.ndarray):
                    self.sums[row, block] += np.bincount(place[rows], value[rows], self.bins)
                elif value:
                    self.sums[row, block] += value * np.bincount(place[rows], minlength=self.bins)

    def _halve(self) -> None:
        self.turns_per_block *= 2
        if self.sums.shape[1] % 2:
            self.sums = np.concatenate([self.sums, np.zeros((len(self.sums), 1, self.bins))], axis=1)
        self.sums = self.sums.reshape(len(self.sums), -1, 2, self.bins).sum(axis=2)

    def blocks(self, turns: float) -> np.ndarray:
        """Return the sums ``(quantities, blocks, bins)`` of a record of ``turns``.

        A last block that holds less than one turn, or less than half a block, is joined with the one before, as long
        as three are left.
        """
        sums = self.sums
        rest = turns - (sums.shape[1] - 1) * self.turns_per_block
        if sums.shape[1] > 3 and rest < max(1.0, 0.5 * self.turns_per_block):
            sums = np.concatenate([sums[:, :-2], sums[:, -2:].sum(axis=1, keepdims=True)], axis=1)
        return sums
