"""Run all procedures of one unit in the order of their needs, each on its own: one that fails stops no other."""

from __future__ import annotations

import traceback
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from graphlib import TopologicalSorter

from ..derivations import derivations
from ..errors import FitError, InputError, Problem, trace_of, unforeseen
from ..procedures import procedures
from ..procedures.base import Need, Procedure
from ..procedures.derivation import Derivation, Shown
from ..quantities import preferred, preferred_measured, quantities
from ..settings.acceptance import FaultTests
from ..settings.application import Application, applications
from ..settings.application import words as names_of
from ..settings.run import RunSettings
from ..settings.unit import UnitFile
from ..uncertainty.earlier import Earlier
from ..uncertainty.forms import Form, propagate
from ..uncertainty.monte_carlo import Simulation, simulate_forms
from .adjusted import Adjusted, adjusted, left_out
from .admitted import admit_all
from .assign import assign
from .assumed import assume
from .calibration import instrument_problems
from .engine import Outcome, run
from .grouping import TestLog, runs
from .parts import Part, giver, motor_of, stated
from .scalars import on, only_pack, stated_in, written
from .stood_in import in_words, rests_on, stood_in

_STATED = ("nameplate_", "bench_", "drive_", "winding_constant")


@dataclass(frozen=True)
class DerivedOutcome:
    """The quantities of one derivation and what the report shows of it."""

    name: str
    forms: Mapping[str, Form]
    shown: Shown
    simulated: Mapping[str, Simulation] = field(default_factory=dict)
    #: What each quantity is predicted from, in words.
    predicted: Mapping[str, str] = field(default_factory=dict)
    #: Of the quantities that rest on what a nameplate states: those values in words.
    stated: Mapping[str, str] = field(default_factory=dict)
    #: The names of the pack and vehicle that it holds for, where they have any (``Application.names``).
    application: Mapping[str, str] = field(default_factory=dict)
    #: What to note of a quantity that was cut at the end of what is possible.
    quantity_notes: Mapping[str, str] = field(default_factory=dict)


@dataclass
class UnitFit:
    """Everything that fitting found for one unit."""

    outcomes: list[Outcome] = field(default_factory=list)
    derived: list[DerivedOutcome] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    tracebacks: list[str] = field(default_factory=list)
    #: What a drive made of this unit needs beside its quantities: nameplate, constants, reach of the bench.
    stated: dict[str, Form] = field(default_factory=dict)
    #: The constants that several tests observe, from all of them.
    adjusted: Adjusted = field(default_factory=Adjusted)
    parts: Sequence[Part] = ()
    #: Quantities that a need took from a part, with the unit that gave them.
    taken: dict[str, str] = field(default_factory=dict)
    #: The packs and vehicles that the unit is predicted on.
    applications: Sequence[Application] = (Application(),)


def best_forms(outcomes: Sequence[Outcome]) -> dict[str, Form]:
    """Return the preferred form of every quantity that the outcomes give, a measured one before a stated one."""
    return preferred_measured((outcome.procedure, outcome.forms, outcome.report.stated) for outcome in outcomes)


def _measured_alone(outcome: Outcome) -> Outcome:
    """Return a run without what rests on stated values: that is no observation to adjust from."""
    forms = {name: form for name, form in outcome.forms.items() if name not in outcome.report.stated}
    return replace(outcome, forms=forms)


def in_order(names: set[str]) -> list[str]:
    """Return procedure names so that each follows those that give what it needs."""
    known = procedures()
    givers: dict[str, set[str]] = defaultdict(set)
    for name in names:
        for quantity in known[name].gives:
            givers[quantity].add(name)
    graph = {
        name: sorted({g for need in known[name].needs for g in givers[need.quantity]} - {name})
        for name in sorted(names, key=lambda n: (known[n].order, n))
    }
    return list(TopologicalSorter(graph).static_order())


