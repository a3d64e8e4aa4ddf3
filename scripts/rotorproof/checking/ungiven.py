"""What the tests of a unit will not give, whatever their readings: told from columns and conditions alone."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ..errors import Problem
from ..fitting.unit_fit import TestLog, runs
from ..procedures import procedures
from ..procedures.base import Log
from ..settings.load import conditions_of
from ..settings.unit import Test


@dataclass
class Ungiven:
    """What was found: problems by the place of the test whose log they concern, and what no run of a test gives."""

    problems: dict[int, list[Problem]] = field(default_factory=lambda: defaultdict(list))
    #: Procedure and quantity -> why.
    why: dict[tuple[str, str], str] = field(default_factory=dict)


def ungiven(tests: Sequence[Test], columns: Sequence[Sequence[str] | None], shown: Sequence[str]) -> Ungiven:
    """Return what the tests cannot give; ``columns`` are those of each log, ``None`` where it cannot be read."""
    found = Ungiven()
    entries: dict[str, list[TestLog]] = defaultdict(list)
    places: dict[int, int] = {}
    for place, (test, names) in enumerate(zip(tests, columns, strict=True)):
        if names is None:
            continue
        written = conditions_of(test)
        values = {name: measured.value for name, measured in written.items()}
        # Only the names matter here.
        log = Log(test.label or test.procedure, {name: np.ones(1) for name in names}, values)
        places[id(log)] = place
        entries[test.procedure].append(TestLog(test, log, written))
    for name, own in entries.items():
        procedure = procedures()[name]
        known = {q for test in tests if test.procedure != name for q in procedures()[test.procedure].gives}
        absent: list[dict[str, str]] = []
        for _, run in runs(procedure, own):
            place = places[id(run[0].log)]
            absent.append({})
            for lack in procedure.lacks([entry.log for entry in run], known):
                severity: Literal["error", "warning"] = "warning" if lack.quantities else "error"
                problem = Problem(lack.why, shown[place], column=lack.column, severity=severity, procedure=name)
                found.problems[place].append(problem)
                absent[-1] |= dict.fromkeys(lack.quantities or procedure.gives, lack.why)
        for quantity, why in absent[0].items():
            if all(quantity in one for one in absent):
                found.why[name, quantity] = why
    return found
