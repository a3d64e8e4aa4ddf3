"""The model of ``config/layouts/*.yaml``: how a given export maps to canonical columns."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from ..columns import COLUMNS
from .fields import Strict


class LayoutColumn(Strict):
    """Where a canonical column is found and how its cells become SI: (cell * scale + offset) in ``unit``."""

    column: Annotated[str | int, Field(description="header text, or the number of the column from 1")]
    unit: str
    scale: Annotated[float, Field(description="factor on the cell: 10 for a x10 probe, A per V of a shunt")] = 1.0
    offset: Annotated[float, Field(description="added after the scale, in the named unit")] = 0.0
    invert: Annotated[bool, Field(description="change the sign (logic levels: swap 0 and 1)")] = False


class Layout(Strict):
    """A table's dialect and its columns. Without ``columns`` the header must be plain: ``name [unit]``."""

    description: str | None = None
    source: str | None = None
    encoding: str = "utf-8"
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    decimal: Annotated[str, Field(pattern=r"^[.,]$")] = "."
    comment: Annotated[str, Field(max_length=1)] = "#"
    skip_rows: Annotated[int, Field(ge=0, description="lines before the header, comments not counted")] = 0
    header: Annotated[bool, Field(description="whether a header row follows the skipped ones")] = True
    columns: dict[str, LayoutColumn] | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Layout:
        if self.delimiter == self.decimal:
            raise ValueError("'delimiter' and 'decimal' are the same character; one reading must be possible")
        if self.columns is None:
            if not self.header:
                raise ValueError("without a header row, 'columns' must name the columns by number")
            return self
        for name, column in self.columns.items():
            if name not in COLUMNS:
                raise ValueError(f"{name!r} is not a canonical column; known are {', '.join(COLUMNS)}")
            if isinstance(column.column, int) and column.column < 1:
                raise ValueError(f"{name!r}: columns are numbered from 1")
            if isinstance(column.column, str) and not self.header:
                raise ValueError(f"{name!r}: there is no header row to find {column.column!r} in; give its number")
            if column.scale == 0:
                raise ValueError(f"{name!r}: a scale of 0 would erase the readings")
        return self
