"""A log in a few numbers, taken while it is read: nothing grows with its length."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from ..logs.chunks import Chunk

#: Rows from the start that are kept for a look at the waveform.
KEPT_ROWS = 1 << 18


@dataclass
class ColumnSurvey:
    """Extremes and mean of one column, in SI."""

    low: float = np.inf
    high: float = -np.inf
    total: float = 0.0

    def take(self, values: np.ndarray) -> None:
        """Take the next readings ``(n,)``."""
        self.low = min(self.low, float(values.min()))
        self.high = max(self.high, float(values.max()))
        self.total += float(values.sum())

    @property
    def largest(self) -> float:
        """Return the largest absolute value."""
        return max(abs(self.low), abs(self.high))


@dataclass
class Survey:
    """What a log holds: number of rows, duration and steps of time, extremes, and its first rows."""

    rows: int = 0
    columns: dict[str, ColumnSurvey] = field(default_factory=dict)
    start: dict[str, np.ndarray] = field(default_factory=dict)
    #: The columns that were found, whether or not they hold a reading.
    names: list[str] = field(default_factory=list)
    longest_step: float = 0.0
    _pieces: list[dict[str, np.ndarray]] = field(default_factory=list)
    _last: float | None = None

    @classmethod
    def of(cls, chunks: Iterable[Chunk]) -> Survey:
        """Survey a log. Raises ``InputError`` as the log's stream does."""
        survey = cls()
        for chunk in chunks:
            survey._take(chunk)
        names = list(survey._pieces[0]) if survey._pieces else []
        survey.start = {name: np.concatenate([piece[name] for piece in survey._pieces]) for name in names}
        survey._pieces = []
        return survey

    @classmethod
    def of_extremes(cls, columns: Mapping[str, np.ndarray]) -> Survey:
        """Survey what is left of a reduced log: extremes alone, since its columns differ in length and in order."""
        survey = cls(rows=1 if columns else 0)
        for name, values in columns.items():
            survey.columns.setdefault(name, ColumnSurvey()).take(values)
        return survey

    def _take(self, chunk: Chunk) -> None:
        self.names = self.names or list(chunk.columns)
        if not chunk.rows:
            return
        if self.rows < KEPT_ROWS:
            room = KEPT_ROWS - self.rows
            self._pieces.append({n: v[:room].astype(np.float64, copy=False) for n, v in chunk.columns.items()})
        self.rows += chunk.rows
        for name, values in chunk.columns.items():
            self.columns.setdefault(name, ColumnSurvey()).take(values)
        time = chunk.columns.get("time")
        if time is not None:
            steps = np.diff(time) if self._last is None else np.diff(time, prepend=self._last)
            if steps.size:
                self.longest_step = max(self.longest_step, float(steps.max()))
            self._last = float(time[-1])

    @property
    def duration(self) -> float | None:
        """Return the time from first to last row in s; ``None`` without a time column."""
        time = self.columns.get("time")
        return None if time is None else time.high - time.low

    @property
    def step(self) -> float | None:
        """Return the median step of time at the start, in s."""
        time = self.start.get("time")
        return None if time is None or len(time) < 2 else float(np.median(np.diff(time)))

    def mean(self, name: str) -> float:
        """Return the mean of a column."""
        return self.columns[name].total / self.rows
