"""The static characteristic of a throttle: where the output begins and ends, how it gets there, and back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..errors import FitError
from .linearity import Levels, Linearity, levels, linearity
from .regression import linear_fit, nonlinear_fit
from .sweeps import turning_points

#: A sweep of fewer readings that shows no start or end is short of readings, whatever its pace (common practice).
_READINGS_OF_A_SWEEP = 100


@dataclass(frozen=True)
class Knee:
    """Where a straight part leaves a flat one: input value, its standard uncertainty from scatter, readings used."""

    value: float
    standard_uncertainty: float
    count: int


@dataclass(frozen=True)
class Bend:
    """How the output leaves zero: at ``onset``, in a parabola of ``width`` that runs into the straight part.

    ``covariance`` ``(2, 2)`` of both from scatter. A width of zero is a corner (or a jump): the onset is the start, or
    as far before it as ``hidden``, half the width of a bend that scatter may hide.
    """

    onset: float
    width: float
    covariance: np.ndarray
    count: int
    hidden: float = 0.0


@dataclass(frozen=True)
class Characteristic:
    """What a sweep up and down showed: SI units of input and output.

    ``released``: mean input at the beginning; ``start`` and ``full``: where the curve beside the bends at its ends
    meets zero and the end value; ``bend``: how the output leaves zero;
    ``straight``: linearity between them; ``hysteresis``: largest difference between down and up at one input, over
    the output's span (``None`` without a sweep down); ``reversal``: largest fall of the output while the input rose,
    over the span; ``step``: largest jump between neighbouring bins, over the span; each of the three with its standard
    uncertainty.
    """

    released: Knee
    start: Knee
    bend: Bend
    full: Knee | None
    straight: Linearity
    bins: Levels
    hysteresis: tuple[float, float] | None
    reversal: tuple[float, float]
    step: tuple[float, float]


def characteristic(given: np.ndarray, found: np.ndarray, bins: int = 40) -> Characteristic:
    """Return the characteristic of ``found`` over ``given``, both ``(n,)`` in order of time.

    The output leaves zero where the curve of second order through its lower half (4 % to 50 % of the span) meets zero,
    and reaches its end where that through its upper half (50 % to 96 %) meets the end: a threshold on single readings
    would take noise for a start. Where it leaves zero with a jump, that curve would meet zero too early, and the
    middle of the jump is the start. Raises ``FitError`` where the sweep does not show the start.
    """
    rising, falling = _first_sweep(given)
    if rising.stop - rising.start < 21:
        if given.size < _READINGS_OF_A_SWEEP:
            raise FitError(_too_few(given.size))
        raise FitError("the throttle signal never rises slowly; sweep it from released to full within some 20 s")
    x, y = given[rising], found[rising]
    span = float(np.max(found) - min(np.min(found), 0.0))
    if not span > 0:
        raise FitError("the output never rises; sweep the throttle from released to full with the controller driving")
    rest = x[: max(3, x.size // 50)]
    released = Knee(float(rest.mean()), float(rest.std(ddof=1)) / np.sqrt(rest.size), rest.size)
    quiet = y < 0.02 * span
    if not quiet[: max(3, x.size // 50)].all():
        raise FitError("the output is not zero at the beginning of the sweep; begin with the throttle released")
    # Readings are chosen by their running mean: chosen by their own value, noise would tilt the curve through them.
    smooth = _running_mean(y, max(3, x.size // 60))
    if x.size < _READINGS_OF_A_SWEEP and np.count_nonzero((smooth > 0.04 * span) & (smooth < 0.5 * span)) < 12:
        raise FitError(_too_few(x.size))
    start, jumps = _start(x, y, smooth, span)
    bend = Bend(start.value, 0.0, np.zeros((2, 2)), start.count) if jumps else _bend(x, y, smooth, span, start)
    full = _end(x, y, smooth, span)
    inside = (x > start.value) & (x < (full.value if full else np.inf))
    if inside.sum() < 20:
        if x.size < _READINGS_OF_A_SWEEP:
            raise FitError(_too_few(x.size))
        raise FitError("fewer than 20 readings lie between start and end of the output; sweep more slowly")
    try:
        found_bins = levels(x[inside], y[inside], 20)
    except FitError:
        if x.size < _READINGS_OF_A_SWEEP:
            raise FitError(_too_few(x.size)) from None
        raise
    straight = linearity(found_bins.input, found_bins.output, found_bins.error)
    up = levels(x, y, bins)
    width = max(3, x.size // 150)
    close = _running_mean(y, width)
    # White noise of deviation s gives first differences of s sqrt(2); the median keeps real steps out of it.
    noise = float(np.median(np.abs(np.diff(y[y > 0.02 * span])))) / 0.6745 / np.sqrt(2)
    fall = float(np.max(np.maximum.accumulate(close) - close)) - 6 * noise / np.sqrt(width)
    reversal = (max(0.0, fall) / span, noise * np.sqrt(2.0 / width) / span)
    rise = np.diff(up.output)
    steepest = int(np.argmax(rise))
    step = (float(rise[steepest]) / span, noise * np.sqrt(1 / up.count[steepest] + 1 / up.count[steepest + 1]) / span)
    return Characteristic(
        released,
        start,
        bend,
        full,
        straight,
        found_bins,
        _hysteresis(given, found, rising, falling, span),
        reversal,
        step,
    )


def _too_few(readings: int) -> str:
    return (
        f"the sweep holds {readings} readings, too few to tell where the output begins and ends; take at least "
        f"{_READINGS_OF_A_SWEEP} from released to full, evenly spread"
    )


def _first_sweep(given: np.ndarray) -> tuple[slice, slice]:
    """Return the first way up over most of the range of ``given`` ``(n,)``, and the way down after it.

    The sweep's own turns tell them apart: of two sweeps the second may peak higher by its noise.
    """
    turns = turning_points(given, 0.4)
    range_ = float(np.ptp(given))
    for place, (begin, end) in enumerate(pairwise(turns)):
        if given[end] - given[begin] > 0.6 * range_:
            top = int(end) if place + 2 < turns.size else int(begin) + int(np.argmax(given[begin:]))
            bottom = int(turns[place + 2]) if place + 2 < turns.size else given.size
            return slice(int(begin), top + 1), slice(top, bottom)
    top = int(np.argmax(given))
    return slice(0, top + 1), slice(top, given.size)


def _running_mean(values: np.ndarray, width: int) -> np.ndarray:
    width |= 1
    return np.convolve(np.pad(values, width // 2, mode="edge"), np.ones(width) / width, mode="valid")


def _start(x: np.ndarray, y: np.ndarray, smooth: np.ndarray, span: float) -> tuple[Knee, bool]:
    """Return where the curve through the lower half meets zero, and whether the output leaves zero with a jump."""
    low = (smooth > 0.04 * span) & (smooth < 0.5 * span)
    if low.sum() < 12:
        raise FitError("the output rises too steeply to find where it begins; sweep the throttle more slowly")
    # A start without a jump leaves as many readings between 2 % and 8 % as its slope further up promises.
    if np.count_nonzero((y > 0.02 * span) & (y < 0.08 * span)) > 0.3 * low.sum() * 6 / 46:
        knee = _crossing(x[low], y[low], 0.0, float(x[low].min()))
        if knee is not None:
            return knee, False
    last_off = float(np.max(x[y < 0.02 * span]))
    gap = max(float(np.min(x[(y > 0.02 * span) & (x > last_off)])) - last_off, float(np.ptp(x)) / x.size)
    return Knee(last_off + 0.5 * gap, gap / np.sqrt(12), int(low.sum())), True


def _bend(x: np.ndarray, y: np.ndarray, smooth: np.ndarray, span: float, start: Knee) -> Bend:
    """Return onset and width of the bend with which the output leaves zero.

    The readings up to half the span are fitted by zero, a parabola and the line it touches, bent to second order.
    A width that scatter explains, or within four readings, is none, and its onset is the start. Five standard
    uncertainties are asked for: the width cannot be negative, so that scatter alone makes three now and then.
    """
    low = np.flatnonzero(smooth < 0.5 * span)
    low = low[: int(np.argmax(np.diff(low) > 1)) + 1] if np.any(np.diff(low) > 1) else low
    scale = float(np.ptp(x[low]))
    z, level = (x[low] - start.value) / scale, y[low] / span

    def curve(values: np.ndarray) -> np.ndarray:
        foot, width, slope, more = values[0], abs(values[1]) + 1e-9, values[2], values[3]
        over = z - foot + 0.5 * width
        line = slope * (z - foot) + more * np.maximum(z - foot, 0.0) ** 2
        return np.where(over <= 0, 0.0, np.where(over < width, slope * over**2 / (2 * width), line))

    corner = Bend(start.value, 0.0, np.diag([start.standard_uncertainty**2, 0.0]), start.count)
    try:
        found = nonlinear_fit(curve, level, np.array([0.0, 0.1, 0.5, 0.0]), ordered=True)
    except FitError:
        return corner
    width, error = abs(float(found.values[1])), float(np.sqrt(found.covariance[1, 1]))
    if not width > max(5.0 * error, 4.0 / low.size):
        # Not told from none is not none: two standard uncertainties more may be hidden, and four readings at least.
        return replace(corner, hidden=0.5 * scale * min(max(width + 2.0 * error, 4.0 / low.size), 1.0))
    turn = np.array([[1.0, -0.5 * np.sign(found.values[1])], [0.0, np.sign(found.values[1])]]) * scale
    onset = start.value + scale * (float(found.values[0]) - 0.5 * width)
    return Bend(onset, scale * width, turn @ found.covariance[:2, :2] @ turn.T, low.size)


def _end(x: np.ndarray, y: np.ndarray, smooth: np.ndarray, span: float) -> Knee | None:
    """Return where the output reaches its end; ``None`` where it still rises at the end of the sweep."""
    last = x > x.max() - 0.03 * np.ptp(x)
    flat = float(np.mean(y[last]))
    high = (smooth > 0.5 * flat) & (smooth < 0.96 * flat)
    if high.sum() < 12:
        return None
    spread = float(np.std(y[last], ddof=1)) / np.sqrt(np.count_nonzero(last))
    knee = _crossing(x[high], y[high], flat, float(x[high].max()), spread)
    return knee if knee is not None and knee.value < x.max() - 0.02 * np.ptp(x) else None


def _crossing(x: np.ndarray, y: np.ndarray, level: float, near: float, spread: float = 0.0) -> Knee | None:
    """Return where the curve of second order through the points meets ``level``, next to ``near``.

    ``spread`` is the standard error of ``level``.
    """
    n = x.size
    scale = float(np.ptp(x))
    z = (x - near) / scale
    design = np.column_stack([np.ones_like(z), z, z**2])
    fitted = linear_fit(design, y, ordered=True)
    a, b, c = fitted.values
    inside = b * b - 4 * c * (a - level)
    if inside < 0 or b == 0:
        return None
    # The root next to ``near``, in the form that does not cancel.
    root = -2 * (a - level) / (b + np.copysign(np.sqrt(inside), b))
    slope = b + 2 * c * root
    if slope <= 0:
        return None
    row = np.array([1.0, root, root**2])
    u = float(np.sqrt(row @ fitted.covariance @ row + spread**2)) / float(slope) * scale
    return Knee(float(near + root * scale), u, n)


def _hysteresis(
    given: np.ndarray, found: np.ndarray, rising: slice, falling: slice, span: float
) -> tuple[float, float] | None:
    if given[falling].size < 20 or np.ptp(given[falling]) < 0.8 * np.ptp(given):
        return None
    edges = np.linspace(given.min(), given.max(), 21)
    worst, error = 0.0, 0.0
    for low, high in pairwise(edges):
        means = []
        for part in (rising, falling):
            inside = (given[part] >= low) & (given[part] < high)
            if inside.sum() < 3:
                break
            x, y = given[part][inside], found[part][inside]
            dx = x - x.mean()
            slope = float(dx @ y / (dx @ dx)) if float(dx @ dx) > 0 else 0.0
            rest = y - y.mean() - slope * dx
            # Both sweeps are compared at the middle of the bin, not at their own mean inputs.
            middle = y.mean() + slope * (0.5 * (low + high) - x.mean())
            means.append((middle, float(rest @ rest) / max(x.size - 2, 1) / x.size))
        if len(means) == 2 and abs(means[1][0] - means[0][0]) > worst:
            worst, error = abs(means[1][0] - means[0][0]), float(np.sqrt(means[0][1] + means[1][1]))
    return float(worst / span), error / span
