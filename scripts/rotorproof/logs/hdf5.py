"""HDF5 files: each one-dimensional dataset is a channel, named by its path."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import InputError
from ..settings.layout import Layout
from .chunks import LogStream
from .mapping import Channel
from .recording import damaged, in_pieces, recording


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Open an HDF5 file; the attribute ``units`` or ``unit`` of a dataset names its unit. Raises ``InputError``."""
    import h5py

    try:
        with h5py.File(path, "r", locking=False) as file:
            found: list[tuple[Any, Channel]] = []

            def visit(name: str | bytes, item: Any) -> None:
                # Data outside the file is not followed: the log is this file, whose hash is in the evidence.
                if isinstance(item, h5py.Dataset) and item.ndim == 1 and not item.is_virtual and not item.external:
                    found.append((name, Channel(_text(name), _unit(item))))

            file.visititems(visit)
    except MemoryError:
        raise
    except Exception as error:  # a damaged file raises whatever comes first
        raise damaged(error, "HDF5", shown) from None

    def blocks(positions: Sequence[int]) -> Iterator[Sequence[np.ndarray]]:
        try:
            with h5py.File(path, "r", locking=False) as file:
                chosen = [file[found[position][0]] for position in positions]

                def read(start: int, stop: int) -> Sequence[np.ndarray]:
                    return [item[start:stop] for item in chosen]

                yield from in_pieces(max(len(item) for item in chosen), read)
        except (InputError, MemoryError):
            raise
        except Exception as error:
            raise damaged(error, "HDF5", shown) from None

    return recording([channel for _, channel in found], layout, wanted, shown, blocks)


def _text(name: str | bytes) -> str:
    """Return a name as text; the library gives bytes where it is no UTF-8."""
    return name if isinstance(name, str) else name.decode("utf-8", "replace")


def _unit(item: Any) -> str | None:
    for key in ("units", "unit"):
        value = item.attrs.get(key)
        if isinstance(value, bytes):
            value = value.decode("utf-8", "replace")
        if isinstance(value, str) and value:
            return value
    return None
