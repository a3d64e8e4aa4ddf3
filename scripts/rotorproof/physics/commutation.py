"""Judge a commutation table found in a capture: wrong states, skipped sensor steps, codes that cannot be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .bridge import RING_60, RING_120


@dataclass(frozen=True)
class Commutation:
    """What the sensor sectors of a capture showed; counts are of sectors.

    ``table`` maps each valid sensor code to the conduction state it should have, as the capture itself shows by
    majority; ``judged`` sectors had conduction. ``against``: the states turn against the sensors.
    """

    table: Mapping[int, int]
    spacing: int
    judged: int
    wrong: int
    skipped: int
    invalid: int
    against: bool
    all_legs: int

    @property
    def errors(self) -> int:
        """Return the number of sectors at fault; all of them where the states turn against the sensors."""
        return (self.judged if self.against else self.wrong) + self.skipped + self.invalid


def judge(table: np.ndarray, steps: np.ndarray) -> Commutation:
    """Compare counts of conduction states per sensor code ``(8, 8)`` with the six-step rule.

    The rule: from one sensor code to the next in their cyclic order, the conduction state moves by one in its own
    cyclic order (see any textbook of electronic commutation; the offset between both is the maker's choice). Of the
    twelve tables that obey it the one that fits most sectors is taken. ``steps`` ``(8, 8)`` counts transitions
    between codes. States 0 (none) and 7 (all legs) are not judged.
    """
    in_120 = int(table[[0b010, 0b101]].sum())
    in_60 = int(table[[0b000, 0b111]].sum())
    ring = RING_60 if in_60 > in_120 else RING_120
    best, expected, against = -1, {}, False
    for direction in (1, -1):
        for offset in range(6):
            candidate = {code: 1 + (offset + direction * place) % 6 for place, code in enumerate(ring)}
            fits = int(sum(table[code, state] for code, state in candidate.items()))
            if fits > best:
                best, expected, against = fits, candidate, direction < 0
    valid = list(ring)
    judged = int(table[valid, 1:7].sum())
    outside = [code for code in range(8) if code not in ring]
    skipped = 0
    for i, one in enumerate(ring):
        for j, other in enumerate(ring):
            if (i - j) % 6 in (2, 3, 4):
                skipped += int(steps[one, other])
    return Commutation(
        expected,
        60 if ring == RING_60 else 120,
        judged,
        judged - best,
        skipped,
        int(table[outside].sum()),
        against and judged > 0,
        int(table[:, 7].sum()),
    )
