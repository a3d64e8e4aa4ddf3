"""Before the bench: what would let undecidable criteria be decided, for the least work, by the stated instruments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..procedures import procedures
from ..procedures._next_step import CHANGE, words_of
from ..procedures.base import Procedure
from ..procedures.bench import Situation
from ..quantities import preferred, quantities
from ..settings.acceptance import AcceptanceSet
from ..settings.run import RunSettings
from ..settings.unit import UnitFile
from ..signs import value_text
from ..uncertainty.coverage import interval
from ..uncertainty.further import Made, steps
from ..uncertainty.result import Result
from ..units import conversion
from .rehearsal import further
from .sheet import capabilities

_MOST, _WORTH = 3, 0.1


def next_best(
    file: UnitFile,
    planned: Sequence[Procedure],
    limits: AcceptanceSet | None,
    settings: RunSettings,
    known: Situation,
    rehearsed: Mapping[str, Mapping[str, Result]],
) -> dict[str, list[str]]:
    """Return up to three steps for each quantity whose criterion the planned tests cannot decide, in words.

    Those that leave room for a pass come first, the least work first; then the most for the work. ``rehearsed`` are the
    planned tests played through; others are played through where they show something of such a quantity.
    """
    short = [
        one
        for test in planned
        for one in capabilities(file, test, limits, settings, test.bench(known), rehearsed.get(test.name, {}))
        if one.decides is False
    ]
    if not short:
        return {}
    probability = settings.coverage_probability
    others_of = further(file, probability, {test.name for test in planned})
    made = {test: {name: one.form for name, one in found.items()} for test, found in rehearsed.items()}
    best = preferred(made.items())
    tests = [Made(test, procedures()[test].minutes, forms) for test, forms in made.items()]
    found: dict[str, list[str]] = {}
    for one in short:
        target = best.get(one.quantity)
        if target is None or one.room is None or not target.terms:
            continue
        bears = {name for name, form in best.items() if form.covariance(target) != 0}
        others = [Made(test, procedures()[test].minutes, forms) for test, forms in others_of(bears).items()]
        now = interval(target, probability).expanded_uncertainty
        priced = []
        for step in steps(target, best, tests, others, change=CHANGE):
            after = interval(step.form, probability).expanded_uncertainty
            if after <= (1.0 - _WORTH) * now:
                closed = after >= one.room
                priced.append((closed, -(1.0 - after / now) / step.minutes if closed else step.minutes, step, after))
        priced.sort(key=lambda p: (p[0], p[1], p[2].kind, p[2].tests, p[2].what))
        quantity = quantities()[one.quantity]
        scale = 1.0 / conversion(quantity.unit, quantity.kind).factor
        words = [
            f"{words_of(step)}: ± {value_text(after * scale, quantity.unit, '.2g')}"
            + ("" if closed else ", which leaves room for a pass")
            for closed, _, step, after in priced[:_MOST]
        ]
        if words:
            found[one.quantity] = words
    return found
