"""The first page in words: the danger, what was decided, why, and the next step."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from ..decision.models import CriterionEntry, MainEntry, ProblemEntry, QuantityEntry, Results
from ..decision.reasons import titled
from ..procedures.base import Hint
from ..signs import unit_text
from . import numbers, words
from .not_computed import NotComputed, behind
from .symbols import before_unit
from .wording import maker, quantity_title

#: So many criteria are named and explained in the box; the others stand in the table below.
_MOST = 4


@dataclass(frozen=True)
class Summary:
    """What stands in the verdict's box: dangers first, then three lines, each of which may be empty."""

    dangers: Sequence[str]
    what: str
    why: str
    step: str


def summary(
    results: Results,
    givers: Mapping[str, Sequence[str]],
    hints: Mapping[str, Sequence[Hint]],
    vain: Mapping[str, Mapping[str, str]],
    uncomputed: Mapping[str, NotComputed] | None = None,
) -> Summary:
    """Return the box of a report: what removes a danger stands first in each line.

    ``givers`` are the titles of the tests that would give a quantity; ``hints`` what the tests of the unit and of its
    parts saw, by the name of the procedure; ``vain``, by quantity, the titles of the tests that were made for it and
    gave none, each with the reason; ``uncomputed``, by the name of a criterion, why what is computed from other
    quantities could not be.
    """
    dangers = list(dict.fromkeys(_sentence(problem.message) for problem in results.problems if problem.danger))
    by_decision = {word: [c for c in results.criteria if c.decision == word] for word in words.DECISIVE}
    failed, undecided, lacking = (by_decision[word] for word in words.DECISIVE[:3])
    dangerous = list(dict.fromkeys(problem.procedure for problem in results.problems if problem.danger))
    risky = {hint.quantity for name in dangerous for hint in hints.get(name or "", ())}
    behind = {*dangerous} - {None}
    failed.sort(key=lambda c: (c.quantity not in risky, not behind & _makers(results, c), not _seen(c)))
    shown = failed[:_MOST]
    perils = _failed([c for c in shown if c.quantity in risky], results, None)
    unjudged = _perils([c.quantity for c in shown], dangerous, hints)
    slips = _Slips(results)
    others = _failed([c for c in shown if c.quantity not in risky], results, slips)
    what, why, _ = ([*one, *two, *three] for one, two, three in zip(perils, unjudged, others, strict=True))
    first, step = [*perils[2], *unjudged[2]], others[2]
    if len(failed) > _MOST:
        more = len(failed) - _MOST
        what.append(f"and {more} more, below")
        why.append(f"and {more} more, in results.json")
        step.append(f"and {more} more, in results.json")
    for criterion in undecided[: max(_MOST - len(what), 0)]:
        title = titled(criterion)
        what.append(f"undecided: {_short(criterion, results.judged(criterion))}")
        stated = [advice.why for advice in criterion.advice or () if advice.why]
        why.append(f"{title}: {stated[0] if stated else 'the limit lies within the uncertainty of the value'}")
        steps = [advice.step for advice in criterion.advice or () if advice.step]
        if steps:
            step.append(f"{title}: {', or '.join(steps)}")
    untried = [c for c in lacking if not vain.get(c.quantity)]
    for made, criteria in _by_test(lacking, vain).items():
        named = ", ".join(titled(c) for c in criteria)
        what.append(f"no result: {named}")
        why += [f"{test} was made and gave no {named}: {reason}, see Problems" for test, reason in made]
        step.append(f"mend what the problems say of {', '.join(test for test, _ in made)}, then make it again")
    if untried:
        what.append(f"not measured: {', '.join(titled(c) for c in untried)}")
        tests = list(dict.fromkeys(title for c in untried for title in givers.get(c.quantity, ())))
        if tests:
            step.append(f"to decide the rest: {', '.join(tests)}")
        for (reason, todo, slip), titles in _together(untried, uncomputed or {}, slips).items():
            why.append(f"{titles}: {reason}")
            step += [f"{titles}: {todo}"] if todo and not slip else []
    if first and step:
        # A reader goes from left to right: nothing before the danger is gone may ask for power.
        step[0] = f"only when the danger is gone, {step[0]}"
    return Summary(dangers, _line(what), _line([*slips.why, *why]), _line([*first, *slips.steps, *step]))


def _together(
    untried: Sequence[CriterionEntry], uncomputed: Mapping[str, NotComputed], slips: _Slips
) -> dict[tuple[str, str, bool], str]:
    """Return the titles of what could not be computed, by why, what to do and whether a slip may be behind it."""
    found: dict[tuple[str, str, bool], list[str]] = {}
    for criterion in untried:
        if one := uncomputed.get(criterion.name):
            found.setdefault((one.why, one.step, slips.touch(criterion)), []).append(titled(criterion))
    return {key: ", ".join(titles) for key, titles in found.items()}


