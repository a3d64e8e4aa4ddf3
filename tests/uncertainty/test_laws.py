"""Distributions and trials against quantiles that books print and against SciPy's own integration.

Sources: JCGM 100:2008, table G.2; JCGM 101:2008, 6.4.9, 7.7 and 7.9.2; closed forms of the uniform and chi-squared
distributions.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from rotorproof.uncertainty.coverage import law
from rotorproof.uncertainty.forms import Form, Influence, propagate
from rotorproof.uncertainty.monte_carlo import (
    Direction,
    Expansion,
    Simulation,
    draw_influences,
    numerical_tolerance,
    reported_interval,
    simulate,
    simulate_forms,
)
from rotorproof.uncertainty.result import Result
from tests.outside import Outside


@pytest.mark.parametrize(
    ("u", "dof", "width"), [(1.0, 6.0, 1.0), (0.3, 4.0, 1.0), (1.0, math.inf, 3.0), (0.02, 3.0, 1.0), (5.0, 5.0, 0.4)]
)
def test_a_t_distribution_with_a_rectangle(outside: Outside, u: float, dof: float, width: float) -> None:
    """The convolution by SciPy's quadrature."""
    base = stats.norm() if math.isinf(dof) else stats.t(dof)
    found = law(
        Form(0.0, {Influence("n", "n", "normal", dof): u, Influence("r", "r", "rectangular"): width / math.sqrt(3)})
    )

    def cumulative(error: float) -> float:
        near = [p for p in (error - 4 * u, error, error + 4 * u) if -width < p < width]
        return integrate.quad(lambda x: base.cdf((error - x) / u), -width, width, points=near or None)[0] / (2 * width)

    half = optimize.brentq(lambda e: cumulative(e) - 0.975, 0, width + 20 * u)
    for what, ours, published in (
        ("half of the 95 % interval", found.half_interval(0.95), half),
        ("probability below 0.6 of it", found.cumulative(0.6 * half), cumulative(0.6 * half)),
        ("probability below -0.9 of it", found.cumulative(-0.9 * half), cumulative(-0.9 * half)),
    ):
        outside(
            "uncertainty",
            f"t distribution of {dof:g} degrees of freedom, u = {u:g}, with a rectangle of {width:g}: {what}",
            ours=ours,
            published=published,
            allowance=2e-3 * half if what.startswith("half") else 1e-3,
            source="convolution by scipy.integrate.quad",
        )


def test_trials_of_a_t_distribution(outside: Outside) -> None:
    fit = [Influence(f"b/{k}", "fit", "normal", 5.0, "b") for k in range(2)]
    meter = Influence("r", "meter", "rectangular")
    drawn = draw_influences([*fit, meter], 400_000, np.random.default_rng(3))
    one, two = (np.sort(np.abs(drawn[i])) for i in fit)
    for what, ours, published, allowance in (
        ("95 % of trials with 5 degrees of freedom", one[380_000], 2.57, 0.02),
        ("99 % of these", two[396_000], 4.03, 0.05),
        # Two parameters of one fit share its scatter: their root mean square is F distributed.
        (
            "95 % of the mean square of two that share one fit",
            np.quantile((drawn[fit[0]] ** 2 + drawn[fit[1]] ** 2) / 2, 0.95),
            5.79,
            0.08,
        ),
        ("largest of the trials of a rectangle", float(np.max(drawn[meter])), math.sqrt(3), 1e-4),
        ("their standard deviation", float(drawn[meter].std()), 1.0, 0.005),
    ):
        outside(
            "uncertainty",
            what,
            ours=float(ours),
            published=published,
            allowance=allowance,
            source="JCGM 100:2008, table G.2; F(2, 5) = 5.79 (tables); JCGM 101:2008, 6.4.2 and 6.4.9",
        )


