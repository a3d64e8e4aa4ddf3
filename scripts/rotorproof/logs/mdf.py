"""ASAM MDF 3 and 4: channels by name, time from the master channel of their group."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout, LayoutColumn
from . import limits
from .chunks import LogStream
from .mapping import Channel, sources
from .recording import damaged, recording

_TITLE = "ASAM MDF"
#: The number that stands for a group's master channel.
_MASTER = -1


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Open an MDF file. All channels used must lie in one group, that is on one time base. Raises ``InputError``."""
    import asammdf

    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    try:
        file = asammdf.MDF(path)
        places, channels = _channels(file)
    except MemoryError:
        raise
    except Exception as error:  # a damaged file raises whatever comes first
        raise damaged(error, _TITLE, shown) from None
    used = sources(channels, layout, wanted, shown, None)
    groups = {places[source.position][0] for source in used}
    if len(groups) > 1:
        raise InputError(
            Problem("the channels lie in groups with different time bases; export them on one time base", file=shown)
        )
    if not groups:
        return LogStream([channel.name for channel in channels], iter(()))
    group = groups.pop()
    # The group's master is its time; it is a channel like the others, for a layout or for the plain names.
    if all(source.name != "time" for source in used) and "time" in wanted:
        channels, places, layout = _with_master(channels, places, group, layout)

    def blocks(positions: Sequence[int]) -> Iterator[Sequence[np.ndarray]]:
        numbers = [places[position][1] for position in positions]
        try:
            yield from _blocks(file, group, numbers)
        except (InputError, MemoryError):
            raise
        except Exception as error:
            raise damaged(error, _TITLE, shown) from None

    return recording(channels, layout, wanted, shown, blocks)


def _blocks(file: Any, group: int, numbers: Sequence[int]) -> Iterator[Sequence[np.ndarray]]:
    """Yield channels of a group piece by piece. Raises ``ValueError`` where one holds less than the group claims."""
    length = int(file.groups[group].channel_group.cycles_nr)
    for start in range(0, length, limits.BLOCK_ROWS):
        count = min(limits.BLOCK_ROWS, length - start)
        yield [_piece(file, group, number, start, count, length) for number in numbers]


def _piece(file: Any, group: int, number: int, start: int, count: int, length: int) -> np.ndarray:
    """Return some rows of a channel; readings that the file calls invalid become NaN, which is refused later."""
    if number == _MASTER:
        values = np.asarray(file.get_master(group, record_offset=start, record_count=count))
    else:
        signal = file.get(group=group, index=number, record_offset=start, record_count=count)
        values = np.asarray(signal.samples)
        if signal.invalidation_bits is not None and np.any(signal.invalidation_bits):
            values = values.astype(float)
            values[np.asarray(signal.invalidation_bits, dtype=bool)] = np.nan
    if values.ndim != 1 or values.dtype.kind not in "fiub":
        raise ValueError("a channel holds no numbers")
    if len(values) != count:
        raise ValueError(f"it holds {start + len(values)} of {length} rows")
    return values


def _channels(file: Any) -> tuple[list[tuple[int, int]], list[Channel]]:
    """Return group and number of each channel but the masters, and the channels."""
    places, found = [], []
    for group, content in enumerate(file.groups):
        master = file.masters_db.get(group)
        for number, channel in enumerate(content.channels):
            if number != master:
                unit = getattr(channel, "unit", "") or getattr(getattr(channel, "conversion", None), "unit", "") or ""
                places.append((group, number))
                found.append(Channel(str(channel.name), str(unit) or None))
    counts = Counter(channel.name for channel in found)
    named = [
        channel if counts[channel.name] == 1 else Channel(f"{group}/{channel.name}", channel.unit)
        for (group, _), channel in zip(places, found, strict=True)
    ]
    return places, named


def _with_master(
    channels: Sequence[Channel], places: Sequence[tuple[int, int]], group: int, layout: Layout
) -> tuple[list[Channel], list[tuple[int, int]], Layout]:
    if layout.columns is not None:
        number = LayoutColumn(column=len(channels) + 1, unit="s")
        layout = layout.model_copy(update={"columns": {**layout.columns, "time": number}})
    return [*channels, Channel("time [s]")], [*places, (group, _MASTER)], layout
