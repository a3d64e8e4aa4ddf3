"""ASAM MDF 3 and 4: channels by name, time from the master channel of their group.

The library that reads them trusts the file: damaged bytes have sent it in a circle and through its own memory. So it
works in a process of its own (``mdf_child``), under limits of time and memory, and hands its arrays over as files.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout, LayoutColumn
from . import limits
from .chunks import Log
from .mapping import Channel, sources
from .recording import damaged, in_pieces, recording

_TITLE = "ASAM MDF"
#: The number under which the child knows a group's master channel.
MASTER = -1


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> Log:
    """Open an MDF file. All channels used must lie in one group, that is on one time base. Raises ``InputError``."""
    places, channels = _channels(_child("list", path, shown))
    used = sources(channels, layout, wanted, shown, None)
    groups = {places[source.position][0] for source in used}
    if len(groups) > 1:
        raise InputError(
            Problem("the channels lie in groups with different time bases; export them on one time base", file=shown)
        )
    if not groups:
        return Log([channel.name for channel in channels], iter(()))
    group = groups.pop()
    # The group's master is its time; it is a channel like the others, for a layout or for the plain names.
    if all(source.name != "time" for source in used) and "time" in wanted:
        channels, places, layout = _with_master(channels, places, group, layout)

    def blocks(positions: Sequence[int]) -> Iterator[Sequence[np.ndarray]]:
        with tempfile.TemporaryDirectory(prefix="rotorproof-") as folder:
            numbers = [str(places[position][1]) for position in positions]
            _child("read", path, shown, folder, str(group), *numbers)
            arrays = [np.load(Path(folder) / f"{k}.npy", mmap_mode="r") for k in range(len(numbers))]
            length = max(len(array) for array in arrays)
            yield from in_pieces(length, lambda start, stop: [np.array(array[start:stop]) for array in arrays])

    return recording(channels, layout, wanted, shown, blocks)


def _child(task: str, path: Path, shown: str, *arguments: str) -> Any:
    """Run the library in a process of its own; return what it prints, as JSON. Raises ``InputError``."""
    package = Path(__file__).parents[2]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(package), os.environ.get("PYTHONPATH", "")])}
    command = [sys.executable, "-m", "rotorproof.logs.mdf_child", task, str(path), *arguments]
    # A damaged file shows within seconds; a sound one is read at tens of megabytes in a second.
    patience = limits.MAXIMUM_OPENING_SECONDS + path.stat().st_size / 1e6
    try:
        done = subprocess.run(command, env=environment, capture_output=True, timeout=patience, check=False)
    except subprocess.TimeoutExpired:
        raise damaged(TimeoutError(f"not read within {patience:.0f} s"), _TITLE, shown) from None
    if done.returncode != 0:
        lines = done.stderr.decode("utf-8", "replace").strip().splitlines()
        reason = lines[-1] if lines and done.returncode > 0 else "reading it broke off"
        raise damaged(ValueError(reason), _TITLE, shown)
    try:
        return json.loads(done.stdout)
    except ValueError:
        raise damaged(ValueError("its channels cannot be listed"), _TITLE, shown) from None


def _channels(listed: Sequence[dict[str, Any]]) -> tuple[list[tuple[int, int]], list[Channel]]:
    counts = Counter(entry["name"] for entry in listed)
    channels = [
        Channel(e["name"] if counts[e["name"]] == 1 else f"{e['group']}/{e['name']}", e["unit"] or None) for e in listed
    ]
    return [(entry["group"], entry["number"]) for entry in listed], channels


def _with_master(
    channels: Sequence[Channel], places: Sequence[tuple[int, int]], group: int, layout: Layout
) -> tuple[list[Channel], list[tuple[int, int]], Layout]:
    if layout.columns is not None:
        number = LayoutColumn(column=len(channels) + 1, unit="s")
        layout = layout.model_copy(update={"columns": {**layout.columns, "time": number}})
    return [*channels, Channel("time [s]")], [*places, (group, MASTER)], layout