def test_intervals_from_a_sample(outside: Outside) -> None:
    even = (np.arange(100_000) + 0.5) / 100_000
    mirrored, single = reported_interval(even, 0.9, 0.95), reported_interval(even, 0.3, 0.95)
    for what, ours, published in (
        ("lower end about 0.9 in a sample over 0 to 1", mirrored[0], 0.025),
        ("upper end, mirrored: 2 x 0.9 - 0.025", mirrored[1], 1.775),
        ("lower end about 0.3, mirrored below 0, where no trial was", single[0], 0.0),
        ("upper end about 0.3", single[1], 0.975),
        ("tolerance for u = 0.35", numerical_tolerance(0.35), 0.035),
        ("tolerance for u = 0.9", numerical_tolerance(0.9), 0.05),
        ("tolerance for u = 73", numerical_tolerance(73.0), 5.0),
    ):
        outside(
            "uncertainty",
            what,
            ours=ours,
            published=published,
            allowance=2e-4,
            source="closed forms; JCGM 101:2008, 7.7 and 7.9.2",
        )


def test_a_square_by_its_bend(outside: Outside) -> None:
    """y = 3 + s + 0.5 s^2 with s standard normal is 2.5 + (1 + s)^2/2: a non-central chi-squared distribution."""
    influence = Influence("s", "s")
    found = simulate(
        lambda x: {"y": x["x"]},
        {"x": Expansion(3.0, {0: 1.0}, {0: 0.5})},
        [Direction({influence: 1.0})],
        {"y": Form(3.0, {influence: 1.0})},
        0.95,
        "square",
    )["y"]
    exact = stats.ncx2(1, 1)
    quantiles = np.asarray(found.quantiles)
    for share in (0.025, 0.5, 0.975):
        outside(
            "uncertainty",
            f"quantile {share:g} of 3 + s + s^2/2",
            ours=float(quantiles[round(400 * share)]),
            published=2.5 + 0.5 * exact.ppf(share),
            allowance=0.15,  # three standard errors of a quantile of some 20 000 trials
            source="non-central chi-squared distribution (scipy.stats)",
        )


def test_what_is_straight_needs_no_trials(outside: Outside) -> None:
    inputs = {"a": Form(3.0, {Influence("a", "a", "normal", 6.0): 0.1}), "b": Form(1.1, {Influence("b", "b"): 0.06})}

    def model(x: Mapping[str, float]) -> dict[str, float]:
        return {"sum": x["a"] + 2 * x["b"], "shifted": x["a"] + 1e6, "square": (x["b"] - 1.1) ** 2}

    found = simulate_forms(model, inputs, propagate(model, inputs), 0.95, "straight")
    outside(
        "uncertainty",
        "results of a sum, a shifted value and a square about zero for which trials are drawn",
        ours=len(found),
        published=1,
        allowance=0,
        source="JCGM 100:2008, 5.1.2: exact for what is linear",
    )


def test_results_by_form_and_by_trials(outside: Outside) -> None:
    straight = Result(Form(10.0, {Influence("s", "s"): 2.0}), None)
    levels = tuple(float(q) for q in np.linspace(8.0, 16.0, 401))
    skewed = Result(Form(10.0, {Influence("s", "s"): 2.0}), Simulation(8.2, 15.8, 8 / math.sqrt(12), 1000, levels))
    for what, ours, published in (
        ("upper end of 10 with u = 2", straight.interval(0.95).high, 10 + 1.96 * 2),
        ("probability that it lies below 13", straight.probability_at_most(13.0), 0.9332),
        ("lower end by trials", skewed.interval(0.95).low, 8.2),
        ("upper end by trials", skewed.interval(0.95).high, 15.8),
        # The longer arm, 5.8, over 8/sqrt(12) = 2.3094.
        ("coverage factor by trials", skewed.interval(0.95).coverage_factor, 5.8 / 2.3094),
        ("probability below 12 by trials, 8 to 16", skewed.probability_at_most(12.0), 0.5),
    ):
        outside(
            "uncertainty",
            what,
            ours=ours,
            published=published,
            allowance=1e-3,
            source="tables of the normal distribution: 1.96, Phi(1.5) = 0.9332; worked by hand",
        )
