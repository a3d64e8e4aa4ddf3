"""What lies beyond the possible is refused, what straddles it is cut: against the truncated normal law."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from rotorproof.uncertainty.admissible import Bounds, admit, of_largest, settled
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.result import Result
from tests.outside import Outside

NOISE = Influence("noise", "noise")
NOT_NEGATIVE = Bounds(0.0)


def result(value: float, u: float) -> Result:
    return Result(Form(value, {NOISE: u}))


def test_a_friction_wholly_below_zero_is_no_result() -> None:
    """A no-load log with a wrong current reading gave -0.031 to -0.002 N m."""
    state, _ = admit(result(-0.0165, 0.0145 / 1.96), NOT_NEGATIVE, 0.95)
    assert state == "impossible"


def test_an_efficiency_of_117_8_percent_is_no_result() -> None:
    state, _ = admit(result(1.178, 0.03), Bounds(0.0, 1.0), 0.95)
    assert state == "impossible"


def test_what_lies_inside_stays_as_it_is() -> None:
    before = result(1.0, 0.2)
    assert admit(before, NOT_NEGATIVE, 0.95) == ("possible", before)
    assert admit(before, Bounds(), 0.95) == ("possible", before)


@pytest.mark.parametrize(("value", "u"), [(0.010, 0.010), (0.001, 0.010), (-0.008, 0.010)])
def test_a_straddling_result_follows_the_truncated_normal_law(outside: Outside, value: float, u: float) -> None:
    state, cut = admit(result(value, u), NOT_NEGATIVE, 0.95)
    assert state == "cut"
    law = stats.truncnorm(-value / u, np.inf, loc=value, scale=u)
    cover = cut.interval(0.95)
    assert cover.low == 0.0
    assert cut.value == max(value, 0.0)
    for limit in (0.005, 0.02):
        outside(
            "uncertainty",
            f"probability below {limit} of a non-negative quantity read as {value} with u = {u}",
            ours=cut.probability_at_most(limit),
            published=float(law.cdf(limit)),
            allowance=2e-3,
            source="SciPy, scipy.stats.truncnorm",
        )
    assert cut.standard_uncertainty == pytest.approx(float(law.std()), rel=0.02)
    # Never less than was asked for, and never short of the upper end that the readings alone gave.
    assert float(law.cdf(cover.high)) >= 0.95 - 1e-3
    assert cover.high >= value + 1.959 * u - 1e-6


def test_both_ends_at_once() -> None:
    state, cut = admit(result(0.97, 0.03), Bounds(0.0, 1.0), 0.95)
    assert state == "cut"
    cover = cut.interval(0.95)
    assert cover.high == 1.0
    assert cover.low == pytest.approx(0.97 - 1.96 * 0.03, abs=1e-4)
    assert cut.probability_at_most(1.0) == 1.0


@pytest.mark.parametrize("true", [(0.0, 0.0, 0.0), (0.004, -0.002, -0.002), (0.03, -0.015, -0.015)])
def test_the_interval_of_a_largest_deviation_holds_it_as_often_as_it_says(true: tuple[float, ...]) -> None:
    """Three lines read by meters of 1 % each, rectangular: the largest that is read is mostly too large."""
    rng = np.random.default_rng(5)
    gauge = [Influence(f"gain {k}", "gain", distribution="rectangular") for k in range(3)]
    u, held, plain, trials = 0.01 / math.sqrt(3), 0, 0, 1500
    for _ in range(trials):
        read = np.array(true) + rng.uniform(-0.01, 0.01, 3)
        away = read - read.mean()
        k = int(np.argmax(np.abs(away)))
        form = Form(abs(away[k]), {g: u * ((2 if j == k else -1) / 3) for j, g in enumerate(gauge)})
        wide, one = of_largest(Result(form), 3, 0.95).interval(0.95), Result(form).interval(0.95)
        held += max(wide.low, 0.0) <= max(np.abs(true)) <= wide.high
        plain += max(one.low, 0.0) <= max(np.abs(true)) <= one.high
    assert held / trials > 0.94
    assert plain <= held


def test_a_count_is_whole_or_not_settled() -> None:
    assert settled(Form(3.0))
    assert not settled(Form(3.0, {NOISE: 2.2}))
    assert not settled(Form(2.5))
    assert math.isinf(Bounds().most)