def fit_unit(
    unit: UnitFile,
    logs: Sequence[TestLog],
    settings: RunSettings,
    shown: str,
    parts: Sequence[Part] = (),
    *,
    earlier: Sequence[Earlier] = (),
    faults: FaultTests | None = None,
) -> UnitFit:
    """Fit every procedure whose logs could be read. ``shown`` names the unit file in messages.

    A drive takes from its ``parts`` what its own tests do not give. What ``earlier`` tests gave counts beside its own.
    ``faults`` are the limits of its acceptance set by which fault cases are judged.
    """
    result = UnitFit(problems=instrument_problems(unit, shown), parts=parts)
    result.applications = applications(unit.meant, settings)
    fixed = _fixed(unit, settings, parts)
    in_tests = scalars_of_tests(unit, settings, parts, faults)
    probability = settings.coverage_probability
    by_procedure: dict[str, list[TestLog]] = defaultdict(list)
    for entry in logs:
        by_procedure[entry.test.procedure].append(entry)
    for name in in_order(set(by_procedure)):
        procedure = procedures()[name]
        entries = by_procedure[name]
        for label, group in runs(procedure, entries):
            given = {**in_tests, **_needed(procedure.needs, best_forms(result.outcomes), result)}
            _run_one(unit, procedure, label, group, given, shown, result, probability=probability)
    alone = [_measured_alone(one) for one in result.outcomes]
    result.adjusted = adjusted(unit.unit, alone, probability, earlier)
    result.problems += left_out(result.adjusted, earlier, shown)
    fixed |= _reach(unit, logs, result, fixed)
    result.stated = {name: form for name, form in fixed.items() if name.startswith(_STATED)}
    _derive(unit, fixed, {**best_forms(result.outcomes), **result.adjusted.forms}, result, probability)
    return result


def _derive(
    unit: UnitFile, fixed: Mapping[str, Form], measured: dict[str, Form], result: UnitFit, probability: float
) -> None:
    """Run the derivations in their order; each sees the fixed scalars and the quantities it names.

    One that depends on pack and vehicle is run for each of those that the unit is meant for, and sees theirs.
    """
    for derivation in derivations().values():
        if unit.kind not in derivation.unit_kinds:
            continue
        needed = _needed(derivation.needs, measured, result)
        stood = _stood_in(derivation.needs, needed, result) if unit.stand_in else {}
        scalars = _along(derivation.needs, {**fixed, **needed, **_apart(derivation.needs, needed, result)}, result)
        if unit.stand_in:
            absent = [need.quantity for need in derivation.needs if need.quantity not in {**needed, **stood}]
            scalars |= {f"{name}_not_measured": Form(1.0) for name in absent}
            scalars |= stood | {f"{name}_stated": Form(1.0) for name in stood}
        stands = {name: in_words(name, form.value) for name, form in stood.items() if name in scalars}
        stands |= _stated_among(scalars, result)
        lacking: list[tuple[Application | None, list[Problem]]] = []
        for application in result.applications if derivation.applied else (None,):
            found = _derive_one(unit, derivation, scalars, application, result, probability, stands)
            if found is None:
                continue
            result.derived.append(found)
            # A unit that has none of the needs was never asked for what follows from them.
            lacking.append((application, _lacking(derivation.name, found.shown.missing) if needed else []))
            if application is None:
                measured.update({key: form for key, form in found.forms.items() if key not in measured})
        result.problems += _told_apart(lacking)


