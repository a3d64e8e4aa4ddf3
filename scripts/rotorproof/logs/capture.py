"""Read a capture too large to hold: in pieces, straight into the reducer of its procedure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from ..errors import FitError, InputError, Problem
from ..procedures.base import Procedure, Reducer
from ..settings.layout import Layout
from .chunks import time_checked
from .table import Table, open_log


def read_reduced(
    path: Path,
    layout: Layout,
    procedure: Procedure,
    reducer: Reducer,
    *,
    shown: str,
    require: Callable[[Procedure, Table, str], None],
) -> Table:
    """Return the reduced columns of one log of any format; ``require`` checks that the needed columns are there.

    Raises ``InputError`` as the readers do, and where the reducer finds nothing to give.
    """
    log = open_log(path, layout, procedure.columns(), shown=shown)
    last = -np.inf
    fed = in_order = False
    for chunk in time_checked(log.chunks, shown):
        if not fed:
            require(procedure, Table(dict(chunk.columns), log.names, []), shown)
            fed = in_order = True
        if chunk.rows == 0:
            continue
        time = chunk.columns["time"]
        # Once time has run backwards the rest is read only so that every fault is named at the end.
        in_order = in_order and float(time[0]) > last and bool(np.all(np.diff(time) > 0))
        last = float(time[-1])
        if in_order:
            _fed(reducer, chunk.columns, procedure, shown)
    if not fed:
        raise InputError(Problem("the capture holds no readings; check trigger and probes", file=shown))
    try:
        return Table(reducer.finish(), log.names, log.notes)
    except FitError as error:
        raise InputError(Problem(str(error), file=shown, procedure=procedure.name)) from None


def _fed(reducer: Reducer, rows: Mapping[str, np.ndarray], procedure: Procedure, shown: str) -> None:
    try:
        reducer.feed(rows)
    except FitError as error:
        raise InputError(Problem(str(error), file=shown, procedure=procedure.name)) from None
