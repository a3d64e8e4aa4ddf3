"""The model of ``config/layouts/*.yaml``: how a given export maps to canonical columns."""

from __future__ import annotations

import codecs
import difflib
import math
from typing import Annotated, Literal

from pydantic import Field, model_validator

from ..columns import COLUMNS
from ..units import conversion
from .fields import Line, MisplacedError, Strict

_LONGEST_ENCODING = 40
#: The word that asks for detection; what was found is stated with the results.
AUTO = "auto"
#: What a column of clock times has as its unit; with a single colon, which two numbers a stamp holds must be said.
CLOCK_UNITS = ("clock", "h:mm", "mm:ss")
#: In which order a date may be written.
DATE_ORDERS = ("day-month-year", "month-day-year", "year-month-day")


class LayoutColumn(Strict):
    """Where a canonical column is found and how its cells become SI: (cell * scale + offset) in ``unit``."""

    column: Annotated[Line | int, Field(description="header text, or the number of the column from 1")]
    unit: Annotated[Line, Field(description="unit of the cells; of clock times 'clock', 'h:mm' or 'mm:ss'")]
    scale: Annotated[float, Field(description="factor on the cell: 10 for a x10 probe, A per V of a shunt")] = 1.0
    offset: Annotated[float, Field(description="added after the scale, in the named unit")] = 0.0
    invert: Annotated[bool, Field(description="change the sign (logic levels: swap 0 and 1)")] = False
    threshold: Annotated[
        float | None,
        Field(
            description="of a logic level read as volts, above what it is 1, in the named unit, after scale and offset"
        ),
    ] = None
    date: Annotated[Line | int | None, Field(description="of clock times, the column that holds their dates")] = None
    date_order: Annotated[
        Literal["day-month-year", "month-day-year", "year-month-day"] | None,
        Field(description="of dates that read in two ways, which is meant"),
    ] = None


class Transitions(Strict):
    """The columns of a table that has a row for each change of a single channel."""

    channel: Annotated[Line | int, Field(description="header text, or the number of the column of the channels' names")]
    level: Annotated[Line | int, Field(description="header text, or the number of the column of the levels")]


class Layout(Strict):
    """A table's dialect and its columns. Without ``columns`` the header must be plain: ``name [unit]``."""

    description: str | None = None
    source: str | None = None
    encoding: Annotated[str, Field(description="text encoding, for example utf-8, cp1252, utf-16; or auto")] = "utf-8"
    delimiter: Annotated[
        str, Field(min_length=1, description="one character, 'whitespace' (any blanks), or 'auto'")
    ] = ","
    decimal: Annotated[Literal[".", ",", "auto"], Field(description="decimal sign, or auto")] = "."
    comment: Annotated[str, Field(max_length=1)] = "#"
    sheet: Annotated[str | None, Field(description="sheet of a workbook that has several")] = None
    skip_rows: Annotated[int, Field(ge=0, le=100_000, description="lines before the header, comments not counted")] = 0
    header_row: Annotated[
        int | None,
        Field(ge=1, le=1_048_576, description="row of the header as an editor counts, blank ones too, for skip_rows"),
    ] = None
    header: Annotated[bool, Field(description="whether a header row follows the skipped ones")] = True
    transitions: Annotated[
        Transitions | None,
        Field(description="of a row for each change of one channel; 'column' of a level is then the channel's name"),
    ] = None
    columns: dict[str, LayoutColumn] | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Layout:
        if len(self.delimiter) > 1 and self.delimiter not in ("whitespace", AUTO):
            raise ValueError(f"'delimiter' is one character, 'whitespace' or 'auto', not {self.delimiter!r}")
        if self.delimiter in ("\n", "\r", '"') or self.comment in ("\n", "\r"):
            raise ValueError("a line end or a quote cannot be a delimiter or a comment mark")
        if self.comment and self.comment == self.delimiter:
            raise ValueError("'delimiter' and 'comment' are the same character; one reading must be possible")
        if self.encoding != AUTO:
            _check_encoding(self.encoding)
        if self.delimiter == self.decimal != AUTO:
            raise MisplacedError(
                "'delimiter' and 'decimal' are the same character; one reading must be possible", "decimal"
            )
        if self.header_row is not None and self.skip_rows:
            raise ValueError("'header_row' and 'skip_rows' say the same in two ways; keep one")
        if self.transitions is not None:
            self._check_transitions(self.transitions)
        if self.columns is None:
            if not self.header:
                raise ValueError("without a header row, 'columns' must name the columns by number")
            return self
        for name, column in self.columns.items():
            self._check_column(name, column)
        return self

    def _check_transitions(self, found: Transitions) -> None:
        if not self.columns or "time" not in self.columns or len(self.columns) == 1:
            raise MisplacedError("'columns' must name time and the channels", "transitions")
        for name, column in self.columns.items():
            if name in COLUMNS and name != "time" and COLUMNS[name].kind != "logic":
                raise MisplacedError(f"{name!r} is no logic level, and transitions are", "columns", name)
            if column.threshold is not None:
                raise MisplacedError("transitions are levels already", "columns", name, "threshold")
        for key in ("channel", "level"):
            place = getattr(found, key)
            if isinstance(place, int) and place < 1:
                raise MisplacedError("columns are numbered from 1", "transitions", key)
            if isinstance(place, str) and not self.header:
                raise MisplacedError(
                    f"there is no header row to find {place!r} in; give its number", "transitions", key
                )

    def _check_column(self, name: str, column: LayoutColumn) -> None:
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, n=3, cutoff=0.5) or ["time", "voltage_ab", "speed"]
            raise MisplacedError(
                f"{name!r} is not a canonical column; near it or for example: {', '.join(near)}", "columns", name
            )
        if self.transitions is not None and name != "time":
            return
        if isinstance(column.column, int) and column.column < 1:
            raise MisplacedError("columns are numbered from 1", "columns", name, "column")
        if isinstance(column.column, str) and not self.header:
            raise MisplacedError(
                f"there is no header row to find {column.column!r} in; give its number", "columns", name, "column"
            )
        if column.scale == 0:
            raise MisplacedError("a scale of 0 would erase the readings", "columns", name, "scale")
        if not all(map(math.isfinite, (column.scale, column.offset, column.threshold or 0.0))):
            raise MisplacedError("scale, offset and threshold must be finite numbers", "columns", name)
        if _is_clock(name, column):
            return
        if column.threshold is not None and COLUMNS[name].kind != "logic":
            raise MisplacedError("'threshold' belongs to a logic level", "columns", name, "threshold")
        try:
            conversion(column.unit, "voltage" if column.threshold is not None else COLUMNS[name].kind)
        except ValueError as error:
            words = str(error)
            if COLUMNS[name].kind == "logic" and column.threshold is None:
                words += "; of a level that stands there in volts, give the 'threshold' above which it is high"
            raise MisplacedError(words, "columns", name, "unit") from None


