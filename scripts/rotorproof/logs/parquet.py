"""Apache Parquet tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from . import limits
from .chunks import Log
from .mapping import Channel
from .recording import damaged, recording


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> Log:
    """Open a Parquet file; a field's metadata may hold its ``unit``. Raises ``InputError``."""
    from pyarrow import parquet

    try:
        # Own buffers: the columns of a large file are read group by group, not mapped whole.
        file = parquet.ParquetFile(path, memory_map=False)
        schema = file.schema_arrow
    except Exception as error:  # a damaged file raises whatever comes first
        raise damaged(error, "Parquet", shown) from None
    channels = [
        Channel(field.name, (field.metadata or {}).get(b"unit", b"").decode("utf-8", "replace") or None)
        for field in schema
    ]

    def blocks(positions: Sequence[int]) -> Iterator[Sequence[np.ndarray]]:
        names = [schema.names[position] for position in positions]
        if len(set(schema.names)) < len(schema.names):
            raise InputError(Problem("the file has two columns of one name; rename one", file=shown))
        try:
            for batch in file.iter_batches(batch_size=limits.BLOCK_ROWS, columns=list(dict.fromkeys(names))):
                yield [_array(batch.column(name), name, shown) for name in names]
        except InputError:
            raise
        except Exception as error:
            raise damaged(error, "Parquet", shown) from None

    return recording(channels, layout, wanted, shown, blocks)


def _array(column: Any, name: str, shown: str) -> np.ndarray:
    import pyarrow as pa

    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.dictionary_decode(), kind.value_type
    if pa.types.is_decimal(kind):
        column = column.cast(pa.float64())
    elif not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_boolean(kind)):
        raise InputError(
            Problem(f"the column {name!r} holds {kind}, not numbers; export numbers", file=shown, column=name)
        )
    # A null becomes NaN, which is then refused by its row.
    return np.asarray(column.cast(pa.float64()).to_numpy(zero_copy_only=False))
