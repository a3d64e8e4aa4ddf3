"""The least-squares adjustment against published averages and against independent libraries.

Sources stand beside each check. Libraries: statsmodels (GLS), GTC (Measurement Standards Laboratory of New Zealand),
SciPy (chi-square distribution).
"""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import chi2

from rotorproof.errors import FitError
from rotorproof.uncertainty.adjustment import Observation, adjust
from rotorproof.uncertainty.forms import Form, Influence, block_influences
from tests.outside import Outside


def alone(test: str, value: float, u: float, dof: float = math.inf) -> Observation:
    return Observation(test, Form(value, {Influence(test, "scatter", degrees_of_freedom=dof): u}), {"x": 1.0})


def correlated(values: np.ndarray, covariance: np.ndarray, design: np.ndarray) -> list[Observation]:
    influences, matrix = block_influences("all", "all", covariance, math.inf)
    names = [f"p{k}" for k in range(design.shape[1])]
    return [
        Observation(
            f"test {k}",
            Form(float(value), dict(zip(influences, map(float, row), strict=True))),
            {name: float(a) for name, a in zip(names, equation, strict=True) if a != 0},
        )
        for k, (value, row, equation) in enumerate(zip(values, matrix, design, strict=True))
    ]


def test_two_masses_that_disagree_as_the_particle_data_group_averages_them(outside: Outside) -> None:
    source = (
        "Particle Data Group 2010, mass of the Omega_b: 6071 +- 40 MeV (S = 6.2) from 6165 +- 10 +- 13 (D0) and 6054.4 "
        "+- 6.8 +- 0.9 (CDF, Phys. Rev. D 80 (2009) 072003), 6.2 standard deviations apart; the average from memory"
    )
    found = adjust("t", [alone("D0", 6165.0, math.hypot(10, 13)), alone("CDF", 6054.4, math.hypot(6.8, 0.9))])
    outside("uncertainty", "average", ours=found.forms["x"].value, published=6071, allowance=0.5, source=source)
    outside("uncertainty", "Birge ratio", ours=found.birge_ratio, published=6.2, allowance=0.05, source=source)
    u = found.forms["x"].standard_uncertainty
    outside("uncertainty", "scaled uncertainty", ours=u, published=40, allowance=1.0, source=source)
    assert not found.agrees
    assert found.out_of_line is None  # two cannot say which


def test_two_slopes_that_agree_as_the_particle_data_group_averages_them(outside: Outside) -> None:
    source = "Particle Data Group, pdglive data block S010GTP (slope g of K+- -> pi+- pi0 pi0): 0.626 +- 0.007"
    first, second = math.hypot(0.0043, 0.0093), math.hypot(0.004, 0.010)
    found = adjust("t", [alone("AKOPDZHANOV 2005B", 0.6259, first), alone("AJINENKO 2003B", 0.627, second)])
    outside("uncertainty", "average", ours=found.forms["x"].value, published=0.626, allowance=0.0005, source=source)
    u = found.forms["x"].standard_uncertainty
    outside("uncertainty", "uncertainty", ours=u, published=0.007, allowance=0.0005, source=source)
    assert found.agrees


def test_peelles_puzzle_is_not_answered_below_both_readings(outside: Outside) -> None:
    """1.5 and 1.0, each with 10 % of its own and 20 % shared, in proportion to the readings.

    The plain least squares of that covariance gives 0.88 +- 0.22, below both: the known paradox. It is repeated here
    with an independent library, so that what is avoided is the right thing.
    """
    values, shared = np.array([1.5, 1.0]), Influence("shared", "gain")
    observations = [
        Observation(f"test {k}", Form(v, {Influence(f"own {k}", "scatter"): 0.1 * v, shared: 0.2 * v}), {"x": 1.0})
        for k, v in enumerate(values)
    ]
    covariance = np.diag((0.1 * values) ** 2) + np.outer(0.2 * values, 0.2 * values)
    plain = sm.GLS(values, np.ones(2), sigma=covariance).fit()
    source = (
        "R. W. Peelle's puzzle (1987) as told by G. D'Agostini, Nucl. Instrum. Methods A 346 (1994) 306; from memory"
    )
    outside("uncertainty", "plain", ours=plain.params[0], published=0.88, allowance=0.005, source=source)
    found = adjust("t", observations).forms["x"]
    source = "the same paper: the common factor left out of the weights gives 1.15; from memory"
    outside(
        "uncertainty", "shared error met at one value", ours=found.value, published=1.15, allowance=0.005, source=source
    )
    assert found.terms[shared] == pytest.approx(0.2 * found.value)  # and stays whole


