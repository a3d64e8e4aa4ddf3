"""From a linear form to a coverage interval and to probabilities.

The random parts of a result (normal influences, each block with its degrees of freedom) act together as one
scaled t distribution with Welch-Satterthwaite degrees of freedom (JCGM 100:2008, G.3 and G.4). Rectangular
influences are not folded into it: where one dominates, a t factor would claim an interval wider than anything
that can happen. The distribution of their sum is computed instead (the propagation of distributions that
JCGM 101:2008 asks for, in closed form up to one numerical convolution), so the 95 % interval holds 95 %. An influence
that has one of two values shifts all of it one way or the other, each for half of the probability.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from .forms import Form, effective_degrees_of_freedom

#: Points across the support of the rectangular parts; the quantile is then good to about 1e-4. Where a normal
#: part smooths it, a coarser grid is as good.
_GRID, _COARSE_GRID = 1201, 301


@dataclass(frozen=True)
class Law:
    """The distribution of the error of a result, centred on 0: a scaled t, a sum of rectangles, and two-point errors.

    error = s T + sum a_i R_i + sum h_j B_j, all independent: ``scale`` s and T of Student's t with
    ``degrees_of_freedom`` (those of the random parts alone), ``half_widths`` a_i and R_i even between -1 and 1,
    ``steps`` h_j (half the distance between the two values) and B_j either -1 or 1. All but the degrees of freedom are
    in the unit of the result.
    """

    scale: float
    degrees_of_freedom: float
    half_widths: tuple[float, ...]
    steps: tuple[float, ...] = ()

    def cumulative(self, error: float) -> float:
        """Return the probability that the error is at most ``error``."""
        if self.steps:
            step, rest = self.steps[0], replace(self, steps=self.steps[1:])
            return 0.5 * (rest.cumulative(error - step) + rest.cumulative(error + step))
        smooth = self.scale > 0.05 * sum(self.half_widths)
        points, weights = _rectangles(self.half_widths, _COARSE_GRID if smooth else _GRID)
        if self.scale == 0:
            return float(np.interp(error, points, np.cumsum(weights) - 0.5 * weights, left=0.0, right=1.0))
        return float(np.dot(weights, _t_cumulative((error - points) / self.scale, self.degrees_of_freedom)))

    def half_interval(self, probability: float) -> float:
        """Return the half-width U of the symmetric interval that holds the error with ``probability`` p.

        U solves ``cumulative(U) = (1 + p)/2``. Random parts alone give ``U = t_((1+p)/2)(nu_r) s`` (JCGM 100:2008,
        G.3.2) with nu_r, the degrees of freedom of the random parts; they are the only ones that U, and with it k,
        rests on.
        """
        return _half_interval(self, probability)


@lru_cache(maxsize=1024)
def _half_interval(of: Law, probability: float) -> float:
    """Return ``Law.half_interval``; a result's own law is asked for again by all that judge it."""
    from scipy.optimize import brentq

    level = 0.5 * (1 + probability)
    if not (of.half_widths or of.steps):
        return of.scale * _t_quantile(level, of.degrees_of_freedom)
    high = sum(of.half_widths) + sum(of.steps) + of.scale * _t_quantile(level, of.degrees_of_freedom)
    if of.cumulative(high) <= level:
        return high
    return float(brentq(lambda error: of.cumulative(error) - level, 0.0, high, xtol=1e-12 * high, rtol=1e-10))


def law(form: Form) -> Law:
    """Return the distribution of a form's error.

    Of the normal influences, with sensitivities c_i per standard uncertainty, ``scale`` s = sqrt(sum c_i^2) and the
    degrees of freedom nu_r by Welch-Satterthwaite over these alone (``effective_degrees_of_freedom`` of them). A
    rectangular influence has the half-width a_i = sqrt(3) |c_i| (JCGM 100:2008, 4.3.7), a two-point one the step |c_i|.
    """
    random_terms = {i: c for i, c in form.terms.items() if i.distribution == "normal"}
    random = Form(0.0, random_terms)
    widths = sorted(
        (abs(c) * math.sqrt(3) for i, c in form.terms.items() if i.distribution == "rectangular" and c != 0),
        reverse=True,
    )
    steps = tuple(abs(c) for i, c in form.terms.items() if i.distribution == "two-point" and c != 0)
    return Law(random.standard_uncertainty, effective_degrees_of_freedom(random), tuple(widths), steps)


@dataclass(frozen=True, slots=True)
class Interval:
    """A coverage interval ``value +/- expanded_uncertainty`` and the numbers behind it.

    ``degrees_of_freedom`` are those of the whole, which ``coverage_factor`` need not rest on (see ``interval``).
    """

    standard_uncertainty: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_uncertainty: float
    low: float
    high: float


def interval(form: Form, probability: float = 0.95) -> Interval:
    """Return the coverage interval of a form for ``probability`` (JCGM 100:2008, 6.2 and G).

    ``[y - U, y + U]`` with U = k u, where U is ``law(form).half_interval(probability)`` and k = U/u. The reported
    degrees of freedom nu are those of the whole form, its rectangular and two-point influences counted as known for
    sure: nu = u^4/sum(u_b^4/nu_b). U and k rest on nu_r, those of the random parts alone: nu_r = s^4 / the same sum,
    which is at most nu. Only where all parts are random is nu = nu_r and k = t(nu).
    """
    u = form.standard_uncertainty
    if u == 0:
        return Interval(0.0, math.inf, 0.0, 0.0, form.value, form.value)
    half = law(form).half_interval(probability)
    return Interval(u, effective_degrees_of_freedom(form), half / u, half, form.value - half, form.value + half)


def _t_cumulative(x: np.ndarray, dof: float) -> np.ndarray:
    from scipy.special import ndtr, stdtr

    return np.asarray(ndtr(x) if dof > 1e9 else stdtr(dof, x))


def _t_quantile(level: float, dof: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(min(dof, 1e9), level))


@lru_cache(maxsize=256)
def _rectangles(half_widths: tuple[float, ...], size: int) -> tuple[np.ndarray, np.ndarray]:
    """Return grid points and weights of the density of a sum of centred rectangles."""
    if not half_widths:
        return np.zeros(1), np.ones(1)
    support = sum(half_widths)
    points = np.linspace(-support, support, size)
    step = points[1] - points[0]
    density = np.zeros(size)
    density[size // 2] = 1.0
    cumulative_from = points - 0.5 * step
    for width in half_widths:
        # Weight of each cell under this rectangle, so that a width between grid points is exact on average.
        edges = np.clip(np.append(cumulative_from, points[-1] + 0.5 * step), -width, width)
        cells = np.diff(edges) / (2 * width)
        density = np.convolve(density, cells, mode="same")
    density /= density.sum()
    return points, density
