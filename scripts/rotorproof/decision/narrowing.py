"""What would narrow an undecided criterion most: a source of error halved, or another test of the same constant.

The expected intervals are those of the same equations (JCGM 100:2008, 5.1) with one thing changed and the value as it
is; what the new readings will say nobody knows. "Least work" is not priced: the list leaves the choice to the bench.
"""

from __future__ import annotations

import math
from collections.abc import Collection

from ..procedures import procedures
from ..quantities import quantities
from ..signs import number_text, value_text
from .models import AdviceEntry, CriterionEntry, Kind, QuantityEntry

#: Steps named, and the share of the interval that one must take away to be worth naming.
_MOST, _WORTH = 3, 0.1
#: Tests of friction differ in what they count to it (a controller's loss, air drag): one seldom narrows another's.
_APART = ("coulomb_friction", "viscous_friction")


def narrowing(row: CriterionEntry, entry: QuantityEntry, kind: Kind, made: Collection[str]) -> list[AdviceEntry]:
    """Return up to three steps for an undecided criterion, the one that narrows most first.

    ``entry`` is what was judged; ``made`` names the procedures that the unit went through. A test not yet made is
    taken to be as certain as what there is and independent of it. A criterion that names its test gains by that alone.
    """
    now = entry.expanded_uncertainty
    steps = [
        (line.expanded_uncertainty_if_halved, _source_words(line.source))
        for line in entry.budget
        if line.expanded_uncertainty_if_halved is not None
    ]
    further = [
        procedure.title
        for procedure in procedures().values()
        if row.quantity in procedure.gives and kind in procedure.unit_kinds and procedure.name not in made
    ]
    if further and row.quantity not in _APART and row.from_ is None and entry.part is None:
        words = f"add a test that gives it as well ({' or '.join(further)}); if it is as certain as what there is"
        steps.append((now / math.sqrt(2.0), words))
    steps = sorted(step for step in steps if step[0] <= (1.0 - _WORTH) * now)[:_MOST]
    return [AdviceEntry(step=f"{words}: {_expected(row, entry, after)}") for after, words in steps]


def _source_words(source: str) -> str:
    if source.startswith("scatter"):
        return f"take four times the readings ({source})"
    if source.startswith("accuracy"):
        return f"use an instrument with half the error ({source})"
    return f"halve the error of '{source}'"


def _expected(row: CriterionEntry, entry: QuantityEntry, after: float) -> str:
    unit = quantities()[row.quantity].unit
    low, high = entry.value - after, entry.value + after
    held = [limit for limit in (row.min, row.max) if limit is not None and low <= limit <= high]
    words = f"± {value_text(after, unit, '.2g')} in place of ± {number_text(entry.expanded_uncertainty, '.2g')}"
    return words if held else f"{words}, which decides it if the value stays"
