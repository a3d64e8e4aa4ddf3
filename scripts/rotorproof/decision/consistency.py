"""Do the tests agree that a constant is adjusted from? The entry of ``results.json``, and words where they do not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict

from ..errors import Problem
from ..fitting.consistency import Consistency
from ..procedures.base import Quantity
from ..quantities import quantities
from ..settings.unit import EarlierTest
from ..signs import number_text, unit_text
from ..units import conversion, from_si
from .models import AdjustedFrom, ConsistencyEntry, MainEntry
from .plausible import unit_slip


def consistency_entry(behind: Consistency, quantity: Quantity) -> ConsistencyEntry:
    """Return what stands behind an adjusted quantity in the unit of its entry."""
    scale = 1.0 / conversion(quantity.unit, quantity.kind).factor
    tests = []
    for one in behind.tests:
        own = {key: value for key, value in asdict(one).items() if value is not None}
        own["value"] = from_si(one.value, quantity.unit, quantity.kind)
        own["expanded_uncertainty"] = one.expanded_uncertainty * scale
        own["residual"] = one.residual * scale
        tests.append(own)
    return ConsistencyEntry.model_validate({**asdict(behind), "tests": tests})


def disagreements(found: Mapping[str, MainEntry]) -> list[Problem]:
    """Return a warning for each adjustment of ``results.json`` whose tests disagree beyond chance.

    Constants that were adjusted together share theirs: it is told of the first, with the names of the others.
    """
    together: dict[tuple[float, float], list[str]] = {}
    for name, entry in found.items():
        if entry.consistency and not entry.consistency.agrees:
            together.setdefault((entry.consistency.chi_square, entry.consistency.probability), []).append(name)
    return [_warning(names[0], found[names[0]], names[1:]) for names in together.values()]


def _each(test: AdjustedFrom) -> str:
    words = f"{number_text(test.value, '.4g')} ± {number_text(test.expanded_uncertainty, '.2g')} by {test.procedure}"
    return f"{words} ({quantities()[test.given_as].title})" if test.given_as else words


def _warning(name: str, entry: MainEntry, others: list[str]) -> Problem:
    behind, quantity = entry.consistency, quantities()[name]
    assert behind is not None
    words = (
        f"{quantity.title} in {unit_text(entry.unit)} is {', '.join(map(_each, behind.tests))}: chance explains that "
        f"in {number_text(100 * behind.probability, '.2g')} % of cases (Birge ratio {behind.birge_ratio:.1f}), and the "
        f"interval is widened by that ratio. "
    )
    if others:
        words += (
            f"The same holds of what was adjusted with it ({', '.join(quantities()[one].title for one in others)}). "
        )
    procedures = {test.procedure for test in behind.tests}
    if behind.out_of_line:
        far = max(
            (test for test in behind.tests if test.procedure == behind.out_of_line),
            key=lambda test: abs(test.normalised_residual),
            default=None,
        )
        distance = (
            f", {abs(far.normalised_residual):.1f} times its standard uncertainty from the adjusted value"
            if far
            else ""
        )
        words += f"Out of line: {behind.out_of_line}{distance}; without it the others agree. "
        if EarlierTest.is_name(behind.out_of_line):
            words += "Has the unit changed more since than the drift stated? State more, or take the earlier test out"
        else:
            words += "Repeat it, or name the test that counts with 'from' in the criterion"
    elif len(procedures) == 2 and any(map(EarlierTest.is_name, procedures)):
        words += (
            "Either the unit has changed more since then than the drift stated, or one of the two tests is wrong: "
            "repeat the test, and state more drift or take the earlier test out if it comes out alike"
        )
    elif len(procedures) == 2:
        words += (
            "Two tests cannot say which is wrong: repeat the one you trust less, or add a third procedure that gives "
            "this quantity; 'from' in a criterion names the test that counts"
        )
    else:
        words += "No one test left out makes the others agree: look at the instruments they share, and repeat them"
    if behind.explanations:
        first, *rest = behind.explanations
        words += (
            f". A single error would bring all into agreement: {first.words} (in {', '.join(first.procedures)})"
            + (f"; or else {'; '.join(one.words for one in rest)}" if rest else "")
            + ". Check that against a second instrument before any test is repeated"
        )
    values = [test.value for test in behind.tests]
    slip = unit_slip(min(values), max(values))
    if slip:
        words += f". Is the unit right? {slip[0].upper()}{slip[1:]}"
    elif quantity.disagreement:
        words += f". Likely cause: {quantity.disagreement}"
    blamed = behind.out_of_line if not EarlierTest.is_name(behind.out_of_line or "") else None
    return Problem(words, severity="warning", procedure=blamed, doubt="unit" if slip else None)
