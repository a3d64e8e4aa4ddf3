"""Which single slip, undone, makes all tests and the nameplate agree: the line beside the verdict."""

from __future__ import annotations

import math
import traceback
from collections.abc import Collection, Mapping, Sequence, Set
from dataclasses import replace
from functools import partial

from ..errors import Problem, trace_of, unforeseen
from ..fitting.grouping import TestLog
from ..fitting.parts import Part
from ..fitting.points import Points, Run
from ..fitting.unit_fit import UnitFit
from ..procedures.base import Log
from ..settings.acceptance import FaultTests, ProcessFile
from ..settings.run import RunSettings
from ..settings.unit import UnitFile
from ..signs import number_text, value_text
from ..units import SI_UNIT
from .agreement import CROSSED, NOTHING, Agreement, Ahead, Pool, Spreads, agreement
from .expected import Expected, expected, expected_of_model
from .readings import OneReading, one_reading
from .slip import COMMON, Slip, plate_slips, slips

#: Twice the logarithm of the odds from which on a slip is named (50 to 1), after its cost.
_NAMED = 8.0
#: A pool is odd from this price on: one value more than four spreads off.
_ODD = 16.0
#: Runs of more readings are compared, and no slip is tried on them: that would take minutes.
_MOST_READINGS = 100_000
#: A witness that is this many spreads off stands apart.
_FAR = 2.0
#: Another slip is named beside the likeliest if it is nearly as likely.
_NEARLY = 3.0


def second_witness(
    unit: UnitFile,
    entries: Sequence[TestLog],
    settings: RunSettings,
    fit: UnitFit,
    parts: Sequence[Part] = (),
    population: ProcessFile | None = None,
    faults: FaultTests | None = None,
) -> list[Problem]:
    """Return one warning for the slip that explains why tests and nameplate disagree, or for each odd constant.

    ``population`` says how other units of the model came out, ``faults`` by what fault cases are judged. Nothing is
    tried where everything agrees, so a sound unit costs next to nothing. A comparison that fails in a
    way nobody foresaw costs no result: it is named, and its trace kept with those of the fit.
    """
    try:
        model = expected_of_model(population) if population else {}
        points = Points(unit, entries, settings, parts, faults, fit.outcomes)
        return _compared(unit, points, fit, Ahead(partial(expected, unit.kind), model))
    except Exception as error:
        fit.tracebacks.append(f"comparison of tests and nameplate, {unit.unit}\n{traceback.format_exc()}")
        name = "the comparison of tests and nameplate"
        failed = unforeseen(name, error, f"{unit.unit}/unit.yaml", trace_of(unit.unit, "fit"))
        return [replace(failed, severity="warning", procedure=None)]


def _compared(
    unit: UnitFile,
    points: Points,
    fit: UnitFit,
    ahead: Ahead,
) -> list[Problem]:
    known = {
        (outcome.procedure, outcome.label, name): form.standard_uncertainty / abs(form.value) if form.value else 1.0
        for outcome in fit.outcomes
        for name, form in outcome.forms.items()
    }
    seen = _Unit(unit, points, Spreads(known), ahead)
    now = seen.agreement(points.logs, points.scalars)
    single = [_reading(unit, found) for run in seen.badly(fit) if (found := one_reading(points, run)) is not None]
    if single:
        return single
    if now.price - _least(now) < _ODD and all(pool.price < _ODD for pool in now.pools):
        return []
    tried = seen.tried(now)
    if tried and tried[0][0] < now.price - _NAMED:
        return [_named(unit, now, tried)]
    return [_odd(unit, pool) for pool in now.pools if pool.price >= _ODD]


def _suspected(pool: Pool) -> set[int]:
    """Return the tests that stand apart in a pool; all of them where none does, or two alone.

    A value that bounds the constant and is kept to has no say.
    """
    telling = [one for one in pool.witnesses if one.off(pool.middle) > 0 or not one.below + one.above]
    far = [one for one in telling if one.off(pool.middle) > _FAR]
    if not far or len(telling) < 3:
        far = telling or list(pool.witnesses)
    return {place for one in far for place in one.places}


