"""How much a log may hold: every limit on the size of an input, in one place.

Those that a sound log may reach stand in ``config.yaml`` (``limits``); ``in_force`` gives them.
"""

from __future__ import annotations

from contextvars import ContextVar

from ..settings.run import Limits

#: Text is read and parsed in pieces of this size; a single line longer than it is refused.
BLOCK_BYTES = 8 * 1024 * 1024
#: Only larger pieces are parsed by several threads at once: for an ordinary log, starting them costs more than it wins.
THREADED_BYTES = 4 * 1024 * 1024
#: A compressed log may unpack to this much at most.
MAXIMUM_UNPACKED_BYTES = 16 * 1024**3
#: So much of an unpacked log, or of a recording's readings, is never asked about: a small file may shrink well.
FREE_BYTES = 8 * 1024 * 1024
#: A hand-written spreadsheet has fewer rows than this.
MAXIMUM_SHEET_ROWS = 1_048_576
#: A workbook larger than this is no hand-written table.
MAXIMUM_WORKBOOK_BYTES = 200_000_000
#: How many refused cells of one log are named one by one.
MAXIMUM_NAMED = 20
#: After so many refused cells or rows, the rest of a piece of text is not looked at one by one.
MAXIMUM_REFUSED = 1000
#: A number of this size is no reading, whatever its unit: meters write 9.9E37 for an overload.
OVERLOAD = 1e37
#: A table has fewer columns than this.
MAXIMUM_COLUMNS = 4096
#: A name of a column has at most so many characters.
LONGEST_NAME = 200
#: How many rows of a recording (Parquet, WAV, HDF5, MDF, TDMS) are taken at once.
BLOCK_ROWS = 250_000

_DEFAULT = Limits()
_in_force: ContextVar[Limits] = ContextVar("limits", default=_DEFAULT)


def in_force() -> Limits:
    """Return what a log may take, as the run's settings say."""
    return _in_force.get()


def use(chosen: Limits) -> None:
    """Let the readers of this process keep to other limits from here on."""
    _in_force.set(chosen)
