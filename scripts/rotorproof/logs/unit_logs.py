"""Read all logs of one unit; a log that cannot be used is left out and named, the others go on."""

from __future__ import annotations

import contextlib
import traceback
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..errors import InputError, Problem, trace_of, unforeseen
from ..files import sha256
from ..procedures import procedures
from ..procedures.base import Procedure
from ..settings.layout import Layout
from ..settings.load import conditions_of
from ..settings.unit import Test
from . import photograph
from .capture import read_reduced
from .intake import changes, taken_in
from .needed import missing_columns, unknown_columns
from .store import Readings
from .table import LogColumns, line_of, read_table, too_few
from .window import Window, no_time, not_for_a_capture


def read_unit(unit: str, folder: Path, tests: Sequence[Test], layouts: Mapping[str, Layout]) -> Readings:
    """Read every test of the unit whose logs lie in ``folder``."""
    columns: list[dict[str, np.ndarray] | None] = []
    steps = [0.0] * len(tests)
    problems: list[Problem] = []
    present = hashes_of(folder, tests)
    traces: list[str] = []
    for place, test in enumerate(tests):
        procedure = procedures()[test.procedure]
        path = folder / test.log
        shown = f"{unit}/{test.log}"
        try:
            found = _read(path, layouts[test.layout], procedure, test, shown)
            unknown = unknown_columns(procedure, found.names, layouts[test.layout], shown)
        except InputError as error:
            problems.extend(replace(problem, procedure=procedure.name) for problem in error.problems)
            columns.append(None)
        except Exception as error:
            traces.append(f"{procedure.name}, {shown}\n{traceback.format_exc()}")
            problems.append(unforeseen(procedure.name, error, shown, trace_of(unit, "read")))
            columns.append(None)
        else:
            problems.extend(replace(note, procedure=procedure.name) for note in [*unknown, *found.notes])
            columns.append(found.columns)
            steps[place] = found.time_resolution
    try:
        problems.extend(changes(taken_in(folder, unit), unit, present))
    except InputError as error:
        problems.extend(error.problems)
    problems.extend(photograph.unsound(folder, unit))
    hashes = {log: value for log, value in present.items() if value is not None}
    return Readings(columns, hashes, problems, steps, traces)


def _read(path: Path, layout: Layout, procedure: Procedure, test: Test, shown: str) -> LogColumns:
    reducer = procedure.reducer({name: measured.value for name, measured in conditions_of(test).items()})
    window = Window(test.window[0].value, test.window[1].value) if test.window else None
    if reducer is not None:
        if window and not procedure.long_logs_only:
            raise InputError(not_for_a_capture(shown))
        return read_reduced(path, layout, procedure, reducer, shown=shown, require=_require, window=window)
    found = read_table(
        path,
        layout,
        procedure.columns(),
        shown=shown,
        time_ordered=procedure.time_ordered,
        minimum_rows=0,
    )
    # Columns first: a log of another test, or without its header, may seem to hold no rows.
    _require(procedure, found, shown)
    length = len(next(iter(found.columns.values()), ()))
    if length < procedure.minimum_rows:
        raise InputError(too_few(length, procedure.minimum_rows, shown))
    rows: np.ndarray | None = None
    if window:
        found, rows = _within(found, window, procedure.minimum_rows, shown)
    wanted = procedure.columns()
    doubts = [
        Problem(
            suspect.message,
            shown,
            line_of(path, layout, wanted, suspect.row if rows is None else int(rows[suspect.row]), shown=shown),
            suspect.column,
            "warning",
            doubt="unit" if suspect.slip else None,
            slip=suspect.slip,
        )
        for suspect in procedure.suspects(found.columns)
    ]
    return replace(found, notes=[*found.notes, *doubts])


def _within(found: LogColumns, window: Window, minimum_rows: int, shown: str) -> tuple[LogColumns, np.ndarray]:
    """Keep the readings of a time window and return which rows they are; what is left out is said."""
    if "time" not in found.columns:
        raise InputError(no_time(shown))
    inside = window.inside(found.columns["time"])
    note = window.note(minimum_rows, shown)
    columns = {name: values[inside] for name, values in found.columns.items()}
    return replace(found, columns=columns, notes=[*found.notes, note]), np.flatnonzero(inside)


def _require(procedure: Procedure, found: LogColumns, shown: str) -> None:
    problems = missing_columns(procedure, found.columns, found.names, shown)
    if problems:
        raise InputError(problems)


def hashes_of(folder: Path, tests: Sequence[Test]) -> dict[str, str | None]:
    """Return the SHA-256 of each log of the tests that is there, ``None`` for one that cannot be read."""
    found: dict[str, str | None] = {}
    for log in dict.fromkeys(test.log for test in tests):
        try:
            if (folder / log).is_file():
                found[log] = sha256(folder / log)
        except OSError:
            found[log] = None
    return found


def states_of(folder: Path, logs: Iterable[str]) -> dict[str, tuple[int, ...]]:
    """Return what the system keeps of each log that is there and that changes whenever it is written or replaced."""
    found: dict[str, tuple[int, ...]] = {}
    for log in logs:
        with contextlib.suppress(OSError):
            entry = (folder / log).stat()
            found[log] = (entry.st_size, entry.st_mtime_ns, entry.st_ctime_ns, entry.st_ino)
    return found


def changed_meanwhile(
    unit: str,
    read: Mapping[str, str],
    stamps: Mapping[str, str],
    before: Mapping[str, tuple[int, ...]],
    after: Mapping[str, tuple[int, ...]],
) -> list[Problem]:
    """Return a problem for each log that is not the one the run began with, or was written while it was read.

    ``read`` holds the SHA-256 of the logs that were read, ``stamps`` those that the run goes by. Results of another log
    than its stamp says would pass for those of the first, for as long as that one lies there.
    """
    changed = [
        log for log, value in read.items() if stamps.get(log, value) != value or before.get(log) != after.get(log)
    ]
    return [
        Problem("the log was changed while it was read; run the same command again", f"{unit}/{log}") for log in changed
    ]
