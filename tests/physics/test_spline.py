"""The spline and the steps of following an angle, beside SciPy's and NumPy's own of the same names."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.fft import next_fast_len
from scipy.interpolate import CubicSpline

from rotorproof.physics.phase import _fast_length, _unwrapped
from rotorproof.physics.spline import Spline


@pytest.mark.parametrize("count", [4, 5, 8, 300])
def test_spline_is_the_one_of_scipy(count: int) -> None:
    rng = np.random.default_rng(count)
    x = np.cumsum(rng.uniform(0.2, 1.8, count))
    y = rng.normal(0.0, 1.0, count) + x
    ours, theirs = Spline(x, y), CubicSpline(x, y)
    rising = np.linspace(x[0] - 0.3, x[-1] + 0.3, 5000)
    for points in (rising, x, rng.permutation(rising), x[:1]):
        value, slope = ours.with_slope(points)
        np.testing.assert_allclose(value, theirs(points), rtol=1e-11, atol=1e-11)
        np.testing.assert_allclose(slope, theirs(points, 1), rtol=1e-10, atol=1e-10)
        np.testing.assert_array_equal(ours(points), value)


def test_length_for_the_transform_is_the_one_of_scipy() -> None:
    for n in [1, 2, 13, 97, 997, *range(16_000, 16_200), 50_021, 500_009]:
        assert _fast_length(n) == next_fast_len(n)


@pytest.mark.parametrize("rising", [0.3, -0.9])
def test_unwrapped_is_the_one_of_numpy(rising: float) -> None:
    angle = rising * np.arange(3000) + np.random.default_rng(2).normal(0.0, 0.3, 3000)
    wrapped = np.angle(np.exp(1j * angle))
    np.testing.assert_allclose(_unwrapped(wrapped), np.unwrap(wrapped), rtol=1e-12)
    np.testing.assert_array_equal(_unwrapped(wrapped[:1]), wrapped[:1])
