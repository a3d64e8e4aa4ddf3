"""Find the dialect of a delimited text: encoding, delimiter, decimal sign. It is stated, and never guessed.

A dialect is taken only where the sample allows no other reading; where two are possible the practitioner is
asked, because '1,234' is a thousand to one and a little more than one to another.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Sequence
from pathlib import Path

from ..errors import InputError, Problem
from ..settings.layout import AUTO, Layout
from .mapping import PROPOSED, headings
from .streams import unpacked

_SAMPLE = 256 * 1024
_MARKS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", "whitespace": "blanks"}
_POINT = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?")
_COMMA = re.compile(r"[-+]?(?:\d+(?:,\d*)?|,\d+)(?:[eE][-+]?\d+)?")
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}[.,]\d{3}")


#: Begins what is said of such a file, here and where a layout is proposed.
NO_DELIMITER = (
    "no delimiter (comma, semicolon, tab, bar, blanks) splits all rows into as many numbers as the header has names"
)


class NoDelimiterError(InputError):
    """No delimiter fits all rows of a file."""


def resolved(path: Path, layout: Layout, shown: str) -> tuple[Layout, list[Problem]]:
    """Return the layout with every 'auto' replaced by what the file shows, and a note that states it.

    Raises ``InputError`` where the file allows two readings or none.
    """
    if AUTO not in (layout.encoding, layout.delimiter, layout.decimal):
        return layout, []
    raw = _sample(path, shown)
    encoding = _encoding(raw, shown) if layout.encoding == AUTO else layout.encoding
    text = codecs.getincrementaldecoder(encoding)(errors="replace").decode(raw)
    rows = _rows(text, layout, whole=len(raw) < _SAMPLE)
    if not rows:
        raise InputError(Problem("the log is empty; export it again", file=shown))
    delimiter, decimal = _marks(rows, layout, shown)
    found = layout.model_copy(update={"encoding": encoding, "delimiter": delimiter, "decimal": decimal})
    sign = "point" if decimal == "." else "comma"
    note = Problem(
        f"read with {_MARKS.get(delimiter, repr(delimiter))} between columns, decimal {sign}, {encoding} text; write "
        "a layout file to fix this",
        file=shown,
        severity="warning",
    )
    return found, [note]


def sample_rows(path: Path, layout: Layout, shown: str) -> list[list[str]]:
    """Return the first rows as cells, header first, in a dialect that is known."""
    raw = _sample(path, shown)
    text = codecs.getincrementaldecoder(layout.encoding)(errors="replace").decode(raw)
    return [_split(line, layout.delimiter) for _, line in _rows(text, layout, whole=len(raw) < _SAMPLE)]


def _sample(path: Path, shown: str) -> bytes:
    raw = b""
    for piece in unpacked(path, shown, _SAMPLE):
        raw += piece
        if len(raw) >= _SAMPLE:
            break
    return raw[:_SAMPLE]


def _encoding(raw: bytes, shown: str) -> str:
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if raw[:4096].count(b"\0") > len(raw[:4096]) // 5:
        even, odd = raw[0:4096:2].count(b"\0"), raw[1:4096:2].count(b"\0")
        if min(even, odd) * 10 < max(even, odd):
            return "utf-16-le" if odd > even else "utf-16-be"
        raise InputError(Problem("the log is not text; export it as CSV", file=shown))
    try:
        codecs.getincrementaldecoder("utf-8")().decode(raw)
    except UnicodeDecodeError as error:
        # Latin-1 and Windows-1252 agree on every letter and unit sign (µ, °, Ω is in neither); the numbers are ASCII.
        if any(byte in raw for byte in (0x81, 0x8D, 0x8F, 0x90, 0x9D)):
            raise InputError(
                Problem(
                    f"byte 0x{raw[error.start]:02x} is neither UTF-8 nor Windows-1252 text; name the encoding in a "
                    "layout file",
                    file=shown,
                    line=raw[: error.start].count(b"\n") + 1,
                )
            ) from None
        return "cp1252"
    return "utf-8"


def _rows(text: str, layout: Layout, *, whole: bool) -> list[tuple[int, str]]:
    """Return header and body lines with their numbers; the last line of a sample may be cut and is left out."""
    lines = text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    numbered = [
        (number, line)
        for number, line in enumerate(lines if whole else lines[:-1], start=1)
        if number >= (layout.header_row or 1)
        and line.strip()
        and not (layout.comment and line.strip().startswith(layout.comment))
    ]
    return numbered[layout.skip_rows :]


def _split(line: str, mark: str) -> list[str]:
    if mark == "whitespace":
        return line.split()
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=mark, strict=True), [])]
    except csv.Error:
        return []


def _marks(rows: Sequence[tuple[int, str]], layout: Layout, shown: str) -> tuple[str, str]:
    body = [line for _, line in rows[1 if layout.header else 0 :]][:2000]
    first = rows[0][1]
    candidates = []
    for mark in _MARKS if layout.delimiter == AUTO else (layout.delimiter,):
        width = len(_split(first, mark))
        if layout.delimiter == AUTO and width < 2:
            continue
        # The plain header 'time [s]' has a blank inside: blanks then split it into more cells than the body has.
        table = [_split(line, mark) for line in body]
        if any(len(row) not in (width, width + 1 if row and row[-1] == "" else width) for row in table):
            continue
        for decimal in (".", ",") if layout.decimal == AUTO else (layout.decimal,):
            if decimal != mark and _numeric(table, width, decimal):
                candidates.append((mark, decimal))
    if len({mark for mark, _ in candidates}) > 1:
        names = " or ".join(_MARKS[mark] for mark in dict.fromkeys(mark for mark, _ in candidates))
        raise InputError(
            Problem(
                f"the columns could be separated by {names}; write a layout file that names the delimiter",
                file=shown,
                line=rows[0][0],
            )
        )
    if not candidates:
        raise NoDelimiterError(
            Problem(
                f"{NO_DELIMITER}; if other lines stand above the names, {PROPOSED} (found: {headings([first])})",
                file=shown,
                line=rows[0][0],
            )
        )
    mark = candidates[0][0]
    table = [_split(line, mark) for line in body]
    decimals = [decimal for _, decimal in candidates]
    _refuse_thousands(table, rows, layout, shown)
    if len(decimals) == 1:
        return mark, decimals[0]
    # Both fit: no cell holds either sign, and then they read alike.
    return mark, "."


def _numeric(table: Sequence[Sequence[str]], width: int, decimal: str) -> bool:
    """Tell whether at least one column is all numbers, and no column mixes numbers of another decimal sign."""
    pattern, other = (_POINT, _COMMA) if decimal == "." else (_COMMA, _POINT)
    if not table:
        return True
    numeric = 0
    for position in range(width):
        cells = [row[position] for row in table]
        good = sum(bool(pattern.fullmatch(cell)) for cell in cells)
        if good == len(cells):
            numeric += 1
        elif any(other.fullmatch(cell) and not pattern.fullmatch(cell) for cell in cells):
            return False
    return numeric > 0


def _refuse_thousands(
    table: Sequence[Sequence[str]], rows: Sequence[tuple[int, str]], layout: Layout, shown: str
) -> None:
    """Ask where every number with a sign has exactly three digits after it: '1,234' reads in two ways."""
    if layout.decimal != AUTO:
        return
    # Evidence holds for the file: one program wrote all its numbers in one manner.
    signed = [
        cell for row in table for cell in row if re.search(r"\d?[.,]\d", cell) and re.fullmatch(r"[-+\d.,eE]+", cell)
    ]
    doubtful = [cell for cell in signed if _THOUSANDS.fullmatch(cell)]
    if not doubtful or len(doubtful) < len(signed):
        return
    line = next((number for number, text in rows if doubtful[0] in text), None)
    sign = "comma" if "," in doubtful[0] else "point"
    raise InputError(
        Problem(
            f"{doubtful[0]!r} may be a decimal {sign} or thousands; write a layout file with "
            "'decimal: \".\"' or 'decimal: \",\"'",
            file=shown,
            line=line,
        )
    )
