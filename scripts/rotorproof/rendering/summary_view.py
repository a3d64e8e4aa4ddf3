"""The first page in words: the danger, what was decided, why, and the next step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ..decision.models import CriterionEntry, MainEntry, QuantityEntry, Results
from ..decision.reasons import titled
from ..signs import unit_text
from . import numbers, words
from .symbols import before_unit

#: So many criteria are named in the box, and so many explained; the others stand in the table below.
_MOST, _EXPLAINED = 4, 3


@dataclass(frozen=True)
class Summary:
    """What stands in the verdict's box: dangers first, then three lines, each of which may be empty."""

    dangers: Sequence[str]
    what: str
    why: str
    step: str


def summary(results: Results, givers: Mapping[str, Sequence[str]]) -> Summary:
    """Return the box of a report. ``givers`` are the titles of the tests that would give a quantity."""
    dangers = list(dict.fromkeys(_sentence(problem.message) for problem in results.problems if problem.danger))
    by_decision = {word: [c for c in results.criteria if c.decision == word] for word in words.DECISIVE}
    failed, undecided, lacking = (by_decision[word] for word in words.DECISIVE[:3])
    dangerous = {problem.procedure for problem in results.problems if problem.danger}
    failed.sort(key=lambda c: (not dangerous & _makers(results, c), not _seen(c)))
    what, why, step = [], [], []
    for number, criterion in enumerate(failed[:_MOST]):
        title = titled(criterion)
        what.append(_short(criterion, results.judged(criterion)))
        for advice in (criterion.advice or ())[: number < _EXPLAINED]:
            why += [f"{title}: {advice.why}"] if advice.why else []
            step += [f"{title}: {advice.step}"] if advice.step else []
    if len(failed) > _MOST:
        what.append(f"and {len(failed) - _MOST} more, below")
    for criterion in undecided[: _MOST - len(what)]:
        title = titled(criterion)
        what.append(f"undecided: {_short(criterion, results.judged(criterion))}")
        stated = [advice.why for advice in criterion.advice or () if advice.why]
        why.append(f"{title}: {stated[0] if stated else 'the limit lies within the uncertainty of the value'}")
        steps = [advice.step for advice in criterion.advice or () if advice.step]
        if steps:
            step.append(f"{title}: {', or '.join(steps)}")
    if lacking:
        named = ", ".join(titled(c) for c in lacking)
        what.append(f"not measured: {named}")
        tests = list(dict.fromkeys(title for c in lacking for title in givers.get(c.quantity, ())))
        if tests:
            step.append(f"to decide the rest: {', '.join(tests)}")
    return Summary(dangers, _line(what), _line(why), _line(step))


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
