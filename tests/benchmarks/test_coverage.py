"""The coverage study on a few seeded units of each kind: no interval may be far from its 95 %.

This is the only place where intervals are judged; the published figures come from many more units (coverage.md). The
least count that passes is one that intervals of 95 % miss in less than one of a thousand such tests: 51 of 60 and 19 of
24. Intervals half as wide as they should be hold 67 %: for each quantity 99.8 % and 85 % of such tests fail then.
Errors in scatter alone, down to a factor of the root of two, are found by tests/proof/test_scatter.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from tests.benchmarks.coverage import Tally, investigate, page
from tests.benchmarks.studies import STUDIES

#: Procedures whose units take tens of milliseconds each.
SLOW = ("open-circuit", "hall-sensors", "coast-down", "load", "cogging", "heat-run", "supply-window", "gate-timing")
BY_NAME = {study.name: study for study in STUDIES}


@pytest.mark.parametrize("name", BY_NAME)
def test_intervals_hold_the_truth(name: str) -> None:
    units = 24 if BY_NAME[name].procedure in SLOW else 60
    found = investigate(BY_NAME[name], units=units, seconds=1e9)
    assert found.failed <= 1
    assert found.tallies
    for quantity, tally in found.tallies.items():
        assert tally.given >= 0.6 * units, f"{quantity} was given {tally.given} times only"
        assert tally.held >= binom.ppf(1e-3, tally.given, 0.95), f"{quantity}: {tally.held} of {tally.given}"


def test_a_case_depends_on_its_seed_alone() -> None:
    study = BY_NAME["insulation-resistance"]
    first, again, other = (study.draw(np.random.default_rng([1, k])) for k in (7, 7, 8))
    assert first.truth == again.truth
    assert first.truth != other.truth


def test_the_page_names_what_lies_outside() -> None:
    found = investigate(BY_NAME["current-limit"], units=5, seconds=1e9)
    found.tallies["supply_current_limit"] = Tally(given=1000, held=900)
    found.missing["phase_current_limit"] = 2
    text = page([found])
    assert "1 lie outside it by more than chance" in text
    assert "| 90.0% | 88.0% to 91.7% |" in text
    assert "too narrow" in text
    assert "- current-limit: `supply_current_limit` 90.0%: no reason is known." in text
    assert "`phase_current_limit` was not given for 2 of 5 units" in text


def test_bounds_of_a_share() -> None:
    # Wilson's interval for 95 of 100: 0.888 to 0.978 (any table of binomial confidence limits).
    assert Tally(given=100, held=95).bounds() == pytest.approx((0.888, 0.978), abs=1e-3)
    assert Tally(given=100, held=100).bounds()[1] == pytest.approx(1.0)
