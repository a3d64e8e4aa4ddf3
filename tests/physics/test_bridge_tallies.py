"""Counting while reading, bridge states and sampled intervals.

Sources: six-step states and duty ratio (definitions); resolution of a counter, JCGM 100:2008, 4.3.7 and 4.3.9.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rotorproof.errors import FitError
from rotorproof.physics.bridge import POWERED, RING_60, RING_120, added_gate, conduction_states
from rotorproof.physics.commutation import judge
from rotorproof.physics.sampling import jitter, period, shortest
from rotorproof.physics.tallies import Runs, Tally, Windows


@given(st.lists(st.integers(0, 3), min_size=3, max_size=80), st.integers(1, 10))
@settings(max_examples=80)
def test_runs_do_not_depend_on_the_blocks(states: list[int], size: int) -> None:
    series, times = np.array(states), np.arange(len(states), dtype=float)

    def fed(step: int) -> list[tuple[float, ...]]:
        runs = Runs()
        rows: list[tuple[float, ...]] = []
        for begin in range(0, len(states), step):
            rows += zip(
                *(a.tolist() for a in runs.feed(times[begin : begin + step], series[begin : begin + step])), strict=True
            )
        return rows

    whole = fed(len(states))
    assert fed(size) == whole
    # Each row: before, state, after, start, end; from the definition, walking the list.
    begins = [0, *(i for i in range(1, len(states)) if states[i] != states[i - 1])]
    expected = [
        (states[a], states[b], states[c], float(b), float(c))
        for a, b, c in zip(begins, begins[1:], begins[2:], strict=False)
    ]
    assert whole == expected


@given(st.lists(st.lists(st.integers(0, 20), max_size=30), max_size=6))
@settings(max_examples=60)
def test_tally_counts(blocks: list[list[int]]) -> None:
    tally = Tally()
    for block in blocks:
        tally.add(np.array(block, dtype=np.int64))
    flat = [number for block in blocks for number in block]
    assert dict(zip(tally.values.tolist(), tally.counts.tolist(), strict=True)) == {n: flat.count(n) for n in set(flat)}


def test_windows_keep_means_when_they_double() -> None:
    rng = np.random.default_rng(1)
    times = np.cumsum(rng.uniform(1e-4, 3e-3, 60_000))
    values = np.stack([np.sin(times / 7), times])
    windows = Windows(2, length=0.01, most=100)
    for part in np.array_split(np.arange(times.size - 1), 37):
        windows.add(times[part[0] : part[-1] + 2], values[:, part])
    middles, means = windows.means()
    assert 40 < middles.size <= 100
    # A step function's mean over a window, from a fine grid.
    for middle, mean in zip(middles[:5], means.T[:5], strict=True):
        grid = middle + windows.length * (np.arange(200_000) + 0.5) / 200_000 - windows.length / 2
        held = values[:, np.searchsorted(times, grid, "right") - 1]
        assert mean == pytest.approx(held.mean(axis=1), rel=1e-3, abs=1e-3)


def test_powered_means_two_different_legs() -> None:
    ah, al, bh, bl, ch, cl = (1 << n for n in range(6))
    assert POWERED[ah | bl] and POWERED[ch | al] and POWERED[ah | bh | cl]
    assert not any(POWERED[state] for state in (0, ah, al | bl | cl, ah | bh | ch, ah | al))


def test_states_and_the_gates_they_add() -> None:
    high = np.array([[0.5, 0, 0], [0, 0, 0], [0.5, 0.4, 0.6], [0.4, 0, 0]])
    low = np.array([[0.5, 0, 1.0], [1, 1, 1], [0.5, 0.6, 0.4], [0, 1.0, 0.2]])
    assert conduction_states(high, low).tolist() == [2, 0, 7, 1]
    # From A+ B- on: the next state adds C low, then B high, A low, C high, B low, A high.
    states = np.array([1, 2, 3, 4, 5, 6, 1])
    assert added_gate(states[:-1], states[1:]).tolist() == [5, 2, 1, 4, 3, 0]
    assert added_gate(np.array([1, 1, 0]), np.array([1, 4, 2])).tolist() == [-1, -1, -1]


@pytest.mark.parametrize("ring", [RING_120, RING_60])
@pytest.mark.parametrize("offset", range(6))
@pytest.mark.parametrize("direction", [1, -1])
def test_any_offset_is_a_table_and_the_other_direction_is_not(
    ring: tuple[int, ...], offset: int, direction: int
) -> None:
    table, steps = np.zeros((8, 8), dtype=int), np.zeros((8, 8), dtype=int)
    for place, code in enumerate(ring):
        table[code, 1 + (offset + direction * place) % 6] = 50
        steps[code, ring[(place + 1) % 6]] = 50
    found = judge(table, steps)
    assert found.spacing == (60 if ring == RING_60 else 120)
    assert found.wrong == found.skipped == found.invalid == 0
    assert found.against == (direction < 0)
    assert found.errors == (0 if direction > 0 else 300)
    steps[ring[0], ring[2]] += 3
    assert judge(table, steps).skipped == 3


@given(st.floats(0.5, 60.0), st.integers(1, 400), st.integers(0, 2**31))
@settings(max_examples=150)
def test_a_constant_interval_lies_within_its_limits(samples: float, count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    begin = rng.uniform(0, 1000, count)
    read = np.ceil(begin + samples) - np.ceil(begin)
    values, counts = np.unique(read, return_counts=True)
    found = shortest(values * 41.7e-9, counts, 41.7e-9)
    assert abs(found.value - samples * 41.7e-9) <= sum(found.half_widths) * (1 + 1e-9)
    assert sum(found.half_widths) <= 41.7e-9 * (1 + 1e-9)


def test_an_outlier_keeps_its_own_limits() -> None:
    found = shortest(np.array([3.0, 9.0, 10.0]), np.array([1, 500, 400]), 1.0)
    assert (found.value, found.half_widths) == (3.0, (0.5, 0.5))
    found = shortest(np.array([8.0, 9.0, 10.0]), np.array([3, 500, 400]), 1.0)
    assert (found.value, found.half_widths) == (8.0, (1.0,))
    with pytest.raises(FitError):
        shortest(np.zeros(0), np.zeros(0), 1.0)


def test_jitter_is_told_from_the_clock() -> None:
    rng = np.random.default_rng(3)
    for true, seen in ((3.0, True), (0.05, False)):
        edges = np.cumsum(1500.3 + rng.normal(0, true, 20_000))
        values, counts = np.unique(np.diff(np.ceil(edges)), return_counts=True)
        found = jitter(period(values, counts, float(edges[-1])), 1.0)
        assert (found is not None) == seen
        if found:
            assert abs(found[0] - true) < 3 * found[1]