def _by_test(
    lacking: Sequence[CriterionEntry], vain: Mapping[str, Mapping[str, str]]
) -> dict[tuple[tuple[str, str], ...], list[CriterionEntry]]:
    """Return the criteria whose tests were made in vain, together where tests and reasons are the same."""
    found: dict[tuple[tuple[str, str], ...], list[CriterionEntry]] = {}
    for criterion in lacking:
        if made := vain.get(criterion.quantity):
            found.setdefault(tuple(made.items()), []).append(criterion)
    return found


class _Slips:
    """The slips that the readings look like, and what may rest on which of them."""

    def __init__(self, results: Results) -> None:
        self._results = results
        # One whose column is known is of more help.
        self._found = sorted((p for p in results.problems if p.slip), key=lambda problem: problem.column is None)
        self._resting: list[tuple[ProblemEntry, str]] = []

    def touch(self, criterion: CriterionEntry) -> bool:
        """Tell whether a criterion's value may rest on a slip, and note it."""
        makers = behind(criterion, self._results) if self._found else set()
        likely = next((one for one in self._found if one.procedure is None or one.procedure in makers), None)
        if likely is not None:
            self._resting.append((likely, titled(criterion)))
        return likely is not None

    @property
    def why(self) -> list[str]:
        """Return what may rest on which slip."""
        found: dict[str, list[str]] = {}
        for likely, title in self._resting:
            found.setdefault(likely.slip or "", []).append(title)
        return [f"{', '.join(titles)}: may rest on a slip: {likely}" for likely, titles in found.items()]

    @property
    def steps(self) -> list[str]:
        """Return what to do about the slips that something may rest on."""
        return list(dict.fromkeys(_mending(likely) for likely, _ in self._resting))


def _mending(slip: ProblemEntry) -> str:
    log = (slip.file or "").rpartition("/")[2]
    where = " of ".join(filter(None, [slip.column, log])) or "these readings"
    return f"look at unit and scale of {where}; if it is the slip, put it right there or in unit.yaml, and report again"


def _failed(
    criteria: Sequence[CriterionEntry], results: Results, slips: _Slips | None
) -> tuple[list[str], list[str], list[str]]:
    """Return what, why and what to do for each criterion that is not met; where no test tells, it says so.

    A slip that a value may rest on comes before what the trade does about such a value.
    """
    what: list[str] = []
    why: list[str] = []
    step: list[str] = []
    for criterion in criteria:
        title, advice = titled(criterion), criterion.advice or ()
        what.append(_short(criterion, results.judged(criterion)))
        if slips is not None and slips.touch(criterion) and not _seen(criterion):
            continue
        why += [f"{title}: {one.why}" for one in advice if one.why] or [f"{title}: no test shows why"]
        step += [f"{title}: {one.step}" for one in advice if one.step] or [f"{title}: no test says what to do"]
    return what, why, step


def _perils(
    told: Collection[str], dangerous: Sequence[str | None], hints: Mapping[str, Sequence[Hint]]
) -> tuple[list[str], list[str], list[str]]:
    """Return what, why and what to do for each danger that no criterion in ``told`` speaks of."""
    what: list[str] = []
    why: list[str] = []
    step: list[str] = []
    for name in dangerous:
        seen = hints.get(name or "", ())
        for hint in seen:
            if hint.quantity not in told:
                title = quantity_title(hint.quantity)
                what.append(f"danger: {title}")
                why.append(f"{title}: {hint.why}")
                step += [f"{title}: {hint.step}"] if hint.step else []
        if not seen:
            # Nothing but the sentence itself says what to do.
            title = maker(name) if name else "this unit"
            what.append(f"danger: {title}")
            why.append(f"{title}: see the danger above")
            step.append(f"{title}: do as the danger above says")
    return list(dict.fromkeys(what)), list(dict.fromkeys(why)), list(dict.fromkeys(step))


def _makers(results: Results, criterion: CriterionEntry) -> set[str | None]:
    """Return the procedures behind the value that a criterion was decided on."""
    entry = results.judged(criterion)
    together = entry.consistency if isinstance(entry, MainEntry) else None
    return {entry.procedure if entry else None, *(test.procedure for test in (together.tests if together else ()))}


def _seen(criterion: CriterionEntry) -> bool:
    """Tell whether a test saw what explains that the criterion is not met, beyond the reason for its limit."""
    return any(advice.why and advice.why != criterion.reason for advice in criterion.advice or ())


def _short(criterion: CriterionEntry, entry: QuantityEntry | None) -> str:
    """Return "Resistance unbalance 3.51 %, limit at most 3 %"."""
    title, limits = titled(criterion), words.limits_text(criterion)
    if entry is None:
        return f"{title}, limit {limits}"
    unit = unit_text(entry.unit)
    ends = [end for end in (criterion.min, criterion.max) if end is not None]
    return f"{title} {numbers.against(entry.value, ends, 3)}{before_unit(unit)}{unit}, limit {limits}"


def _line(parts: Sequence[str]) -> str:
    return _sentence("; ".join(part.rstrip(".") for part in parts)) if parts else ""


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:].rstrip('.')}."
