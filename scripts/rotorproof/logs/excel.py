"""Hand-written tables in an Excel workbook (.xlsx): the cells' values, one sheet, row by row."""

from __future__ import annotations

import datetime
import io
import itertools
import math
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from . import cells, limits
from .chunks import Chunk, LogStream, out_of_proportion
from .clock import resolved, stamped
from .mapping import Channel, Source, sources
from .recording import damaged

#: So many rows of a sheet show what it holds.
_SAMPLED_ROWS = 200
#: What a formula gives that failed (ECMA-376-1, 18.17.3; clause from memory): no comment, though it begins like one.
_FORMULA_ERRORS = ("#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A")


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Open a workbook read-only, without formulas. Raises ``InputError``, also while streaming."""
    book = _opened(path, shown)
    try:
        sheet = _sheet(book, layout, shown)
        # Some writers state a wrong size, and the reader would believe it.
        sheet.reset_dimensions()
        rows = _rows(sheet, layout, shown)
    except (InputError, MemoryError):
        raise
    except Exception as error:  # a zip file of another kind raises whatever comes first
        raise damaged(error, "Excel workbook", shown) from None
    to_skip = layout.skip_rows
    for line, row in rows:
        if line < (layout.header_row or 1):
            continue
        if to_skip:
            to_skip -= 1
            continue
        names = [_text(cell) for cell in row] if layout.header else [str(i) for i in range(1, len(row) + 1)]
        if not layout.header:
            rows = _before((line, row), rows)
        first = next(rows, None)
        rows = rows if first is None else _before(first, rows)
        stamps = [_stamp(cell) for cell in first[1]] if first else []
        found = sources([Channel(name) for name in names], layout, wanted, shown, line, stamps)
        clock = next((source.clock for source in found if source.clock), None)
        chunks = _chunks(rows, found, layout, shown)
        return LogStream(names, resolved(chunks, clock, shown) if clock else chunks)
    raise InputError(Problem("the sheet is empty; the first row must name the columns", file=shown))


def sample(path: Path, shown: str) -> list[tuple[str, list[tuple[int, list[str]]]]]:
    """Return of each sheet its name and its first rows, as number and texts of the cells; blank rows are passed over.

    Dates and times are texts as ``clock`` reads them. Raises ``InputError``.
    """
    book = _opened(path, shown)
    found = []
    for sheet in book.worksheets:
        sheet.reset_dimensions()
        rows = itertools.islice(_rows(sheet, Layout(), shown), _SAMPLED_ROWS)
        found.append((str(sheet.title), [(line, [_stamp(cell) for cell in row]) for line, row in rows]))
    return found


def _opened(path: Path, shown: str) -> Any:
    """Return the workbook, read-only and without formulas."""
    _check_size(path, shown)
    import openpyxl

    try:
        # From memory, since the library leaves a file open that it cannot read.
        return openpyxl.load_workbook(io.BytesIO(path.read_bytes()), read_only=True, data_only=True, keep_links=False)
    except MemoryError:
        raise
    except Exception as error:  # a zip file of another kind raises whatever comes first
        raise damaged(error, "Excel workbook", shown) from None


def _check_size(path: Path, shown: str) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            unpacked = sum(entry.file_size for entry in archive.infolist())
    except (zipfile.BadZipFile, OSError, NotImplementedError) as error:
        raise damaged(error, "Excel workbook", shown) from None
    if not any(name.startswith("xl/") for name in names):
        what = "an OpenDocument file; save it as .xlsx or CSV" if "mimetype" in names else "an archive; unpack it"
        raise InputError(Problem(f"the log is {what}", file=shown))
    on_disk = path.stat().st_size
    if on_disk > limits.MAXIMUM_WORKBOOK_BYTES:
        raise InputError(Problem(f"the workbook has {on_disk} bytes; export so long a log as CSV", file=shown))
    ratio = limits.in_force().unpacked_ratio
    if unpacked > limits.FREE_BYTES + ratio * on_disk:
        raise InputError(out_of_proportion("workbook", on_disk, unpacked, ratio, shown))


def _sheet(book: Any, layout: Layout, shown: str) -> Any:
    names = [sheet.title for sheet in book.worksheets]
    if layout.sheet is not None:
        if layout.sheet not in names:
            raise InputError(
                Problem(f"there is no sheet {layout.sheet!r}; there are: {', '.join(names) or 'none'}", file=shown)
            )
        return book[layout.sheet]
    if len(names) != 1:
        raise InputError(
            Problem(
                f"the workbook has {len(names)} sheets ({', '.join(names)[:200]}); name one as 'sheet' in a layout "
                "file, or keep one",
                file=shown,
            )
        )
    return book.worksheets[0]


def _rows(sheet: Any, layout: Layout, shown: str) -> Iterator[tuple[int, Sequence[Any]]]:
    """Yield line and cells of each row that is neither blank nor a comment, without the empty cells at its end."""
    try:
        for line, row in enumerate(sheet.iter_rows(values_only=True), start=1):
            if line > limits.MAXIMUM_SHEET_ROWS:
                raise InputError(Problem("the sheet has more rows than a workbook can hold", file=shown))
            cells_ = list(row)
            while cells_ and cells_[-1] is None:
                cells_.pop()
            if not cells_:
                continue
            first = next((cell for cell in cells_ if cell is not None), None)
            if isinstance(first, str) and _is_comment(first.strip(), layout):
                continue
            yield line, cells_
    except (InputError, MemoryError):
        raise
    except Exception as error:  # damaged XML inside
        raise damaged(error, "Excel workbook", shown) from None


def _is_comment(text: str, layout: Layout) -> bool:
    return bool(layout.comment) and text.startswith(layout.comment) and text not in _FORMULA_ERRORS


def _before(
    first: tuple[int, Sequence[Any]], rows: Iterator[tuple[int, Sequence[Any]]]
) -> Iterator[tuple[int, Sequence[Any]]]:
    yield first
    yield from rows


def _text(cell: Any) -> str:
    return "" if cell is None else str(cell).strip()


def _chunks(
    rows: Iterator[tuple[int, Sequence[Any]]], found: Sequence[Source], layout: Layout, shown: str
) -> Iterator[Chunk]:
    values: dict[str, list[float]] = {source.name: [] for source in found}
    stamps: list[tuple[str, str]] = []
    line_of: list[int] = []
    problems: list[Problem] = []
    refused = 0
    for line, row in rows:
        if _is_note([_cell(row, source.position) for source in found]):
            continue
        line_of.append(line)
        for source in found:
            cell = _cell(row, source.position)
            if source.clock:
                stamps.append(_dated(cell, row, source.clock.date))
                continue
            value, reason = _number(cell, layout)
            values[source.name].append(value)
            if reason:
                refused += 1
                if len(problems) < limits.MAXIMUM_NAMED:
                    problems.append(Problem(reason, file=shown, line=line, column=source.name))
    if refused > len(problems):
        problems.append(Problem(f"{refused - len(problems)} more cells cannot be used", file=shown))
    if problems:
        raise InputError(problems)
    columns = {
        source.name: stamped(
            [time for time, _ in stamps], None if source.clock.date is None else [day for _, day in stamps]
        )
        if source.clock
        else source.si(np.array(values[source.name], dtype=float))
        for source in found
    }
    yield Chunk(columns, lambda row: line_of[row] if row < len(line_of) else None)


def _is_note(readings: Sequence[Any]) -> bool:
    """Tell whether a row holds no reading: its cells are empty, or of several one has words and the others nothing.

    What a meter writes for an overload, or a formula for its error, is a reading that failed and no note.
    """
    filled = [cell for cell in readings if cell is not None]
    if not filled or len(filled) > 1 or len(readings) < 2:
        return bool(readings) and not filled
    words = filled[0]
    return isinstance(words, str) and cells.is_words(words.strip())


def _cell(row: Sequence[Any], position: int) -> Any:
    return row[position] if position < len(row) else None


def _dated(cell: Any, row: Sequence[Any], date: int | None) -> tuple[str, str]:
    """Return a cell's stamp and, where dates stand in a column of their own, its date."""
    if date is None:
        return _stamp(cell), ""
    time = cell.time() if isinstance(cell, datetime.datetime) else cell
    day = _cell(row, date)
    return _stamp(time), _stamp(day.date() if isinstance(day, datetime.datetime) else day)


