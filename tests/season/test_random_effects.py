"""The scatter of units apart from errors of measurement: published examples, and an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from rotorproof.season.random_effects import (
    Errors,
    between_units,
    generalised,
    outliers,
    scattered,
    tolerance,
)
from tests.outside import Outside

#: Trials of a vaccine: cases and others with it, cases and others without it (G. A. Colditz et al., J. Am. Med. Assoc.
#: 271 (1994) 698; as ``dat.bcg`` of the R package metadat; from memory, and confirmed by the published Q).
TRIALS = np.array(
    [
        (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
        (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232),
        (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
    ],
    dtype=float,
)  # fmt: skip
#: NIST e-Handbook 1.3.5.17.3, the data of Rosner's article (from memory).
ROSNER = np.array(
    [-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76,
     1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54,
     2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01]
)  # fmt: skip


def _alone(own: np.ndarray) -> Errors:
    return Errors(np.asarray(own, dtype=float), np.zeros((len(own), 0)))


def _vaccine() -> tuple[np.ndarray, Errors]:
    a, b, c, d = TRIALS.T
    return np.log(a / (a + b)) - np.log(c / (c + d)), _alone(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))


def test_published_random_effects(outside: Outside) -> None:
    values, errors = _vaccine()
    found = scattered(values, errors)
    source = "W. Viechtbauer, metafor (R package), documentation of rma and confint: vaccine trials, risk ratio"
    memory = f"from memory: {source}"
    for what, ours, published, allowance, said in (
        ("Q of thirteen trials", found.chi_square, 152.2330, 1e-3, source),
        ("between-trial variance, Paule and Mandel", found.between**2, 0.3181, 6e-5, memory),
        ("lower end of its interval, Q profile", found.between_low**2, 0.1197, 6e-5, memory),
        ("upper end of its interval, Q profile", found.between_high**2, 1.1115, 6e-5, memory),
    ):
        outside("season", what, ours=ours, published=published, allowance=allowance, source=said)


def test_an_independent_library_agrees(outside: Outside) -> None:
    rng = np.random.default_rng(3)
    for values, own in (
        (_vaccine()[0], _vaccine()[1].own),
        (rng.normal(1.3, 0.02, 30), rng.uniform(1e-5, 4e-4, 30)),
    ):
        # Its default ends a little short of the root.
        other = combine_effects(values, own, method_re="iterated", atol=1e-13, maxiter=1000)
        ours = scattered(values, _alone(own))
        source = "statsmodels 0.15, combine_effects, Paule and Mandel"
        outside(
            "season",
            "between-unit variance",
            ours=ours.between**2,
            published=other.tau2,
            allowance=1e-6 * other.tau2,
            source=source,
        )
        outside(
            "season", "mean of the units", ours=ours.mean, published=other.mean_effect_re, allowance=1e-9, source=source
        )
        outside(
            "season",
            "uncertainty of the mean",
            ours=ours.mean_uncertainty,
            published=other.sd_eff_w_re,
            allowance=1e-9,
            source=source,
        )


HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, doi 10.18434/M32189"


def test_published_outliers(outside: Outside) -> None:
    found = outliers(ROSNER, _alone(np.zeros(ROSNER.size)), 10)
    outside("season", "outliers among Rosner's data", ours=len(found), published=3, allowance=0,
            source=f"{HANDBOOK}, 1.3.5.17.3")  # fmt: skip
    assert sorted(ROSNER[found]) == [5.34, 5.42, 6.01]


def test_published_tolerance_factor(outside: Outside) -> None:
    values = np.random.default_rng(1).normal(size=43)
    values = (values - values.mean()) / values.std(ddof=1)
    low, high = tolerance(values, _alone(np.zeros(43)), 0.90, 0.99)
    outside("season", "two-sided factor, 43 wafers", ours=(high - low) / 2, published=2.217,
            allowance=1e-3, source=f"{HANDBOOK}, 7.2.6.3")  # fmt: skip


def test_a_shared_error_does_not_count_as_scatter_of_units() -> None:
    rng = np.random.default_rng(7)
    unit, own, shared = 0.01, 0.003, 0.05
    found = []
    for _ in range(200):
        values = 1.0 + rng.normal(0, unit, 25) + rng.normal(0, own, 25) + rng.normal(0, shared)
        found.append(between_units(values, Errors(np.full(25, own**2), np.full((25, 1), shared))))
    assert np.mean(found) == pytest.approx(unit**2, rel=0.05)
    mean = scattered(values, Errors(np.full(25, own**2), np.full((25, 1), shared)))
    assert mean.mean_uncertainty == pytest.approx(np.hypot(shared, np.hypot(unit, own) / 5), rel=0.02)


def test_the_weighing_is_the_inverse_of_the_whole_matrix() -> None:
    rng = np.random.default_rng(2)
    errors = Errors(rng.uniform(1, 2, 9), rng.normal(size=(9, 3)))
    right = rng.normal(size=(9, 2))
    full = np.diag(errors.own + 0.5) + errors.shared @ errors.shared.T
    np.testing.assert_allclose(errors.with_scatter(0.5).times(right), np.linalg.solve(full, right), rtol=1e-10)
    fitted = generalised(right[:, 0], np.ones((9, 1)), errors, 0.5)
    ones = np.ones(9)
    assert fitted.covariance[0, 0] == pytest.approx(1 / (ones @ np.linalg.solve(full, ones)), rel=1e-12)


@pytest.mark.parametrize("own", [0.0, 0.5, 2.0])
def test_the_tolerance_interval_holds_what_it_says(own: float) -> None:
    from scipy.stats import norm

    rng = np.random.default_rng(17)
    errors = _alone(np.full(20, own**2 if own else 0.0))
    held = []
    for _ in range(400):
        values = rng.normal(0, 1, 20) + rng.normal(0, own, 20)
        low, high = tolerance(values, errors, 0.95, 0.95)
        held.append(norm.cdf(high) - norm.cdf(low) >= 0.95)
    # 400 draws know the share to one percentage point; beyond small errors the interval is on the safe side.
    assert np.mean(held) >= 0.92
