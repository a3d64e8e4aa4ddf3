"""The check standard: a bench that is right stays unremarked, one that drifts is named with its instrument."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest

from rotorproof.season.bench import BASELINE, Standard, judge
from rotorproof.uncertainty.forms import Form
from tests.season.bench_days import ACCURACY, INSTRUMENT, START, day


def _season(seed: int, kind: str = "", step: float = 0.0, change: dict[str, float] | None = None) -> Standard:
    rng = np.random.default_rng(seed)
    days = [day(n, {}, rng) for n in range(20)]
    days += [day(n, {kind: step} if kind else {}, rng, change) for n in range(20, 24)]
    return judge("CS", "1", days)


def test_the_first_days_are_learned_from_and_a_sound_bench_stays_in_control() -> None:
    found = _season(1)
    assert [one.state for one in found.days[:BASELINE]] == ["learning"] * BASELINE
    assert {one.state for one in found.days[BASELINE:]} == {"in control"}
    assert {chart.quantity for chart in found.charts} == {"emf_constant_dc", "phase_resistance", "coulomb_friction"}


@pytest.mark.parametrize("kind", ["voltage", "current", "speed"])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_the_instrument_that_drifted_is_named(kind: str, sign: float) -> None:
    drift = sign * 0.012
    found = _season(2, kind, drift)
    last = found.days[-1]
    assert last.state == "out of control"
    assert last.suspects == [f"meter {INSTRUMENT[kind]}, {kind}"]
    best = last.causes[0]
    assert best.amount * ACCURACY[kind] == pytest.approx(drift, rel=0.1)
    assert last.beyond_stated, "1.2 % is several times what any of them states"


def test_the_standard_itself_is_no_instrument() -> None:
    last = _season(3, change={"emf_constant_dc": 0.97}).days[-1]
    assert last.state == "out of control"
    assert last.departed == ["emf_constant_dc"]
    assert last.causes
    assert not last.suspects


def test_a_slow_drift_shows_in_the_average_before_it_shows_in_a_day() -> None:
    rng = np.random.default_rng(4)
    days = [day(n, {"voltage": 1.2e-4 * max(0, n - 19)}, rng) for n in range(40)]
    chart = next(c for c in judge("CS", "1", days).charts if c.quantity == "emf_constant_dc")
    first = chart.average_beyond.index(True)
    assert 20 <= first < 40
    assert True not in chart.beyond[:first]


def test_what_lies_between_a_good_day_and_one_out_of_control_is_in_doubt() -> None:
    found = _season(2, "voltage", 0.012)
    assert found.days[19].state == "in control"
    assert found.days[20].state == "out of control"
    after = START + datetime.timedelta(weeks=19, days=3)
    before = START + datetime.timedelta(weeks=18, days=3)
    assert found.doubt(after) is found.days[20]
    assert found.doubt(before) is None
    assert found.doubt(found.days[19].day) is None
    assert found.doubt(found.days[20].day) is found.days[20]
    assert found.doubt(found.days[-1].day + datetime.timedelta(days=2)) is found.days[-1]


def test_without_fits_a_day_is_judged_and_no_cause_is_named() -> None:
    rng = np.random.default_rng(2)
    days = [day(n, {"voltage": 0.012 if n > 19 else 0.0}, rng) for n in range(22)]
    found = judge("CS", "1", [replace(one, forms={}) for one in days])
    assert found.days[-1].state == "out of control"
    assert not found.days[-1].causes
    assert not found.days[-1].beyond_stated


def test_too_few_days_are_judged_by_nothing() -> None:
    rng = np.random.default_rng(2)
    found = judge("CS", "1", [day(n, {}, rng) for n in range(BASELINE)])
    assert not found.charts
    assert {one.state for one in found.days} == {"learning"}


def test_a_noisy_day_does_not_wipe_out_what_the_days_before_it_showed() -> None:
    rng = np.random.default_rng(2)
    days = [day(n, {"voltage": 0.012 if n > 19 else 0.0}, rng) for n in range(22)]
    noisy = {
        name: Form(form.value, {i: (100 if i.name.startswith("scatter/") else 1) * c for i, c in form.terms.items()})
        for name, form in days[-1].forms.items()
    }
    before = judge("CS", "1", days)
    after = judge("CS", "1", [*days[:-1], replace(days[-1], forms=noisy)])
    assert [one.state for one in before.days[20:]] == ["out of control"] * 2
    assert [one.state for one in after.days] == [one.state for one in before.days]
    # A noisy day among the first ones is how the bench is.
    wide = judge("CS", "1", [replace(days[0], forms=noisy), *days[1:]])
    assert wide.days[20].state == "in control"


def test_a_day_that_gave_nothing_charted_says_nothing() -> None:
    rng = np.random.default_rng(2)
    days = [day(n, {"voltage": 0.012 if n in (20, 23) else 0.0}, rng) for n in range(24)]
    for place in (21, 22):
        days[place] = replace(days[place], values={"insulation_resistance": 1e8}, forms={})
    found = judge("CS", "1", days)
    assert [one.state for one in found.days[19:]] == [
        "in control",
        "out of control",
        "not measured",
        "not measured",
        "out of control",
    ]
    # On that day, and between two such days, the nearest that tells something counts.
    assert found.doubt(found.days[21].day) is found.days[23]
    assert found.doubt(found.days[21].day + datetime.timedelta(days=2)) is found.days[23]
    assert judge("CS", "1", days[:22]).doubt(days[21].day) == found.days[20]
    sound = judge("CS", "1", [*days[:20], *days[21:23]])
    assert sound.doubt(sound.days[-1].day) is None


def test_a_day_behind_the_first_ones_whose_constants_still_make_limits_is_learned_from() -> None:
    rng = np.random.default_rng(2)
    days = [day(n, {}, rng) for n in range(20)]
    days[3] = replace(days[3], values={}, forms={})
    states = [one.state for one in judge("CS", "1", days).days]
    assert states == ["learning"] * (BASELINE + 1) + ["in control"] * 7
