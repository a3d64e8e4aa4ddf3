"""Choose which points of a long series to draw, so that a figure looks the same and stays small.

Only drawing is thinned, never a fit. The choice depends on the data alone.
"""

from __future__ import annotations

import numpy as np

#: Points of one series above which drawing more would change no pixel of a printed figure.
MAXIMUM_POINTS = 1000


def chosen(x: np.ndarray, y: np.ndarray, maximum: int = MAXIMUM_POINTS) -> np.ndarray:
    """Return the sorted indices of the points to draw of ``x`` and ``y`` ``(n,)``: all of them up to ``maximum``.

    A series that runs along x keeps the smallest and the largest value of each column of the figure, so that no
    peak is lost; a cloud keeps one point per cell of a grid.
    """
    if maximum < 4:
        raise ValueError("a series needs at least four points to keep its shape")
    if len(x) <= maximum:
        return np.arange(len(x))
    if np.all(np.diff(x) >= 0):
        return _extremes(x, y, maximum)
    return _cells(x, y, maximum)


def _extremes(x: np.ndarray, y: np.ndarray, maximum: int) -> np.ndarray:
    columns = maximum // 2 - 1
    width = x[-1] - x[0]
    place = (x - x[0]) / width if width > 0 else np.linspace(0, 1, len(x))
    column = np.minimum((place * columns).astype(int), columns - 1)
    # Sorted by column, then value: the first and the last of each column are its extremes.
    order = np.lexsort((np.arange(len(y)), y, column))
    edges = np.flatnonzero(np.diff(column[order]))
    first = np.concatenate([[0], edges + 1])
    last = np.concatenate([edges, [len(order) - 1]])
    return np.unique(np.concatenate([[0], order[first], order[last], [len(x) - 1]]))


def _cells(x: np.ndarray, y: np.ndarray, maximum: int) -> np.ndarray:
    def place(values: np.ndarray, count: int) -> np.ndarray:
        span = np.ptp(values)
        scaled = (values - values.min()) / span if span > 0 else np.zeros(len(values))
        return np.minimum((scaled * count).astype(int), count - 1)

    count = 512
    while True:
        cell = place(x, count) * count + place(y, count)
        first = np.unique(cell, return_index=True)[1]
        if len(first) <= maximum or count <= 2:
            return np.sort(first)[:maximum]
        count //= 2
