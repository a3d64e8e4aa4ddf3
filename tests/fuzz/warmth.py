"""Load and try out once, before any fork, what every input would load for itself: that took most of its time."""

from __future__ import annotations

import gc
import os
import tempfile
from pathlib import Path

from tests.errors.bench import Bench, process

from . import seeds
from .pages import sound_pages


def warm() -> None:
    """Leave this process with all libraries loaded and in use."""
    # Before the library of tables is loaded: what a thread holds locked stays locked in a fork. Its threads for reading
    # it renews in each fork itself.
    os.environ["JE_ARROW_MALLOC_CONF"] = "background_thread:false"
    seeds.logs()
    with tempfile.TemporaryDirectory(prefix="rotorproof-fuzz-") as place:
        assert process(Bench(Path(place) / "project").build().root).results
        assert sound_pages(Path(place))
    gc.collect()
    # Else the collector of each fork would touch, and so copy, all that was loaded.
    gc.freeze()
