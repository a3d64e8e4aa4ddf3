"""Read a delimited text log into canonical columns in SI.

The fast path hands the bytes to pyarrow, column by column as numbers. Only where that refuses, the slow path
reads the text row by row to name each cell that cannot be used.
"""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..columns import COLUMNS
from ..errors import InputError, Problem
from ..settings.layout import Layout, LayoutColumn
from ..units import conversion

_PLAIN_HEADER = re.compile(r"^\s*(?P<name>[A-Za-z_][A-Za-z0-9_]*)\s*(?:\[(?P<unit>[^\]]*)\])?\s*$")
#: How many bad cells of one log are named one by one.
MAXIMUM_NAMED = 20


@dataclass(frozen=True)
class Source:
    """A canonical column's place in the file: 0-based position, header text, and the affine map to SI."""

    name: str
    position: int
    header: str
    factor: float
    offset: float


@dataclass(frozen=True)
class Head:
    """What precedes the readings: the sources of the columns and where the body starts."""

    sources: tuple[Source, ...]
    body_offset: int
    body_line: int
    width: int


def read_table(
    path: Path, layout: Layout, wanted: Sequence[str], *, shown: str, time_ordered: bool, minimum_rows: int
) -> dict[str, np.ndarray]:
    """Return the wanted canonical columns that the file has, each ``(n,)`` float64 in SI.

    ``shown`` is how the file is named in messages. Raises ``InputError`` with every problem found: the file
    missing, empty, in another encoding; a column without unit, with an unknown unit, or twice; a cell that is
    empty, text or not finite; time that does not increase; fewer rows than ``minimum_rows``.
    """
    raw = _bytes(path, shown)
    head = read_head(raw, layout, wanted, shown)
    columns = _fast(raw, head, layout)
    if columns is None:
        columns = _slow(raw, head, layout, shown)
    rows = len(next(iter(columns.values()))) if columns else 0
    if rows < minimum_rows:
        raise InputError(
            Problem(f"the log has {rows} rows of readings; at least {minimum_rows} are needed", file=shown)
        )
    if time_ordered and "time" in columns:
        _check_time(columns["time"], raw, head, layout, shown)
    return columns


def _bytes(path: Path, shown: str) -> bytes:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            Problem("the log named in unit.yaml is not there; add the file or take the test out", file=shown)
        ) from None
    except OSError as error:
        raise InputError(Problem(f"the log cannot be read: {error.strerror}", file=shown)) from None
    if not raw.strip():
        raise InputError(Problem("the log is empty; export it again", file=shown))
    return raw


def _decoded(raw: bytes, layout: Layout, shown: str, first_line: int = 1) -> str:
    encoding = "utf-8-sig" if layout.encoding.lower().replace("_", "-") in ("utf-8", "utf8") else layout.encoding
    try:
        codecs.lookup(encoding)
    except LookupError:
        raise InputError(
            Problem(f"the layout names the text encoding {layout.encoding!r}, which is not known", file=shown)
        ) from None
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + first_line
        raise InputError(
            Problem(
                f"byte 0x{raw[error.start]:02x} is not {layout.encoding} text; save the log as UTF-8 or name its "
                "encoding in a layout file",
                file=shown,
                line=line,
            )
        ) from None


def read_head(raw: bytes, layout: Layout, wanted: Sequence[str], shown: str) -> Head:
    """Find the header and where each wanted column stands. Raises ``InputError``."""
    to_skip = layout.skip_rows
    offset = line = 0
    comment = layout.comment.encode() if layout.comment else None
    while offset < len(raw):
        end = raw.find(b"\n", offset)
        end = len(raw) if end < 0 else end + 1
        chunk = raw[offset:end]
        stripped = chunk.strip().removeprefix(codecs.BOM_UTF8)
        line += 1
        offset = end
        if not stripped or (comment and stripped.startswith(comment)):
            continue
        if to_skip > 0:
            to_skip -= 1
            continue
        text = _decoded(chunk, layout, shown, line)
        cells = next(csv.reader([text.strip("\r\n")], delimiter=layout.delimiter), [])
        cells = [cell.strip() for cell in cells]
        if not layout.header:
            start = offset - len(chunk)
            return Head(_mapped(cells, layout, wanted, shown, line), start, line, len(cells))
        sources = (
            _plain(cells, wanted, shown, line)
            if layout.columns is None
            else _mapped(cells, layout, wanted, shown, line)
        )
        return Head(sources, offset, line + 1, len(cells))
    raise InputError(Problem("the log holds no header row; the first row must name the columns", file=shown))


