"""The slow reading of delimited text, row by row: it names each cell that cannot be used, and why."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from . import limits
from .clock import is_stamp, stamped
from .mapping import PROPOSED, Source, headings
from .streams import Block

#: Each pattern here can read a cell in one way only, so that none takes longer than the cell is long.
NUMBER = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_WHOLE = re.compile(r"[-+]?\d+(?:[eE][-+]?\d+)?", re.ASCII)
#: A cell longer than this holds no number.
LONGEST_CELL = 350
#: What is said of decimal commas in one cell, and in a row that they cut up.
_COMMA, _COMMAS = "looks like a decimal comma", "the decimal mark looks like a comma"
_DELIMITERS = {";": "semicolon", "\t": "tab", ",": "comma", "|": "bar"}


def lines(block: Block, layout: Layout) -> Iterator[tuple[int, str]]:
    """Yield number and text of each row of the block; blank and comment lines are passed over."""
    for number, raw in enumerate(io.BytesIO(block.data), start=block.line):
        line = raw.decode().removesuffix("\n")
        stripped = line.strip()
        if stripped and not (layout.comment and stripped.startswith(layout.comment)):
            yield number, line


def split(line: str, layout: Layout, shown: str, number: int) -> list[str]:
    """Return the cells of one row. Raises ``InputError`` if quotes do not match or a cell is endless."""
    line = line.strip("\r\n")
    if layout.delimiter == "whitespace":
        return line.split()
    try:
        row = next(csv.reader([line], delimiter=layout.delimiter, strict=True), [])
    except csv.Error as error:
        raise InputError(
            Problem(f"the row cannot be split into cells ({error}); check its quotes", file=shown, line=number)
        ) from None
    return [cell.strip() for cell in row]


def other_delimiter(row: Sequence[str], layout: Layout, shown: str, line: int) -> list[Problem]:
    """Return a hint if the header looks as though another delimiter separated it."""
    if len(row) != 1:
        return []
    for mark, name in _DELIMITERS.items():
        if mark != layout.delimiter and (count := row[0].count(mark)):
            often = "once" if count == 1 else f"{count} times"
            return [
                Problem(
                    f"the header is one cell but holds the mark {name} {often}; if it separates "
                    "the columns, use 'layout: auto' where they have the program's names, else "
                    f"{PROPOSED} (found: {headings(row[0].split(mark))})",
                    file=shown,
                    line=line,
                )
            ]
    return []


def read(
    block: Block, sources: Sequence[Source], width: int, layout: Layout, shown: str, named: int
) -> tuple[dict[str, np.ndarray], list[Problem], int]:
    """Read a block row by row; return its columns, the problems named and the number of all refused cells.

    ``named`` is how many problems of this log are named already.
    """
    values: dict[str, list[float]] = {source.name: [] for source in sources}
    stamps: list[tuple[str, str]] = []
    problems: list[Problem] = []
    refused = 0
    commas: list[int] = []

    def refuse(message: str, line: int, column: str | None) -> None:
        nonlocal refused
        refused += 1
        if _comma(message):
            commas.append(line)
            if len(commas) > 1:  # said once, with the number of rows
                return
        if named + len(problems) < limits.MAXIMUM_NAMED:
            problems.append(Problem(message, file=shown, line=line, column=column))

    for line, text in lines(block, layout):
        if refused > limits.MAXIMUM_REFUSED:
            break
        try:
            row = split(text, layout, shown, line)
        except InputError as error:
            refuse(error.problems[0].message, line, None)
            continue
        if len(row) != width:
            refuse(_ragged(row, width, layout), line, _first_absent(sources, len(row)))
            continue
        for source in sources:
            if source.clock:
                date = "" if source.clock.date is None else row[source.clock.date]
                stamps.append((row[source.position], date))
                continue
            value = number(row[source.position], layout)
            if math.isfinite(value):
                values[source.name].append(value)
            else:
                refuse(why(row[source.position], layout), line, source.name)
    if refused:
        if refused <= limits.MAXIMUM_REFUSED:  # else reading stopped, which is said by the count of all
            refused -= max(len(commas) - 1, 0)
        return {}, [_with_rows(problem, commas) for problem in problems], refused
    columns = {}
    for source in sources:
        if source.clock:
            dates = None if source.clock.date is None else [date for _, date in stamps]
            columns[source.name] = stamped([time for time, _ in stamps], dates)
        else:
            columns[source.name] = source.si(np.array(values[source.name], dtype=float))
    return columns, [], 0


def _comma(message: str) -> bool:
    """Tell whether a cell or row was refused for decimal commas, which stand in every row of a log or in none."""
    return _COMMA in message or _COMMAS in message


def _with_rows(problem: Problem, commas: Sequence[int]) -> Problem:
    """Return the problem that speaks of decimal commas with the number of rows that have them, the others as are."""
    rows = len(set(commas))
    if rows < 2 or not _comma(problem.message):
        return problem
    return replace(problem, message=f"{problem.message} ({rows} such rows, up to line {max(commas)})")


def _first_absent(sources: Sequence[Source], length: int) -> str | None:
    return next(
        (source.name for source in sorted(sources, key=lambda s: s.position) if source.position >= length), None
    )


def _ragged(row: Sequence[str], width: int, layout: Layout) -> str:
    if len(row) < width:
        return f"the row has {len(row)} cells, the header {width}; the file may be cut off here"
    # Halves of numbers: more cells than names, at most two for each, and a point in none of them.
    halves = len(row) <= 2 * width and all(_WHOLE.fullmatch(cell.strip()) for cell in row)
    if layout.delimiter == "," and halves:
        return (
            f"the row has {len(row)} cells, the header {width}: {_COMMAS}. Export the file "
            "with points; or with semicolons between the cells, and name 'delimiter: \";\"' and 'decimal: \",\"' in a "
            "layout file"
        )
    return f"the row has {len(row)} cells, the header {width}; take the extra ones out"


def number(cell: str, layout: Layout) -> float:
    """Return the number that a cell holds, NaN if it holds none or a code for an overload."""
    if len(cell) > LONGEST_CELL:
        return math.nan
    if layout.decimal == ",":
        if "." in cell:
            return math.nan
        cell = cell.replace(",", ".")
    value = float(cell) if NUMBER.fullmatch(cell) else math.nan
    return value if abs(value) < limits.OVERLOAD else math.nan


#: What is said of a reading that an instrument could not take. SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5 (clauses from
#: memory): 9.9E37 stands for infinity, 9.91E37 for no number. The words on displays are common practice, no source.
OVERLOADED = "is a meter's code for an overload or no reading; measure again in a larger range, or take the row out"
#: What a refused cell looks like, and what to say of it.
_LOOKS = (
    (r"[-+]?(?i:nan|inf(inity)?|1\.#\w+)", "is not a finite number; take the row out or measure again"),
    (r"[-+]?(?i:\.?[o0]\.?l\.?|ovld|ovrld|over|overload|ovrng|ofl|overflow)|[-*]{2,}", OVERLOADED),
    (
        r"[-+]?\d+,\d+([eE][-+]?\d+)?",
        f"{_COMMA}; write a point, or name 'decimal: \",\"' in a layout file",
    ),
    (
        r"[-+]?\d{1,3}(?:[,.' ]\d{3})+(?:[.,]\d*)?",
        "holds marks between thousands; export the numbers without them",
    ),
    (
        r"\d{1,4}[-:/.]\d{1,2}[-:/.]\d{1,4}([ T].*)?",
        "is a clock time or date; such a column can be the time alone, from its first row on",
    ),
    (
        NUMBER.pattern + r"\s*[^\d\s].*",
        "holds more than a number; the unit belongs into the header, the cell holds the number",
    ),
)
#: Two letters in a row; and the words that stand on a display where no reading could be taken (common practice, no
#: source).
_WORD = re.compile(r"[^\W\d_]{2}")
_SHOWN_INSTEAD = re.compile(r"(?i:lo|hi|low|high|err|error|open|fail|invalid|n/?a|null|none)")


def is_overload(value: float) -> bool:
    """Tell whether a number is one of those that stand for an overload or for no reading."""
    return 9.85e37 < abs(value) < 9.95e37


def is_words(cell: str) -> bool:
    """Tell whether a cell holds words of a person, not a number, a time or what an instrument shows in place of one."""
    if len(cell) > LONGEST_CELL or not _WORD.search(cell) or _SHOWN_INSTEAD.fullmatch(cell) or is_stamp(cell):
        return False
    return not cell.startswith("#") and not any(re.fullmatch(pattern, cell) for pattern, _ in _LOOKS)


def why(cell: str, layout: Layout) -> str:
    """Return what is wrong with a cell and what to do."""
    shown = repr(cell[:40])
    if len(cell) > LONGEST_CELL:
        return f"{shown}... is a cell of {len(cell)} characters, no number; correct it or take the row out"
    if cell == "":
        return "the cell is empty; fill it in or take the row out"
    if NUMBER.fullmatch(cell):
        size = abs(float(cell))
        wrong = f"is not written with {layout.decimal!r} as decimal sign; check the layout"
        if size >= limits.OVERLOAD:
            wrong = OVERLOADED if is_overload(size) else "is too large for a number; correct the cell"
        return f"{shown} {wrong}"
    for pattern, message in _LOOKS:
        if re.fullmatch(pattern, cell):
            return f"{shown} {message}"
    return f"{shown} is not a number; correct the cell or take the row out"
