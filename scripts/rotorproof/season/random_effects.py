"""How units of a model scatter, apart from the errors with which each was measured: the random-effects model.

A measured value is the mean of the model, plus what this unit differs by (variance ``tau^2``), plus the error of its
measurement: ``y = mu + b + e``. The scatter between units is that of R. C. Paule and J. Mandel, "Consensus values and
weighting factors", J. Res. Natl. Bur. Stand. 87 (1982) 377: the ``tau^2`` with which the weighted sum of squares is
what chance gives. Errors that units share, of one instrument in one state of calibration, stand in the covariance
matrix and cancel between them (R. DerSimonian and R. Kacker, Contemp. Clin. Trials 28 (2007) 105, for the estimate as a
moment equation; with a full covariance matrix it is the same equation). Its interval is the Q profile of W.
Viechtbauer, Stat. Med. 26 (2007) 37.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtri, ndtri


@dataclass(frozen=True)
class Errors:
    """What the measured values are uncertain by: ``own`` variances ``(n,)``, and errors that they ``share``.

    ``shared`` is ``(n, m)``: how far each of m independent errors moves each value, in its standard uncertainty.
    """

    own: np.ndarray
    shared: np.ndarray

    def with_scatter(self, variance: float) -> _Weighing:
        """Return how values are weighed where units scatter by ``variance`` besides."""
        return _Weighing(self.own + variance, self.shared)


class _Weighing:
    """The inverse of a covariance matrix that is diagonal but for a few shared errors (Woodbury's identity)."""

    def __init__(self, diagonal: np.ndarray, shared: np.ndarray) -> None:
        self._weights = 1.0 / diagonal
        self._scaled = shared * self._weights[:, None]
        self._inner = np.linalg.inv(np.eye(shared.shape[1]) + shared.T @ self._scaled)

    def times(self, right: np.ndarray) -> np.ndarray:
        """Return the inverse times ``right``, ``(n,)`` or ``(n, k)``."""
        plain = self._weights * right if right.ndim == 1 else self._weights[:, None] * right
        return plain - self._scaled @ (self._inner @ (self._scaled.T @ right))


@dataclass(frozen=True)
class Fitted:
    """Values fitted by a line in known regressors: coefficients ``(k,)``, their covariance, the sum of squares left."""

    coefficients: np.ndarray
    covariance: np.ndarray
    chi_square: float


def generalised(values: np.ndarray, design: np.ndarray, errors: Errors, variance: float) -> Fitted:
    """Return the generalised least-squares fit of values ``(n,)`` to ``design`` ``(n, k)``."""
    weighing = errors.with_scatter(variance)
    weighted = weighing.times(design)
    covariance = np.linalg.inv(design.T @ weighted)
    coefficients = covariance @ (weighted.T @ values)
    left = values - design @ coefficients
    return Fitted(coefficients, covariance, float(left @ weighing.times(left)))


@dataclass(frozen=True)
class Scattered:
    """The mean of the units and their scatter, each with its uncertainty (standard, and 95 % for the scatter)."""

    mean: float
    mean_uncertainty: float
    between: float
    between_low: float
    between_high: float
    chi_square: float
    degrees_of_freedom: int


def between_units(values: np.ndarray, errors: Errors, design: np.ndarray | None = None) -> float:
    """Return the variance between units ``tau^2`` by Paule and Mandel, 0 where the errors explain all scatter.

    ``design`` ``(n, k)`` holds what the units are known to differ by, a column of ones where it is not given.
    """
    design = np.ones((len(values), 1)) if design is None else design
    return _profiled(values, errors, design, float(len(values) - design.shape[1]))


def scattered(values: np.ndarray, errors: Errors, probability: float = 0.95) -> Scattered:
    """Return mean and scatter of units from values ``(n,)``. Raises ``ValueError`` for fewer than three."""
    values = np.asarray(values, dtype=float)
    if values.size < 3:
        raise ValueError("the scatter of units takes three of them")
    ones = np.ones((values.size, 1))
    freedom = values.size - 1
    variance = between_units(values, errors)
    tail = 0.5 * (1.0 - probability)
    low, high = (_profiled(values, errors, ones, float(chdtri(freedom, upper))) for upper in (tail, 1.0 - tail))
    fitted = generalised(values, ones, errors, variance)
    return Scattered(
        float(fitted.coefficients[0]),
        math.sqrt(fitted.covariance[0, 0]),
        math.sqrt(variance),
        math.sqrt(low),
        math.sqrt(high),
        generalised(values, ones, errors, 0.0).chi_square,
        freedom,
    )


def _profiled(values: np.ndarray, errors: Errors, design: np.ndarray, wanted: float) -> float:
    """Return the variance between units at which the weighted sum of squares is ``wanted``, 0 where it is less."""

    def excess(variance: float) -> float:
        return generalised(values, design, errors, variance).chi_square - wanted

    smallest = 1e-12 * float(np.var(values)) if np.any(errors.own <= 0) else 0.0
    if excess(smallest) <= 0:
        return 0.0
    high = float(np.var(values)) + 1e-300
    while excess(high) > 0:
        high *= 4.0
    return float(brentq(excess, smallest, high, xtol=1e-12 * high, rtol=1e-10))


def tolerance(values: np.ndarray, errors: Errors, content: float, confidence: float) -> tuple[float, float]:
    """Return the interval that holds a share ``content`` of all units of the model with ``confidence``.

    For values without error it is the interval of W. G. Howe, J. Am. Stat. Assoc. 64 (1969) 610 (ISO 16269-6; NIST
    e-Handbook 7.2.6.3): the scatter is taken at the upper end of its one-sided interval, and the scatter of the mean is
    added. With errors both are taken from the random-effects model in the same way.
    """
    ones = np.ones((len(values), 1))
    upper = _profiled(values, errors, ones, float(chdtri(len(values) - 1, confidence)))
    centre = float(generalised(values, ones, errors, between_units(values, errors)).coefficients[0])
    mean_variance = generalised(values, ones, errors, upper).covariance[0, 0] if upper > 0 else 0.0
    half = float(ndtri(0.5 * (1.0 + content))) * math.sqrt(upper + mean_variance)
    return centre - half, centre + half


def outliers(values: np.ndarray, errors: Errors, most: int, significance: float = 0.05) -> list[int]:
    """Return the places of values that do not belong to the others, the most extreme first.

    The generalised test for many outliers of B. Rosner, Technometrics 25 (1983) 165 (NIST e-Handbook 1.3.5.17.3), with
    each value held against its own uncertainty: the scatter of units plus its error.
    """
    from scipy.special import stdtrit

    left = list(range(len(values)))
    removed: list[int] = []
    found = 0
    for step in range(1, min(most, len(values) - 3) + 1):
        kept = np.array(left)
        part = Errors(errors.own[kept], errors.shared[kept])
        # The estimate of the scatter may be 0; without errors it is the standard deviation that Rosner's test takes.
        variance = between_units(values[kept], part)
        mean = float(generalised(values[kept], np.ones((len(kept), 1)), part, variance).coefficients[0])
        spread = np.sqrt(variance + part.own)
        if not np.all(spread > 0):
            break
        distance = np.abs(values[kept] - mean) / spread
        farthest = int(np.argmax(distance))
        n = len(kept)
        quantile = float(stdtrit(n - 2, 1.0 - significance / (2 * n)))
        critical = (n - 1) * quantile / math.sqrt((n - 2 + quantile**2) * n)
        removed.append(left.pop(farthest))
        if distance[farthest] > critical:
            found = step
    return removed[:found]
