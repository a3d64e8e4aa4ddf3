"""A choice among pairs against what the independent bench finds by solving every pair in time over the duty."""

from __future__ import annotations

import itertools

import pytest

from rotorproof.season.stock import rank
from tests.independent_bench.pairs import Stock, stock
from tests.outside import Outside

SOURCE = "tests/simulation/independent: six-step bridge and machine solved in time, no formula shared with the program"


@pytest.fixture(scope="module")
def found() -> Stock:
    return stock(3, 2, 5)


def test_what_surely_meets_the_duty_meets_it_and_what_surely_fails_fails(found: Stock) -> None:
    assert not found.shelf.left_out
    ranked = rank(found.shelf.pairs)
    sure = [one for one in ranked if not 0.05 < one.meets < 0.95]
    assert {one.meets > 0.5 for one in sure} == {True, False}
    for one in sure:
        assert found.truths[one.candidate.name].meets == (one.meets > 0.5), one.candidate.name


def test_the_energy_of_a_pair_is_what_the_bench_finds(found: Stock, outside: Outside) -> None:
    for one in found.shelf.pairs:
        assert one.energy is not None
        outside("energy_per_distance", f"cruise of {one.name}", ours=one.energy.value / 3.6,
                published=found.truths[one.name].energy / 3.6, allowance=2 * one.energy.standard_uncertainty / 3.6,
                source=SOURCE, unit="Wh/km")  # fmt: skip


def test_what_is_left_for_heat_and_limit_on_the_grade_is_what_the_bench_finds(found: Stock, outside: Outside) -> None:
    for one in found.shelf.pairs:
        for name, what in (("heat", "continuous current"), ("current", "limit")):
            ours = one.margins[name]
            outside("decision", f"{what} less the current on the grade of {one.name}", ours=ours.value,
                    published=found.truths[one.name].margins[name], allowance=2 * ours.standard_uncertainty,
                    source=SOURCE, unit="A")  # fmt: skip


def test_the_bench_agrees_with_every_order_by_energy_that_is_told(found: Stock) -> None:
    told = 0
    for first, second in itertools.permutations(found.shelf.pairs, 2):
        assert first.energy is not None
        assert second.energy is not None
        difference = second.energy.minus(first.energy)
        if difference.value > 2 * difference.standard_uncertainty:
            told += 1
            assert found.truths[first.name].energy < found.truths[second.name].energy, (first.name, second.name)
    assert told >= 6
