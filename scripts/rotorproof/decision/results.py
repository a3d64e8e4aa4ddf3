"""Build ``results.json`` of a unit from its fits and its acceptance set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..errors import Problem
from ..fitting.consistency import Consistency
from ..fitting.stored import Made, StoredFit, StoredPart
from ..procedures import procedures
from ..quantities import ADJUSTED, applied_quantities, preference, quantities
from ..settings.acceptance import AcceptanceSet, Criterion
from ..settings.application import words
from ..uncertainty.coverage import interval
from ..uncertainty.forms import Form
from ..uncertainty.result import Result
from ..units import conversion, from_si
from . import digits
from .advice import advise
from .budgets import budget_entries, finite, uncertainty_notes
from .consistency import consistency_entry, disagreements
from .criteria import criterion_row, leave_open, leave_open_in_part, stands
from .cross_checks import cross_checks
from .models import (
    AdequacyEntry,
    AlternativeEntry,
    ApplicationEntry,
    ForEntry,
    Kind,
    MainEntry,
    OriginEntry,
    PartEntry,
    ProblemEntry,
    QuantityEntry,
    Results,
    TakenEntry,
    TestEntry,
)
from .narrowing import Further, Known, narrowing
from .plausible import implausible
from .reasons import doubt
from .rules import verdict

#: Quantity -> its candidates: rank, place, entry and result; the lowest rank is preferred.
_Candidates = dict[str, list[tuple[int, int, QuantityEntry, Result]]]
#: Added to the rank of what a part gave, so that anything the unit measured itself comes before it.
_AFTER_OWN = 1000
#: Added to the rank of what rests on stated values, so that anything measured comes before it.
_AFTER_MEASURED = 100


def build_results(
    unit: str,
    kind: Kind,
    fit: StoredFit,
    reading_problems: Sequence[Problem],
    acceptance: AcceptanceSet | None,
    probability: float,
    part_results: Sequence[Results] = (),
    *,
    further: Further = lambda _: {},
) -> Results:
    """Return the content of ``results.json``. ``fit`` is what ``load_fit`` returns.

    ``part_results`` holds the results of the units that a drive is made of, in the order of the fit's parts.
    ``further`` gives what tests that were not made would show, for the quantities named; it is asked where a criterion
    is undecided.
    """
    wanted = {criterion.quantity for criterion in acceptance.criteria} if acceptance else set()
    applications = fit.applications
    alone = len(applications) == 1
    # What is predicted on one of several packs and vehicles is no quantity of the unit itself.
    candidates = _candidates([made for made in fit.makers if alone or not made.application], probability)
    _inherit(fit.parts, wanted, candidates, probability)
    together: Mapping[str, Consistency] = next((made.consistency for made in fit.derived if made.maker == ADJUSTED), {})
    found = _chosen(candidates, together, probability)
    each = [candidates] if alone else [_candidates(_only(fit, names), probability) for names in applications]
    criteria = []
    if acceptance:
        on = [(one, *there) for one in acceptance.criteria for there in _judged_on(one, applications, each, candidates)]
        for one, names, there in on:
            judged = _judged(there, one.quantity, one.from_)
            row = criterion_row(one, acceptance, judged[1] if judged else None, probability, names)
            if judged:
                row.origin = judged[0].origin
                if row.origin is not None and row.origin.kind == "stated":
                    leave_open(row)
                elif not stands(row, judged[0].value):
                    leave_open_in_part(row)
                elif row.decision == "undecided":
                    steps = narrowing(row, judged[0], judged[1].form, _known(kind, fit, there, further), probability)
                    row.advice = steps or None
            criteria.append(row)
    advise(criteria, fit)
    made_of = [_part(one, results) for one, results in zip(fit.parts, part_results, strict=True)]
    other = [
        *_part_problems(unit, made_of, part_results),
        *_not_judged(unit, acceptance, applications),
        *disagreements(found),
        *cross_checks(found),
        *implausible(found),
    ]
    results = Results(
        schema_=1,
        unit=unit,
        kind=kind,
        verdict=verdict(row.decision for row in criteria),
        quantities=found,
        criteria=criteria,
        tests=[_test(outcome) for outcome in fit.outcomes],
        problems=[
            *(ProblemEntry.of(problem) for problem in reading_problems),
            *(ProblemEntry.of(problem) for problem in fit.problems),
            *(ProblemEntry.of(problem) for problem in other),
        ],
    )
    if made_of:
        results.parts = made_of
    if not alone:
        results.applications = [
            ApplicationEntry(for_=ForEntry(**names), quantities=_chosen(there, {}, probability))
            for names, there in zip(applications, each, strict=True)
        ]
    return Results.model_validate(digits.results(results.as_json()))


def _known(kind: Kind, fit: StoredFit, candidates: _Candidates, further: Further) -> Known:
    """Return what there is to find the next best measurement from; the first run of each procedure may be repeated."""
    best = {name: min(found, key=lambda c: c[:2])[3].form for name, found in candidates.items()}
    made: dict[str, Mapping[str, Form]] = {}
    for outcome in (*fit.outcomes, *(one for part in fit.parts for one in part.outcomes)):
        if outcome.maker in procedures():
            made.setdefault(outcome.maker, outcome.forms)
    return Known(kind, best, list(made.items()), further)


def _candidates(makers: Sequence[Made], probability: float) -> _Candidates:
    """Return what runs and derivations give, quantity by quantity."""
    found: _Candidates = {}
    for place, made in enumerate(makers):
        for name in made.forms:
            found.setdefault(name, []).append((_rank(name, made), place, *_entry(name, made, probability)))
    return found


def _rank(name: str, made: Made) -> int:
    return preference(quantities()[name], made.maker) + (_AFTER_MEASURED if name in made.stated else 0)


def _only(fit: StoredFit, application: Mapping[str, str]) -> list[Made]:
    """Return what was predicted on one pack and vehicle."""
    return [made for made in fit.makers if made.application == application]


def _chosen(candidates: _Candidates, together: Mapping[str, Consistency], probability: float) -> dict[str, MainEntry]:
    """Return each quantity as its preferred maker gives it, with what the others give beside it."""
    found: dict[str, MainEntry] = {}
    for name in sorted(candidates):
        ranked = sorted(candidates[name], key=lambda c: c[:2])
        _, _, entry, result = ranked[0]
        others = [
            AlternativeEntry(
                **other.fields(), normalised_error=normalised_error(another.form, result.form, probability)
            )
            for _, _, other, another in ranked[1:]
        ]
        found[name] = MainEntry(**entry.fields())
        if name in together:
            found[name].consistency = consistency_entry(together[name], quantities()[name])
        if others:
            found[name].alternatives = others
    return found


def _judged_on(
    criterion: Criterion, applications: Sequence[Mapping[str, str]], each: Sequence[_Candidates], own: _Candidates
) -> list[tuple[Mapping[str, str], _Candidates]]:
    """Return the packs and vehicles that a criterion judges, each with what was found; a measured value is on none."""
    if criterion.quantity not in applied_quantities():
        return [({}, own)]
    meant = criterion.for_
    return [one for one in zip(applications, each, strict=True) if meant is None or meant.covers(one[0])]


def _not_judged(
    unit: str, acceptance: AcceptanceSet | None, applications: Sequence[Mapping[str, str]]
) -> list[Problem]:
    """Return a warning for each criterion for a pack or vehicle that the unit is not meant for: nobody judges it."""
    return [
        Problem(
            f"the limit of {quantities()[one.quantity].title} for {words(one.for_.model_dump(exclude_none=True))} is "
            "not judged: the unit is not meant for it; see 'for' in its unit.yaml",
            file=f"{unit}/unit.yaml",
            severity="warning",
        )
        for one in (acceptance.criteria if acceptance else ())
        if one.for_ is not None and not any(one.for_.covers(names) for names in applications)
    ]


def _test(outcome: Made) -> TestEntry:
    """Return whether a test's formulas described its readings; the label only where it tells tests apart."""
    assert outcome.adequacy is not None  # every run of a procedure is judged
    return TestEntry(
        procedure=outcome.maker,
        adequacy=AdequacyEntry.model_validate(outcome.adequacy.model_dump()),
        **({"label": outcome.label} if outcome.label != outcome.maker else {}),
    )


