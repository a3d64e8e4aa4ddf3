"""Results that cannot be: what lies beyond the physically possible is refused, what straddles its end is cut there.

A quantity that cannot be negative has no probability below zero before it is measured; by Bayes' rule it has none after
(JCGM 106:2012, 6.2 and 7; JCGM 101:2008, 6.4 on quantities known to lie within bounds; clauses from memory). The
interval loses the part beyond the end, and holds the truth as often as before, since the truth never was there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from .forms import Form
from .monte_carlo import LEVELS, Simulation
from .result import Result

State = Literal["possible", "cut", "impossible"]
#: Points over which a cut distribution is worked out.
_GRID = 401


@dataclass(frozen=True)
class Bounds:
    """What a quantity can be, in SI, ends included."""

    least: float = -math.inf
    most: float = math.inf


def admit(result: Result, bounds: Bounds, probability: float) -> tuple[State, Result]:
    """Return whether a result can be, and the result as it stands then.

    *impossible*: its whole interval for ``probability`` lies beyond an end. *cut*: part of it does; its value is then
    the nearest possible one, its distribution ends there, and its interval runs on to what holds ``probability`` of it.
    """
    cover = result.interval(probability)
    if cover.high < bounds.least or cover.low > bounds.most:
        return "impossible", result
    if cover.low >= bounds.least and cover.high <= bounds.most:
        return "possible", result
    below = 0.0 if math.isinf(bounds.least) else result.probability_at_most(bounds.least)
    within = (1.0 if math.isinf(bounds.most) else result.probability_at_most(bounds.most)) - below
    reach = 3.0 * max(cover.high - result.value, result.value - cover.low)
    grid = np.linspace(max(bounds.least, result.value - reach), min(bounds.most, result.value + reach), _GRID)
    held = np.array([(result.probability_at_most(float(x)) - below) / within for x in grid])
    held = np.maximum.accumulate(np.clip(held, 0.0, 1.0))
    quantiles = np.interp(LEVELS, held, grid)
    low, high = max(cover.low, bounds.least), min(cover.high, bounds.most)
    if cover.low < bounds.least:
        high = max(high, float(np.interp(probability, held, grid)))
    if cover.high > bounds.most:
        low = min(low, float(np.interp(1.0 - probability, held, grid)))
    middles, weights = 0.5 * (grid[1:] + grid[:-1]), np.diff(held)
    spread = math.sqrt(float(np.average((middles - np.average(middles, weights=weights)) ** 2, weights=weights)))
    trials = result.simulation.trials if result.simulation else 0
    found = Simulation(low, high, spread, trials, tuple(float(q) for q in quantiles))
    value = min(max(result.value, bounds.least), bounds.most)
    return "cut", Result(replace(result.form, value=value), found)


def of_largest(result: Result, count: int, probability: float) -> Result:
    """Return the result of a quantity that is the largest of ``count`` deviations, all known alike well.

    The largest that is read is likely one that its own error made large. So the lower end is the one above which none
    of the ``count`` would be carried by its error alone (Bonferroni's inequality: a ``count``-th of the probability for
    each); the upper end stays, since the true largest lies no higher for being sought among several.
    """
    if result.standard_uncertainty == 0:
        return result
    cover = result.interval(probability)
    if result.simulation is not None:
        grid, held = np.array(result.simulation.quantiles), LEVELS
    else:
        reach = 3.0 * cover.expanded_uncertainty
        grid = np.linspace(result.value - reach, result.value + reach, _GRID)
        held = np.array([result.probability_at_most(float(x)) for x in grid])
    told = np.interp(held, [0.0, 0.5 / count, 1.0], [0.0, 0.5, 1.0])
    low = min(cover.low, float(np.interp(0.5 * (1.0 - probability), told, grid)))
    trials = result.simulation.trials if result.simulation else 0
    quantiles = tuple(float(q) for q in np.interp(LEVELS, told, grid))
    return replace(result, simulation=Simulation(low, cover.high, result.standard_uncertainty, trials, quantiles))


def settled(form: Form) -> bool:
    """Tell whether a count is whole and stays the same within all that is uncertain."""
    return form.standard_uncertainty == 0 and float(form.value).is_integer()