def _least(now: Agreement) -> float:
    """Return the part of the price that every sound unit pays: that of pools which agree."""
    return sum(pool.price for pool in now.pools if pool.price < _ODD)


class _Unit:
    """A unit whose readings are changed on trial."""

    def __init__(self, unit: UnitFile, points: Points, spreads: Spreads, ahead: Ahead) -> None:
        self.unit, self.points, self.spreads, self.ahead = unit, points, spreads, ahead

    def badly(self, fit: UnitFit) -> list[Run]:
        """Return the runs that gave nothing, or whose formulas did not describe their readings."""
        sound = {(one.procedure, one.label) for one in fit.outcomes if one.adequacy.state != "widened"}
        return [run for run in self.points.runs if (run.procedure.name, run.label) not in sound]

    def agreement(
        self,
        logs: Mapping[int, Log],
        scalars: Mapping[str, float],
        before: Agreement | None = None,
        without: Collection[int] = (),
    ) -> Agreement:
        """Return how well everything agrees with these logs, and with scalars of the nameplate as they may be.

        A fit takes little from the nameplate, so that no run is fitted again for it. Runs ``without`` have no say.
        """
        found = self.points.at(logs, without)
        asked = [k for k in range(len(found)) if k not in without]
        runs, points = [self.points.runs[k] for k in asked], [found[k] for k in asked]
        return agreement(self.ahead, runs, points, logs, scalars, self.spreads, before.gave if before else frozenset())

    def tried(self, now: Agreement) -> list[tuple[float, Slip]]:
        """Return the price of everything with each slip undone, its cost added, the least first.

        The nameplate goes first, since nothing is fitted again for it, then the run that can mend most. What cannot
        come near the best found so far is left out: a run, whatever its readings were, or a slip, whatever those runs
        gave that need the one it lies in.
        """
        places = {place for pool in now.pools if pool.price >= _ODD for place in _suspected(pool)}
        found = self.points.at(self.points.logs)
        nothing = {run.places for run, point in zip(self.points.runs, found, strict=True) if point.values is None}
        places |= {place for missing in nothing for place in missing}
        priced = [(self._price(slip, now), slip) for slip in plate_slips(self.points.scalars)]
        best = min((price for price, _ in priced), default=math.inf)
        together = [run for run in self.points.runs if {*run.places} & places and self._short(run)]
        left = {run.places: self._left(run, now, nothing) for run in together}
        for run in sorted(together, key=lambda run: left[run.places]):
            if left[run.places] + COMMON > best + _NEARLY:
                break
            needing = [] if nothing else self.points.needing(run)
            for slip in slips(self.unit.tests, self.points.logs, [run.places]):
                if needing and self._price(slip, now, needing) > best + _NEARLY:
                    continue
                price = self._price(slip, now)
                priced.append((price, slip))
                best = min(best, price)
        return sorted(priced, key=lambda one: one[0])

    def _price(self, slip: Slip, now: Agreement, without: Collection[int] = ()) -> float:
        """Return the price with a slip undone, its cost added; the least it can be where runs are left out."""
        logs, scalars = {**self.points.logs, **slip.logs}, {**self.points.scalars, **slip.scalars}
        after = self.agreement(logs, scalars, now, without)
        # What readings of one run say together with what others give is another thing without these.
        unsure = sum(pool.price for pool in after.pools if pool.name in CROSSED) if without else 0.0
        return after.price - unsure + slip.cost

    def _left(self, run: Run, now: Agreement, nothing: Set[tuple[int, ...]]) -> float:
        """Return the part of the price that stays whatever the readings of one run are."""
        moved = {*run.places, *(place for k in self.points.needing(run) for place in self.points.runs[k].places)}
        alone = (pool for pool in now.pools if pool.name not in CROSSED)
        stay = (pool.price for pool in alone if not any(moved & {*one.places} for one in pool.witnesses))
        return sum(stay) + NOTHING * sum(not moved & {*missing} for missing in nothing)

    def _short(self, run: Run) -> bool:
        """Tell whether a run has few enough readings to be fitted some fifty times."""
        logs = [self.points.logs[place] for place in run.places]
        return sum(max((v.size for v in log.columns.values()), default=0) for log in logs) <= _MOST_READINGS


