"""Read levels of a logic analyser from a table of single changes: time, channel, level, a row for each change.

Levels hold until the next row of the same channel. Rows of one instant make one row of the log, as in a value change
dump; what comes before every wanted channel has a level is passed over.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from ..columns import COLUMNS
from ..errors import InputError, Problem
from ..settings.layout import Layout, LayoutColumn
from . import cells, limits
from .chunks import Chunk, LogStream
from .mapping import Source, headings, position_of
from .streams import Block, text_blocks
from .text import Head, read_head

#: How a level is written, in small letters.
_LEVELS = {
    **dict.fromkeys(("0", "0.0", "low", "l", "off", "false", "fall", "falling"), 0),
    **dict.fromkeys(("1", "1.0", "high", "h", "on", "true", "rise", "rising"), 1),
}


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Open a table of changes as a stream of rows wherever a wanted channel changes.

    ``layout.transitions`` names the columns of channel and level, ``columns`` what the channels are. Raises
    ``InputError``, also while streaming.
    """
    assert layout.transitions is not None
    assert layout.columns is not None
    blocks = text_blocks(path, layout.encoding, shown)
    first = next(blocks, None)
    if first is None or not first.data.strip():
        raise InputError(Problem("the log is empty; export it again", file=shown))
    alone = layout.model_copy(update={"columns": {"time": layout.columns["time"]}, "transitions": None})
    head, body = read_head(first, alone, ["time"], shown)
    (time,) = head.sources
    if time.clock:
        message = "so fine a capture takes no clock times; export the time of its changes in seconds"
        raise InputError(Problem(message, file=shown, column="time"))
    places = [
        position_of(head.names, asked, shown, head.line - 1)
        for asked in (layout.transitions.channel, layout.transitions.level)
    ]
    chosen = {
        str(spec.column).strip(): (name, spec)
        for name, spec in layout.columns.items()
        if name in wanted and COLUMNS[name].kind == "logic"
    }
    if not chosen:
        message = f"the layout names none of the channels needed ({', '.join(wanted)}); add them to its 'columns'"
        raise InputError(Problem(message, file=shown))
    reader = _Reader(head, time, places[0], places[1], chosen, alone, shown)
    return LogStream(["time", *(name for name, _ in chosen.values())], reader.chunks(itertools.chain([body], blocks)))


