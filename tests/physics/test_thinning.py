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
