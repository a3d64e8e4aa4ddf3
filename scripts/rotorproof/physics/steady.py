"""Steady stretches in a record: where a machine had come to rest at an operating point."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

_DRIFT = 0.01  # of a signal's whole range, between blocks next but one


def plateaus(signals: Sequence[np.ndarray], blocks: int = 100) -> list[slice]:
    """Return the stretches in which every signal ``(n,)`` stands still, as slices of samples.

    The record is cut into about ``blocks`` blocks (5 samples each at least). A block is steady where the medians of
    its two neighbours differ by less than 1 % of the signal's range, or by less than five times what the noise lets
    them differ; three steady blocks in a row make a plateau, of which the first and last are dropped. Signals that
    never vary are no obstacle. Adding a constant to a signal or scaling it changes nothing.
    """
    n = signals[0].size
    size = max(5, n // blocks)
    count = n // size
    if count < 5:
        return []
    steady = np.ones(count, bool)
    for signal in signals:
        cut = np.asarray(signal, dtype=float)[: count * size].reshape(count, size)
        spread = float(np.ptp(signal))
        if spread == 0:
            continue
        medians = np.median(cut, axis=1)
        noise = 1.4826 * float(np.median(np.abs(cut - medians[:, None])))
        # The median of m normal readings scatters by 1.25 sigma / sqrt(m).
        allowed = max(_DRIFT * spread, 5 * np.sqrt(2) * 1.25 * noise / np.sqrt(size))
        apart = np.abs(medians[2:] - medians[:-2])
        near = np.concatenate([[abs(medians[1] - medians[0])], apart, [abs(medians[-1] - medians[-2])]])
        steady &= near < allowed
    found = []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], steady, [False]]).astype(int)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - start >= 3:
            found.append(slice(int(start + 1) * size, int(stop - 1) * size))
    return found


def levels(values: np.ndarray, rows: Sequence[slice]) -> np.ndarray:
    """Return the mean of ``values`` ``(n,)`` in each stretch, ``(len(rows),)``."""
    return np.array([float(np.mean(values[stretch])) for stretch in rows])
