"""Delimited text: the head, then the body piece by piece at the speed of a compiled parser.

Each piece goes to pyarrow column by column as numbers. Only a piece that pyarrow refuses, or splits into another
number of rows than it has lines, is read again row by row (``cells``) to name each cell that cannot be used.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from . import cells, limits
from .chunks import Chunk, LogStream
from .clock import resolved, stamped
from .mapping import Channel, Source, sources
from .streams import Block, newlines, text_blocks

#: Lines shorter than this on the average are mostly empty, and the parser is slow to pass over them.
_SHORTEST_LINE = 2
#: So much of the body tells what its rows look like.
_SAMPLE = 1 << 16
_TAB, _NEWLINE, _RETURN, _SPACE = b"\t\n\r "


@dataclass(frozen=True)
class Head:
    """What precedes the readings: the column names, the line after the head, and the width of a row."""

    names: tuple[str, ...]
    line: int
    width: int
    sources: tuple[Source, ...] = ()


def open_text(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Read the head of a text log and return its stream. Raises ``InputError``, also while streaming."""
    blocks = text_blocks(path, layout.encoding, shown)
    first = next(blocks, None)
    if first is None or not first.data.strip():
        raise InputError(Problem("the log is empty; export it again", file=shown))
    head, body = read_head(first, layout, wanted, shown)
    chunks = _chunks(itertools.chain([body], blocks), head, layout, shown)
    clock = next((source.clock for source in head.sources if source.clock), None)
    return LogStream(head.names, resolved(chunks, clock, shown) if clock else chunks)


def read_head(block: Block, layout: Layout, wanted: Sequence[str], shown: str) -> tuple[Head, Block]:
    """Split the first block into the head and the rest. Raises ``InputError``."""
    to_skip = layout.skip_rows
    offset, line = 0, block.line - 1
    comment = layout.comment.encode()
    while offset < len(block.data):
        end = block.data.find(b"\n", offset) + 1 or len(block.data)
        raw, line, start, offset = block.data[offset:end], line + 1, offset, end
        stripped = raw.strip()
        if not stripped or (comment and stripped.startswith(comment)) or line < (layout.header_row or 1):
            continue
        if to_skip > 0:
            to_skip -= 1
            continue
        row = cells.split(raw.decode(), layout, shown, line)
        if not layout.header:
            rest = Block(block.data[start:], line)
            channels = [Channel(str(number)) for number in range(1, len(row) + 1)]
        else:
            rest = Block(block.data[offset:], line + 1)
            channels = [Channel(cell) for cell in row]
        hint = cells.other_delimiter(row, layout, shown, line)
        if hint and layout.columns is None:
            raise InputError(hint)
        try:
            found = sources(channels, layout, wanted, shown, line, _first_row(rest, layout, shown))
        except InputError as error:
            raise InputError([*error.problems, *hint]) from None
        head = Head(tuple(channel.name for channel in channels), rest.line, len(row), found)
        return _trailing(head, rest, layout), rest
    raise InputError(Problem("the log holds no header row; the first row must name the columns", file=shown))


def _first_row(body: Block, layout: Layout, shown: str) -> list[str]:
    """Return the cells of the first row of readings, none where it cannot be split."""
    number, text = next(cells.lines(Block(body.data[:_SAMPLE].rpartition(b"\n")[0], body.line), layout), (0, ""))
    try:
        return cells.split(text, layout, shown, number)
    except InputError:
        return []


def _trailing(head: Head, body: Block, layout: Layout) -> Head:
    """Widen the head by one where every row ends with a delimiter that the header lacks."""
    for raw in body.data[:_SAMPLE].split(b"\n"):
        stripped = raw.strip(b"\r \t" if layout.delimiter != "\t" else b"\r ")
        if not stripped or (layout.comment and stripped.startswith(layout.comment.encode())):
            continue
        mark = layout.delimiter.encode()
        if stripped.count(mark) == head.width and stripped.endswith(mark):
            return replace(head, width=head.width + 1)
        break
    return head


def _chunks(blocks: Iterator[Block], head: Head, layout: Layout, shown: str) -> Iterator[Chunk]:
    problems: list[Problem] = []
    refused = 0
    for block in blocks:
        columns = _fast(block, head, layout)
        if columns is None:
            columns, named, count = cells.read(block, head.sources, head.width, layout, shown, len(problems))
            problems.extend(named)
            refused += count
        if not refused:
            yield Chunk(columns, _liner(block, layout))
        if refused > limits.MAXIMUM_NAMED:
            problems.append(
                Problem(
                    f"{refused - limits.MAXIMUM_NAMED} more cells or rows cannot be used; reading stopped", file=shown
                )
            )
            break
    if problems:
        raise InputError(problems)


