"""What tests will not give, whatever their readings: told from columns, conditions and what the unit's file states."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ..errors import Problem
from ..fitting.grouping import TestLog, runs
from ..fitting.scalars import stated_in
from ..procedures import procedures
from ..procedures.base import Log
from ..settings.load import conditions_of
from ..settings.unit import UnitFile

#: Of what a drive's motor states, its nameplate alone holds for the drive.
_PLATE = "nameplate_"


@dataclass
class Ungiven:
    """What was found: problems by the place of the test whose log they concern, and what no run of a test gives."""

    problems: dict[int, list[Problem]] = field(default_factory=lambda: defaultdict(list))
    #: Procedure and quantity -> why.
    why: dict[tuple[str, str], str] = field(default_factory=dict)


def ungiven(file: UnitFile, columns: Sequence[Sequence[str] | None], parts: Sequence[UnitFile] = ()) -> Ungiven:
    """Return what the tests of a unit cannot give; ``columns`` are those of each log, ``None`` where it cannot be read.

    What the ``parts`` of a drive state and give is known to its tests.
    """
    entries: dict[str, list[TestLog]] = defaultdict(list)
    places: dict[int, int] = {}
    for place, (test, names) in enumerate(zip(file.tests, columns, strict=True)):
        if names is None:
            continue
        written = conditions_of(test)
        values = {name: measured.value for name, measured in written.items()}
        # Only the names matter here.
        log = Log(test.label or test.procedure, {name: np.ones(1) for name in names}, values)
        places[id(log)] = place
        entries[test.procedure].append(TestLog(test, log, written))
    known = set(stated_in(file))
    known |= {name for part in parts if part.kind == "motor" for name in stated_in(part) if name.startswith(_PLATE)}
    known |= {quantity for part in parts for test in part.tests for quantity in procedures()[test.procedure].gives}
    listed = {test.procedure for test in file.tests}
    why: dict[tuple[str, str], str] = {}
    while True:
        # What one test does not give, another may need.
        gives = {name: {q for q in procedures()[name].gives if (name, q) not in why} for name in listed}
        found = _told(file.unit, entries, places, known, gives)
        if found.why.keys() <= why.keys():
            return found
        why |= found.why


def _told(
    unit: str,
    entries: Mapping[str, Sequence[TestLog]],
    places: Mapping[int, int],
    stated: Collection[str],
    gives: Mapping[str, Collection[str]],
) -> Ungiven:
    """Return what the tests cannot give from what is ``stated`` and what each procedure ``gives`` the others."""
    found = Ungiven()
    for name, own in entries.items():
        procedure = procedures()[name]
        known = {*stated, *(quantity for other, given in gives.items() if other != name for quantity in given)}
        absent: list[dict[str, str]] = []
        for _, run in runs(procedure, own):
            first = run[0]
            place, shown = places[id(first.log)], f"{unit}/{first.test.log}"
            absent.append({})
            for lack in procedure.lacks([entry.log for entry in run], known):
                severity: Literal["error", "warning"] = "warning" if lack.quantities else "error"
                problem = Problem(lack.why, shown, column=lack.column, severity=severity, procedure=name)
                found.problems[place].append(problem)
                absent[-1] |= dict.fromkeys(lack.quantities or procedure.gives, lack.why)
        for quantity, why in absent[0].items():
            if all(quantity in one for one in absent):
                found.why[name, quantity] = why
    return found
