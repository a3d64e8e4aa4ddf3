"""Which instrument read what: from ``unit.yaml`` to the systematic errors of a test's columns and conditions.

An error's name says what it is the error of, never which procedure met it, so that it is one and the same in all
procedures of a unit: an instrument in a range, its probe on a channel, a shunt, the rounding of one column of one log,
a condition that several tests state with the same value and uncertainty. What is not carried is the scatter that two
procedures share because they read one log: each fit's scatter counts as independent of the other's.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..columns import COLUMNS
from ..errors import Problem
from ..procedures.base import FEWEST_EVEN, Log, Procedure
from ..settings.unit import Accuracies, Instrument, Test, UnitFile
from ..uncertainty.accuracy import Accuracy
from ..uncertainty.forms import Form, Influence
from ..uncertainty.specification import Specification, components, rounding_shows
from ..uncertainty.stamps import PLACES, StampError
from ..units import Measured
from .instrument_error import InstrumentError

#: What is said where no instrument states how exactly the clock runs whose times a log holds.
_CLOCK_ALONE = (
    "no instrument states an accuracy for time; of the clock the intervals hold the step of its times alone, "
    "not how fast it runs: add 'accuracy: {time: 50 ppm}' or what its data sheet says"
)
_KINDS = frozenset(Accuracies.model_fields)


@dataclass(frozen=True)
class Assigned:
    """The errors of one run of a procedure, and what the practitioner should know about them."""

    instruments: list[InstrumentError]
    uncertain_conditions: dict[tuple[int, str], Form]
    problems: list[Problem]


def instrument_name(unit: str, key: str, instrument: Instrument) -> str:
    """Return the stem of the names of an instrument's errors.

    A serial number makes an error the same influence in every unit, until the instrument is calibrated anew: the
    error that two units share cancels in their comparison.
    """
    if instrument.serial:
        return f"instrument/{instrument.serial}/{instrument.calibrated_on or ''}"
    return f"instrument/{unit}/{key}"


def assign(
    unit: UnitFile,
    procedure: Procedure,
    tests: Sequence[Test],
    logs: Sequence[Log],
    written: Sequence[dict[str, Measured]],
    shown: str,
) -> Assigned:
    """Assign instruments to the columns and conditions of the logs of one run.

    ``written`` holds each log's conditions as they stand in the file, ``shown`` names the unit file. A kind
    with two candidate instruments is an error that asks which; with none, a warning.
    """
    columns: dict[tuple[str, str], list[tuple[int, str]]] = defaultdict(list)
    conditions: dict[tuple[str, str], list[tuple[int, str]]] = defaultdict(list)
    uncertain: dict[tuple[int, str], Form] = {}
    problems: dict[str, Problem] = {}
    meanings = {condition.name: condition for condition in procedure.conditions}
    for index, (test, log, stated) in enumerate(zip(tests, logs, written, strict=True)):
        for column in log.columns:
            source = procedure.source_column(column)
            if source is None or source in procedure.only_looked_at or log.columns[column].size == 0:
                continue  # a mere count, no part of any result, or a list of events that never happened
            kind = COLUMNS[source].kind
            key = _instrument(unit, test, procedure, source, kind, shown, problems)
            if key:
                columns[key, kind].append((index, column))
        for name, measured in stated.items():
            kind = meanings[name].kind
            meaning = meanings[name]
            if meaning.choices or meaning.exact or (meaning.none_at_zero and measured.value == 0):
                continue
            if measured.standard_uncertainty is not None:
                # Written alike it is one statement (one lever, one scale, one thermometer), whichever test repeats it.
                influence = Influence(
                    f"stated/{unit.unit}/{name}/{measured.value:.12g}+/-{measured.standard_uncertainty:.6g}",
                    f"stated {name.replace('_', ' ')}",
                )
                uncertain[index, name] = Form(measured.value, {influence: measured.standard_uncertainty})
                continue
            key = _instrument(unit, test, procedure, name, kind, shown, problems)
            if key:
                conditions[key, kind].append((index, name))
            elif kind not in _KINDS and kind not in ("number", "logic"):
                problems[name] = Problem(
                    f"the condition {name!r} states no uncertainty and is taken as exact; write it as "
                    f"'{measured.text.split()[0]} +/- u {' '.join(measured.text.split()[1:])}'",
                    file=shown,
                    severity="warning",
                    procedure=procedure.name,
                )
    errors: dict[str, InstrumentError] = {}
    for key, kind in sorted({*columns, *conditions}):
        targets = [(where, True) for where in columns[key, kind]] + [(where, False) for where in conditions[key, kind]]
        run = _Run(unit, procedure, tests, logs, shown)
        run.add_errors(key, kind, targets, errors, problems)
    for index, (test, log) in enumerate(zip(tests, logs, strict=True)):
        for error in _stamp_errors(unit.unit, test, index, log):
            # One log may serve two tests.
            known = errors.get(error.influence.name)
            errors[error.influence.name] = replace(error, columns=(*known.columns, *error.columns)) if known else error
    if "time" in problems and all(log.time_resolution for log in logs):
        problems["time"] = replace(problems["time"], message=_CLOCK_ALONE)
    return Assigned(list(errors.values()), uncertain, list(problems.values()))


def _stamp_errors(unit: str, test: Test, index: int, log: Log) -> list[InstrumentError]:
    """Return the errors of a log's clock times: what the step in which they are written leaves open."""
    time = log.get("time")
    if not log.time_resolution or time is None or not time.size:
        return []
    # Times that came of an even pace are off as a whole: nothing bends them.
    steps = np.diff(time)
    even = time.size >= FEWEST_EVEN and bool(np.all(np.abs(steps - steps.mean()) <= 1e-6 * steps.mean()))
    stem = f"clock/{unit}/{test.log}/{time[0]:.9g} to {time[-1]:.9g}"
    return [
        InstrumentError(
            Influence(f"{stem}/{name}", f"step of the clock times of {test.log}, {name}", "rectangular"),
            StampError(log.time_resolution, place),
            ((index, "time"),),
        )
        for place, name in enumerate(PLACES)
        if not even or place in (0, len(PLACES) - 1)
    ]


