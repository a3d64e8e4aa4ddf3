"""The quantities of every run as numbers alone: for whoever tries what other readings would have given.

One fit and one formula for each run, in the order of their needs, without the repeats that carry uncertainty; a run
whose logs and needs did not change is not fitted again.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import FitError, InputError
from ..procedures import procedures
from ..procedures.base import Log, Procedure
from ..procedures.fit import Fit
from ..quantities import preferred
from ..settings.acceptance import FaultTests
from ..settings.run import RunSettings
from ..settings.unit import UnitFile
from ..uncertainty.forms import Form
from .assign import Assigned, assign
from .assumed import assume
from .engine import Outcome, with_stated
from .grouping import TestLog, runs
from .parts import Part, giver, motor_of
from .unit_fit import in_order, scalars_of_tests


@dataclass(frozen=True)
class Run:
    """One run of a procedure: its label and the places of its logs in the unit file."""

    procedure: Procedure
    label: str
    places: tuple[int, ...]


@dataclass(frozen=True)
class Point:
    """What a run gives: its choice, its fit and its quantities in SI, or why it gives none."""

    choice: Any = None
    fit: Fit | None = None
    values: Mapping[str, float] | None = None
    why: str = ""


class Points:
    """The runs of one unit, and what each gives for the readings asked about."""

    def __init__(
        self,
        unit: UnitFile,
        entries: Sequence[TestLog],
        settings: RunSettings,
        parts: Sequence[Part] = (),
        faults: FaultTests | None = None,
        fitted: Sequence[Outcome] = (),
    ) -> None:
        """Take what a unit is fitted from; what is ``fitted`` already, of the same readings, is not fitted again."""
        self._unit, self._parts = unit, parts
        place = {id(entry): next(k for k, t in enumerate(unit.tests) if t is entry.test) for entry in entries}
        self.logs = {place[id(entry)]: entry.log for entry in entries}
        self.scalars = {name: form.value for name, form in scalars_of_tests(unit, settings, parts, faults).items()}
        by_procedure: dict[str, list[TestLog]] = {}
        for entry in entries:
            by_procedure.setdefault(entry.test.procedure, []).append(entry)
        self.runs: list[Run] = []
        self._assigned: list[Assigned] = []
        for name in in_order(set(by_procedure)):
            procedure = procedures()[name]
            for label, group in runs(procedure, by_procedure[name]):
                logs, written = [entry.log for entry in group], [dict(entry.written) for entry in group]
                self.runs.append(Run(procedure, label, tuple(place[id(entry)] for entry in group)))
                self._assigned.append(assign(unit, procedure, [e.test for e in group], logs, written, ""))
        self._fitted = {(one.procedure, one.label): one for one in fitted}
        self._known: dict[tuple[object, ...], tuple[Sequence[Log], Point]] = {}

    def at(self, logs: Mapping[int, Log], without: Collection[int] = ()) -> list[Point]:
        """Return what each run gives for ``logs`` (by place in the unit file).

        The runs with the numbers ``without`` are not fitted and give nothing; no other run may need them.
        """
        found: list[Point] = []
        for number, run in enumerate(self.runs):
            if number in without:
                found.append(Point(why="not asked for"))
                continue
            own = [logs[place] for place in run.places]
            found.append(self._kept(number, own, self._needed(run, found)))
        return found

    def needing(self, run: Run) -> list[int]:
        """Return the numbers of the runs that need what a run gives, or what those give that do."""
        gives, found = {*run.procedure.gives}, []
        for number, other in enumerate(self.runs):
            if other is not run and any(need.quantity in gives for need in other.procedure.needs):
                found.append(number)
                gives |= {*other.procedure.gives}
        return found

    def alone(self, run: Run, logs: Mapping[int, Log]) -> Point:
        """Return what one run gives for other logs, with what it needs from the other runs as it stands.

        What the run chose once, from its logs as they are, stays so; where they give nothing, it chooses anew.
        """
        found = self.at(self.logs)
        number = next(k for k, one in enumerate(self.runs) if one is run)
        needed = self._needed(run, found[:number])
        own = [logs[place] for place in run.places]
        return self._point(number, own, {**self.scalars, **needed}, found[number])

    def _needed(self, run: Run, before: Sequence[Point]) -> dict[str, float]:
        """Return the quantities that a run needs, from the runs before it, else from the parts of a drive."""
        known = zip(self.runs, before, strict=False)
        best = preferred((one.procedure.name, point.values) for one, point in known if point.values)
        needed = {}
        for need in run.procedure.needs:
            if need.quantity in best:
                needed[need.quantity] = best[need.quantity]
            elif one := giver(need, self._parts):
                needed[need.quantity] = one.forms[need.quantity].value
        return needed

    def _kept(self, number: int, own: Sequence[Log], needed: Mapping[str, float]) -> Point:
        key = (number, *map(id, own), *sorted(needed.items()))
        if key not in self._known:
            # The logs are kept beside the point, so that no other log gets the identity of one of them.
            self._known[key] = (own, self._point(number, own, {**self.scalars, **needed}))
        return self._known[key][1]

    def _point(
        self, number: int, logs: Sequence[Log], given: Mapping[str, float], before: Point | None = None
    ) -> Point:
        procedure, assigned = self.runs[number].procedure, self._assigned[number]
        if any(need.required and need.quantity not in given for need in procedure.needs):
            return Point(why="a quantity that it needs is not there")
        forms = {name: Form(value) for name, value in given.items()}
        made = assume(procedure.assumptions, forms, self._unit.unit, procedure.name, motor_of(self._parts))
        given = {**given, **{item.name: form.value for item, form in made}}
        if before is None and (kept := self._as_fitted(number, logs, given)):
            return kept
        logs = with_stated(logs, assigned.instruments, assigned.uncertain_conditions)
        try:
            with np.errstate(all="ignore"):
                choice = before.choice if before and before.fit else procedure.choose(logs, given)
                fit = procedure.estimate(logs, given, choice)
                return Point(choice, fit, procedure.derive(fit.parameters, given))
        except (FitError, InputError) as error:
            return Point(why=str(error))
        except (ArithmeticError, LookupError, ValueError, np.linalg.LinAlgError) as error:
            # Readings changed on trial may be such as no log of this test can hold; they then give no result.
            return Point(why=f"{type(error).__name__}: {error}")

    def _as_fitted(self, number: int, logs: Sequence[Log], given: Mapping[str, float]) -> Point | None:
        """Return what the unit's own fit of a run gave, if it was made of these very readings and scalars."""
        one = self._fitted.get((self.runs[number].procedure.name, self.runs[number].label))
        if one is None or one.given != given or [*map(id, one.logs)] != [*map(id, logs)]:
            return None
        return Point(one.choice, one.fit, one.values)
