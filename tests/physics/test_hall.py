"""Angles of position sensors against the EMF."""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.physics import hall


def test_zero_crossings_of_all_lines_count_alike() -> None:
    """Lines that cross 2 degrees late, on time and 1 degree early: on average a third of a degree late."""
    x = np.radians([-2.0, -120.0, 121.0]) - np.pi / 2
    assert np.degrees(hall.mean_crossing(np.exp(1j * x))) == pytest.approx(1 / 3)
