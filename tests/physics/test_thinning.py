"""What averaging takes from a harmonic, against the closed form of a uniform angle."""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.physics import thinning


@pytest.mark.parametrize("widest", [1e-12, 1e-6, 1e-3, 0.02, 0.9])
def test_the_attenuation_of_a_spread_is_that_of_a_uniform_angle(widest: float) -> None:
    # sin(h a)/(h a), evaluated by the arithmetic library; the series serves small angles only.
    spread = np.linspace(0.0, widest, 7)
    orders = np.arange(1, 41)
    expected = np.sinc(np.sqrt(3 * spread)[:, None] * orders / np.pi)
    assert thinning.attenuation_of_spread(40, spread) == pytest.approx(expected, abs=1e-15)


@pytest.mark.parametrize("m", [2, 3, 11])
@pytest.mark.parametrize("uneven", [0.0, 0.3, 0.99])
def test_lines_between_averages_are_those_of_numpy(m: int, uneven: float) -> None:
    """Also where readings are so unevenly spaced that an average does not lie in the middle of its neighbours."""
    time = np.cumsum(1.0 + uneven * np.random.default_rng(m).uniform(-1.0, 1.0, 40 * m + m - 1) ** 5)
    thin = thinning.thinned(time, m)
    (angle, speed), inside = thinning.drawn(time, thin, (thin**2, np.cos(thin)), m)
    np.testing.assert_allclose(angle, np.interp(time, thin, thin**2), rtol=1e-12)
    np.testing.assert_allclose(speed, np.interp(time, thin, np.cos(thin)), atol=1e-12)
    assert np.all(time[: inside.start] < thin[0])
    assert thin[0] <= time[inside.start] < time[inside.stop - 1] < thin[-1] <= time[inside.stop]
