"""The ranking of a stock: probabilities of a normal law, ties that are ties, errors in common that cancel."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from rotorproof.season.stock import Candidate, followed, rank
from rotorproof.uncertainty.forms import Form, Influence, propagate


def _own(name: str) -> Influence:
    return Influence(f"scatter/{name}", name)


COMMON = Influence("stated/vehicle_mass", "mass")


def _candidate(name: str, margin: float, energy: float, u: float = 0.0, common: float = 0.0) -> Candidate:
    terms = {_own(f"{name}/margin"): 1.0} if margin < 50 else {}
    return Candidate(name, "", {"climb": Form(margin, terms)}, Form(energy, {_own(name): u, COMMON: common}))


def test_the_probability_of_meeting_a_duty_is_that_of_all_its_parts_together() -> None:
    shared, first, second = _own("shared"), _own("first"), _own("second")
    forms = {"climb": Form(1.0, {shared: 0.8, first: 0.6}), "start": Form(0.5, {shared: 0.8, second: 0.6})}
    (found,) = rank([Candidate("M", "C", forms, Form(1.0, {}))])
    together = multivariate_normal([0, 0], [[1, 0.64], [0.64, 1]]).cdf([1.0, 0.5])
    assert found.meets == pytest.approx(together, abs=0.025)  # of 4000 trials
    assert found.each["climb"] == pytest.approx(norm.cdf(1.0), abs=0.02)


def test_what_meets_the_duty_comes_before_what_takes_less() -> None:
    found = rank([_candidate("thirsty", 100, 9.0), _candidate("weak", -5.0, 5.0), _candidate("good", 100, 7.0)])
    assert [(one.rank, one.candidate.motor, one.tied) for one in found] == [
        (1, "good", False),
        (2, "thirsty", False),
        (3, "weak", False),
    ]


def test_units_that_cannot_be_told_apart_share_a_rank() -> None:
    found = rank([_candidate("A", 100, 7.0, 0.2), _candidate("B", 100, 7.1, 0.2), _candidate("C", 100, 9.0, 0.2)])
    assert [(one.rank, one.candidate.motor, one.tied) for one in found] == [
        (1, "A", True),
        (1, "B", True),
        (3, "C", False),
    ]
    by_law = norm.cdf(0.1 / math.hypot(0.2, 0.2))
    assert found[1].first_better == pytest.approx(by_law, abs=0.03)


def test_what_was_not_measured_is_not_met() -> None:
    """The best of all without a heat run comes behind the worst with one, and ties with none of them."""
    whole = {"climb": Form(1.0), "heat": Form(1.0)}
    found = rank(
        [
            Candidate("cool", "", {"climb": Form(9.0)}, Form(5.0, {_own("cool"): 0.1})),
            Candidate("hot", "", {**whole, "heat": Form(-1.0)}, Form(9.0)),
            Candidate("good", "", whole, Form(5.0, {_own("good"): 0.1})),
        ]
    )
    assert [(one.rank, one.candidate.motor, one.tied) for one in found] == [
        (1, "good", False),
        (2, "hot", False),
        (3, "cool", False),
    ]
    assert found[2].candidate.lacking == ["heat"]
    pair = Candidate("M", "C", {"heat": Form(1.0), "starts": Form(1.0)})
    assert pair.lacking == ["full"]
    assert Candidate("", "C", {"full": Form(1.0)}).lacking == ["starts"]


def test_an_error_in_common_tells_nothing_apart_and_hides_nothing() -> None:
    found = rank([_candidate("A", 100, 7.0, 0.02, common=0.5), _candidate("B", 100, 7.1, 0.02, common=0.5)])
    assert [one.rank for one in found] == [1, 2]


def test_the_same_stock_has_the_same_ranks_in_whatever_order_it_comes() -> None:
    stock = [_candidate(name, 1.0, energy, 0.3) for name, energy in (("A", 7.0), ("B", 7.2), ("C", 7.1))]
    assert [one.candidate.motor for one in rank(stock)] == [one.candidate.motor for one in rank(stock[::-1])]
    assert [one.meets for one in rank(stock)] == [one.meets for one in rank(stock[::-1])]


def test_one_call_on_arrays_follows_as_many_calls_do() -> None:
    inputs = {"a": Form(2.0, {_own("a"): 0.1, COMMON: 0.05}), "b": Form(3.0, {COMMON: 0.2}), "c": Form(4.0)}

    def model(given: Mapping[str, float | np.ndarray]) -> dict[str, float | np.ndarray]:
        return {"product": given["a"] * given["b"] ** 2, "constant": given["c"]}

    other = {**inputs, "a": Form(5.0, {_own("z"): 0.3}), "c": Form(1.0)}
    expected = propagate(model, inputs)  # type: ignore[arg-type]
    found, second = followed(model, [inputs, other])
    for name, form in expected.items():
        assert found[name].value == pytest.approx(form.value, rel=1e-12)
        for influence, c in form.terms.items():
            assert found[name].terms[influence] == pytest.approx(c, rel=1e-12)
    alone = propagate(model, other)  # type: ignore[arg-type]
    assert second["product"].standard_uncertainty == pytest.approx(alone["product"].standard_uncertainty, rel=1e-12)


def test_what_has_no_value_at_an_end_is_left_out_of_that_candidate_alone() -> None:
    def model(given: Mapping[str, float | np.ndarray]) -> dict[str, float | np.ndarray]:
        return {"x": np.where(np.asarray(given["a"]) < 1.95, np.nan, 1.0)}

    first, second = followed(model, [{"a": Form(2.0, {COMMON: 0.1})}, {"a": Form(3.0, {COMMON: 0.1})}])
    assert not first
    assert second["x"].value == 1.0
