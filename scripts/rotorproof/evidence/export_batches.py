"""All values of many batches as Parquet, a folder for each batch: any table program reads them as one table."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

from ..errors import InputError, Problem
from ..jsonio import write_bytes

_TABLE = "results.parquet"


def collect(batches: Mapping[str, Path], folder: Path) -> None:
    """Copy each batch's table to ``folder/batch=NAME/results.parquet``; batches that are gone leave it.

    A folder named so is a column of the table to DuckDB, Polars and Arrow. Raises ``InputError`` for a batch without
    its table.
    """
    for name, batch in batches.items():
        try:
            content = (batch / _TABLE).read_bytes()
        except OSError as error:
            raise InputError(Problem(f"the batch has no {_TABLE}: {error.strerror}; run its report", name)) from None
        write_bytes(folder / f"batch={name}" / _TABLE, content)
    for old in folder.glob("batch=*"):
        if old.name.removeprefix("batch=") not in batches:
            shutil.rmtree(old)