def _derive_one(
    unit: UnitFile,
    derivation: Derivation,
    known: Mapping[str, Form],
    application: Application | None,
    result: UnitFit,
    probability: float,
    stood: Mapping[str, str],
) -> DerivedOutcome | None:
    """Return what a derivation gives on a pack and vehicle, ``None`` if it has nothing to say or failed.

    ``stood`` says in words which of the values ``known`` a nameplate states.
    """
    names = application.names if application else {}
    scalars = {**known, **(on(application) if application else {})}
    assumed = assume(derivation.assumptions, scalars, unit.unit, derivation.name, motor_of(result.parts))
    scalars |= {item.name: form for item, form in assumed}
    centre = {key: form.value for key, form in scalars.items()}
    try:
        forms = propagate(derivation.derive, scalars, at_once=derivation.costly)
        # One draw for all packs and vehicles: what differs between them is then no matter of chance.
        trials = f"{unit.unit}/{derivation.name}"
        simulated = simulate_forms(derivation.derive, scalars, forms, probability, trials, costly=derivation.costly)
        best = {key: form.value for key, form in forms.items()}
        refused, notes_of = admit_all(forms, simulated, probability)
        values = {key: form.value for key, form in forms.items()}
        shown = derivation.show(centre, values)
        predicted = {key: derivation.predicted_from(key, centre, values) for key in forms}
        stands = {**stood, **{item.name: item.stands_for for item, _ in assumed if item.stands_for}}
        rests = rests_on(derivation.derive, scalars, {key: best[key] for key in forms}, stands)
    except FitError as error:
        result.problems.append(Problem(str(error), severity="warning", procedure=derivation.name))
        return None
    except Exception as error:
        _unexpected(unit.unit, derivation.name, error, result)
        return None
    if not forms and not shown.missing and not refused:
        return None
    notes = [f"Assumed: {item.why}." for item, _ in assumed] if forms else []
    shown = replace(shown, notes=[*shown.notes, *notes], missing={**shown.missing, **refused})
    return DerivedOutcome(derivation.name, forms, shown, simulated, predicted, rests, names, notes_of)


def _stood_in(needs: Sequence[Need], needed: Mapping[str, Form], result: UnitFit) -> dict[str, Form]:
    """Return what the nameplate of the drive's controller states of needs that nobody measured."""
    found = {need.quantity: stood_in(need, result.parts) for need in needs if need.quantity not in needed}
    return {name: form for name, form in found.items() if form is not None}


def _stated_among(scalars: Mapping[str, Form], result: UnitFit) -> dict[str, str]:
    """Return in words on which stated values scalars rest that are results of the unit, or of its parts."""
    made: list[tuple[Mapping[str, Form], Mapping[str, str]]] = []
    made += [(one.forms, one.report.stated) for one in result.outcomes]
    made += [(one.forms, one.stated) for one in result.derived]
    made += [(one.forms, one.stated) for part in result.parts for one in part.outcomes]
    return {
        name: words[name]
        for name, form in scalars.items()
        for forms, words in made
        if name in words and forms.get(name) is form
    }


def _told_apart(lacking: Sequence[tuple[Application | None, list[Problem]]]) -> list[Problem]:
    """Return what is lacking on each pack and vehicle: once where it is the same on all, else with their names."""
    if all(problems == lacking[0][1] for _, problems in lacking):
        return lacking[0][1] if lacking else []
    return [
        replace(problem, message=f"{names_of(application.names)}: {problem.message}")
        for application, problems in lacking
        for problem in problems
        if application is not None
    ]


def _apart(needs: Sequence[Need], needed: Mapping[str, Form], result: UnitFit) -> dict[str, Form]:
    """Return, for needs that ask for it, values without a controller's loss where there are any, and which hold it.

    What the drive measured itself stays before what its parts gave, as in ``_needed``.
    """
    found: dict[str, Form] = {}
    for need in needs:
        name = need.quantity
        if not need.apart_from_controller or name not in needed:
            continue
        own = [outcome for outcome in result.outcomes if name in outcome.forms]
        if name in result.adjusted.forms:
            form, held = needed[name], name in result.adjusted.with_controller_loss
        elif clean := [outcome for outcome in own if name not in outcome.with_controller_loss]:
            form, held = best_forms(clean)[name], False
        elif own:
            form, held = needed[name], True
        elif one := giver(need, result.parts):
            form, held = one.apart_from_controller(name)
        else:
            continue
        found |= {name: form, f"{name}_holds_controller_loss": Form(float(held))}
    return found


