"""The coverage study on a few seeded units of each quick kind: no interval may be far from its 95 %.

The published figures come from many more units (coverage.md). With 60 units a share of 95 % leaves 57 that hold, and
fewer than 50 in less than one of a thousand such tests.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.coverage import Tally, investigate, page
from tests.benchmarks.studies import STUDIES

QUICK = (
    "winding-resistance",
    "winding-inductance",
    "insulation-resistance",
    "no-load",
    "locked-rotor",
    "current-limit",
    "controller-loss",
    "throttle",
)
SLOW = ("open-circuit", "hall-sensors", "coast-down", "load", "cogging", "heat-run", "supply-window", "gate-timing")
BY_NAME = {study.name: study for study in STUDIES}


@pytest.mark.parametrize("name", [study.name for study in STUDIES if study.procedure in QUICK])
def test_intervals_hold_the_truth(name: str) -> None:
    found = investigate(BY_NAME[name], units=60, seconds=60.0)
    assert found.units == 60
    assert found.failed <= 1
    assert found.tallies
    for quantity, tally in found.tallies.items():
        assert tally.held >= 50, f"{quantity}: {tally.held} of {tally.given}"


@pytest.mark.slow
@pytest.mark.parametrize("name", [study.name for study in STUDIES if study.procedure in SLOW])
def test_intervals_of_waveforms_hold_the_truth(name: str) -> None:
    found = investigate(BY_NAME[name], units=12, seconds=60.0)
    assert found.failed == 0
    for quantity, tally in found.tallies.items():
        assert tally.held >= 8, f"{quantity}: {tally.held} of {tally.given}"


def test_every_study_is_quick_or_slow() -> None:
    assert {study.procedure for study in STUDIES} == {*QUICK, *SLOW}


def test_a_case_depends_on_its_seed_alone() -> None:
    study = BY_NAME["insulation-resistance"]
    first, again, other = (study.draw(np.random.default_rng([1, k])) for k in (7, 7, 8))
    assert first.truth == again.truth
    assert first.truth != other.truth


def test_the_page_names_what_lies_outside() -> None:
    found = investigate(BY_NAME["current-limit"], units=5, seconds=60.0)
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
