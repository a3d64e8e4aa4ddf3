"""A few simulated seasons: a drift is noticed and laid at the right instrument, a bad delivery is marked."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.season import ACCURACY, BAD_DELIVERY, DRIFTS_FROM, WEEKENDS, bench, deliveries, noticed


def test_a_sound_bench_gives_few_false_alarms() -> None:
    rng = np.random.default_rng(1)
    found = [noticed(bench(rng), "") for _ in range(20)]
    # Of 560 days some three are expected; alarms of the moving average come in runs.
    assert sum(one.false_alarms > 0 for one in found) <= 4


@pytest.mark.parametrize("kind", ACCURACY)
def test_a_drift_is_noticed_in_its_season_and_its_instrument_is_named(kind: str) -> None:
    rng = np.random.default_rng(2)
    found = [noticed(bench(rng, kind), kind) for _ in range(8)]
    assert all(one.weekend is not None and DRIFTS_FROM < one.weekend < WEEKENDS for one in found)
    assert sum(one.named_then for one in found) >= 6
    assert sum(one.named_at_the_end for one in found) >= 7


def test_a_bad_delivery_is_marked_when_it_comes() -> None:
    first, _ = deliveries(np.random.default_rng(3), True)
    assert first is not None
    assert 2 * BAD_DELIVERY <= first <= 2 * BAD_DELIVERY + 4