class _Reader:
    def __init__(
        self,
        head: Head,
        time: Source,
        channel: int,
        level: int,
        chosen: Mapping[str, tuple[str, LayoutColumn]],
        layout: Layout,
        shown: str,
    ) -> None:
        self.head, self.time, self.channel, self.level = head, time, channel, level
        self.layout, self.shown = layout, shown
        self.number = {written: place for place, written in enumerate(chosen)}
        self.names = [name for name, _ in chosen.values()]
        self.inverted = np.array([spec.invert for _, spec in chosen.values()])
        self.state = np.full(len(chosen), np.nan)
        self.pending: tuple[float, np.ndarray, int] | None = None
        self.last = -math.inf
        self.others: set[str] = set()

    def chunks(self, blocks: Iterator[Block]) -> Iterator[Chunk]:
        problems: list[Problem] = []
        refused = 0
        for block in blocks:
            time, place, level, line, found, count = self._parsed(block, len(problems))
            problems += found
            refused += count
            if not refused and time.size:
                yield from self._rows(time, place, level, line)
            if refused > limits.MAXIMUM_REFUSED:
                break
        if refused > len(problems):
            problems.append(Problem(f"{refused - len(problems)} more rows cannot be used", file=self.shown))
        if problems:
            raise InputError(problems)
        if lacking := [written for written, place in self.number.items() if np.isnan(self.state[place])]:
            named = headings(sorted(self.others))
            raise InputError(
                Problem(
                    f"no row is of the channel {', '.join(map(repr, lacking))}, which the layout asks for"
                    + (f" (there are also: {named})" if named else "")
                    + "; correct the name or the probe",
                    file=self.shown,
                    column=self.names[self.number[lacking[0]]],
                )
            )
        if self.pending is not None:
            at, state, line_number = self.pending
            yield self._chunk(np.array([at]), state[None], np.array([line_number]))

    def _parsed(
        self, block: Block, named: int
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, list[Problem], int]:
        """Return of the rows of a block time, wanted channel (-1: another), level and line, and what is wrong."""
        times, places, levels, lines = [], [], [], []
        problems: list[Problem] = []
        refused = 0
        for number, text in cells.lines(block, self.layout):
            try:
                row = cells.split(text, self.layout, self.shown, number)
                time, place, level = self._row(row)
            except (InputError, ValueError) as error:
                refused += 1
                if named + len(problems) < limits.MAXIMUM_NAMED:
                    message = error.problems[0].message if isinstance(error, InputError) else str(error)
                    problems.append(Problem(message, file=self.shown, line=number))
                if refused > limits.MAXIMUM_REFUSED:
                    break
                continue
            times.append(time)
            places.append(place)
            levels.append(level)
            lines.append(number)
        found = self.time.si(np.array(times, dtype=float))
        return found, np.array(places, dtype=int), np.array(levels, dtype=float), np.array(lines), problems, refused

    def _row(self, row: Sequence[str]) -> tuple[float, int, float]:
        """Return time, place of the channel and level of a row. Raises ``ValueError`` with what is wrong."""
        if len(row) != self.head.width:
            raise ValueError(f"the row has {len(row)} cells where {self.head.width} belong; export the log again")
        time = cells.number(row[self.time.position], self.layout)
        if not math.isfinite(time):
            raise ValueError(f"time: {cells.why(row[self.time.position], self.layout)}")
        place = self.number.get(row[self.channel], -1)
        if place < 0:
            if len(self.others) < limits.MAXIMUM_NAMED:
                self.others.add(row[self.channel])
            return time, place, 0.0
        level = _LEVELS.get(row[self.level].lower())
        if level is None:
            raise ValueError(
                f"{row[self.level][:40]!r} is no level; 0 and 1, low and high, falling and rising are read"
            )
        return time, place, float(level)

    def _rows(self, time: np.ndarray, place: np.ndarray, level: np.ndarray, line: np.ndarray) -> Iterator[Chunk]:
        back = np.flatnonzero(np.diff(np.append(self.last, time)) < 0)
        if back.size:
            message = "time runs backwards here; keep one recording per log, in order"
            raise InputError(Problem(message, file=self.shown, line=int(line[back[0]]), column="time"))
        self.last = float(time[-1])
        mine = place >= 0
        time, place, level, line = time[mine], place[mine], level[mine], line[mine]
        if time.size == 0:
            return
        states = np.empty((time.size, self.state.size))
        rows = np.arange(time.size)
        for number in range(self.state.size):
            here = place == number
            latest = np.maximum.accumulate(np.where(here, rows, -1))
            states[:, number] = np.where(latest >= 0, level[latest], self.state[number])
        self.state = states[-1]
        if self.pending is not None:
            time = np.append(self.pending[0], time)
            states = np.concatenate([self.pending[1][None], states])
            line = np.append(self.pending[2], line)
        # Of one instant the last row holds what all channels are from then on.
        last = np.append(time[1:] != time[:-1], True)
        time, states, line = time[last], states[last], line[last]
        self.pending = (float(time[-1]), states[-1], int(line[-1]))
        known = ~np.isnan(states[:-1]).any(axis=1)
        if known.any():
            yield self._chunk(time[:-1][known], states[:-1][known], line[:-1][known])

    def _chunk(self, time: np.ndarray, states: np.ndarray, line: np.ndarray) -> Chunk:
        levels = np.where(self.inverted, 1 - states, states)
        columns = {"time": time, **{name: levels[:, k] for k, name in enumerate(self.names)}}
        return Chunk(columns, lambda row: int(line[row]) if row < line.size else None)