def test_joint_adjustment_of_two_constants_is_that_of_statsmodels_and_gtc() -> None:
    rng = np.random.default_rng(5)
    design = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 0.0], [0.0, 1.0], [1.0, 12.0]])
    mixed = rng.standard_normal((5, 5))
    covariance = 1e-4 * (mixed @ mixed.T + np.eye(5))
    values = design @ np.array([0.4, 0.02]) + 0.005 * rng.standard_normal(5)
    found = adjust("t", correlated(values, covariance, design))
    theirs = sm.GLS(values, design, sigma=covariance).fit(cov_type="fixed scale")
    assert [found.forms["p0"].value, found.forms["p1"].value] == pytest.approx(theirs.params, rel=1e-9)
    assert [found.forms[n].standard_uncertainty for n in ("p0", "p1")] == pytest.approx(theirs.bse, rel=1e-9)
    assert found.forms["p0"].covariance(found.forms["p1"]) == pytest.approx(
        theirs.normalized_cov_params[0, 1], rel=1e-8
    )
    left = values - design @ theirs.params
    assert found.chi_square == pytest.approx(left @ np.linalg.solve(covariance, left))
    assert found.degrees_of_freedom == 3
    assert found.probability == pytest.approx(chi2.sf(found.chi_square, 3))

    # The weights, carried through by a library of uncertain numbers that knows the covariances.
    scale = np.sqrt(np.diag(covariance))
    numbers = GTC.multiple_ureal(values.tolist(), scale.tolist(), math.inf)
    for a in range(5):
        for b in range(a):
            GTC.set_correlation(covariance[a, b] / (scale[a] * scale[b]), numbers[a], numbers[b])
    mean = sum(share.weights["p0"] * number for share, number in zip(found.shares, numbers, strict=True))
    assert mean.x == pytest.approx(found.forms["p0"].value)
    assert mean.u == pytest.approx(found.forms["p0"].standard_uncertainty)


def test_the_test_out_of_line_is_named_and_the_interval_widened() -> None:
    good = [alone("a", 1.000, 0.004), alone("b", 1.003, 0.004), alone("c", 0.998, 0.004)]
    assert adjust("t", good).agrees
    found = adjust("t", [*good, alone("planted", 1.05, 0.004)])
    assert not found.agrees
    assert found.out_of_line == "planted"
    assert found.forms["x"].standard_uncertainty == pytest.approx(0.002 * found.birge_ratio)
    assert max(found.shares, key=lambda share: abs(share.normalised)).test == "planted"


def test_lines_that_disagree_are_widened_and_stay_correlated() -> None:
    """Birge's ratio multiplies the whole covariance of a fit: a line is best known where its readings lie."""
    share = Influence("line", "scatter"), Influence("tilt", "scatter")
    lines = [
        Observation(test, Form(value, {Influence(f"{test}/{i.name}", i.source): c for i, c in terms.items()}), {n: 1.0})
        for test, c, b in (("a", 0.20, 0.0040), ("b", 0.30, 0.0042))
        for n, value, terms in (
            ("c", c, {share[0]: 0.010, share[1]: -0.009}),
            ("b", b, {share[1]: 0.0009, share[0]: -0.0008}),
        )
    ]
    found = adjust("t", lines)
    assert not found.agrees
    c, b = found.forms["c"], found.forms["b"]
    # Half of each line: the covariances are half of a single one's, times the ratio squared.
    ratio = found.birge_ratio**2 / 2
    assert c.standard_uncertainty**2 == pytest.approx(ratio * (0.010**2 + 0.009**2))
    assert b.standard_uncertainty**2 == pytest.approx(ratio * (0.0009**2 + 0.0008**2))
    assert c.covariance(b) == pytest.approx(-ratio * (0.010 * 0.0008 + 0.009 * 0.0009))


