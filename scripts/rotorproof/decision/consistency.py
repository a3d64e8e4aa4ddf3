"""Do the tests agree that a constant is adjusted from? The entry of ``results.json``, and words where they do not."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..errors import Problem
from ..procedures.base import Quantity
from ..quantities import quantities
from ..signs import number_text, unit_text
from ..units import conversion
from .models import ConsistencyEntry, MainEntry
from .plausible import unit_slip


def consistency_entry(behind: Mapping[str, Any], quantity: Quantity) -> ConsistencyEntry:
    """Return what stands behind an adjusted quantity in the unit of its entry."""
    scale = 1.0 / conversion(quantity.unit, quantity.kind).factor
    tests = [{**one, "residual": one["residual"] * scale} for one in behind["tests"]]
    return ConsistencyEntry.model_validate({**behind, "tests": tests})


def disagreements(found: Mapping[str, MainEntry]) -> list[Problem]:
    """Return a warning for each adjusted quantity of ``results.json`` whose tests disagree beyond chance."""
    return [
        _warning(name, entry) for name, entry in found.items() if entry.consistency and not entry.consistency.agrees
    ]


def _warning(name: str, entry: MainEntry) -> Problem:
    behind, quantity = entry.consistency, quantities()[name]
    assert behind is not None
    alone = {one.procedure: one for one in entry.alternatives or ()}
    each = [
        f"{number_text(one.value, '.4g')} ± {number_text(one.expanded_uncertainty, '.2g')} by {procedure}"
        for procedure in (test.procedure for test in behind.tests)
        if (one := alone.get(procedure)) is not None
    ]
    words = (
        f"{quantity.title} in {unit_text(entry.unit)} is {', '.join(each)}: chance explains that in "
        f"{number_text(100 * behind.probability, '.2g')} % of cases (Birge ratio {behind.birge_ratio:.1f}), and the "
        f"interval is widened by that ratio. "
    )
    if behind.out_of_line:
        (far,) = (test for test in behind.tests if test.procedure == behind.out_of_line)
        words += (
            f"Out of line: {far.procedure}, {abs(far.normalised_residual):.1f} times its standard uncertainty from the "
            "adjusted value; without it the others agree. Repeat it, or name the test that counts with 'from' in the "
            "criterion"
        )
    elif len(behind.tests) == 2:
        words += (
            "Two tests cannot say which is wrong: repeat the one you trust less, or add a third procedure that gives "
            "this quantity; 'from' in a criterion names the test that counts"
        )
    else:
        words += "No one test left out makes the others agree: look at the instruments they share, and repeat them"
    values = [one.value for one in alone.values()]
    slip = unit_slip(min(values), max(values)) if values else None
    if slip:
        words += f". Is the unit right? {slip[0].upper()}{slip[1:]}"
    elif quantity.disagreement:
        words += f". Likely cause: {quantity.disagreement}"
    return Problem(words, severity="warning", procedure=behind.out_of_line, doubt="unit" if slip else None)
