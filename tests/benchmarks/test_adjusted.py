"""The benchmark of adjusted values runs; its figures are in docs/adjustment.md."""

from __future__ import annotations

import pytest

from tests.benchmarks.adjusted import coverage, invented


@pytest.mark.parametrize("stated", [True, False])
def test_friction_of_a_drawn_motor_is_adjusted_from_both_runs(stated: bool) -> None:
    rows = coverage(invented(1, inertia_stated=stated))
    assert rows["coulomb_friction"].units == 1
    # What a run alone gives is never more certain than both by more than what tying them costs.
    assert all(ratio < 1.05 for ratio in rows["coulomb_friction"].ratios)
