"""Read a capture too large to hold: in pieces, straight into the reducer of its procedure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from ..errors import FitError, InputError, Problem
from ..procedures.base import Procedure, Reducer
from ..settings.layout import Layout
from .chunks import in_order
from .table import LogColumns, open_log, too_few
from .window import Window


def read_reduced(
    path: Path,
    layout: Layout,
    procedure: Procedure,
    reducer: Reducer,
    *,
    shown: str,
    require: Callable[[Procedure, LogColumns, str], None],
    window: Window | None = None,
) -> LogColumns:
    """Return the reduced columns of one log of any format; ``require`` checks that the needed columns are there.

    Only the readings within ``window`` are taken. Raises ``InputError`` as the readers do, and where the reducer finds
    nothing to give.
    """
    log = open_log(path, layout, procedure.columns(), shown=shown)
    chunks = in_order(log.chunks, shown)
    fed, rows = False, 0
    for chunk in chunks:
        if not fed:
            require(procedure, LogColumns(dict(chunk.columns), log.names, []), shown)
            fed = True
        rows += chunk.rows
        columns = chunk.columns if window is None else window.of(chunk.columns)
        if columns and len(columns["time"]):
            _fed(reducer, columns, procedure, shown)
    if not fed and not procedure.long_logs_only:
        raise InputError(Problem("the capture holds no readings; check trigger and probes", file=shown))
    notes = [*log.notes]
    if procedure.long_logs_only and rows < procedure.minimum_rows:
        raise InputError(too_few(rows, procedure.minimum_rows, shown))
    if window is not None:
        notes.append(window.note(procedure.minimum_rows, shown))
    try:
        reduced = reducer.finish()
    except FitError as error:
        raise InputError(Problem(str(error), file=shown, procedure=procedure.name)) from None
    if log.time_resolution and "time" not in reduced:
        # What the step of a clock leaves open of each edge could not be followed.
        message = "so fine a capture takes no clock times; export the time of its samples in seconds"
        raise InputError(Problem(message, file=shown, column="time", procedure=procedure.name))
    return LogColumns(reduced, log.names, notes, log.time_resolution)


def _fed(reducer: Reducer, rows: Mapping[str, np.ndarray], procedure: Procedure, shown: str) -> None:
    try:
        reducer.feed(rows)
    except FitError as error:
        raise InputError(Problem(str(error), file=shown, procedure=procedure.name)) from None