def _stamp(cell: Any) -> str:
    """Return a date or time cell as a stamp in text (ISO 8601), any other cell as its text.

    A sheet does not say how finely its writer read the clock: seconds that are zero are left out.
    """
    if isinstance(cell, datetime.timedelta):
        whole, part = divmod(cell, datetime.timedelta(seconds=1))
        return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}" + _part(part.microseconds)
    if isinstance(cell, datetime.datetime | datetime.time):
        day = f"{cell.date().isoformat()}T" if isinstance(cell, datetime.datetime) else "T"
        seconds = f":{cell.second:02d}" if cell.second or cell.microsecond else ""
        return f"{day}{cell.hour:02d}:{cell.minute:02d}{seconds}" + _part(cell.microsecond)
    return cell.isoformat() if isinstance(cell, datetime.date) else _text(cell)


def _part(microseconds: int) -> str:
    return f".{microseconds:06d}".rstrip("0") if microseconds else ""


def _number(cell: Any, layout: Layout) -> tuple[float, str | None]:
    """Return the number of a cell, or NaN and why it holds none."""
    if cell is None:
        return math.nan, "the cell is empty (or a formula never calculated); fill it in or take the row out"
    if isinstance(cell, bool):
        return float(cell), None
    if isinstance(cell, int | float):
        return _finite(cell)
    if isinstance(cell, datetime.date | datetime.time | datetime.timedelta):
        return (
            math.nan,
            f"the cell holds the date or clock time {cell}; write a plain number and format it as one. Clock "
            "times can be the time alone, from its first row on",
        )
    text = str(cell).strip()
    if text.startswith("#"):
        return math.nan, f"the formula gives {text!r}; correct it"
    value = cells.number(text, layout)
    return (value, None) if math.isfinite(value) else (math.nan, cells.why(text, layout))


def _finite(cell: float) -> tuple[float, str | None]:
    if abs(cell) < limits.OVERLOAD:
        return float(cell), None
    return math.nan, f"the cell {cells.OVERLOADED}" if cells.is_overload(cell) else "the cell holds no finite number"
