"""What looks wrong in the logs of a unit, as problems: for the check before a run and for the report alike."""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ..columns import COLUMNS
from ..errors import Problem, trace_of, unforeseen
from ..logs.chunks import Chunk
from ..logs.needed import leaves_out
from ..logs.store import Readings
from ..procedures import procedures
from ..procedures.base import Procedure
from ..settings.load import conditions_of
from ..settings.unit import Test, UnitFile
from ..units import Measured
from .bounds import bounds
from .copies import repeated
from .plausibility import findings
from .survey import Survey

#: Logs shorter than this are hand-written tables; a look at a waveform would say nothing.
_WAVEFORM_ROWS = 100


def look(unit: UnitFile, test: Test, survey: Survey, *, whole: bool = True) -> list[Problem]:
    """Return a warning for everything that looks wrong in one log; ``whole``: none of its columns was left out."""
    if not survey.rows:
        return []
    procedure = procedures()[test.procedure]
    known = _known(unit)
    conditions = {name: measured.value for name, measured in conditions_of(test).items()}
    waves = procedure.time_ordered and procedure.sampled() and survey.rows >= _WAVEFORM_ROWS
    found = [
        *findings(survey, known, waveforms=waves, conditions=conditions, whole=whole),
        *bounds(procedure.name, survey, known, conditions),
    ]
    return [
        Problem(
            finding.message,
            f"{unit.unit}/{test.log}",
            column=finding.column,
            severity="warning",
            procedure=procedure.name,
            doubt="unit" if finding.unit else None,
            slip=finding.slip,
        )
        for finding in found
        if not (finding.small and _at_rest(test))
    ]


def _at_rest(test: Test) -> bool:
    """Tell whether a log shows a controller that is meant to do nothing, or a signal that is meant to be gone."""
    return test.conditions.get("state") == "standby" or test.conditions.get("case", "sweep") != "sweep"


def reading_problems(unit: UnitFile, readings: Readings, traces: list[str] | None = None) -> list[Problem]:
    """Return a warning for everything that looks wrong in the readings of a unit, without its logs.

    Of a capture that was reduced while it was read, only the extremes of what is left of its raw columns are looked at.
    A look that fails in a way nobody foresaw costs no result: it is named, and its trace goes to ``traces``.
    """
    problems = []
    for test, columns in zip(unit.tests, readings.columns, strict=True):
        if not columns:
            continue
        shown = f"{unit.unit}/{test.log}"
        try:
            whole = not any(leaves_out(problem) and problem.file == shown for problem in readings.problems)
            problems += look(unit, test, _survey(procedures()[test.procedure], columns), whole=whole)
        except Exception as error:
            if traces is not None:
                traces.append(f"{test.procedure}, {shown}\n{traceback.format_exc()}")
            failed = unforeseen("the look at the readings", error, shown, trace_of(unit.unit, "decide"))
            problems.append(replace(failed, severity="warning", procedure=test.procedure))
    return [*problems, *repeated(unit, readings.sha256)]


def _survey(procedure: Procedure, columns: Mapping[str, np.ndarray]) -> Survey:
    raw = {name: values for name, values in columns.items() if name in COLUMNS and len(values)}
    if any(name in procedure.reduced_columns for name in columns):
        return Survey.of_extremes({name: values for name, values in raw.items() if name != "time"})
    return Survey.of([Chunk(raw, _no_line)])


def _no_line(row: int) -> int | None:
    del row
    return None


def _known(unit: UnitFile) -> dict[str, float]:
    """Return the nameplate in SI, and the ambient temperature in degC."""
    known = {}
    if unit.ambient.temperature is not None:
        known["ambient_temperature"] = unit.ambient.temperature.value
    for key, value in unit.nameplate:
        if isinstance(value, Measured):
            known[key] = value.value
        elif isinstance(value, int | float) and not isinstance(value, bool):
            known[key] = float(value)
    return known
