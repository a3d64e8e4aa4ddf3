"""Apache Parquet tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from . import limits
from .chunks import LogStream
from .mapping import Channel
from .recording import damaged, recording

#: Of each column, what is read from the file at once; and how many rows are decoded at once.
_BUFFER_BYTES, _ROWS = 1 << 22, 2 * limits.BLOCK_ROWS


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Open a Parquet file; a field's metadata may hold its ``unit``. Raises ``InputError``."""
    from pyarrow import parquet

    try:
        # Own buffers, filled as the rows are asked for: else the memory grows with the file or its row groups.
        file = parquet.ParquetFile(
            path, memory_map=False, pre_buffer=False, buffer_size=_BUFFER_BYTES, page_checksum_verification=True
        )
        schema = file.schema_arrow
    except MemoryError:
        raise
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
            columns = list(dict.fromkeys(names))
            # Threads would decode columns ahead of each other, which costs more than it wins.
            for batch in file.iter_batches(batch_size=_ROWS, columns=columns, use_threads=False):
                yield [_array(batch.column(name), name, shown) for name in names]
        except (InputError, MemoryError):
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
    if column.null_count:
        # A null becomes NaN, which is then refused by its row.
        column = column.cast(pa.float64()).fill_null(np.nan)
    elif kind == pa.bool_():
        column = column.cast(pa.uint8())
    elif kind not in (pa.float64(), pa.int8(), pa.uint8()):
        column = column.cast(pa.float64())
    # The library's own way to NumPy loads pandas first, a third of a second.
    return np.from_dlpack(column)