def _is_clock(name: str, column: LayoutColumn) -> bool:
    """Tell whether a column holds clock times. Raises ``MisplacedError`` for what has no meaning there."""
    clock = COLUMNS[name].kind == "time" and column.unit in CLOCK_UNITS
    for key in ("date", "date_order"):
        if getattr(column, key) is not None and not clock:
            raise MisplacedError(
                f"{key!r} belongs to a time column of clock times, whose unit is 'clock'", "columns", name, key
            )
    if clock and (column.scale != 1.0 or column.offset != 0.0 or column.invert):
        raise MisplacedError("clock times take no 'scale', 'offset' or 'invert'", "columns", name)
    if isinstance(column.date, int) and column.date < 1:
        raise MisplacedError("columns are numbered from 1", "columns", name, "date")
    return clock


#: The text encodings that a layout may name, by the names that Python gives them. Others that Python calls encodings
#: unpack or transform (zlib, hex, rot13), or make of a file what nobody sees in it (utf-7, unicode_escape).
_ENCODINGS = (
    "utf-8 utf-8-sig utf-16 utf-16-le utf-16-be utf-32 utf-32-le utf-32-be ascii iso8859-1 iso8859-2 iso8859-3 "
    "iso8859-4 iso8859-5 iso8859-6 iso8859-7 iso8859-8 iso8859-9 iso8859-10 iso8859-11 iso8859-13 iso8859-14 "
    "iso8859-15 iso8859-16 cp1250 cp1251 cp1252 cp1253 cp1254 cp1255 cp1256 cp1257 cp1258 cp437 cp737 cp775 cp850 "
    "cp852 cp855 cp857 cp858 cp860 cp861 cp862 cp863 cp864 cp865 cp866 cp869 cp874 mac-roman mac-latin2 mac-cyrillic "
    "mac-greek mac-turkish koi8-r koi8-u big5 cp950 gb2312 gbk gb18030 shift_jis cp932 euc_jp euc_kr cp949"
)


def _check_encoding(name: str) -> None:
    """Raise ``ValueError`` unless ``name`` is a text encoding of the list."""
    try:
        known = codecs.lookup(name).name if len(name) <= _LONGEST_ENCODING else ""
    except (LookupError, ValueError):
        known = ""
    if known not in _ENCODINGS.split():
        raise MisplacedError(
            f"the text encoding {name[:_LONGEST_ENCODING]!r} is not known; examples are utf-8, cp1252 and utf-16",
            "encoding",
        )


#: Layouts that are there without a file: the plain one, and the plain header in any common dialect.
BUILTIN = {"plain": Layout(), "auto": Layout(delimiter=AUTO, decimal="auto", encoding=AUTO)}
