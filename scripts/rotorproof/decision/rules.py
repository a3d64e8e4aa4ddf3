"""Decision rules for one limit or pair of limits (JCGM 106:2012, clauses 7 and 8)."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal

from ..uncertainty.coverage import Law, law
from ..uncertainty.forms import Form

Decision = Literal["pass", "fail", "undecided", "not measured"]
Verdict = Literal["accepted", "rejected", "undecided", "incomplete"]


def decide(
    value: float,
    expanded_uncertainty: float,
    low: float | None,
    high: float | None,
    rule: Literal["guarded", "simple"],
    guard_factor: float = 1.0,
) -> Decision:
    """Return the decision on a value against limits, all in one unit.

    *guarded*: pass if value +/- guard_factor x U lies within the limits, fail if it lies outside, else undecided
    (JCGM 106:2012, 8.3.2 and 8.3.3). *simple*: the value alone decides and the risk is shared (8.2). A value on
    the limit conforms. Raises ``ValueError`` if a number is not finite, so that a NaN never passes.
    """
    numbers = [value, expanded_uncertainty, guard_factor, *(x for x in (low, high) if x is not None)]
    if not all(math.isfinite(number) for number in numbers):
        raise ValueError("a decision needs finite numbers")
    if low is None and high is None:
        raise ValueError("a decision needs a limit")
    guard = guard_factor * expanded_uncertainty if rule == "guarded" else 0.0
    bottom = -math.inf if low is None else low
    top = math.inf if high is None else high
    if bottom <= value - guard and value + guard <= top:
        return "pass"
    if value + guard < bottom or value - guard > top:
        return "fail"
    return "undecided"


def probability_of_conformity(form: Form, low: float | None, high: float | None) -> float:
    """Return the probability that the true value lies within the limits (JCGM 106:2012, clause 7)."""
    error: Law = law(form)
    if form.standard_uncertainty == 0:
        return float((low is None or low <= form.value) and (high is None or form.value <= high))
    above = 1.0 if high is None else error.cumulative(high - form.value)
    below = 0.0 if low is None else error.cumulative(low - form.value)
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