@dataclass(frozen=True)
class _Run:
    """One run of a procedure, as far as its instruments' errors depend on it."""

    unit: UnitFile
    procedure: Procedure
    tests: Sequence[Test]
    logs: Sequence[Log]
    shown: str

    def add_errors(
        self,
        key: str,
        kind: str,
        targets: Sequence[tuple[tuple[int, str], bool]],
        errors: dict[str, InstrumentError],
        problems: dict[str, Problem],
    ) -> None:
        """Add the errors of one instrument for a kind; ``targets`` are columns (True) and conditions (False)."""
        instrument = self.unit.instruments[key]
        specification: Specification = getattr(instrument.accuracy, kind)
        ambient = None if self.unit.ambient.temperature is None else self.unit.ambient.temperature.value
        if specification.needs_temperature and ambient is None:
            problems[f"{key}/{kind}/ambient"] = self._warning(
                f"the accuracy of {key!r} for {kind} depends on the ambient temperature, which is not stated; it is "
                "taken to be within the instrument's reference: add 'ambient: {temperature: ...}'"
            )
        stem = f"{instrument_name(self.unit.unit, key, instrument)}/{kind}"
        several = _several(self.unit, key, kind, ambient)
        for (index, name), is_column in targets:
            log = self.logs[index]
            values = np.asarray(log.columns[name]) if is_column else np.array([log.conditions[name]])
            used, held = specification.range_of(float(np.max(np.abs(values), initial=0.0)))
            if not held:
                problems[f"{key}/{kind}/range"] = self._warning(
                    f"readings of {name!r} lie beyond the largest range of {key!r} for {kind}, whose accuracy is taken "
                    "for them: add the range, or correct the log's unit or scale"
                )
            for component in components(used, ambient):
                label = f"{stem}{component.name}"
                if component.name == "/resolution":
                    if rounding_shows(values, used.resolution):
                        continue
                    label += f"/{self.unit.unit}/{self.tests[index].log}/{name}"
                elif component.own or instrument.apart(kind):
                    label += f"/{name}"
                if component.name in several:
                    # One serial number under two keys, or another shunt in another range: an error of its own.
                    label += f"/{component.accuracy.relative:g}+{component.accuracy.fixed:g}"
                if label not in errors:
                    influence = Influence(label, f"{component.words} of {key}, {kind}", "rectangular")
                    errors[label] = InstrumentError(influence, component.accuracy, kind=kind)
                error = errors[label]
                if is_column:
                    errors[label] = replace(error, columns=(*error.columns, (index, name)))
                else:
                    errors[label] = replace(error, conditions=(*error.conditions, (index, name)))

    def _warning(self, message: str) -> Problem:
        return Problem(message, file=self.shown, severity="warning", procedure=self.procedure.name)


