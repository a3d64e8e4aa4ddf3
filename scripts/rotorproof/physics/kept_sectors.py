"""Sensor sectors of a capture whose legs are judged apart: the first ones one by one, all others by what they are like.

Which leg works how is only told beside the other captures, once all are read. Until then a sector is told by its sensor
code and, for each leg, by the code whose first sectors work that leg's switches most alike; how often each such sector
came, after and before which, is counted, so that memory stays flat and nothing is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from .tallies import Tally

#: Sectors that are kept one by one: 38 s of a hub motor of 23 pole pairs at 230 rpm.
MOST_SECTORS = 20_000
#: Sectors of so many kinds in a row follow no pattern that a bridge could have.
MOST_KINDS = 50_000
#: A code tells how legs work in it where so large a share of the first sectors has it (a sixth of them are usual).
_SHARE = 0.02
#: Numbers of a kind: 8 sensor codes times 8 likenesses of each of three legs.
_KINDS = 8**4


@dataclass(frozen=True)
class Later:
    """The sectors that were not kept one by one.

    ``medians`` ``(8, 6)``: shares of time in which each gate was on, by sensor code, NaN for a code that was rare among
    the first. ``kind`` ``(m, 3)``: the sector before one, it and the one after, each ``512 code + 64 a + 8 b + c``
    where leg A works most like in sectors of the code a. ``count`` ``(m,)`` is how often that came; where ``fresh``
    ``(m,)`` is false the middle one is a sector that was kept, here for its neighbours alone.
    """

    medians: np.ndarray
    kind: np.ndarray
    count: np.ndarray
    fresh: np.ndarray

    @classmethod
    def of(cls, medians: np.ndarray, row: np.ndarray, count: np.ndarray) -> Later:
        """Return what ``KeptSectors.columns`` wrote."""
        row = row.astype(np.int64)
        rest, fresh = row // 2, row % 2 == 1
        kind = np.stack([rest // _KINDS**2, rest // _KINDS % _KINDS, rest % _KINDS], axis=1)
        return cls(medians.reshape(8, 6), kind, count, fresh)

    def code(self, place: int) -> np.ndarray:
        """Return the sensor code ``(m,)`` of the sector before (0), in the middle (1) or after (2)."""
        return np.asarray(self.kind[:, place] // 512)

    def like(self, place: int) -> np.ndarray:
        """Return of each leg ``(m, 3)`` the code whose sectors it works like."""
        return np.asarray(self.kind[:, place, None] // np.array([64, 8, 1]) % 8)


class KeptSectors:
    """Gathers sectors in order; ``delay`` is kept of the first ones alone."""

    def __init__(self) -> None:
        self.first: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        self.count = 0
        self.medians = np.full((8, 6), np.nan)
        self.later = Tally()
        self.waiting = np.zeros(0, dtype=np.int64)  # kinds of the last two sectors
        self.judged_before = 0  # how many of those waiting were kept

    def add(self, code: np.ndarray, share: np.ndarray, delay: np.ndarray) -> None:
        """Take sectors: codes ``(n,)``, shares and delays ``(n, 6)``. Raises ``FitError`` for those of no pattern."""
        room = MOST_SECTORS - self.count
        if room > 0:
            self.first.append((code[:room], share[:room], delay[:room]))
            self.count += min(code.size, room)
        if code.size <= room:
            return
        if self.waiting.size == 0:
            self._begin()
        self._add(self._kinds(code[room:], share[room:]))

    def _begin(self) -> None:
        """See how legs work by code in the sectors kept, and take the last two as those before what comes."""
        code, share = (np.concatenate([one[part] for one in self.first]) for part in (0, 1))
        for number in range(8):
            here = code == number
            if here.sum() > _SHARE * code.size:
                self.medians[number] = np.median(share[here], axis=0)
        self.waiting = self._kinds(code[-2:], share[-2:])
        self.judged_before = self.waiting.size

    def _kinds(self, code: np.ndarray, share: np.ndarray) -> np.ndarray:
        kind = code.astype(np.int64)
        for leg in range(3):
            gates = [2 * leg, 2 * leg + 1]
            away = np.sum((share[:, None, gates] - self.medians[None, :, gates]) ** 2, axis=2)
            kind = 8 * kind + np.argmin(np.where(np.isnan(away), np.inf, away), axis=1)
        return kind

    def _add(self, kind: np.ndarray) -> None:
        row = np.concatenate([self.waiting, kind])
        fresh = np.arange(1, row.size - 1) >= self.judged_before
        self.later.add(((row[:-2] * _KINDS + row[1:-1]) * _KINDS + row[2:]) * 2 + fresh)
        if self.later.values.size > MOST_KINDS:
            raise FitError(
                "the gates do not work alike in any two rounds of the sensors; check the ground of the probes and that "
                "each channel is what it is called"
            )
        self.waiting, self.judged_before = row[-2:], max(0, self.judged_before - kind.size)

    def columns(self) -> dict[str, np.ndarray]:
        """Return what was gathered as columns of float64, the last sector with itself after it."""
        if self.waiting.size:
            self._add(self.waiting[-1:])
        return {
            "sector_code": np.concatenate([np.zeros(0), *(one[0] for one in self.first)]).astype(float),
            "sector_share": np.concatenate([np.zeros(0), *(one[1].ravel() for one in self.first)]),
            "sector_delay": np.concatenate([np.zeros(0), *(one[2].ravel() for one in self.first)]),
            "sector_median": self.medians.ravel() if self.waiting.size else np.zeros(0),
            "later_sector": self.later.values.astype(float),
            "later_sector_count": self.later.counts.astype(float),
        }
