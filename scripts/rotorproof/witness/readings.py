"""A tenfold slip in one reading of a table: tried by fitting again with that reading put right."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..columns import COLUMNS
from ..fitting.points import Points, Run
from ..procedures.base import Log
from ..procedures.fit import Fit

#: Longer logs are captures, not tables; a spike in them is looked for among its neighbours.
MOST_ROWS = 60
#: By how much the logarithm of the likelihood of the residuals must rise for one reading put right, in all and for each
#: residual: their sum of squares falls to a tenth at least. A tenth of a scatter of 10 % to 1 % of a reading does that.
_RISE, _RISE_EACH = 12.0, 1.15
#: A reading put right lies among the others: within this factor of the range of the others. One far beyond has so much
#: leverage that any formula passes through it.
_AMONG = 1.6


@dataclass(frozen=True)
class OneReading:
    """A reading that fits when it is multiplied by ``factor``: the place of its test, the column, the row from 0."""

    place: int
    column: str
    row: int
    factor: float

    @property
    def what(self) -> str:
        """Return the slip in words."""
        side = "small" if self.factor > 1 else "large"
        return f"reading {self.row + 1} of {COLUMNS[self.column].title} is ten times too {side} (a decimal)"


def one_reading(points: Points, run: Run) -> OneReading | None:
    """Return the reading of a run whose tenfold change lets its formulas describe the others far better."""
    logs = [points.logs[place] for place in run.places]
    rows = [next(iter(log.columns.values())).size for log in logs]
    if max(rows) > MOST_ROWS or any(len({v.size for v in log.columns.values()}) != 1 for log in logs):
        return None
    before = _left(points.alone(run, points.logs).fit)
    tried = []
    for place, log in zip(run.places, logs, strict=True):
        for column, row, factor in _changes(log):
            values = log.columns[column].copy()
            values[row] *= factor
            changed = replace(log, columns={**log.columns, column: values})
            after = _left(points.alone(run, {**points.logs, place: changed}).fit)
            # Of a run that gave nothing the changes are compared with one another, else with the readings as they are.
            if after is not None and (before is None or after.keys() == before.keys()):
                tried.append((after, OneReading(place, column, row, factor)))
    if not tried:
        return None
    against = before or {key: float(np.median([one[key] for one, _ in tried if key in one])) for key in tried[0][0]}
    rises = [(sum(against[key] - one[key] for key in against if key in one), found) for one, found in tried]
    rise, best = max(rises, key=lambda one: one[0])
    rivals = [other for other, found in rises if found.row != best.row or found.place != best.place]
    size = max(size for _, size in against)
    enough = rise > max(_RISE, _RISE_EACH * size) and rise - max(rivals, default=0.0) > 0.5 * _RISE
    return best if enough else None


def _changes(log: Log) -> Iterator[tuple[str, int, float]]:
    for column, values in log.columns.items():
        if column in COLUMNS and COLUMNS[column].kind not in ("time", "logic", "ratio", "angle"):
            sizes = np.abs(values)
            for row in np.flatnonzero(values):
                others = np.delete(sizes, row)
                others = others[others > 0]
                for factor in (10.0, 0.1):
                    right = factor * sizes[row]
                    if others.size and others.min() / _AMONG <= right <= others.max() * _AMONG:
                        yield column, int(row), factor


def _left(fit: Fit | None) -> dict[tuple[str, int], float] | None:
    """Return minus the logarithm of the likelihood of each fit's residuals, at their own scatter, by name and size."""
    if fit is None:
        return None
    found = {}
    for left in fit.residuals:
        square, scale = float(np.mean(np.square(left.residual))), float(np.max(np.square(left.fitted), initial=0.0))
        if scale > 0:
            found[left.name, left.residual.size] = 0.5 * left.residual.size * math.log(max(square, 1e-14 * scale))
    return found or None
