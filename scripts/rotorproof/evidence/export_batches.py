"""All values of many batches as Parquet, a folder for each batch: any table program reads them as one table."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError, Problem
from ..jsonio import write_bytes

if TYPE_CHECKING:
    import pyarrow

_TABLE = "results.parquet"


def collect(batches: Mapping[str, Path], folder: Path) -> None:
    """Put each batch's table into ``folder/batch=NAME/results.parquet``; batches that are gone leave it.

    A folder named so is a column of the table to DuckDB, Polars and Arrow. All tables get the same columns: some
    readers take those of one table for those of all, and one of an earlier version may lack a few: they are empty then.
    Raises ``InputError`` for a batch without its table, or with one that is damaged.
    """
    import pyarrow

    contents = {name: _content(name, batch) for name, batch in batches.items()}
    tables = {name: _table(name, content) for name, content in contents.items()}
    try:
        schema = pyarrow.unify_schemas([table.schema.remove_metadata() for table in tables.values()])
    except (pyarrow.ArrowInvalid, pyarrow.ArrowTypeError) as error:
        words = f"the tables of the batches cannot be put together ({error}); run the older batches' reports again"
        raise InputError(Problem(words, _TABLE)) from None
    for name, table in tables.items():
        same = table.schema.remove_metadata().equals(schema)
        content = contents[name] if same else _written(table, schema)
        write_bytes(folder / f"batch={name}" / _TABLE, content)
    for old in folder.glob("batch=*"):
        if old.name.removeprefix("batch=") not in batches:
            shutil.rmtree(old)


def _content(name: str, batch: Path) -> bytes:
    try:
        return (batch / _TABLE).read_bytes()
    except OSError as error:
        raise InputError(Problem(f"the batch has no {_TABLE}: {error.strerror}; run its report", name)) from None


def _table(name: str, content: bytes) -> pyarrow.Table:
    import pyarrow
    import pyarrow.parquet

    try:
        return pyarrow.parquet.read_table(BytesIO(content))
    except (OSError, pyarrow.ArrowException):
        raise InputError(Problem("the table is damaged; run the batch's report again", f"{name}/{_TABLE}")) from None


def _written(table: pyarrow.Table, schema: pyarrow.Schema) -> bytes:
    """Return a table as Parquet with the columns of ``schema``, those that it lacks empty."""
    import pyarrow
    import pyarrow.parquet

    columns = [
        table.column(field.name) if field.name in table.column_names else pyarrow.nulls(len(table), field.type)
        for field in schema
    ]
    stream = BytesIO()
    pyarrow.parquet.write_table(pyarrow.table(columns, schema=schema), stream)
    return stream.getvalue()