def _along(needs: Sequence[Need], scalars: Mapping[str, Form], result: UnitFit) -> dict[str, Form]:
    """Return the scalars with each need that goes along with another from the same run as that one, or without it."""
    kept = dict(scalars)
    runs = [result.adjusted.forms, *(outcome.forms for outcome in result.outcomes)]
    runs += [outcome.forms for one in result.parts for outcome in one.outcomes]
    for need in needs:
        if need.along and kept.pop(need.quantity, None) is not None:
            with_it = next((forms for forms in runs if forms.get(need.along) is scalars.get(need.along)), {})
            if need.quantity in with_it:
                kept[need.quantity] = with_it[need.quantity]
    return kept


def _lacking(maker: str, missing: Mapping[str, str]) -> list[Problem]:
    """Return one warning for each reason why quantities of a derivation are absent."""
    names: dict[str, list[str]] = defaultdict(list)
    for name, reason in missing.items():
        names[reason].append(name)
    return [
        Problem(
            f"{', '.join(quantities()[name].title for name in absent)}: {reason}", severity="warning", procedure=maker
        )
        for reason, absent in names.items()
    ]


def _reach(unit: UnitFile, logs: Sequence[TestLog], result: UnitFit, fixed: Mapping[str, Form]) -> dict[str, Form]:
    """Return how far the bench went: the highest reading of the column that bounds a quantity, the highest voltage.

    The reading is that of the run that gave the quantity, or of the runs that it is adjusted from: a rotor that was
    driven faster in another test shows nothing of its drag there. Where that run's logs do not hold the column (a
    coast-down read from the EMF), the highest of any log stands in; a drive whose quantity is that of its motor takes
    the motor's. ``bench_<column>_max_apart`` is that of the quantity without a controller's loss, where there is one.
    """
    before, reach = stated(result.parts), {}
    known = {name: form.value for name, form in {**fixed, **best_forms(result.outcomes)}.items()}
    for quantity in (quantity for quantity in quantities().values() if quantity.reach):
        column, name = quantity.reach, f"bench_{quantity.reach}_max"
        givers = [outcome for outcome in result.outcomes if quantity.name in outcome.forms]
        apart = [outcome for outcome in givers if quantity.name not in outcome.with_controller_loss]
        for outcomes, key in ((givers, name), (apart, f"{name}_apart")):
            best = preferred((outcome.procedure, {quantity.name: outcome}) for outcome in outcomes).get(quantity.name)
            behind = [result.outcomes[place] for place in result.adjusted.members.get(quantity.name, ())]
            places = {place for one in (behind or ([best] if best else [])) for place in one.tests}
            own = [entry for entry in logs if any(entry.test is unit.tests[place] for place in places)]
            peak = None
            if outcomes:
                peak = _highest([entry for entry in own if column in entry.log] or logs, column, known)
            if key in before and not givers:
                peak = before[key].value
            if peak is not None:
                reach[key] = Form(peak)
    voltage = _highest(logs, "supply_voltage", known)
    if (earlier := before.get("bench_voltage_max")) is not None:
        voltage = max(earlier.value, voltage or 0.0)
    return reach if voltage is None else {**reach, "bench_voltage_max": Form(voltage)}


def _highest(logs: Sequence[TestLog], column: str, known: Mapping[str, float]) -> float | None:
    """Return the largest reading of a column without its sign, ``None`` if no log has it."""
    found = [procedures()[entry.test.procedure].reached(entry.log, column, known) for entry in logs]
    return max((one for one in found if one is not None), default=None)


def _needed(needs: Sequence[Need], own: Mapping[str, Form], result: UnitFit) -> dict[str, Form]:
    """Return what is needed: the unit's own where it has it, else that of its parts, which is noted as taken."""
    found = {}
    for need in needs:
        name = need.quantity
        if name in own:
            found[name] = own[name]
        elif one := giver(need, result.parts):
            found[name] = one.forms[name]
            result.taken[name] = one.unit
    return found