class _liner:  # noqa: N801 (used as a function; a class, so that the block it holds is seen)
    """Finds the line of a row of a block, by counting; asked only where a row is wrong."""

    def __init__(self, block: Block, layout: Layout) -> None:
        self._block, self._layout = block, layout

    def __call__(self, row: int) -> int | None:
        """Return the line of ``row`` (from 0)."""
        rows = (number for number, _ in cells.lines(self._block, self._layout))
        return next(itertools.islice(rows, row, None), None)


def _fast(block: Block, head: Head, layout: Layout) -> dict[str, np.ndarray] | None:
    """Parse a block; ``None`` where any cell needs a closer look."""
    body = _without_comments(block.data, layout)
    # Blank lines are rare, and to look for them costs a tenth of parsing: where there are some, the parser finds fewer
    # rows than lines. Only a lone carriage return could make up for one.
    quick = b"\r" not in body and block.lines * _SHORTEST_LINE <= len(body)
    if quick:
        columns = _parsed(body, block.lines if body is block.data else newlines(body), head, layout)
        if columns is not None:
            return columns
    bare = _without_blanks(body)
    if not bare:
        return {source.name: np.empty(0) for source in head.sources}
    return None if bare is body and quick else _parsed(bare, newlines(bare), head, layout)


def _parsed(body: bytes, lines: int, head: Head, layout: Layout) -> dict[str, np.ndarray] | None:
    """Parse ``lines`` whole lines with pyarrow; ``None`` where it refuses a cell or finds other rows than lines."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    delimiter = layout.delimiter
    if delimiter == "whitespace":
        body, delimiter = _single_spaced(body), " "
    names = [str(i) for i in range(head.width)]
    text = {
        names[place]
        for source in head.sources
        if source.clock
        for place in (source.position, source.clock.date)
        if place is not None
    }
    keep = list(dict.fromkeys([*(names[source.position] for source in head.sources), *text]))
    if not keep:
        return {}
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(body),
            read_options=arrow_csv.ReadOptions(column_names=names, use_threads=len(body) > limits.THREADED_BYTES),
            parse_options=arrow_csv.ParseOptions(delimiter=delimiter),
            convert_options=arrow_csv.ConvertOptions(
                include_columns=keep,
                column_types={name: pa.string() if name in text else pa.float64() for name in keep},
                decimal_point=layout.decimal,
                null_values=[],
                check_utf8=False,  # the block is UTF-8 already
            ),
        )
    except pa.ArrowInvalid:
        return None
    # A stray quote can swallow line ends, a lone carriage return can make some: then rows are not lines.
    if table.num_rows != lines:
        return None
    columns = {}
    for source in head.sources:
        if source.clock:
            columns[source.name] = stamped(
                table.column(names[source.position]).to_pylist(),
                None if source.clock.date is None else table.column(names[source.clock.date]).to_pylist(),
            )
            continue
        # The library's own way to NumPy loads pandas first, which takes longer than most logs.
        parts = [np.from_dlpack(part) for part in table.column(names[source.position]).chunks]
        values = parts[0] if len(parts) == 1 else np.concatenate(parts or [np.empty(0)])
        # NaN fails this too; so do a meter's codes for an overload.
        if values.size and not (values.min() > -limits.OVERLOAD and values.max() < limits.OVERLOAD):
            return None
        columns[source.name] = source.si(values)
    return columns


def _without_comments(data: bytes, layout: Layout) -> bytes:
    comment = re.escape(layout.comment.encode())
    if layout.comment and layout.comment.encode() in data:
        data = re.sub(rb"(?m)^[ \t]*" + comment + rb"[^\n]*\n", b"", data)
    return data


def _without_blanks(data: bytes) -> bytes:
    marks = np.frombuffer(data, dtype=np.uint8)
    newline = marks == _NEWLINE
    empty = newline.copy()
    empty[1:] &= newline[:-1]
    if empty.any():
        # Empty lines by the million are taken out at once; a pattern would visit each.
        marks = marks[~empty]
        data = marks.tobytes()
    if data and _starts_blank(marks):
        data = re.sub(rb"(?m)^[ \t\r]*\n", b"", data)
    return data


def _starts_blank(marks: np.ndarray) -> bool:
    """Tell whether any line starts with a blank: ten times as fast as to search."""
    first = marks[np.append(0, np.flatnonzero(marks[:-1] == _NEWLINE) + 1)]
    return bool(((first == _RETURN) | (first == _SPACE) | (first == _TAB)).any())


def _single_spaced(data: bytes) -> bytes:
    data = re.sub(rb"[ \t]+", b" ", data)
    return re.sub(rb"(?m)^ | (?=\r?$)", b"", data)
