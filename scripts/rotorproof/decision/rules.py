"""Decision rules for one limit or pair of limits (JCGM 106:2012, clauses 7 and 8)."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from ..settings.acceptance import Rule
from ..uncertainty.coverage import Interval
from ..uncertainty.result import Result
from .models import Decision, Verdict


@dataclass(frozen=True, slots=True)
class Limits:
    """The tolerance interval; an infinite side has no limit."""

    low: float = -math.inf
    high: float = math.inf

    def hold(self, value: float) -> bool:
        """Tell whether a value conforms; one on the limit does (JCGM 106:2012, 3.3.5)."""
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class Zones:
    """Where a measured value passes (``accept``) and beyond what it fails (``reject``).

    ``accept`` is empty where its low end lies above its high end: the guard bands leave no room.
    """

    accept: Limits
    reject: Limits


def zones(limits: Limits, below: float, above: float, rule: Rule) -> Zones:
    """Return the zones for guard bands ``below`` (g_b) and ``above`` (g_a) the measured value; all in one unit.

    With the limits T_L and T_U the inner interval is [T_L + g_b, T_U - g_a], the outer one [T_L - g_a, T_U + g_b].
    *simple*: the value alone decides, accept = reject = [T_L, T_U] (8.2). *guarded-acceptance*: only what surely
    conforms passes, all else fails; both are the inner one (8.3.2). *guarded-rejection*: only what surely does not
    conform fails, all else passes; both are the outer one (8.3.3). *guarded*: a value passes within the inner, fails
    outside the outer one; between them the measurement cannot decide. Clauses of JCGM 106:2012.
    """
    inner = Limits(limits.low + below, limits.high - above)
    outer = Limits(limits.low - above, limits.high + below)
    match rule:
        case "simple":
            return Zones(limits, limits)
        case "guarded-acceptance":
            return Zones(inner, inner)
        case "guarded-rejection":
            return Zones(outer, outer)
        case "guarded":
            return Zones(inner, outer)


def guard_bands(value: float, cover: Interval, factor: float) -> tuple[float, float]:
    """Return the guard bands below and above a ``value``, in its unit: ``factor`` times the reach of its interval.

    g_b = r (value - low) and g_a = r (high - value) with the ends of the coverage interval and the guard factor r. For
    a symmetric interval both are r U, the guard band of JCGM 106:2012, 8.3. A best estimate that lies beyond the end of
    its own interval has nothing to keep from a limit on that side.
    """
    return factor * max(0.0, value - cover.low), factor * max(0.0, cover.high - value)


def decide(value: float, below: float, above: float, limits: Limits, rule: Rule) -> Decision:
    """Return the decision on a value with guard bands ``below`` and ``above`` it, all in one unit.

    It passes in the accept zone, fails outside the reject zone (``zones``) and is undecided between them; guard bands
    are those of ``guard_bands``. A value on the border of a zone belongs to it. Raises ``ValueError`` if a number is
    not finite or there is no limit, so that a NaN never passes.
    """
    if not all(math.isfinite(number) for number in (value, below, above)):
        raise ValueError("a decision needs finite numbers")
    if below < 0 or above < 0:
        raise ValueError("a guard band cannot be negative")
    if math.isnan(limits.low) or math.isnan(limits.high) or (math.isinf(limits.low) and math.isinf(limits.high)):
        raise ValueError("a decision needs a limit")
    # The distance to a limit that is near is exact in floating point; value + guard would be rounded.
    conforms = value - limits.low >= below and limits.high - value >= above
    violates = limits.low - value > above or value - limits.high > below
    match rule:
        case "simple":
            return "pass" if limits.hold(value) else "fail"
        case "guarded-acceptance":
            return "pass" if conforms else "fail"
        case "guarded-rejection":
            return "fail" if violates else "pass"
        case "guarded":
            return "pass" if conforms else "fail" if violates else "undecided"


def probability_of_conformity(result: Result, limits: Limits) -> float:
    """Return the probability that the true value lies within the limits (JCGM 106:2012, clause 7).

    p_c = P(T_L <= Y <= T_U) = F(T_U) - F(T_L), with F the distribution of the quantity as it is known after the
    measurement (``Result.probability_at_most``) and a limit that is not there at infinity. For a normal one it would be
    Phi((T_U - y)/u) - Phi((T_L - y)/u); here F is that of ``uncertainty.coverage.law``, or of the simulated trials.
    Without uncertainty it is 1 or 0.
    """
    if result.standard_uncertainty == 0:
        return float(limits.hold(result.value))
    above = 1.0 if math.isinf(limits.high) else result.probability_at_most(limits.high)
    below = 0.0 if math.isinf(limits.low) else result.probability_at_most(limits.low)
    return min(1.0, max(0.0, above - below))


def verdict(decisions: Iterable[Decision]) -> Verdict:
    """Return the verdict on a unit: any fail rejects, then any missing is incomplete, then any undecided."""
    found = set(decisions)
    if not found:
        return "incomplete"
    if "fail" in found:
        return "rejected"
    if "not measured" in found:
        return "incomplete"
    return "undecided" if "undecided" in found else "accepted"


_STATEMENTS: dict[Rule, str] = {
    "simple": "Simple acceptance (JCGM 106:2012, 8.2): the value alone decides and the risk of a wrong decision is "
    "shared; near the limit it reaches one half.",
    "guarded": "Guarded decision (JCGM 106:2012, 8.3): a pass or a fail keeps a guard band of {factor:g} times the "
    "expanded uncertainty from the limit; between them the measurement cannot decide.",
    "guarded-acceptance": "Guarded acceptance (JCGM 106:2012, 8.3.2): only a value that keeps a guard band of "
    "{factor:g} times the expanded uncertainty inside the limit passes; all else fails.",
    "guarded-rejection": "Guarded rejection (JCGM 106:2012, 8.3.3): only a value that lies more than {factor:g} times "
    "the expanded uncertainty outside the limit fails; all else passes.",
}


def statement(rule: Rule, guard_factor: float) -> str:
    """Return the rule in words, as ISO/IEC 17025, 7.8.6.2 asks of a report."""
    return _STATEMENTS[rule].format(factor=guard_factor)