def _run_one(
    unit: UnitFile,
    procedure: Procedure,
    label: str,
    group: Sequence[TestLog],
    given: Mapping[str, Form],
    shown: str,
    result: UnitFit,
    *,
    probability: float,
) -> None:
    files = ", ".join(f"{unit.unit}/{entry.test.log}" for entry in group)
    lacking = [need for need in procedure.needs if need.required and need.quantity not in given]
    if lacking:
        for need in lacking:
            givers = [p.name for p in procedures().values() if need.quantity in p.gives]
            result.problems.append(
                Problem(
                    f"{procedure.title} needs {need.quantity} ({need.why}), which no test of this unit gave; "
                    f"add one of: {', '.join(givers)}",
                    file=files,
                    procedure=procedure.name,
                )
            )
        return
    tests = [entry.test for entry in group]
    raw_logs = [entry.log for entry in group]
    try:
        assigned = assign(unit, procedure, tests, raw_logs, [dict(e.written) for e in group], shown)
        result.problems.extend(assigned.problems)
        if any(problem.severity == "error" for problem in assigned.problems):
            return
        outcome = run(
            procedure,
            raw_logs,
            label=label,
            unit=unit.unit,
            given=given,
            instruments=assigned.instruments,
            uncertain_conditions=assigned.uncertain_conditions,
            probability=probability,
            motor=motor_of(result.parts),
            stated=_stated_among(given, result),
        )
    except InputError as error:
        result.problems.extend(error.problems)
        return
    except FitError as error:
        result.problems.append(Problem(str(error), file=files, procedure=procedure.name))
        return
    except Exception as error:
        _unexpected(unit.unit, procedure.name, error, result, files)
        return
    places = [place for place, test in enumerate(unit.tests) if any(test is entry.test for entry in group)]
    held = sorted(set().union(*(procedure.with_controller_loss(log) for log in raw_logs)) & set(outcome.forms))
    result.outcomes.append(replace(outcome, tests=places, with_controller_loss=held, logs=raw_logs))
    result.problems.extend(replace(problem, file=problem.file or files) for problem in outcome.report.warnings)
    for name, reason in outcome.fit.missing.items():
        said = Problem(f"{quantities()[name].title}: {reason}", files, severity="warning", procedure=procedure.name)
        result.problems.append(replace(said, doubt="unit") if name in outcome.fit.refused else said)


def _unexpected(unit: str, name: str, error: Exception, result: UnitFit, files: str | None = None) -> None:
    """Keep an unforeseen failure from taking the unit down; the trace goes to the job's log."""
    result.tracebacks.append(f"{name}, {files or unit}\n{traceback.format_exc()}")
    result.problems.append(unforeseen(name, error, files, trace_of(unit, "fit")))


def scalars_of_tests(
    unit: UnitFile, settings: RunSettings, parts: Sequence[Part], faults: FaultTests | None = None
) -> dict[str, Form]:
    """Return the scalars that tests may use and none gives: ``_fixed``, limits, and the pack if there is one."""
    limits = written("acceptance", "fault", faults) if faults is not None else {}
    return {**_fixed(unit, settings, parts), **limits, **only_pack(applications(unit.meant, settings))}


def _fixed(unit: UnitFile, settings: RunSettings, parts: Sequence[Part]) -> dict[str, Form]:
    """Return the scalars that do not come from a test: nameplate, ambient, constants, connection."""
    fixed = {"winding_constant": Form(settings.winding_constant.copper), **stated(parts)}
    if unit.nameplate.winding_material:
        fixed["winding_constant"] = Form(getattr(settings.winding_constant, unit.nameplate.winding_material))
    if unit.drive is not None:
        fixed["drive_field_oriented"] = Form(float(unit.drive == "field-oriented"))
    for wires in ("phases", "sensors"):
        order = getattr(unit.parts, wires, None)
        if order is not None:
            fixed[f"connected_{wires}"] = Form(float("".join(str("ABC".index(one) + 1) for one in order)))
    return fixed | stated_in(unit)
