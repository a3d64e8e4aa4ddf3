"""Decision rules: JCGM 106:2012 examples, boundaries to the last bit, and numbers that are none.

Sources: JCGM 106:2012, clause 7 (Zener diode: -5.47 V, u = 0.05 V, limit -5.40 V; burst strength: 509.7 kPa,
u = 8.6 kPa, limit 490 kPa; both from memory) and clause 8.
"""

from __future__ import annotations

import math
from itertools import product

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rotorproof.decision.rules import Limits, decide, probability_of_conformity, statement, verdict, zones
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.result import Result
from tests.outside import Outside

RULES = ("simple", "guarded", "guarded-acceptance", "guarded-rejection")
NUMBER = st.floats(-1e6, 1e6)
GUARD = st.floats(0, 1e5)


def normal(value: float, u: float) -> Result:
    return Result(Form(value, {Influence("x", "x"): u}))


def up(x: float) -> float:
    return math.nextafter(x, math.inf)


def down(x: float) -> float:
    return math.nextafter(x, -math.inf)


@pytest.mark.parametrize(
    ("what", "value", "u", "limits", "published"),
    [
        ("Zener diode, -5.47 V, u 0.05 V, at most -5.40 V", -5.47, 0.05, Limits(high=-5.40), 0.919),
        ("burst strength, 509.7 kPa, u 8.6 kPa, at least 490 kPa", 509.7, 8.6, Limits(low=490), 0.989),
    ],
)
def test_probability_of_conformity_jcgm_106(
    outside: Outside, what: str, value: float, u: float, limits: Limits, published: float
) -> None:
    outside(
        "decision",
        f"probability of conformity: {what}",
        ours=probability_of_conformity(normal(value, u), limits),
        published=published,
        allowance=5e-4,
        source="JCGM 106:2012, clause 7, from memory",
    )


def test_probability_between_two_limits_and_without_uncertainty() -> None:
    assert probability_of_conformity(normal(0, 1), Limits(-1.96, 1.96)) == pytest.approx(0.95, abs=1e-4)
    exact = Result(Form(1.0))
    assert probability_of_conformity(exact, Limits(high=1.0)) == 1.0
    assert probability_of_conformity(exact, Limits(high=down(1.0))) == 0.0


@pytest.mark.parametrize("limit", [1.0, 0.1, -5.4, 1e-9, 490.0])
def test_simple_acceptance_to_the_last_bit(limit: float) -> None:
    assert decide(limit, 1, 1, Limits(high=limit), "simple") == "pass"
    assert decide(up(limit), 1, 1, Limits(high=limit), "simple") == "fail"
    assert decide(limit, 1, 1, Limits(low=limit), "simple") == "pass"
    assert decide(down(limit), 1, 1, Limits(low=limit), "simple") == "fail"


def test_guarded_decision_to_the_last_bit() -> None:
    limits = Limits(1.0, 2.0)
    assert decide(1.25, 0.25, 0.25, limits, "guarded") == "pass"
    assert decide(down(1.25), 0.25, 0.25, limits, "guarded") == "undecided"
    assert decide(1.75, 0.25, 0.25, limits, "guarded") == "pass"
    assert decide(up(1.75), 0.25, 0.25, limits, "guarded") == "undecided"
    assert decide(0.75, 0.25, 0.25, limits, "guarded") == "undecided"
    assert decide(down(0.75), 0.25, 0.25, limits, "guarded") == "fail"
    assert decide(2.25, 0.25, 0.25, limits, "guarded") == "undecided"
    assert decide(up(2.25), 0.25, 0.25, limits, "guarded") == "fail"


def test_unequal_guards_are_used_on_their_own_side() -> None:
    """A value may lie 3 below and 1 above: the lower guard belongs to the lower limit."""
    assert decide(10.0, 3.0, 1.0, Limits(low=7.5), "guarded") == "undecided"
    assert decide(10.0, 3.0, 1.0, Limits(low=7.0), "guarded") == "pass"
    assert decide(10.0, 3.0, 1.0, Limits(high=11.0), "guarded") == "pass"
    assert decide(10.0, 3.0, 1.0, Limits(high=10.5), "guarded") == "undecided"
    assert decide(10.0, 3.0, 1.0, Limits(high=6.5), "guarded") == "fail"
    assert decide(10.0, 3.0, 1.0, Limits(low=11.5), "guarded") == "fail"