def test_the_same_log_twice_counts_once() -> None:
    first = alone("a", 1.0, 0.01)
    twice = Observation("copy", first.form, {"x": 1.0})
    found = adjust("t", [first, twice, alone("b", 1.01, 0.01)])
    assert list(found.set_aside) == ["copy"]
    assert found.degrees_of_freedom == 1
    assert found.forms["x"].value == pytest.approx(1.005)


def test_a_test_that_shares_most_of_its_error_gets_no_negative_weight() -> None:
    shared = Influence("shared", "gain")
    a = Observation("a", Form(1.0, {shared: 0.010}), {"x": 1.0})
    b = Observation("b", Form(1.02, {shared: 0.015, Influence("own", "scatter"): 0.01}), {"x": 1.0})
    found = adjust("t", [a, b])
    assert [share.weights["x"] for share in found.shares] == pytest.approx([1.0, 0.0])
    assert found.forms["x"].terms == pytest.approx(a.form.terms)


def test_no_constant_is_less_certain_than_its_best_test() -> None:
    """A precise test beside two that share an error: brute force over a grid of weights finds nothing better."""
    shared = Influence("shared", "gain")
    a = alone("a", 1.0, 0.012)
    b = Observation("b", Form(1.01, {shared: 0.015, Influence("b", "scatter"): 0.004}), {"x": 1.0})
    c = Observation("c", Form(1.012, {shared: 0.022, Influence("c", "scatter"): 0.004}), {"x": 1.0})
    found = adjust("t", [a, b, c])
    assert min(share.weights["x"] for share in found.shares) >= 0
    grid = np.linspace(0, 1, 101)
    variances = [
        (p * 0.012) ** 2 + (q * 0.015 + (1 - p - q) * 0.022) ** 2 + 0.004**2 * (q**2 + (1 - p - q) ** 2)
        for p in grid
        for q in grid
        if p + q <= 1
    ]
    assert found.forms["x"].standard_uncertainty == pytest.approx(math.sqrt(min(variances)), rel=2e-3)


def test_few_readings_widen_and_make_disagreement_harder_to_claim() -> None:
    many = adjust("t", [alone("a", 1.0, 0.01), alone("b", 1.035, 0.01)])
    few = adjust("t", [alone("a", 1.0, 0.01, 4), alone("b", 1.035, 0.01, 4)])
    assert not many.agrees
    assert few.agrees
    # 1 + 4 (1/4 + 1/4)/4 = 1.5 times the variance.
    assert few.forms["x"].standard_uncertainty == pytest.approx(0.01 / math.sqrt(2) * math.sqrt(1.5))


def test_what_is_not_determined_or_has_no_uncertainty_is_refused() -> None:
    line = [Observation(t, Form(1.0, {Influence(t, "s"): 0.1}), {"c": 1.0, "b": 2.0}) for t in ("a", "b")]
    with pytest.raises(FitError, match="do not determine"):
        adjust("t", line)
    with pytest.raises(FitError, match="states no uncertainty"):
        adjust("t", [alone("a", 1.0, 0.1), Observation("b", Form(1.0), {"x": 1.0})])


def test_intervals_of_adjusted_values_hold_the_truth() -> None:
    """Two tests of six readings each beside a third with a shared rectangular error: 95 % of 1000 intervals."""
    from rotorproof.uncertainty.coverage import interval

    rng = np.random.default_rng(11)
    held = 0
    gain = Influence("gain", "meter", "rectangular")
    for _ in range(1000):
        shift = rng.uniform(-1, 1) * math.sqrt(3) * 0.004
        observations = []
        for name, sigma in (("a", 0.02), ("b", 0.01)):
            readings = 1.0 + shift + sigma * rng.standard_normal(6)
            u = float(readings.std(ddof=1)) / math.sqrt(6)
            terms = {Influence(name, "scatter", degrees_of_freedom=5): u, gain: 0.004}
            observations.append(Observation(name, Form(float(readings.mean()), terms), {"x": 1.0}))
        observations.append(alone("c", 1.0 + 0.006 * rng.standard_normal(), 0.006))
        cover = interval(adjust("t", observations).forms["x"])
        held += cover.low <= 1.0 <= cover.high
    assert 930 <= held <= 975