def _plain(cells: Sequence[str], wanted: Sequence[str], shown: str, line: int) -> tuple[Source, ...]:
    problems: list[Problem] = []
    sources: list[Source] = []
    names = [match["name"] if (match := _PLAIN_HEADER.match(cell)) else cell for cell in cells]
    for name, count in Counter(names).items():
        if count > 1 and name:
            problems.append(
                Problem(f"the column stands {count} times; keep one of them", file=shown, line=line, column=name)
            )
    for position, cell in enumerate(cells):
        match = _PLAIN_HEADER.match(cell)
        name = match["name"] if match else cell
        if name not in wanted:
            continue
        kind = COLUMNS[name].kind
        unit = match["unit"] if match else None
        if unit is None:
            problems.append(
                Problem(
                    f"the column has no unit; write its header as '{name} [unit]'", file=shown, line=line, column=name
                )
            )
            continue
        try:
            to_si = conversion(unit, kind)
        except ValueError as error:
            problems.append(Problem(str(error), file=shown, line=line, column=name))
            continue
        sources.append(Source(name, position, cell, to_si.factor, to_si.offset))
    if problems:
        raise InputError(problems)
    return tuple(sources)


def _mapped(cells: Sequence[str], layout: Layout, wanted: Sequence[str], shown: str, line: int) -> tuple[Source, ...]:
    problems: list[Problem] = []
    sources: list[Source] = []
    for name, spec in (layout.columns or {}).items():
        if name not in wanted:
            continue
        position = _position(cells, spec, name, shown, line, problems)
        if position is None:
            continue
        try:
            to_si = conversion(spec.unit, COLUMNS[name].kind)
        except ValueError as error:
            problems.append(Problem(f"in the layout: {error}", file=shown, column=name))
            continue
        logic = COLUMNS[name].kind == "logic"
        sign = -1.0 if spec.invert else 1.0
        factor = sign * spec.scale * to_si.factor
        offset = sign * spec.offset * to_si.factor + to_si.offset + (1.0 if logic and spec.invert else 0.0)
        sources.append(Source(name, position, str(spec.column), factor, offset))
    if problems:
        raise InputError(problems)
    return tuple(sources)


def _position(
    cells: Sequence[str], spec: LayoutColumn, name: str, shown: str, line: int, problems: list[Problem]
) -> int | None:
    if isinstance(spec.column, int):
        if spec.column <= len(cells):
            return spec.column - 1
        problems.append(
            Problem(
                f"the layout asks for column number {spec.column}, but the row has {len(cells)}; check delimiter "
                "and number",
                file=shown,
                line=line,
                column=name,
            )
        )
        return None
    found = [i for i, cell in enumerate(cells) if cell == spec.column.strip()]
    if len(found) == 1:
        return found[0]
    message = (
        f"the layout asks for the column {spec.column!r}, which the header does not have (it has: "
        f"{', '.join(cells)}); check delimiter and name"
        if not found
        else f"the header has {spec.column!r} {len(found)} times; name the column by its number in the layout"
    )
    problems.append(Problem(message, file=shown, line=line, column=name))
    return None


