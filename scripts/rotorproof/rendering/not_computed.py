"""Why a quantity that is computed from others could not be, and which test to make for what it lacks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ..decision.models import CriterionEntry, MainEntry, Results
from ..derivations import derivations
from ..fitting.stored import Made, StoredFit
from ..procedures import procedures
from ..procedures.base import Procedure
from ..procedures.derivation import Derivation, asked_for
from ..settings.unit import UnitFile
from .wording import quantity_title


@dataclass(frozen=True)
class NotComputed:
    """Why there is no value, and what to do about it; either may be empty."""

    why: str
    step: str


def not_computed(criterion: CriterionEntry, unit: UnitFile, fit: StoredFit) -> NotComputed | None:
    """Return why a computed quantity is missing and what to do, ``None`` for one that a test gives."""
    name = criterion.quantity
    maker = next((one for one in derivations().values() if name in one.gives and unit.kind in one.unit_kinds), None)
    if maker is None or any(name in one.gives and unit.kind in one.unit_kinds for one in procedures().values()):
        return None
    wanted = dict(criterion.for_.fields()) if criterion.for_ else {}
    made = [one for one in fit.derived if one.maker == maker.name and name in one.missing]
    made.sort(key=lambda one: one.application != wanted)
    if not made:
        return NotComputed("nothing that it is computed from was measured", _tests(_needs(maker), fit))
    why, _, step = made[0].missing[name].partition("; ")
    lacking = asked_for(made[0].missing[name], _needs(maker))
    todo = _tests(lacking, fit) or step.rstrip(".") or "mend what the reason names, then report again"
    return NotComputed(why.rstrip("."), todo)


def behind(criterion: CriterionEntry, results: Results) -> set[str]:
    """Return the procedures and derivations that a criterion's value rests on, or would rest on if there were one."""
    made = {test.procedure for test in results.tests}
    entry = results.judged(criterion)
    todo = [*_makers(entry)] if isinstance(entry, MainEntry) else [entry.procedure] if entry else []
    todo = todo or [one.name for one in _all() if criterion.quantity in one.gives]
    found: set[str] = set()
    while todo:
        name = todo.pop()
        if name in found:
            continue
        found.add(name)
        for need in next((one.needs for one in _all() if one.name == name), ()):
            given = results.quantities.get(need.quantity)
            # A test that was made in vain is behind what could not be computed for want of it.
            todo += _makers(given) if given else [p.name for p in _givers(need.quantity) if p.name in made]
    return found


def _makers(entry: MainEntry) -> list[str]:
    return [entry.procedure, *(test.procedure for test in (entry.consistency.tests if entry.consistency else ()))]


def _all() -> Iterable[Procedure | Derivation]:
    return [*procedures().values(), *derivations().values()]


def _needs(maker: Derivation) -> list[str]:
    return [need.quantity for need in maker.needs]


def _givers(quantity: str) -> list[Procedure]:
    """Return the tests that give a quantity, its principal source first."""
    found = [one for one in procedures().values() if quantity in one.gives]
    return sorted(found, key=lambda one: all(own.name != quantity for own in one.quantities))


def _tests(lacking: Sequence[str], fit: StoredFit) -> str:
    """Return which tests to make for quantities; of one that was made in vain, what its reason asks for."""
    seen = [("", one) for one in fit.outcomes]
    seen += [(f" of the {part.role} {part.unit}", one) for part in fit.parts for one in part.outcomes]
    found = []
    for name in lacking:
        vain = next(((whose, one) for whose, one in seen if name in one.missing), None)
        if vain is not None:
            found.append(f"repeat {_again(name, *vain)}")
        elif (givers := _givers(name)) and not any(name in one.forms for _, one in seen):
            found.append(f"make {givers[0].title}")
    return ", then ".join(dict.fromkeys(found))


def _again(name: str, whose: str, made: Made) -> str:
    asked = made.missing[name].partition("; ")[2].rstrip(".")
    return f"{procedures()[made.maker].title}{whose} for its {quantity_title(name)}{f' ({asked})' if asked else ''}"