def _judged(candidates: _Candidates, quantity: str, procedure: str | None) -> tuple[QuantityEntry, Result] | None:
    """Return what a criterion is decided on: the best there is, or the best of the procedure that it names."""
    ranked = sorted(candidates.get(quantity, ()), key=lambda one: one[:2])
    named = [one for one in ranked if procedure in (None, one[2].procedure)]
    return named[0][2:] if named else None


def _part(one: StoredPart, results: Results) -> PartEntry:
    """Return a part, the verdict on it, and the values that the drive took from it as the part's results hold them."""
    taken = {}
    for name in one.taken:
        entry = results.quantities[name]
        taken[name] = TakenEntry(**{key: getattr(entry, key) for key in TakenEntry.model_fields})
    return PartEntry(role=one.role, unit=one.unit, verdict=results.verdict, taken=taken)


def _part_problems(unit: str, made_of: Sequence[PartEntry], part_results: Sequence[Results]) -> list[Problem]:
    """Return a warning for each part that its own limits do not accept: the drive is judged by its own alone.

    Another for each part whose readings are in doubt, since what the drive takes from it is too.
    """
    found = [
        Problem(
            f"the {one.role} {one.unit} is {one.verdict} by its own limits; read its report before the "
            "drive is used, whatever is decided on the drive",
            file=f"{unit}/unit.yaml",
            severity="warning",
        )
        for one in made_of
        if one.verdict != "accepted"
    ]
    dangers = [
        Problem(
            f"{problem.message} (the {one.role} {one.unit})",
            severity="warning",
            procedure=problem.procedure,
            danger=True,
        )
        for one, results in zip(made_of, part_results, strict=True)
        for problem in results.problems
        if problem.danger
    ]
    doubtful = [one for one, results in zip(made_of, part_results, strict=True) if one.taken and doubt(results)]
    return [*dangers, *found] + [
        Problem(
            f"the readings of the {one.role} {one.unit} look as if a unit or a scale were wrong, and this drive "
            "takes values from them; see the problems in its report",
            file=f"{unit}/unit.yaml",
            severity="warning",
            doubt="unit",
        )
        for one in doubtful
    ]


