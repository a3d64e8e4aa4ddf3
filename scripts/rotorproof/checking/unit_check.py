"""Check one unit: read every log, look at it, say what is missing. Nothing is fitted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ..errors import InputError, Problem
from ..fitting.assign import assign
from ..logs.chunks import time_checked
from ..logs.table import open_log
from ..procedures import procedures
from ..procedures.base import Log
from ..settings.load import Unit, conditions_of
from ..settings.unit import Test, UnitFile
from ..units import Measured
from .missing import missing
from .plausibility import findings
from .survey import Survey

#: Logs shorter than this are hand-written tables; a look at a waveform would say nothing.
_WAVEFORM_ROWS = 100


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
    #: The units that a drive is made of.
    parts: list[str] = field(default_factory=list)


def check_unit(unit: Unit, parts: Sequence[UnitFile] = ()) -> UnitCheck:
    """Return what the unit's logs look like; ``parts`` are the files of the units that a drive is made of."""
    logs = []
    for index, test in enumerate(unit.file.tests):
        log = _check_log(unit, test)
        log.problems.extend(_unclear_instruments(unit, index, log.columns))
        logs.append(log)
    lacking = missing(unit.file, unit.acceptance, parts)
    names = [part.unit for part in parts]
    return UnitCheck(unit.file.unit, unit.file.kind, unit.file.acceptance, logs, lacking, names)


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
    try:
        log = open_log(unit.folder / test.log, unit.layouts[test.layout], procedure.columns(), shown=shown)
        survey = Survey.of(time_checked(log.chunks, shown) if procedure.time_ordered else log.chunks)
    except InputError as error:
        result.problems.extend(error.problems)
        return result
    result.problems.extend(log.notes)
    result.rows, result.columns = survey.rows, list(survey.columns)
    result.duration = survey.duration
    step = survey.step
    result.sample_rate = 1 / step if step and procedure.time_ordered else None
    sampled = procedure.long_logs_only or not procedure.reduced_columns
    if survey.rows < procedure.minimum_rows and sampled:
        result.problems.append(
            Problem(f"the log has {survey.rows} rows of readings; at least {procedure.minimum_rows} are needed", shown)
        )
    for item in procedure.required_columns:
        names = (item,) if isinstance(item, str) else item
        if survey.rows and not any(name in survey.columns for name in names):
            what = names[0] if len(names) == 1 else "one of " + ", ".join(names)
            result.problems.append(Problem(f"{procedure.name} needs the column {what}", shown, column=names[0]))
    waves = procedure.time_ordered and sampled and survey.rows >= _WAVEFORM_ROWS
    for finding in findings(survey, _known(unit), waveforms=waves) if survey.rows else []:
        result.problems.append(Problem(finding.message, shown, column=finding.column, severity="warning"))
    return result


def _known(unit: Unit) -> dict[str, float]:
    known = {}
    for key, value in unit.file.nameplate:
        if isinstance(value, Measured):
            known[key] = value.value
        elif isinstance(value, int | float) and not isinstance(value, bool):
            known[key] = float(value)
    return known