def _reading(unit: UnitFile, found: OneReading) -> Problem:
    test = unit.tests[found.place]
    return Problem(
        f"{found.what}: with it put right the formula of this test describes its readings, and with no other does it. "
        "Correct it at its source if it is a slip; every result of this test rests on it as it stands",
        f"{unit.unit}/{test.log}",
        column=found.column,
        severity="warning",
        procedure=test.procedure,
        doubt="unit",
        slip=f"{found.what} in {test.log}",
    )


def _named(unit: UnitFile, now: Agreement, tried: Sequence[tuple[float, Slip]]) -> Problem:
    price, slip = tried[0]
    near = next((other for cost, other in tried[1:] if cost < price + _NEARLY and other.what != slip.what), None)
    where = [unit.tests[place].log for place in slip.places]
    odd = [pool for pool in now.pools if pool.price >= _ODD]
    seen = "; ".join(_said(pool) for pool in sorted(odd, key=lambda pool: -pool.price)[:2])
    seen = seen or "a test gives no result that can be"
    likely = f"{slip.what}{f', or {near.what}' if near else ''}{f' ({where[0]})' if len(where) == 1 else ''}"
    return Problem(
        f"{_who(odd)} do not agree: {seen}. The likeliest single slip: {likely}. Fitted again with it "
        "undone, the tests agree best. Correct it at its source if it is one; the results stand as the readings give "
        "them",
        f"{unit.unit}/{where[0] if where else 'unit.yaml'}",
        column=slip.column or None,
        severity="warning",
        procedure=unit.tests[slip.places[0]].procedure if slip.places else None,
        doubt="unit",
        slip=likely,
    )


def _who(odd: Sequence[Pool]) -> str:
    by_model = any(one.measured for pool in odd for one in pool.ahead)
    return "tests, nameplate and other units of the model" if by_model else "tests and nameplate"


def _said(pool: Pool) -> str:
    found = ", ".join(f"{value_text(one.value, SI_UNIT[one.kind], '.3g')} ({one.who})" for one in pool.witnesses[:4])
    # Other units were measured; a wide range of the trade would only make a sentence longer here.
    kind = SI_UNIT[pool.witnesses[0].kind]
    return f"{found}{''.join(_lets(one, kind) for one in pool.ahead if one.measured)}"


def _lets(one: Expected, unit: str) -> str:
    low, high = number_text(one.low, ".3g"), value_text(one.high, unit, ".3g")
    return f", where {one.why} lets expect {low} to {high}{'' if one.measured else ' (common practice, no source)'}"


def _odd(unit: UnitFile, pool: Pool) -> Problem:
    """Return the warning for a constant on which tests and nameplate differ for no reason that is a single slip."""
    places = [place for one in pool.witnesses for place in one.places]
    lets = "".join(_lets(one, SI_UNIT[pool.witnesses[0].kind]) for one in pool.ahead if not one.measured)
    unlike = " The unit may also be unlike the others of its model" if any(one.measured for one in pool.ahead) else ""
    return Problem(
        f"{_said(pool)}{lets}: these do not agree, and no single slip of unit, scale or column that was tried explains "
        f"it. Look at the readings of these tests and at the nameplate{'.' if unlike else ''}{unlike}",
        f"{unit.unit}/{unit.tests[places[0]].log}",
        severity="warning",
        procedure=unit.tests[places[0]].procedure,
        doubt="unit",
    )
