"""How straight a characteristic is: deviation from its own best line, dead band, direction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import FitError


@dataclass(frozen=True)
class Levels:
    """Means over steps or bins of the input: ``(k,)`` each; ``error`` is the standard error of ``output``."""

    input: np.ndarray
    output: np.ndarray
    error: np.ndarray
    count: np.ndarray


def levels(given: np.ndarray, found: np.ndarray, bins: int = 24) -> Levels:
    """Average ``found`` ``(n,)`` over bins of ``given`` ``(n,)`` of equal width; bins of fewer than three are left out.

    The standard error allows for the slope inside a bin: it is that of the residuals from a line through the bin.
    Raises ``FitError`` where fewer than five bins are filled.
    """
    low, high = float(given.min()), float(given.max())
    if not high > low:
        raise FitError("the input never changes; sweep it slowly over its whole range")
    place = np.minimum((bins * (given - low) / (high - low)).astype(int), bins - 1)
    rows = []
    for number in range(bins):
        inside = place == number
        n = int(inside.sum())
        if n < 3:
            continue
        x, y = given[inside], found[inside]
        dx = x - x.mean()
        slope = float(dx @ y / (dx @ dx)) if float(dx @ dx) > 1e-12 * (high - low) ** 2 else 0.0
        rest = y - y.mean() - slope * dx
        rows.append((x.mean(), y.mean(), float(np.sqrt(rest @ rest / max(n - 2, 1) / n)), n))
    if len(rows) < 5:
        raise FitError("the input stood at fewer than five levels; sweep it slowly over its whole range")
    x, y, error, count = np.array(rows).T
    return Levels(x, y, error, count)


@dataclass(frozen=True)
class Linearity:
    """Largest deviation from the line of least squares over the output's span, its standard uncertainty, and where."""

    value: float
    standard_uncertainty: float
    place: int
    slope: float
    intercept: float
    deviations: np.ndarray


def linearity(x: np.ndarray, y: np.ndarray, error: np.ndarray) -> Linearity:
    """Return the independent linearity of ``y`` over ``x`` ``(k,)``, errors ``(k,)``: deviation over span.

    The line is that of least squares (IEC 61298-2, in its definition of linearity, from memory). The largest
    deviation is followed at the place where it was found. Raises ``FitError`` with fewer than five points.
    """
    if x.size < 5:
        raise FitError(f"{x.size} levels cannot show linearity; take at least five over the range")
    design = np.column_stack([np.ones_like(x), x])
    hat = design @ np.linalg.pinv(design)
    rest = np.eye(x.size) - hat
    deviations = rest @ y
    place = int(np.argmax(np.abs(deviations)))
    span = float(y.max() - y.min())
    if span <= 0:
        raise FitError("the output never changes; sweep the input over its whole range")
    u = float(np.sqrt(np.sum((rest[place] * error) ** 2))) / span
    intercept, slope = np.linalg.pinv(design) @ y
    return Linearity(abs(float(deviations[place])) / span, u, place, float(slope), float(intercept), deviations)