@given(NUMBER, GUARD, GUARD, NUMBER, NUMBER)
def test_the_rules_are_ordered(value: float, below: float, above: float, low: float, high: float) -> None:
    """What guarded acceptance passes every rule passes; what guarded rejection fails every rule fails."""
    assume(low <= high)
    limits = Limits(low, high)
    got = {rule: decide(value, below, above, limits, rule) for rule in RULES}
    assert (got["guarded"] == "pass") == (got["guarded-acceptance"] == "pass")
    assert (got["guarded"] == "fail") == (got["guarded-rejection"] == "fail")
    if got["guarded-acceptance"] == "pass":
        assert got["simple"] == got["guarded-rejection"] == "pass"
    if got["guarded-rejection"] == "fail":
        assert got["simple"] == got["guarded-acceptance"] == "fail"
    assert {got["simple"], got["guarded-acceptance"], got["guarded-rejection"]} <= {"pass", "fail"}


@given(NUMBER, NUMBER, NUMBER)
def test_without_guard_every_rule_is_the_simple_one(value: float, low: float, high: float) -> None:
    assume(low <= high)
    decisions = {decide(value, 0, 0, Limits(low, high), rule) for rule in RULES}
    assert len(decisions) == 1


@given(NUMBER, GUARD, NUMBER)
def test_mirror_image(value: float, guard: float, limit: float) -> None:
    for rule in RULES:
        assert decide(value, guard, guard, Limits(high=limit), rule) == decide(
            -value, guard, guard, Limits(low=-limit), rule
        )


@given(NUMBER, GUARD, NUMBER)
def test_more_guard_never_turns_undecided_into_a_decision(value: float, guard: float, limit: float) -> None:
    if decide(value, guard, guard, Limits(high=limit), "guarded") == "undecided":
        assert decide(value, 2 * guard, 2 * guard, Limits(high=limit), "guarded") == "undecided"


@pytest.mark.parametrize(("place", "bad"), list(product(range(3), [math.nan, math.inf, -math.inf])))
def test_numbers_that_are_none_are_refused(place: int, bad: float) -> None:
    numbers = [1.0, 0.1, 0.1]
    numbers[place] = bad
    for rule in RULES:
        with pytest.raises(ValueError, match="finite"):
            decide(*numbers, Limits(high=2.0), rule)


def test_limits_that_are_none_and_negative_guards_are_refused() -> None:
    for limits in (Limits(), Limits(low=math.nan), Limits(high=math.nan), Limits(1.0, math.nan)):
        with pytest.raises(ValueError, match="limit"):
            decide(1.0, 0.1, 0.1, limits, "guarded")
    with pytest.raises(ValueError, match="negative"):
        decide(1.0, -0.1, 0.1, Limits(high=1.0), "guarded")


def test_zones_say_where_values_pass() -> None:
    found = zones(Limits(1.0, 2.0), 0.25, 0.25, "guarded")
    assert (found.accept.low, found.accept.high) == (1.25, 1.75)
    assert (found.reject.low, found.reject.high) == (0.75, 2.25)
    assert zones(Limits(1.0, 2.0), 0.25, 0.25, "simple").accept == Limits(1.0, 2.0)


def test_verdict_order() -> None:
    assert verdict([]) == "incomplete"
    assert verdict(["pass", "pass"]) == "accepted"
    assert verdict(["pass", "undecided"]) == "undecided"
    assert verdict(["undecided", "not measured"]) == "incomplete"
    assert verdict(["not measured", "undecided", "fail"]) == "rejected"


def test_every_rule_is_said_in_words() -> None:
    assert "shared" in statement("simple", 1.0)
    for rule in RULES[1:]:
        assert "0.8 times the expanded uncertainty" in statement(rule, 0.8)
