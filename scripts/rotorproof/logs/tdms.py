"""TDMS files: a channel is named ``group/channel``, its unit is the property ``unit_string``."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from .chunks import LogStream
from .mapping import Channel, sources
from .recording import damaged, in_pieces, recording


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Open a TDMS file; time comes from the waveforms' ``wf_increment``. Raises ``InputError``."""
    import nptdms
    from nptdms.log import log_manager

    # It warns of a file that is cut off; here that is an error with a name.
    log_manager.set_level(logging.ERROR)
    try:
        file = nptdms.TdmsFile.read_metadata(path)
        if file.file_status.incomplete_final_segment:
            raise EOFError("its last segment is cut off")
        members = [channel for group in file.groups() for channel in group.channels()]
        plain = len({channel.name for channel in members}) == len(members)
        channels = [
            Channel(channel.name if plain else f"{channel.group_name}/{channel.name}", _unit(channel.properties))
            for channel in members
        ]
        increments = [channel.properties.get("wf_increment") for channel in members]
    except MemoryError:
        raise
    except Exception as error:  # the library raises many types for a damaged file
        raise damaged(error, "TDMS", shown) from None
    used = sources(channels, layout, wanted, shown, None)
    steps = {increments[source.position] for source in used if source.name != "time"}
    if len(steps) > 1:
        raise InputError(Problem("the channels have different sample rates; export them on one", file=shown))
    step = next(iter(steps), None)

    def blocks(positions: Sequence[int]) -> Iterator[Sequence[np.ndarray]]:
        try:
            with nptdms.TdmsFile.open(path) as file:
                chosen = [file[members[position].group_name][members[position].name] for position in positions]

                def read(start: int, stop: int) -> Sequence[np.ndarray]:
                    return [channel[start:stop] for channel in chosen]

                yield from in_pieces(max(len(channel) for channel in chosen), read)
        except (InputError, MemoryError):
            raise
        except Exception as error:
            raise damaged(error, "TDMS", shown) from None

    return recording(channels, layout, wanted, shown, blocks, step=float(step) if step else None)


def _unit(properties: dict[str, object]) -> str | None:
    value = properties.get("unit_string") or properties.get("NI_UnitDescription")
    return str(value) if value else None
