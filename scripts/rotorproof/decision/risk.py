"""The risk of a wrong decision: of this unit, and on average over units of one make (JCGM 106:2012, clause 9)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..uncertainty.result import Result
from .models import Decision
from .rules import Limits, Zones

_POINTS = 4001
_REACH = 8.0  # standard deviations of the process to either side


@dataclass(frozen=True, slots=True)
class Process:
    """What is known of units of this make before any is measured: a normal distribution of the quantity, SI."""

    mean: float
    standard_deviation: float


@dataclass(frozen=True, slots=True)
class SpecificRisk:
    """The probability that this decision is wrong; ``None`` where no such decision was taken (9.3.2, 9.3.3)."""

    consumer: float | None
    producer: float | None


def specific_risk(decision: Decision, conformity: float) -> SpecificRisk:
    """Return the risk of a decision on a unit with a probability of conformity."""
    return SpecificRisk(1.0 - conformity if decision == "pass" else None, conformity if decision == "fail" else None)


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """Shares of all units of the make: accepted though they do not conform, rejected though they do (9.5.2)."""

    consumer: float
    producer: float


def global_risk(process: Process, limits: Limits, zones: Zones, error: Result) -> GlobalRisk:
    """Return the risks for units that scatter as ``process`` does, each measured as well as ``error`` was.

    Integrates the density of the process times the probability of acceptance (JCGM 106:2012, equations 19 and 20).
    Raises ``ValueError`` for a spread that is not positive.
    """
    if not (math.isfinite(process.mean) and 0 < process.standard_deviation < math.inf):
        raise ValueError("the process needs a mean and a positive standard deviation")
    sd = process.standard_deviation
    true = np.linspace(process.mean - _REACH * sd, process.mean + _REACH * sd, _POINTS)
    # The border of conformity must not fall between two points.
    inside = [x for x in (limits.low, limits.high) if true[0] < x < true[-1]]
    true = np.sort(np.concatenate([true, inside, np.nextafter(inside, -math.inf), np.nextafter(inside, math.inf)]))
    density = np.exp(-0.5 * ((true - process.mean) / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
    conforms = (limits.low <= true) & (true <= limits.high)
    at_most = _reading_at_most(error)
    accepted = np.clip(at_most(zones.accept.high - true) - at_most(zones.accept.low - true), 0.0, 1.0)
    kept = np.clip(at_most(zones.reject.high - true) - at_most(zones.reject.low - true), 0.0, 1.0)
    consumer = np.trapezoid(density * accepted * ~conforms, true)
    producer = np.trapezoid(density * (1.0 - kept) * conforms, true)
    return GlobalRisk(float(consumer), float(producer))


def _reading_at_most(error: Result) -> Callable[[np.ndarray], np.ndarray]:
    """Return P(reading - true value <= x) as a function of arrays."""
    u = error.standard_uncertainty
    if u == 0:
        return lambda x: (x >= 0).astype(float)
    grid = np.linspace(-12 * u, 12 * u, 1201)
    table = np.array([1.0 - error.probability_at_most(error.value - x) for x in grid])
    return lambda x: np.interp(x, grid, table, left=0.0, right=1.0)
