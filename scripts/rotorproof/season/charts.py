"""Control charts of single values: Shewhart's for individuals, and the exponentially weighted moving average.

Shewhart's chart of individuals with the moving range is that of ISO 7870-2 and of the NIST/SEMATECH e-Handbook of
Statistical Methods, 6.3.2.2 (doi 10.18434/M32189); the moving average that of ISO 7870-6 and of 6.3.2.4 there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

#: Expected range of two values of a normal distribution over its standard deviation: 2/sqrt(pi).
D2 = 2.0 / math.sqrt(math.pi)
#: Standard deviations between centre and limit of Shewhart's chart, and of the moving average's.
FACTOR = 3.0
#: Probability that a sound day lies beyond the limits of any of the charts of one kind.
OUTSIDE = 0.01
WEIGHT = 0.2


@dataclass(frozen=True, slots=True)
class Scatter:
    """What a stretch of values in control says: ``n`` values, their mean, and the standard deviation about it."""

    mean: float
    standard_deviation: float
    count: int

    @property
    def degrees_of_freedom(self) -> float:
        """Return the effective degrees of freedom of the standard deviation, which rests on the mean moving range.

        From the variance of a mean moving range, ``(0.8264 n - 1.082)/(n - 1)^2`` of the variance of a value
        (J. D. Cryer and T. P. Ryan, J. Qual. Technol. 22 (1990) 187; from memory, checked by trials).
        """
        n = self.count
        return 0.5 * (n - 1) ** 2 / (0.8264 * n - 1.082)


def scatter(values: np.ndarray) -> Scatter:
    """Return mean and short-term standard deviation of values ``(n,)`` in their order, by the mean moving range.

    A slow drift among them widens it little. Raises ``ValueError`` for fewer than two values.
    """
    values = np.asarray(values, dtype=float)
    if values.size < 2:
        raise ValueError("a moving range needs two values")
    return Scatter(float(values.mean()), float(np.abs(np.diff(values)).mean() / D2), values.size)


def limits(centre: float, standard_deviation: float, factor: float = FACTOR) -> tuple[float, float]:
    """Return lower and upper limit of Shewhart's chart of individuals."""
    return centre - factor * standard_deviation, centre + factor * standard_deviation


def moving_average(values: np.ndarray, start: float, weight: float = WEIGHT) -> np.ndarray:
    """Return the exponentially weighted moving average ``(n,)`` of values ``(n,)``, which begins at ``start``."""
    found = np.empty(len(values))
    last = start
    for place, value in enumerate(values):
        last = weight * value + (1.0 - weight) * last
        found[place] = last
    return found


def moving_average_spread(count: np.ndarray | float, weight: float = WEIGHT) -> np.ndarray:
    """Return the standard deviation of the moving average over that of a value, after ``count`` values.

    For ``count`` of infinity it is what the handbook's limits rest on, ``sqrt(weight/(2 - weight))``.
    """
    return np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2.0 * np.asarray(count, dtype=float))))


def prediction_factor(history: Scatter, together: int = 1) -> float:
    """Return the factor of a limit for a value to come, where mean and scatter were found from few values.

    Student's t takes the place of a fixed factor, at ``OUTSIDE`` shared between the ``together`` charts that are looked
    at on one day (Bonferroni's inequality), so that many constants give no more false alarms than few; four charts of a
    long history have the usual factor of 3. The scatter of the mean itself is to be added by who uses it.
    """
    from scipy.special import stdtrit

    return float(stdtrit(history.degrees_of_freedom, 1.0 - 0.5 * OUTSIDE / together))
