"""The uncertainty budget of a result for people: what dominates, and what half of it would buy."""

from __future__ import annotations

import math

from ..procedures.base import Quantity
from ..signs import number_text, value_text
from ..uncertainty.coverage import Interval, interval
from ..uncertainty.forms import Form, budget
from ..uncertainty.result import Result
from ..units import conversion
from . import digits
from .models import BudgetEntry

#: Sources below this share of the variance are not worth a better instrument.
_WORTH_HALVING = 0.1
#: A source that alone makes up more than this share of the variance is named in the notes.
_DOMINATES = 0.5
#: Stands in the note on the source that dominates; a page that prints the budget itself leaves the note out.
HALVED = "of the variance; half of it would narrow U from"


def budget_entries(result: Result, scale: float, probability: float) -> list[BudgetEntry]:
    """Return the budget (JCGM 100:2008, 7.2.7) in the quantity's unit, the largest source first.

    ``expanded_uncertainty_if_halved`` is U with this one source halved: what a better instrument or more readings
    would buy. It is given for the larger sources of results that have a linear form.
    """
    rows = []
    for line in budget(result.form):
        halved = None
        if result.simulation is None and digits.share(line.share) >= _WORTH_HALVING:
            halved = interval(_halved(result.form, line.source), probability).expanded_uncertainty * scale
        rows.append(
            BudgetEntry(
                source=line.source,
                standard_uncertainty=line.standard_uncertainty * scale,
                share=line.share,
                distribution=line.distribution,
                degrees_of_freedom=finite(line.degrees_of_freedom),
                expanded_uncertainty_if_halved=halved,
            )
        )
    return rows


def uncertainty_notes(result: Result, cover: Interval, quantity: Quantity, probability: float) -> list[str]:
    """Return what a reader must know of an interval: trials, or the one source that makes most of it."""
    largest = []
    if quantity.largest_of > 1 and cover.standard_uncertainty > 0:
        largest = [
            f"The largest of {quantity.largest_of} deviations is likely one that its own reading made too large: "
            "the interval reaches further down than up."
        ]
    if result.simulation is not None and result.simulation.trials == 0:
        return largest  # lowered as said, or cut at the end of what is possible, as a note on the quantity says
    if result.simulation is not None:
        return [
            *largest,
            f"The formula bends over its uncertainty: the interval comes from {result.simulation.trials} trials "
            "(JCGM 101:2008), need not be symmetric about the value, and U is its longer side.",
        ]
    lines = budget(result.form)
    # Of two sources of one size none dominates, however their last digits fall.
    if len(lines) < 2 or digits.share(lines[0].share) <= _DOMINATES:
        return []
    scale = 1.0 / conversion(quantity.unit, quantity.kind).factor
    before = cover.expanded_uncertainty * scale
    after = interval(_halved(result.form, lines[0].source), probability).expanded_uncertainty * scale
    source = lines[0].source
    return [
        f"{source[0].upper()}{source[1:]} makes {100 * lines[0].share:.0f} % {HALVED} "
        f"{number_text(before, '.2g')} to {value_text(after, quantity.unit, '.2g')}."
    ]


def finite(number: float) -> float | None:
    """Return ``None`` for infinite degrees of freedom, which JSON cannot write."""
    return None if math.isinf(number) else number


def _halved(form: Form, source: str) -> Form:
    return Form(form.value, {i: 0.5 * c if i.source == source else c for i, c in form.terms.items()})
