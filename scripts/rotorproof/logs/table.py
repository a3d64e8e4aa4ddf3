"""Open any log: the first bytes say what kind of file it is, the layout says what its columns mean."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from . import dialect, transitions, vcd
from .apart import Opener, open_apart
from .chunks import LogStream, collected, in_proportion, time_checked, within_bounds
from .streams import first_bytes, unpacked
from .text import open_text


@dataclass(frozen=True, slots=True)
class Format:
    """A file format: how its files begin, the module of this package that reads it, and what is said of it.

    The module has ``open_log(path, layout, wanted, shown) -> Log``, which is called in a process of its own where the
    format needs a ``library``.
    """

    title: str
    starts: tuple[bytes, ...]
    module: str
    library: str = ""


FORMATS = (
    Format("Parquet", (b"PAR1",), "parquet", "pyarrow.parquet"),
    Format("Excel workbook", (b"PK\x03\x04",), "excel", "openpyxl"),
    Format("WAV", (b"RIFF", b"RIFX", b"RF64"), "wav"),
    Format("HDF5", (b"\x89HDF\r\n\x1a\n",), "hdf5", "h5py"),
    Format("ASAM MDF", (b"MDF     ", b"UnFinMF "), "mdf", "asammdf"),
    Format("TDMS", (b"TDSm",), "tdms", "nptdms"),
)
#: Files that people name in good faith and that hold no readable log.
_REFUSED = {
    b"\xd0\xcf\x11\xe0": "an old Excel workbook (.xls); save it as .xlsx or CSV",
    b"%PDF": "a PDF; export the readings themselves",
    b"\x89PNG": "a picture; export the readings themselves",
    b"\xff\xd8\xff": "a picture; export the readings themselves",
    b"BZh": "packed with bzip2; unpack it, or pack with gzip or zstd",
    b"\xfd7zXZ": "packed with xz; unpack it, or pack with gzip or zstd",
    b"7z\xbc\xaf": "a 7z archive; unpack it",
    b"Rar!": "a RAR archive; unpack it",
    b"\x7fELF": "a program, not a log",
}


@dataclass(frozen=True)
class LogColumns:
    """The canonical columns of a log, each ``(n,)`` float64 in SI, the file's own names, and notes on the reading."""

    columns: dict[str, np.ndarray]
    names: Sequence[str]
    notes: Sequence[Problem]
    #: What the step of clock times leaves open of each, in s (``Stamps.width``); 0 where time came as a number.
    time_resolution: float = 0.0


def open_log(path: Path, layout: Layout, wanted: Sequence[str], *, shown: str) -> LogStream:
    """Open a log of any format as a stream of chunks in SI. Raises ``InputError``, also while streaming."""
    log = _opened(path, layout, wanted, shown)
    return LogStream(log.names, within_bounds(log.chunks, shown), log.notes).watched(shown)


def _opened(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    start = first_bytes(path, shown)
    for mark, what in _REFUSED.items():
        if start.startswith(mark):
            raise InputError(Problem(f"the log is {what}", file=shown))
    for known in FORMATS:
        if start.startswith(known.starts):
            try:
                module = importlib.import_module(f".{known.module}", __package__)
                opener = cast(Opener, module.open_log)
                if not known.library:
                    return opener(path, layout, wanted, shown)
                # Loaded here, so that the processes that read share it.
                importlib.import_module(known.library)
                log = open_apart(opener, path, layout, wanted, shown)
                return LogStream(log.names, in_proportion(log.chunks, path.stat().st_size, shown), log.notes)
            except ModuleNotFoundError as error:
                raise InputError(
                    Problem(
                        f"the log is a file of the format {known.title}, but the library {error.name!r} is not "
                        "installed; run 'make setup'",
                        file=shown,
                    )
                ) from None
    if is_dump(path, shown):
        return vcd.open_log(path, layout, wanted, shown)
    concrete, notes = dialect.resolved(path, layout, shown)
    log = (open_text if concrete.transitions is None else transitions.open_log)(path, concrete, wanted, shown)
    log.notes.extend(notes)
    return log


def is_dump(path: Path, shown: str) -> bool:
    """Tell whether the file, packed or not, begins as a value change dump does. Raises ``InputError``."""
    return next(unpacked(path, shown, 64), b"").lstrip().startswith(vcd.STARTS)


def line_of(path: Path, layout: Layout, wanted: Sequence[str], row: int, *, shown: str) -> int | None:
    """Return the line of the file that holds a row (from 0) of the table; ``None`` where the file has no lines."""
    for chunk in open_log(path, layout, wanted, shown=shown).chunks:
        if row < chunk.rows:
            return chunk.line(row)
        row -= chunk.rows
    return None


def read_table(
    path: Path, layout: Layout, wanted: Sequence[str], *, shown: str, time_ordered: bool, minimum_rows: int
) -> LogColumns:
    """Return the wanted canonical columns that the file has.

    ``shown`` is how the file is named in messages. Raises ``InputError`` with every problem found: the file
    missing, empty, in another encoding; a column without unit, with an unknown unit, or twice; a cell that is
    empty, text or not finite; time that does not increase; fewer rows than ``minimum_rows``.
    """
    log = open_log(path, layout, wanted, shown=shown)
    columns = collected(time_checked(log.chunks, shown) if time_ordered else log.chunks, shown)
    rows = len(next(iter(columns.values()))) if columns else 0
    if columns and rows < minimum_rows:
        raise InputError(too_few(rows, minimum_rows, shown))
    return LogColumns(columns, log.names, log.notes, log.time_resolution)


def too_few(rows: int, minimum_rows: int, shown: str) -> Problem:
    """Return the problem of a log with fewer rows than its procedure needs."""
    return Problem(f"the log has {rows} rows of readings; at least {minimum_rows} are needed", file=shown)
