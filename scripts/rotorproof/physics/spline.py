"""A cubic spline through points, drawn at rising times interval by interval, not point by point."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np


def repeated(edges: np.ndarray, count: int) -> Callable[[np.ndarray], np.ndarray]:
    """Return what gives each of ``count`` rising points the value of its interval, of m + 1.

    ``edges`` ``(m,)`` is the first point of each interval but the first. To repeat values takes a third of the time of
    picking them.
    """
    lengths = np.empty(edges.size + 1, int)
    lengths[:-1], lengths[-1] = edges, count
    lengths[1:] -= edges
    return lambda values: values.repeat(lengths)


class Spline:
    """Cubic spline through points ``(m,)``, m at least 4, at rising ``x``.

    Its third derivative is steady at the second point and at the last but one ("not a knot"; de Boor, A Practical Guide
    to Splines, 1978, chapter IV).
    """

    def __init__(self, x: np.ndarray, y: np.ndarray) -> None:
        from scipy.linalg.lapack import dgtsv

        h = x[1:] - x[:-1]
        rise = (y[1:] - y[:-1]) / h
        diagonal, right = np.empty((2, x.size))
        below, above = np.empty((2, h.size))
        diagonal[1:-1] = 2 * (h[:-1] + h[1:])
        above[1:], below[:-1] = h[:-1], h[1:]
        right[1:-1] = 3 * (h[1:] * rise[:-1] + h[:-1] * rise[1:])
        first, last = x[2] - x[0], x[-1] - x[-3]
        diagonal[0], above[0] = h[1], first
        right[0] = ((h[0] + 2 * first) * h[1] * rise[0] + h[0] ** 2 * rise[1]) / first
        diagonal[-1], below[-1] = h[-2], last
        right[-1] = (h[-1] ** 2 * rise[-2] + (2 * last + h[-1]) * h[-2] * rise[-1]) / last
        slope = dgtsv(below, diagonal, above, right, 1, 1, 1, 1)[3]
        bend = (slope[:-1] + slope[1:] - 2 * rise) / h
        self._x = x
        self._coefficients = (y[:-1], slope[:-1], (rise - slope[:-1]) / h - bend, bend / h)

    def __call__(self, points: np.ndarray) -> np.ndarray:
        """Return the value at ``points`` ``(n,)``; beyond the ends the outer cubics go on."""
        return self._at(points)[0]

    def with_slope(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return value and first derivative at ``points`` ``(n,)``."""
        value, near, (_, slope, half, sixth) = self._at(points)
        return value, (3 * sixth * near + 2 * half) * near + slope

    def _at(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
        inner = self._x[1:-1]
        if (points[1:] >= points[:-1]).all():
            of = repeated(points.searchsorted(inner), points.size)
        else:
            index = inner.searchsorted(points, side="right")
            of = lambda values: values[index]  # noqa: E731
        near = points - of(self._x[:-1])
        y, slope, half, sixth = coefficients = [of(each) for each in self._coefficients]
        return ((sixth * near + half) * near + slope) * near + y, near, coefficients
