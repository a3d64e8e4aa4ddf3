"""Check one unit: read every log, look at it, say what is missing. Nothing is fitted."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import InputError, Problem
from ..fitting.assign import assign
from ..logs import photograph
from ..logs.chunks import Chunk, time_checked
from ..logs.intake import changes, taken_in
from ..logs.needed import missing_columns, unknown_columns
from ..logs.table import line_of, open_log, too_few
from ..logs.unit_logs import hashes_of
from ..logs.window import Window, no_time, not_for_a_capture
from ..procedures import procedures
from ..procedures.base import Log
from ..settings.load import Unit, conditions_of
from ..settings.unit import Test, UnitFile
from . import copies
from .look import look
from .missing import missing
from .survey import KEPT_ROWS, Survey
from .ungiven import ungiven


@dataclass
class LogCheck:
    """What a look at one log found."""

    procedure: str
    log: str
    label: str | None = None
    rows: int = 0
    columns: list[str] = field(default_factory=list)
    duration: float | None = None
    sample_rate: float | None = None
    problems: list[Problem] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Return the mapping that ``--json`` prints."""
        found = {key: value for key, value in vars(self).items() if value is not None and key != "problems"}
        return {**found, "problems": [problem.as_json() for problem in self.problems]}


@dataclass
class UnitCheck:
    """What a look at one unit found."""

    unit: str
    kind: str
    acceptance: str | None
    logs: list[LogCheck]
    missing: list[str]
    #: What looks wrong beside the logs: copies, dates.
    problems: list[Problem] = field(default_factory=list)
    #: The units that a drive is made of.
    parts: list[str] = field(default_factory=list)


def check_unit(
    unit: Unit, parts: Sequence[UnitFile] = (), *, hashes: Mapping[Path, str] | None = None, today: date | None = None
) -> UnitCheck:
    """Return what the unit's logs look like; ``parts`` are the files of the units that a drive is made of.

    With ``hashes`` (``copies.hashes_of``) copies among its logs are named, with ``today`` a test made later than that.
    A report knows no day but those in its inputs, so that the same inputs give the same bytes: that look is made here
    alone.
    """
    logs = []
    for index, test in enumerate(unit.file.tests):
        log = _check_log(unit, test)
        log.problems.extend(_unclear_instruments(unit, index, log.columns))
        logs.append(log)
    usable = [None if any(p.severity == "error" for p in log.problems) else log.columns for log in logs]
    found = ungiven(unit.file, usable, parts)
    for place, problems in found.problems.items():
        logs[place].problems.extend(problems)
    lacking = missing(unit.file, unit.acceptance, parts, found.why)
    names = [part.unit for part in parts]
    beside = [*copies.of_this_unit(unit, hashes or {}), *_changes(unit)]
    beside += photograph.problems(unit.folder, unit.file.unit)
    tested_on = unit.file.tested_on
    if today is not None and tested_on is not None and tested_on > today:
        message = f"the test is dated {tested_on}, later than today, {today}; correct the date"
        line = unit.document.line(("tested_on",))
        beside.append(Problem(message, unit.shown, line, "tested_on", "warning"))
    return UnitCheck(unit.file.unit, unit.file.kind, unit.file.acceptance, logs, lacking, beside, names)


def _changes(unit: Unit) -> Sequence[Problem]:
    """Return which logs are not those that were taken in; without a list of those, no log is read for it."""
    try:
        entries = taken_in(unit.folder, unit.file.unit)
        return changes(entries, unit.file.unit, hashes_of(unit.folder, unit.file.tests) if entries else {})
    except InputError as error:
        return error.problems


def _unclear_instruments(unit: Unit, index: int, columns: Sequence[str]) -> list[Problem]:
    """Return what the report would refuse of a test because two instruments could have read one thing."""
    test = unit.file.tests[index]
    procedure = procedures()[test.procedure]
    # Only the names matter here: which instrument read a column does not depend on what it read.
    written = conditions_of(test)
    values = {name: measured.value for name, measured in written.items()}
    log = Log(test.label or test.procedure, {name: np.ones(1) for name in columns}, values)
    assigned = assign(unit.file, procedure, [test], [log], [written], unit.shown)
    line = unit.document.line(("tests", index))
    return [replace(problem, line=line) for problem in assigned.problems if problem.severity == "error"]


def _check_log(unit: Unit, test: Test) -> LogCheck:
    procedure = procedures()[test.procedure]
    shown = f"{unit.file.unit}/{test.log}"
    result = LogCheck(test.procedure, test.log, test.label)
    layout = unit.layouts[test.layout]
    window = Window(test.window[0].value, test.window[1].value) if test.window else None
    if window and procedure.reduced_columns and not procedure.long_logs_only:
        result.problems.append(not_for_a_capture(shown))
    try:
        log = open_log(unit.folder / test.log, layout, procedure.columns(), shown=shown)
        chunks = time_checked(log.chunks, shown) if procedure.time_ordered else log.chunks
        kept: list[np.ndarray] = []
        survey = Survey.of(chunks if window is None else _inside(chunks, window, kept))
    except InputError as error:
        result.problems.extend(error.problems)
        return result
    result.problems.extend(log.notes)
    result.rows, result.columns = survey.rows, list(survey.columns)
    result.duration = survey.duration
    step = survey.step
    result.sample_rate = 1 / step if step and procedure.time_ordered else None
    each_sample = procedure.sampled()
    lacking = missing_columns(procedure, survey.names, log.names, shown)
    if lacking:
        result.problems.extend(lacking)
    elif window is None and survey.rows < procedure.minimum_rows and each_sample:
        result.problems.append(too_few(survey.rows, procedure.minimum_rows, shown))
    elif window and each_sample:
        result.problems.extend(_window_problems(survey, window, procedure.minimum_rows, shown))
    # What is missing may well be what is misspelt: that is said once.
    unknown = unknown_columns(procedure, log.names, layout, shown)
    if not lacking:
        result.problems.extend(unknown)
    result.problems.extend(look(unit.file, test, survey, whole=not unknown))
    if each_sample and not lacking and procedure.minimum_rows <= survey.rows <= KEPT_ROWS:
        rows = np.concatenate(kept) if kept else np.arange(survey.rows)
        for suspect in procedure.suspects(survey.start):
            row = int(rows[suspect.row])
            line = line_of(unit.folder / test.log, layout, procedure.columns(), row, shown=shown)
            result.problems.append(Problem(suspect.message, shown, line, suspect.column, "warning"))
    return result


def _inside(chunks: Iterable[Chunk], window: Window, kept: list[np.ndarray]) -> Iterator[Chunk]:
    """Pass on what lies inside the window, as a report takes it; ``kept`` gathers which rows of the log those are."""
    row = held = 0
    for chunk in chunks:
        if "time" in chunk.columns:
            inside = window.inside(chunk.columns["time"])
            if held <= KEPT_ROWS:
                kept.append(row + np.flatnonzero(inside))
                held += len(kept[-1])
            row += chunk.rows
            yield Chunk({name: values[inside] for name, values in chunk.columns.items()}, chunk.line)
        else:
            yield chunk


def _window_problems(survey: Survey, window: Window, minimum_rows: int, shown: str) -> Sequence[Problem]:
    """Return why the test's window leaves nothing to report on; what it leaves out is no news here."""
    if "time" not in survey.names:
        return [no_time(shown)]
    try:
        window.note(minimum_rows, shown)
    except InputError as error:
        return error.problems
    return []
