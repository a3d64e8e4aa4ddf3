"""The next best measurement: which test, instrument or repeat would narrow an undecided criterion most for its work.

What each step leaves follows from the forms behind the value (``uncertainty/further.py``), the work in minutes from the
procedures; what the new readings will say nobody knows, so the value is taken to stay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

from ..procedures import procedures
from ..procedures._next_step import CHANGE, words_of
from ..quantities import quantities
from ..signs import number_text, value_text
from ..uncertainty.coverage import interval
from ..uncertainty.forms import Form, Influence
from ..uncertainty.further import Made, Step, steps
from ..units import conversion
from .models import AdviceEntry, CriterionEntry, Kind, QuantityEntry
from .rules import Limits, decide

#: Steps named, and the share of the interval that one must take away to be worth naming.
_MOST, _WORTH = 3, 0.1
#: Tests of friction differ in what they count to it (a controller's loss, air drag): one seldom narrows another's.
_APART = ("coulomb_friction", "viscous_friction")
#: What tests that were not made would give, by procedure and quantity, for those of the names asked for.
Further = Callable[[Collection[str]], Mapping[str, Mapping[str, Form]]]


@dataclass(frozen=True)
class Known:
    """What there is of a unit: the best form of each quantity, and what each test gave, by the procedure's name."""

    kind: Kind
    best: Mapping[str, Form]
    made: Sequence[tuple[str, Mapping[str, Form]]]
    further: Further


def narrowing(
    row: CriterionEntry, entry: QuantityEntry, form: Form, known: Known, probability: float
) -> list[AdviceEntry]:
    """Return up to three steps for an undecided criterion: those that decide it first, then the most for the work.

    ``entry`` is what was judged and ``form`` the form behind it. A criterion that names its test gains by that alone.
    """
    tests = [Made(test, procedures()[test].minutes, forms) for test, forms in known.made if row.from_ in (None, test)]
    best = known.best if row.from_ is None else {**known.best, row.quantity: form}
    found = steps(form, best, tests, _others(row, form, known) if row.from_ is None else [], change=CHANGE)
    unit = quantities()[row.quantity].unit
    scale = 1.0 / conversion(unit, quantities()[row.quantity].kind).factor
    now = interval(form, probability).expanded_uncertainty * scale
    priced = []
    for step in found:
        after = interval(step.form, probability).expanded_uncertainty * scale
        if after <= (1.0 - _WORTH) * now:
            decides = _decides(row, entry, after)
            priced.append((not decides, step.minutes if decides else -(1.0 - after / now) / step.minutes, step, after))
    priced.sort(key=lambda one: (one[0], one[1], one[2].kind, one[2].tests, one[2].what))
    return [_advice(step, after, now, unit, decides=not open_) for open_, _, step, after in priced[:_MOST]]


def _others(row: CriterionEntry, form: Form, known: Known) -> list[Made]:
    """Return the tests that were not made: as the stated instruments would let them be, else as certain as what is."""
    made = {test for test, _ in known.made}
    assumed = {i.name.rpartition("/")[2] for i in form.terms if i.name.startswith("assumed/")}
    bears = {name for name, one in known.best.items() if one.covariance(form) != 0} | assumed | {row.quantity}
    found = {test: forms for test, forms in known.further(bears).items() if test not in made}
    for procedure in procedures().values():
        if known.kind not in procedure.unit_kinds or procedure.name in {*made, *found}:
            continue
        if row.quantity in procedure.gives and row.quantity not in _APART:
            alike = Influence(f"scatter/{procedure.name}/to come", "scatter")
            found[procedure.name] = {row.quantity: Form(form.value, {alike: form.standard_uncertainty})}
    return [Made(test, procedures()[test].minutes, forms) for test, forms in found.items()]


def _decides(row: CriterionEntry, entry: QuantityEntry, after: float) -> bool:
    """Tell whether a value that stays passes or fails with an expanded uncertainty ``after`` in the guard bands."""
    limits = Limits(-math.inf if row.min is None else row.min, math.inf if row.max is None else row.max)
    guard = after * (1.0 if row.guard_factor is None else row.guard_factor)
    return decide(entry.value, guard, guard, limits, row.rule) != "undecided"


def _advice(step: Step, after: float, now: float, unit: str, *, decides: bool) -> AdviceEntry:
    words = f"{words_of(step)}: ± {value_text(after, unit, '.2g')} in place of ± {number_text(now, '.2g')}"
    if decides:
        words += ", which decides it if the value stays"
    return AdviceEntry(step=words, minutes=step.minutes, expected_uncertainty=after, decides=decides)