def _several(unit: UnitFile, key: str, kind: str, ambient: float | None) -> set[str]:
    """Return the components of an instrument that the unit file gives more than one accuracy, under whatever key.

    From the whole file, not from what one run uses: a name must mean the same error in every run.
    """
    stem = instrument_name(unit.unit, key, unit.instruments[key])
    found: dict[str, set[Accuracy]] = defaultdict(set)
    for other, instrument in unit.instruments.items():
        specification: Specification | None = getattr(instrument.accuracy, kind)
        if specification is not None and instrument_name(unit.unit, other, instrument) == stem:
            for item in specification.ranges:
                for component in components(item, ambient):
                    found[component.name].add(component.accuracy)
    return {name for name, accuracies in found.items() if len(accuracies) > 1}


def instrument_of(unit: UnitFile, test: Test, name: str, kind: str) -> str | None:
    """Return the key of the instrument that read a column or condition; ``None`` if that cannot be told."""
    candidates = unit.instruments_for(kind)
    named = test.instruments.get(name)
    if named is not None:
        return named
    return candidates[0] if len(candidates) == 1 else None


def _instrument(
    unit: UnitFile, test: Test, procedure: Procedure, name: str, kind: str, shown: str, problems: dict[str, Problem]
) -> str | None:
    if kind not in _KINDS:
        return None
    named = test.instruments.get(name)
    candidates = unit.instruments_for(kind)
    if named is not None:
        if getattr(unit.instruments[named].accuracy, kind) is not None:
            return named
        problems[f"{named}/{kind}"] = Problem(
            f"the instrument {named!r} states no accuracy for {kind}; the interval of {procedure.name} then holds "
            f"no instrument error for it: add 'accuracy: {{{kind}: ...}}'",
            file=shown,
            column=name,
            severity="warning",
            procedure=procedure.name,
        )
        return None
    if len(candidates) == 1:
        if passed := [key for key, i in unit.instruments.items() if kind in i.typical and key != candidates[0]]:
            problems[f"{kind}/typical"] = Problem(
                f"{kind} is taken to be read with {candidates[0]!r}, whose accuracy is stated, and not with "
                f"{' or '.join(repr(key) for key in passed)}, which has one by 'like' alone; if it was, say so under "
                f"the test's 'instruments', for example '{name}: {passed[0]}'",
                file=shown,
                severity="warning",
                procedure=procedure.name,
            )
        return candidates[0]
    if not candidates:
        problems[kind] = Problem(
            f"no instrument states an accuracy for {kind}; the intervals of '{procedure.title}' hold the scatter alone "
            "in this respect: add the instrument with its accuracy",
            file=shown,
            column=name,
            severity="warning",
            procedure=procedure.name,
        )
        return None
    problems[f"{name}?"] = Problem(
        f"several instruments could have read {name!r} ({', '.join(candidates)}); say which under the test's "
        f"'instruments', for example '{name}: {candidates[0]}'",
        file=shown,
        column=name,
        severity="error",
        procedure=procedure.name,
    )
    return None
