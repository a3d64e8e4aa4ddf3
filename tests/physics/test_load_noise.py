"""Scatter that grows with speed: weights of the balance without brake.

Sources: weighted least squares of statsmodels 0.14 (independent library); noise drawn with a known share; the study of
tests/benchmarks draws whole units.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from rotorproof.physics.friction import no_load_balance
from rotorproof.physics.load_points import power_noise, torque_noise_share


def test_the_weighted_balance_is_that_of_an_independent_library():
    rng = np.random.default_rng(3)
    speed, voltage = np.linspace(5, 30, 8), np.full(8, 48.0)
    size = power_noise(speed, voltage, 0.6)
    power = 0.42 * speed + 0.011 * speed**2 + rng.normal(0, 0.4, 8) * size
    ours = no_load_balance(voltage, speed, power, standby=None, noise=size)
    theirs = sm.WLS(power, np.column_stack([speed, speed**2]), weights=1 / size**2).fit()
    assert ours.values == pytest.approx(theirs.params, rel=1e-9)
    assert ours.covariance == pytest.approx(theirs.cov_params(), rel=1e-9)


@pytest.mark.parametrize("true", [0.05, 0.5, 0.95])
def test_many_points_tell_how_noise_grows_with_speed(true):
    rng = np.random.default_rng(7)
    speed = np.tile(np.linspace(5, 30, 6), 100)
    level = np.full(speed.size, 48.0)
    variance = (1 - true) + true * speed**2 / np.mean(speed**2)
    assert torque_noise_share(speed, level, rng.normal(0, np.sqrt(variance))) == pytest.approx(true, abs=0.12)


def test_a_few_points_claim_to_know_nothing():
    rng = np.random.default_rng(1)
    speed = np.linspace(5, 30, 6)
    found = [torque_noise_share(speed, np.ones(6), rng.normal(0, 1, 6)) for _ in range(50)]
    assert 0.2 < np.mean(found) < 0.7
    assert min(found) > 0.02


def test_the_interval_at_the_highest_speed_holds_the_truth_where_torque_noise_rules():
    """Points without brake whose scatter grows with speed: the t interval at the top speed must hold 95 %."""
    from scipy.stats import t

    rng = np.random.default_rng(11)
    speed, top = np.linspace(5, 30, 6), 30.0
    grid = np.repeat(speed, 6)
    true = 0.42 * top + 0.011 * top**2
    held = {"as told by all points": 0, "alike": 0}
    for _ in range(600):

        def noise(w: np.ndarray) -> np.ndarray:
            return rng.normal(0, np.hypot(0.2, 0.02 * w))

        power = 0.42 * speed + 0.011 * speed**2 + noise(speed)
        share = torque_noise_share(grid, np.ones(grid.size), noise(grid))
        for name, size in (("as told by all points", power_noise(speed, np.ones(6), share)), ("alike", None)):
            fitted = no_load_balance(np.ones(6), speed, power, standby=None, noise=size)
            terms = np.array([top, top**2])
            u = float(np.sqrt(terms @ fitted.covariance @ terms))
            held[name] += abs(terms @ fitted.values - true) <= t.ppf(0.975, fitted.degrees_of_freedom) * u
    assert 0.93 <= held["as told by all points"] / 600 <= 0.97
    assert held["alike"] / 600 < 0.92  # what this weighting is for
