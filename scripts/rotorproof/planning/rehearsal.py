"""Tests played through before they are made: the product's own fits on readings that the nameplate lets expect.

The readings are ideal, so the scatter that only the bench knows is not in them. What comes out is the part of the
uncertainty that the stated accuracies of the instruments bring, carried through the same fit and formula as a real
log. It is offered for quantities whose sensitivity to the instruments no short formula gives.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

import numpy as np

from ..columns import COLUMNS
from ..errors import FitError, Problem
from ..fitting.assign import assign
from ..fitting.engine import run
from ..procedures import procedures
from ..procedures.base import Log, Procedure
from ..procedures.bench import Machine, Situation
from ..settings.unit import Test, UnitFile
from ..uncertainty.forms import Form
from ..uncertainty.result import Result
from ..units import Measured

#: A trace of noise, as a share of each column's largest reading: fits that weigh by scatter need some.
_TRACE = 1e-6


def rehearse(
    file: UnitFile, tests: Sequence[Procedure], known: Situation, probability: float
) -> dict[str, dict[str, Result]]:
    """Return what each of ``tests`` would give with the instruments of ``file``, by procedure and quantity, in SI.

    A test for which no ideal log can be made, or whose fit would not take one, is left out, and so is one with a column
    whose accuracy nobody states.
    """
    machine = Machine.expected(known) if file.kind == "motor" else None
    if machine is None:
        return {}
    given = {name: Form(value) for name, value in known.known.items() if name.startswith("nameplate_")}
    given["winding_constant"] = Form(234.5)
    found: dict[str, dict[str, Result]] = {}
    measured: dict[str, Form] = {}
    for procedure in sorted(tests, key=lambda p: p.order):
        logs = [_traced(log) for log in procedure.ideal_logs(machine)]
        if not logs:
            continue
        test = next(
            (test for test in file.tests if test.procedure == procedure.name),
            Test(procedure=procedure.name, log=f"{procedure.name}.csv"),
        )
        assigned = assign(file, procedure, [test] * len(logs), logs, [{}] * len(logs), file.unit)
        if any(_lacks_accuracy(problem) for problem in assigned.problems):
            continue  # what no instrument is named for would pass for exact
        needed = {need.quantity: measured[need.quantity] for need in procedure.needs if need.quantity in measured}
        try:
            outcome = run(
                procedure,
                logs,
                label=procedure.name,
                unit=file.unit,
                given=given | needed,
                instruments=assigned.instruments,
                uncertain_conditions=assigned.uncertain_conditions,
                probability=probability,
            )
        except (FitError, ValueError):
            continue
        found[procedure.name] = {name: outcome.result(name) for name in outcome.forms}
        measured |= {name: form for name, form in outcome.forms.items() if name not in measured}
    return found


def further(
    file: UnitFile, probability: float, made: Collection[str]
) -> Callable[[Collection[str]], dict[str, dict[str, Form]]]:
    """Return what gives the forms of tests not among those ``made``, by procedure, that show one of the names asked.

    They are those of the instruments of ``file`` alone: what the readings will scatter nobody knows.
    """

    def asked(names: Collection[str]) -> dict[str, dict[str, Form]]:
        chosen = [
            procedure
            for procedure in procedures().values()
            if file.kind in procedure.unit_kinds and procedure.name not in made and set(names) & set(procedure.gives)
        ]
        if not chosen:
            return {}
        needs = {need.quantity for procedure in chosen for need in procedure.needs}
        before = [one for one in procedures().values() if one.name in made and needs & set(one.gives)]
        found = rehearse(file, [*before, *chosen], nameplate_of(file), probability)
        wanted = {procedure.name for procedure in chosen}
        return {
            name: {quantity: result.form for quantity, result in results.items()}
            for name, results in found.items()
            if name in wanted
        }

    return asked


def nameplate_of(file: UnitFile) -> Situation:
    """Return what the nameplate lets know before a test."""
    known = {}
    for key, value in file.nameplate:
        if isinstance(value, Measured):
            known[f"nameplate_{key}"] = value.value
        elif isinstance(value, int | float) and not isinstance(value, bool):
            known[f"nameplate_{key}"] = float(value)
    return Situation(file.kind, known, file.nameplate.insulation_class, file.nameplate.freewheel)


def _lacks_accuracy(problem: Problem) -> bool:
    """Tell whether a column's errors are not known: no instrument, or several; those of a clock hardly ever matter."""
    return problem.severity == "error" or (problem.column in COLUMNS and COLUMNS[problem.column].kind != "time")


def _traced(log: Log) -> Log:
    noise = np.random.default_rng(1)
    columns = {
        name: readings
        if name == "time"
        else readings + _TRACE * float(np.max(np.abs(readings), initial=0.0)) * noise.standard_normal(readings.size)
        for name, readings in log.columns.items()
    }
    return Log(log.label, columns, log.conditions, log.stated)