def _fast(raw: bytes, head: Head, layout: Layout) -> dict[str, np.ndarray] | None:
    """Parse the body with pyarrow; ``None`` where any cell needs a closer look."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    if not head.sources:
        return {}
    if layout.encoding.lower().replace("_", "-") not in ("utf-8", "utf8", "ascii", "us-ascii", "latin-1"):
        return None
    body = raw[head.body_offset :]
    if layout.comment and layout.comment.encode() in body:
        return None
    names = [str(i) for i in range(head.width)]
    keep = list(dict.fromkeys(names[source.position] for source in head.sources))
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(body),
            read_options=arrow_csv.ReadOptions(column_names=names, encoding=layout.encoding),
            parse_options=arrow_csv.ParseOptions(delimiter=layout.delimiter),
            convert_options=arrow_csv.ConvertOptions(
                include_columns=keep,
                column_types=dict.fromkeys(keep, pa.float64()),
                decimal_point=layout.decimal,
                null_values=[],
            ),
        )
    except pa.ArrowInvalid:
        return None
    columns = {}
    for source in head.sources:
        values = table.column(names[source.position]).to_numpy()
        if not np.isfinite(values).all():
            return None
        columns[source.name] = values * source.factor + source.offset
    return columns


def _rows(raw: bytes, head: Head, layout: Layout, shown: str) -> Iterator[tuple[int, list[str]]]:
    """Yield line number and cells of each row of the body; blank and comment lines are passed over."""
    text = _decoded(raw[head.body_offset :], layout, shown, head.body_line)
    for number, line in enumerate(io.StringIO(text, newline=None), start=head.body_line):
        stripped = line.strip()
        if not stripped or (layout.comment and stripped.startswith(layout.comment)):
            continue
        yield number, [cell.strip() for cell in next(csv.reader([line.strip("\r\n")], delimiter=layout.delimiter), [])]


def _slow(raw: bytes, head: Head, layout: Layout, shown: str) -> dict[str, np.ndarray]:
    problems: list[Problem] = []
    count = 0
    values: dict[str, list[float]] = {source.name: [] for source in head.sources}
    for number, cells in _rows(raw, head, layout, shown):
        for source in head.sources:
            cell = cells[source.position] if source.position < len(cells) else None
            number_read = math.nan if cell is None else _number(cell, layout)
            if math.isfinite(number_read):
                values[source.name].append(number_read * source.factor + source.offset)
                continue
            count += 1
            if count <= MAXIMUM_NAMED:
                problems.append(Problem(_why(cell, layout), file=shown, line=number, column=source.name))
    if count > MAXIMUM_NAMED:
        problems.append(Problem(f"{count - MAXIMUM_NAMED} more cells cannot be used", file=shown))
    if problems:
        raise InputError(problems)
    return {name: np.array(column) for name, column in values.items()}


def _number(cell: str, layout: Layout) -> float:
    if layout.decimal == ",":
        if "." in cell:
            return math.nan
        cell = cell.replace(",", ".")
    if "_" in cell:
        return math.nan
    try:
        return float(cell)
    except ValueError:
        return math.nan


def _why(cell: str | None, layout: Layout) -> str:
    if cell is None:
        return "the row ends before this column; the file may be cut off or have another delimiter"
    if cell == "":
        return "the cell is empty; fill it in or take the row out"
    try:
        value = float(cell)
    except ValueError:
        hint = " (a decimal comma? name it in a layout file)" if re.fullmatch(r"[-+]?\d+,\d+", cell) else ""
        return f"{cell[:40]!r} is not a number{hint}; correct the cell or take the row out"
    if math.isfinite(value):
        return f"{cell[:40]!r} is not written with {layout.decimal!r} as decimal sign; check the layout"
    return f"{cell[:40]!r} is not a finite number; take the row out or measure again"


def _check_time(time: np.ndarray, raw: bytes, head: Head, layout: Layout, shown: str) -> None:
    backwards = np.flatnonzero(np.diff(time) <= 0)
    if backwards.size == 0:
        return
    row = int(backwards[0]) + 1
    line = next((number for i, (number, _) in enumerate(_rows(raw, head, layout, shown)) if i == row), None)
    what = "stands still" if time[row] == time[row - 1] else "runs backwards"
    raise InputError(
        Problem(
            f"time {what} ({time[row - 1]:.9g} s, then {time[row]:.9g} s; {backwards.size} such places); keep one "
            "recording per log, in order",
            file=shown,
            line=line,
            column="time",
        )
    )
