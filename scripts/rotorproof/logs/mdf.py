"""ASAM MDF 3 and 4: channels by name, time from the master channel of their group."""

from __future__ import annotations

import gc
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from .chunks import Log
from .mapping import Channel, sources
from .recording import damaged, in_pieces, recording


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> Log:
    """Open an MDF file. All channels used must lie in one group, that is on one time base. Raises ``InputError``."""
    file = _opened(path, shown)
    try:
        places, channels = _channels(file)
    except Exception as error:  # the library raises many types for a damaged file
        file.close()
        raise damaged(error, "ASAM MDF", shown) from None
    try:
        return _log(file, places, channels, layout, wanted, shown)
    except InputError:
        file.close()
        raise


def _opened(path: Path, shown: str) -> Any:
    import asammdf

    # The library's clean-up of a file that it could not open fails in its turn, and Python would print that.
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        try:
            return asammdf.MDF(path)
        except Exception as error:
            refused = damaged(error, "ASAM MDF", shown)
        gc.collect()
    finally:
        sys.unraisablehook = hook
    raise refused


def _log(
    file: Any,
    places: list[tuple[int, int]],
    channels: list[Channel],
    layout: Layout,
    wanted: Sequence[str],
    shown: str,
) -> Log:
    used = sources(channels, layout, wanted, shown, None)
    groups = {places[source.position][0] for source in used}
    if len(groups) > 1:
        raise InputError(
            Problem(
                "the channels lie in groups with different time bases; export them on one time base",
                file=shown,
            )
        )
    if not groups:
        file.close()
        return Log([channel.name for channel in channels], iter(()))
    group = groups.pop()
    # The group's master is its time; it is a channel like the others, for a layout or for the plain names.
    if all(source.name != "time" for source in used) and "time" in wanted:
        channels, places, layout = _with_master(channels, places, group, layout)
    length = int(file.groups[group].channel_group.cycles_nr)

    def blocks(positions: Sequence[int]) -> Iterator[Sequence[np.ndarray]]:
        def read(start: int, stop: int) -> Sequence[np.ndarray]:
            return [_values(file, places[position], start, stop) for position in positions]

        try:
            yield from in_pieces(length, read)
        except Exception as error:
            raise damaged(error, "ASAM MDF", shown) from None
        finally:
            file.close()

    return recording(channels, layout, wanted, shown, blocks)


_MASTER = -1


def _channels(file: Any) -> tuple[list[tuple[int, int]], list[Channel]]:
    places = []
    named = []
    for group_number, group in enumerate(file.groups):
        master = file.masters_db.get(group_number)
        for number, channel in enumerate(group.channels):
            if number != master:
                places.append((group_number, number))
                unit = getattr(channel, "unit", "") or getattr(getattr(channel, "conversion", None), "unit", "") or ""
                named.append((group_number, channel.name, str(unit)))
    counts = Counter(name for _, name, _ in named)
    channels = [Channel(name if counts[name] == 1 else f"{group}/{name}", unit or None) for group, name, unit in named]
    return places, channels


def _with_master(
    channels: Sequence[Channel], places: Sequence[tuple[int, int]], group: int, layout: Layout
) -> tuple[list[Channel], list[tuple[int, int]], Layout]:
    from ..settings.layout import LayoutColumn

    master = Channel("time [s]")
    if layout.columns is not None:
        number = LayoutColumn(column=len(channels) + 1, unit="s")
        layout = layout.model_copy(update={"columns": {**layout.columns, "time": number}})
    return [*channels, master], [*places, (group, _MASTER)], layout


def _values(file: Any, place: tuple[int, int], start: int, stop: int) -> np.ndarray:
    group, number = place
    if number == _MASTER:
        return np.asarray(file.get_master(group, record_offset=start, record_count=stop - start))
    signal = file.get(group=group, index=number, record_offset=start, record_count=stop - start)
    if signal.invalidation_bits is not None and np.any(signal.invalidation_bits):
        values = np.asarray(signal.samples, dtype=float)
        values[np.asarray(signal.invalidation_bits, dtype=bool)] = np.nan
        return values
    return np.asarray(signal.samples)
