"""Control charts against the worked examples of the handbook they are taken from."""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.season.charts import (
    FACTOR,
    Scatter,
    limits,
    moving_average,
    moving_average_spread,
    prediction_factor,
    scatter,
)
from tests.outside import Outside

HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, doi 10.18434/M32189"
#: 6.3.2.2, flow rates of ten batches (from memory).
FLOW = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
#: 6.3.2.4: twenty values, with weight 0.3 about 50 and a standard deviation of 2.0539 (values from memory).
SERIES = np.array(
    [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6,
     52.1]
)  # fmt: skip
AVERAGES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
            49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip


def test_individuals_of_the_handbook(outside: Outside) -> None:
    found = scatter(FLOW)
    low, high = limits(found.mean, found.standard_deviation)
    source = f"{HANDBOOK}, 6.3.2.2, flow rate example"
    for what, ours, published in (
        ("centre line", found.mean, 50.81),
        ("upper limit", high, 55.8041),
        ("lower limit", low, 45.8159),
    ):
        # The handbook rounds 2/sqrt(pi) to 1.128.
        outside("season", what, ours=ours, published=published, allowance=0.002, source=source)


def test_moving_average_of_the_handbook(outside: Outside) -> None:
    source = f"{HANDBOOK}, 6.3.2.4, example"
    ours = moving_average(SERIES, 50.0, 0.3)
    for place, published in enumerate(AVERAGES):
        outside(
            "season",
            f"moving average after {place + 1} values",
            ours=ours[place],
            published=published,
            allowance=0.0051,
            source=source,
        )
    half = FACTOR * 2.0539 * float(moving_average_spread(np.inf, 0.3))
    outside("season", "upper limit", ours=50 + half, published=52.5884, allowance=2e-4, source=source)
    outside("season", "lower limit", ours=50 - half, published=47.4115, allowance=2e-4, source=source)
    assert np.all(np.abs(ours - 50) < half), "no value of the example is out of control"


def test_the_spread_of_the_average_is_that_of_its_weights() -> None:
    weights = 0.2 * 0.8 ** np.arange(7)[::-1]
    assert moving_average_spread(7) == pytest.approx(np.sqrt(np.sum(weights**2)), rel=1e-12)


@pytest.mark.parametrize("n", [8, 12, 30])
def test_degrees_of_freedom_of_a_mean_moving_range(n: int) -> None:
    found = [scatter(row).standard_deviation for row in np.random.default_rng(5).normal(size=(20000, n))]
    assert np.mean(found) == pytest.approx(1.0, abs=0.01)
    assert Scatter(0.0, 1.0, n).degrees_of_freedom == pytest.approx(0.5 / np.var(found), rel=0.05)


def test_four_charts_of_a_long_history_end_at_three_standard_deviations_and_short_ones_beyond() -> None:
    assert prediction_factor(Scatter(0.0, 1.0, 100_000), 4) == pytest.approx(3.0, abs=0.03)
    assert prediction_factor(Scatter(0.0, 1.0, 12), 4) > 4


def test_a_value_to_come_is_outside_as_often_as_was_meant() -> None:
    rng = np.random.default_rng(11)
    rows = rng.normal(size=(60000, 13))
    ranges = np.abs(np.diff(rows[:, :12])).mean(axis=1) / (2 / np.sqrt(np.pi))
    factor = prediction_factor(Scatter(0.0, 1.0, 12)) * np.sqrt(1 + 1 / 12)
    outside_limits = np.sum(np.abs(rows[:, 12] - rows[:, :12].mean(axis=1)) > factor * ranges)
    assert outside_limits / len(rows) == pytest.approx(0.01, abs=0.003)
