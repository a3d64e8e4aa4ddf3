"""Commutation from the legs of a bridge that a capture holds beside the three sensors, where it does not hold all.

A leg is at the positive line, at the negative one or idle. Of two legs that is known in every state of a six-step
bridge, so two of them beside the sensors show the table; the third is then inferred from the rule, not seen. Captures
of different legs are joined by the sensor codes, which each of them holds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from .bridge import MINUS_LEG, PLUS_LEG, RING_60, RING_120, added_gate
from .commutation import Commutation
from .kept_sectors import Later

#: Share of a sector's time below which a switch counts as off, and means of two roles as the same (common practice,
#: no source).
_ALIKE = 0.1
#: A table is told from the next best one by this share of its own score at least.
_APART = 0.05


@dataclass(frozen=True)
class Sectors:
    """The whole sensor sectors of one capture, in order.

    ``code`` ``(n,)``; ``share`` ``(n, 6)`` of a sector's time in which each gate was on; ``delay`` ``(n, 6)`` in s from
    its beginning to the first turn-on of each gate, NaN where there was none; ``legs``: those with both gates captured;
    ``gates`` ``(6,)``: whether each gate was; ``later``: the sectors beyond those kept one by one.
    """

    code: np.ndarray
    share: np.ndarray
    delay: np.ndarray
    legs: tuple[int, ...]
    gates: np.ndarray
    later: Later | None = None


@dataclass(frozen=True)
class _Row:
    """Sectors ``(n,)`` with their neighbours, and how often each came: roles ``(n, 3)`` of the legs as seen.

    Where there is no neighbour its code is -1 and its legs are idle. What is not ``fresh`` is judged elsewhere.
    """

    code: np.ndarray
    seen: np.ndarray
    code_before: np.ndarray
    seen_before: np.ndarray
    seen_after: np.ndarray
    count: np.ndarray
    fresh: np.ndarray


@dataclass(frozen=True)
class LegCommutation:
    """What captures of some legs show: the judgement, counts of sectors by code and state ``(8, 8)``, and delays.

    A sector that agrees with the table counts under its state, one that does not under state 0. ``dropouts`` lie
    between driven sectors; ``delays`` ``(k,)`` in s.
    """

    found: Commutation
    table: np.ndarray
    dropouts: int
    delays: np.ndarray


def judge_legs(captures: Sequence[Sectors]) -> LegCommutation:
    """Judge the sectors of captures by the six-step rule (see ``commutation.judge``) from the legs they hold.

    A switch works most in the sectors in which its leg is at its line, whatever the scheme of chopping; so of the
    twelve tables that obey the rule, that one is taken in whose sectors the captured switches work most. Raises
    ``FitError`` where these legs do not tell the table.
    """
    ring = _ring(captures)
    mean = _mean_shares(captures)
    tables = {
        (direction, offset): {code: 1 + (offset + direction * place) % 6 for place, code in enumerate(ring)}
        for direction in (1, -1)
        for offset in range(6)
    }
    scores = {key: _score(table, mean) for key, table in tables.items()}
    best, second = sorted(scores, key=lambda key: -scores[key])[:2]
    if scores[best] <= 0 or scores[second] > (1 - _APART) * scores[best]:
        raise FitError(
            "the legs captured beside the three sensors do not tell in which order the field turns; capture both gates "
            "of two legs with the sensors, in one capture or in two"
        )
    expected = tables[best]
    roles = np.zeros((8, 3), dtype=int)
    for code, state in expected.items():
        roles[code, PLUS_LEG[state]], roles[code, MINUS_LEG[state]] = 1, -1
    templates = _templates(captures, roles, ring)
    counts = np.zeros((8, 8), dtype=np.int64)
    judged = right = skipped = invalid = dropouts = 0
    delays = []
    for one in captures:
        legs = list(one.legs)
        for row in _rows(one, templates):
            valid = np.isin(row.code, ring)
            agrees = np.all(row.seen[:, legs] == roles[row.code][:, legs], axis=1) & valid
            idle, idle_before, idle_after = (_idle(seen, legs) for seen in (row.seen, row.seen_before, row.seen_after))
            dropouts += int(np.sum(row.count[idle & ~idle_before & ~idle_after]))
            ruled = np.array([expected.get(int(code), 0) for code in row.code])
            weight = np.where(row.fresh, row.count, 0).astype(np.int64)
            np.add.at(counts, (row.code, np.where(agrees, ruled, 0)), weight)
            judged += int(np.sum(weight[valid & ~idle]))
            right += int(np.sum(weight[agrees & ~idle]))
            invalid += int(np.sum(weight[~valid]))
            place, place_before = (
                np.array([ring.index(int(code)) if code in ring else -1 for code in codes])
                for codes in (row.code, row.code_before)
            )
            step = (place - place_before) % 6
            skipped += int(np.sum(weight[np.isin(step, (2, 3, 4)) & (place >= 0) & (place_before >= 0)]))
        ruled = np.array([expected.get(int(code), 0) for code in one.code])
        agrees = np.all(_seen_roles(one.share, templates)[:, legs] == roles[one.code][:, legs], axis=1)
        delays.append(_delays(one, ruled, agrees & np.isin(one.code, ring)))
    found = Commutation(
        expected, 60 if ring == RING_60 else 120, judged, judged - right, skipped, invalid, best[0] < 0, 0
    )
    return LegCommutation(found, counts, dropouts, np.concatenate(delays))


def _ring(captures: Sequence[Sectors]) -> tuple[int, ...]:
    counts = np.sum([np.bincount(one.code, minlength=8) for one in captures], axis=0)
    return RING_60 if counts[[0b000, 0b111]].sum() > counts[[0b010, 0b101]].sum() else RING_120


def _mean_shares(captures: Sequence[Sectors]) -> np.ndarray:
    """Return the mean share of each gate of the captured legs by sensor code ``(8, 6)``, 0 where none was captured."""
    total, number = np.zeros((8, 6)), np.zeros((8, 6))
    for one in captures:
        for leg in one.legs:
            for gate in (2 * leg, 2 * leg + 1):
                total[:, gate] += np.bincount(one.code, one.share[:, gate], minlength=8)
                number[:, gate] += np.bincount(one.code, minlength=8)
    return np.where(number > 0, total / np.maximum(number, 1), 0.0)


def _score(table: Mapping[int, int], mean: np.ndarray) -> float:
    return float(sum(mean[c, 2 * PLUS_LEG[s]] + mean[c, 2 * MINUS_LEG[s] + 1] for c, s in table.items()))


def _templates(captures: Sequence[Sectors], roles: np.ndarray, ring: tuple[int, ...]) -> np.ndarray:
    """Return how a leg's two switches work when idle, at the positive and at the negative line ``(3, 2)``: medians.

    Raises ``FitError`` where two of them are alike.
    """
    pairs = {0: [], 1: [], -1: []}  # type: dict[int, list[np.ndarray]]
    for one in captures:
        valid = np.isin(one.code, ring)
        for leg in one.legs:
            for role, kept in pairs.items():
                kept.append(one.share[valid & (roles[one.code, leg] == role)][:, [2 * leg, 2 * leg + 1]])
    found = [np.concatenate(pairs[role]) for role in (0, 1, -1)]
    if any(len(shares) == 0 for shares in found):
        raise FitError("not all sensor codes were captured with conduction; capture two electrical turns under drive")
    medians = np.array([np.median(shares, axis=0) for shares in found])
    if medians[0].sum() > 0.5:
        raise FitError(
            "the legs are switched in every sector (sine or space-vector drive), so there is no commutation table"
        )
    apart = [np.abs(medians[a] - medians[b]).max() for a, b in ((0, 1), (0, 2), (1, 2))]
    if min(apart) < _ALIKE:
        raise FitError(
            f"a leg at the positive line works its switches within {min(apart) * 100:.0f} % like one that is not, so "
            "the sectors cannot be judged; capture at a larger duty ratio"
        )
    return medians


def _seen_roles(share: np.ndarray, templates: np.ndarray) -> np.ndarray:
    """Return the role of each leg ``(n, 3)`` where its switches were on for shares ``(n, 6)``: that most alike."""
    away = np.sum((share.reshape(-1, 3, 1, 2) - templates) ** 2, axis=3)
    return np.array([0, 1, -1])[np.argmin(away, axis=2)]


def _idle(seen: np.ndarray, legs: list[int]) -> np.ndarray:
    """Tell where no leg conducts ``(n,)``: of two legs one at least takes part in every state."""
    return np.all(seen[:, legs] == 0, axis=1) & (len(legs) > 1)


def _rows(one: Sectors, templates: np.ndarray) -> Iterator[_Row]:
    """Yield the sectors that were kept, then those that were counted by kind."""
    seen, nothing = _seen_roles(one.share, templates), np.zeros((1, 3), dtype=int)
    n = one.code.size
    yield _Row(
        one.code,
        seen,
        np.append(-1, one.code[:-1]),
        np.concatenate([nothing, seen[:-1]]),
        np.concatenate([seen[1:], nothing]),
        np.ones(n, dtype=np.int64),
        np.ones(n, dtype=bool),
    )
    if one.later is not None:
        # A leg that works like in the sectors of a code has the role that it has there.
        of_code = _seen_roles(np.nan_to_num(one.later.medians), templates)
        before, here, after = (of_code[one.later.like(place), [0, 1, 2]] for place in (0, 1, 2))
        yield _Row(one.later.code(1), here, one.later.code(0), before, after, one.later.count, one.later.fresh)


def _delays(one: Sectors, state: np.ndarray, agrees: np.ndarray) -> np.ndarray:
    """Return the times to the turn-on of the gate that a step adds, where that gate was captured."""
    gate = np.where(agrees[1:] & agrees[:-1], added_gate(state[:-1], state[1:]), -1)
    rows = np.flatnonzero((gate >= 0) & one.gates[gate])
    found = one.delay[rows + 1, gate[rows]]
    return np.asarray(found[np.isfinite(found)])