def _inherit(parts: Sequence[StoredPart], wanted: set[str], candidates: _Candidates, probability: float) -> None:
    """Add what a drive's parts gave: what its criteria ask for, or it measured itself; its own always comes first.

    A quantity that two parts give (the temperature rise of both) is neither's and is left out.
    """
    givers: dict[str, set[str]] = {}
    for one in parts:
        for outcome in one.outcomes:
            for name in outcome.forms:
                givers.setdefault(name, set()).add(one.unit)
    own = set(candidates)
    for one in parts:
        for place, outcome in enumerate(one.outcomes):
            for name in outcome.forms:
                if len(givers[name]) > 1 or name not in wanted | own:
                    continue
                found = _entry(name, outcome, probability, part=one.unit)
                candidates.setdefault(name, []).append((_AFTER_OWN + _rank(name, outcome), place, *found))


def normalised_error(one: Form, other: Form, probability: float = 0.95) -> float | None:
    """Return the difference over its expanded uncertainty; above 1 the two disagree (ISO/IEC 17043, B.3.1.3).

    Correlation through shared influences is kept. ``None`` where the difference has no uncertainty.
    """
    difference = one.minus(other)
    if difference.standard_uncertainty == 0:
        return None
    return abs(difference.value) / interval(difference, probability).expanded_uncertainty


def _origin(name: str, made: Made) -> OriginEntry:
    """Return whether a value was measured: a derivation predicts, a test may say that it went beyond its readings.

    What rests on a nameplate is called stated, whatever else it is.
    """
    if name in made.stated:
        return OriginEntry(kind="stated", from_=made.stated[name])
    if name in made.predicted:
        return OriginEntry(kind="predicted", from_=made.predicted[name])
    if name in made.extrapolated:
        bound = {"bound": made.bounds[name]} if name in made.bounds else {}
        return OriginEntry(kind="extrapolated", by=made.extrapolated[name], **bound)
    return OriginEntry(kind="measured")


def _entry(name: str, made: Made, probability: float, **part: str) -> tuple[QuantityEntry, Result]:
    """Return a quantity as ``results.json`` holds it, and the result behind it."""
    quantity, result = quantities()[name], made.result(name)
    scale = 1.0 / conversion(quantity.unit, quantity.kind).factor
    cover = result.interval(probability)
    notes = list(made.quantity_notes.get(name, []))
    notes += uncertainty_notes(result, cover, quantity, probability)
    more: dict[str, Any] = {"origin": _origin(name, made), **part}
    if made.application:
        more["for_"] = ForEntry(**made.application)
    if made.label != made.maker:
        more["label"] = made.label
    if name in made.details:
        more["details"] = made.details[name]
    entry = QuantityEntry(
        value=from_si(result.value, quantity.unit, quantity.kind),
        unit=quantity.unit,
        standard_uncertainty=cover.standard_uncertainty * scale,
        degrees_of_freedom=finite(cover.degrees_of_freedom),
        expanded_uncertainty=cover.expanded_uncertainty * scale,
        coverage_factor=cover.coverage_factor,
        interval=(
            from_si(cover.low, quantity.unit, quantity.kind),
            from_si(cover.high, quantity.unit, quantity.kind),
        ),
        procedure=made.maker,
        conditions={**made.conditions, **dict(quantity.reference)},
        budget=budget_entries(result, scale, probability),
        notes=notes,
        **more,
    )
    return entry, result
