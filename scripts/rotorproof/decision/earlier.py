"""Results of earlier tests of a unit, read from copies of their ``results.json`` in its folder."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

from ..errors import InputError, Problem
from ..files import lies_within, open_regular, sha256_of
from ..jsonio import strictly
from ..quantities import quantities
from ..settings.unit import LARGEST_RESULTS, EarlierTest, UnitFile
from ..uncertainty.earlier import Earlier, with_drift
from ..uncertainty.forms import Form, Influence
from ..units import conversion
from .models import MainEntry, Results

#: Difference of the two sides of an interval, over their sum, from which on it is not symmetric.
_UNEVEN = 0.1


def earlier_tests(
    unit: UnitFile, folder: Path, stamps: Mapping[str, str] | None = None
) -> tuple[list[Earlier], list[Problem]]:
    """Return what the earlier tests that a unit names give, and what is wrong with them; one costs no other.

    ``stamps`` holds the SHA-256 that the run goes by of each file; without it, each is taken as it is. Raises
    ``InputError`` for a file that is another one by now.
    """
    found: list[Earlier] = []
    problems: list[Problem] = []
    for place, entry in enumerate(unit.earlier):
        try:
            results = _read(unit, entry, place, folder, (stamps or {}).get(entry.results))
        except ValueError as error:
            problems.append(_problem(unit, place, "results", f"the earlier results {entry.results!r} {error}"))
            continue
        forms = {}
        for name in dict.fromkeys([*entry.asked, *(results.quantities if entry.for_all else ())]):
            try:
                forms[name] = _form(unit, entry, name, results)
            except ValueError as error:
                if name not in entry.asked:
                    continue  # where one share stands for all, what cannot enter was not asked for by name
                problems.append(_problem(unit, place, "drift", f"{name} of {entry.results!r} {error}"))
        found.append(Earlier(entry.name, f"{unit.unit}/{entry.results}", place, forms, entry.asked))
    return found, problems


def _problem(unit: UnitFile, place: int, key: str, words: str) -> Problem:
    return Problem(
        f"{words}; it is left out, and all else stands",
        file=f"{unit.unit}/unit.yaml",
        column=f"earlier, entry {place + 1}, {key}",
    )


def _read(unit: UnitFile, entry: EarlierTest, place: int, folder: Path, stamp: str | None) -> Results:
    """Return the results in a file. Raises ``ValueError`` with the end of a sentence about it."""
    path = folder / entry.results
    if not lies_within(path, folder):
        raise ValueError("are a link out of the unit's folder: copy the file in")
    try:
        with open_regular(path) as stream:
            raw = stream.read(LARGEST_RESULTS + 1)
    except FileNotFoundError:
        raise ValueError("are not there: copy the results.json of the earlier report into the unit's folder") from None
    except OSError as error:
        raise ValueError(f"cannot be read: {error.strerror or error}") from None
    if len(raw) > LARGEST_RESULTS:
        raise ValueError(f"have more than {LARGEST_RESULTS // 1_000_000} MB and are no results.json")
    if stamp is not None and sha256_of(raw) != stamp:
        words = "the earlier results changed while the run was going on; run it again"
        raise InputError(Problem(words, file=f"{unit.unit}/{entry.results}"))
    try:
        results = Results.model_validate(strictly(raw))
    except (ValueError, RecursionError):
        raise ValueError("are no results.json of this program: copy that of the earlier report") from None
    was = entry.unit or unit.unit
    if results.unit != was:
        raise ValueError(
            f"are of the unit {results.unit!r}, not of {was!r}: name the right file, or state 'unit: {results.unit}' "
            "beside it if this very unit had that name then"
        )
    if results.kind != unit.kind:
        raise ValueError(f"are of a {results.kind}, and this unit is a {unit.kind}")
    return results


def _form(unit: UnitFile, entry: EarlierTest, name: str, results: Results) -> Form:
    """Return a quantity in SI with its drift. Raises ``ValueError`` with the end of a sentence about it."""
    found, quantity = results.quantities.get(name), quantities().get(name)
    if quantity is None:
        raise ValueError("is a quantity that nothing here defines: correct the name")
    if found is None:
        raise ValueError("is not among those results")
    if quantity.of_test or quantity.meanings or quantity.whole:
        raise ValueError("is a code, a count or tells how a test was run: no mean can be taken of it")
    if found.unit != quantity.unit:
        raise ValueError(f"is stated in {found.unit!r} there and in {quantity.unit!r} now: its definition differs")
    if found.part is not None or (found.origin is not None and found.origin.kind != "measured"):
        raise ValueError("was not measured on the unit itself there")
    low, high = found.interval
    if abs(high + low - 2.0 * found.value) > _UNEVEN * (high - low):
        raise ValueError("has an interval there that is not symmetric, which no mean can be taken with")
    if found.standard_uncertainty == 0:
        raise ValueError("has no uncertainty there")
    tests = found.consistency.tests if found.consistency else []
    if len(unit.earlier) > 1 and any(EarlierTest.is_name(test.procedure) for test in tests):
        raise ValueError("rests itself on an earlier test, which might count twice: name that file alone")
    to_si = conversion(quantity.unit, quantity.kind)
    form = Form(found.value * to_si.factor + to_si.offset, _terms(f"earlier/{unit.unit}", entry, name, found))
    scaled = Form(form.value, {influence: c * to_si.factor for influence, c in form.terms.items()})
    return with_drift(scaled, entry.share(name), f"earlier/{unit.unit}/drift/{name}")


def _terms(stem: str, entry: EarlierTest, name: str, found: MainEntry) -> dict[Influence, float]:
    """Return the budget of a result as influences, in its unit, and what the budget lacks as one more.

    Sources that may last (of infinite degrees of freedom) go by their own names alone: other earlier tests share them.
    """
    terms = {}
    for line in found.budget:
        shape = "normal" if line.distribution == "mixed" else line.distribution
        key, dof = f"{stem}/{line.source}", math.inf
        if line.degrees_of_freedom is not None:
            key, dof = f"{stem}/{entry.tested_on}/{name}/{line.source}", line.degrees_of_freedom
        terms[Influence(key, line.source, shape, dof)] = line.standard_uncertainty
    rest = found.standard_uncertainty**2 - math.fsum(c * c for c in terms.values())
    if rest > 0:
        key = f"{stem}/{entry.tested_on}/{name}/rest"
        terms[Influence(key, "rest of the earlier uncertainty")] = math.sqrt(rest)
    return terms
