"""The EMF over the magnets' temperature, beside makers' data of magnet materials."""

import pytest

from rotorproof.physics.magnets import emf_share
from rotorproof.procedures.assumption import MAGNET_COEFFICIENT
from tests.outside import Outside

MAKER = "Advanced Magnets, What are permanent magnets temperature coefficients (advancedmagnets.com)"


def test_remanence_of_a_hot_magnet_as_its_maker_read_it(outside: Outside) -> None:
    # N48SH: 13.82 kG at 20 degC, 11.69 kG at 150 degC, alpha = -0.119 %/K.
    outside(
        "emf_constant_dc",
        "share of the flux of an N48SH magnet left at 150 degC",
        ours=emf_share(150.0, -0.00119),
        published=11.69 / 13.82,
        allowance=1e-3,
        source=MAKER,
    )


@pytest.mark.parametrize("coefficient", [-0.0009, -0.0010, -0.0012])
def test_makers_values_of_sintered_ndfeb_lie_within_what_is_assumed(coefficient: float) -> None:
    """-0.09 to -0.12 %/K, the same source. SmCo (-0.03 to -0.05) and ferrite (-0.2) are outside, as the words say.

    The table of Modelica.Magnetic.FluxTubes.Material.HardMagnetic (Modelica Standard Library 4.0.0, exemplary values)
    has -0.10 for sintered and bonded NdFeB, -0.03 for Sm2Co17, -0.04 for SmCo5, -0.20 for hard ferrite.
    """
    assert abs(coefficient - MAGNET_COEFFICIENT.value) <= MAGNET_COEFFICIENT.half_width
    assert "NdFeB" in MAGNET_COEFFICIENT.why
    for other in (-0.0003, -0.0004, -0.0005, -0.0020):
        assert abs(other - MAGNET_COEFFICIENT.value) > MAGNET_COEFFICIENT.half_width
