"""What all binary recordings share: channels by name, equal lengths, numbers that must be finite."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Protocol

import numpy as np

from ..columns import COLUMNS
from ..errors import InputError, Problem
from ..settings.layout import Layout
from . import limits
from .cells import OVERLOADED, is_overload
from .chunks import Chunk, LogStream
from .mapping import Channel, Source, sources


class Blocks(Protocol):
    """Reads channels piece by piece."""

    def __call__(self, positions: Sequence[int]) -> Iterator[Sequence[np.ndarray]]:
        """Yield the channels at ``positions`` for consecutive rows, one array ``(n,)`` each."""


def recording(
    channels: Sequence[Channel],
    layout: Layout,
    wanted: Sequence[str],
    shown: str,
    blocks: Blocks,
    *,
    step: float | None = None,
) -> LogStream:
    """Return a recording as a stream. ``step`` (s) makes the time column where the file has none.

    Raises ``InputError``, also while streaming.
    """
    if not channels:
        raise InputError(Problem("the file holds no channels; it may be cut off, so export it again", file=shown))
    found = sources(channels, layout, wanted, shown, None)
    return LogStream([channel.name for channel in channels], _chunks(found, wanted, shown, blocks, step))


def _chunks(
    found: Sequence[Source], wanted: Sequence[str], shown: str, blocks: Blocks, step: float | None
) -> Iterator[Chunk]:
    if not found:
        return
    makes_time = step is not None and "time" in wanted and all(source.name != "time" for source in found)
    row = refused = 0
    problems: list[Problem] = []
    for arrays in blocks([source.position for source in found]):
        columns: dict[str, np.ndarray] = {}
        for source, raw in zip(found, arrays, strict=True):
            if len(raw) != len(arrays[0]):
                raise InputError(_unequal(found, arrays, shown))
            values = _numbers(raw, source, shown)
            good = np.abs(values) < limits.OVERLOAD if values.dtype.kind == "f" else np.True_
            bad = np.flatnonzero(~good) if not good.all() else np.empty(0, dtype=int)
            refused += bad.size
            for place in bad[: limits.MAXIMUM_NAMED - len(problems)]:
                what = "holds no finite number; take the row out or measure again"
                if is_overload(float(values[place])):
                    what = f"({values[place]:.4g}) {OVERLOADED}"
                message = f"row {row + int(place) + 1} of {source.header!r} {what}"
                problems.append(Problem(message, file=shown, column=source.name))
            columns[source.name] = source.si(values)
        count = len(arrays[0])
        if makes_time and step is not None:
            columns = {"time": (row + np.arange(count)) * step, **columns}
        row += count
        if not refused:
            yield Chunk(columns, _no_line)
    if refused > len(problems):
        problems.append(Problem(f"{refused - len(problems)} more readings are not finite numbers", file=shown))
    if problems:
        raise InputError(problems)


def _no_line(row: int) -> int | None:
    del row
    return None


def _numbers(raw: np.ndarray, source: Source, shown: str) -> np.ndarray:
    array = np.asarray(raw)
    if array.ndim != 1:
        what = f"has {array.ndim} dimensions; a column has one"
    elif array.dtype.kind == "M":
        what = "holds dates; export seconds since the start"
    elif array.dtype.kind == "m":
        what = "holds time spans without a unit; export seconds"
    elif array.dtype.kind not in "fiub":
        what = "holds no numbers"
    elif array.dtype.itemsize == 1 and COLUMNS[source.name].kind == "logic" and source.unchanged:
        # A long capture is mostly levels, and eight times as quick to follow in bytes.
        return array.view(np.uint8) if array.dtype.kind == "b" else array
    else:
        return array.astype(np.float64, copy=False)
    raise InputError(Problem(f"the channel {source.header!r} {what}", file=shown, column=source.name))


def _unequal(found: Sequence[Source], arrays: Sequence[np.ndarray], shown: str) -> Problem:
    lengths = ", ".join(f"{source.header!r} {len(array)}" for source, array in zip(found, arrays, strict=True))
    return Problem(f"the channels differ in length ({lengths}); export them on one time base", file=shown)


def damaged(error: Exception, title: str, shown: str) -> InputError:
    """Return the error for a file that its own library cannot read."""
    first = str(error).strip().splitlines()
    reason = f" ({first[0][:120]})" if first else ""
    return InputError(Problem(f"the log is no {title} file that can be read{reason}; export it again", file=shown))


def in_pieces(length: int, read: Callable[[int, int], Sequence[np.ndarray]]) -> Iterator[Sequence[np.ndarray]]:
    """Yield ``read(start, stop)`` for consecutive ranges that cover ``length`` rows."""
    for start in range(0, length, limits.BLOCK_ROWS):
        yield read(start, min(length, start + limits.BLOCK_ROWS))
