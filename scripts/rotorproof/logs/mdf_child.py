"""Reads an MDF file in a process of its own (started by ``mdf``): lists its channels, or writes some as arrays."""

from __future__ import annotations

import json
import logging
import resource
import sys
from pathlib import Path
from typing import Any

import numpy as np

from . import limits
from .mdf import MASTER


def main(task: str, path: str, *arguments: str) -> None:
    """Print the channels as JSON (``list``), or write channels as ``0.npy``, ``1.npy``, ... (``read``)."""
    # Damaged lengths ask for more memory than any log needs.
    most = 4 * 1024**3 + 4 * Path(path).stat().st_size
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    import asammdf

    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    file = asammdf.MDF(path)
    if task == "list":
        sys.stdout.write(json.dumps(_channels(file)))
        return
    folder, group, *numbers = arguments
    for position, number in enumerate(numbers):
        _write(file, int(group), int(number), Path(folder) / f"{position}.npy")
    sys.stdout.write("null")


def _channels(file: Any) -> list[dict[str, Any]]:
    found = []
    for place, group in enumerate(file.groups):
        master = file.masters_db.get(place)
        for number, channel in enumerate(group.channels):
            if number != master:
                unit = getattr(channel, "unit", "") or getattr(getattr(channel, "conversion", None), "unit", "") or ""
                found.append({"group": place, "number": number, "name": str(channel.name), "unit": str(unit)})
    return found


def _write(file: Any, group: int, number: int, path: Path) -> None:
    """Write one channel piece by piece; readings that the file calls invalid become NaN, which is refused later."""
    length = int(file.groups[group].channel_group.cycles_nr)
    if length > limits.MAXIMUM_READINGS:
        raise ValueError(f"it claims {length} rows")
    target: np.ndarray | None = None
    for start in range(0, length, limits.BLOCK_ROWS):
        count = min(limits.BLOCK_ROWS, length - start)
        if number == MASTER:
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
        if target is None:
            target = np.lib.format.open_memmap(path, mode="w+", dtype=np.float64, shape=(length,))
        target[start : start + count] = values
    if target is None:
        np.save(path, np.empty(0))


if __name__ == "__main__":
    main(*sys.argv[1:])
