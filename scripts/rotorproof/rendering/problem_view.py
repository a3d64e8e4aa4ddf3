"""The problems of a unit as the report prints them: errors first, those of one place and kind together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..columns import COLUMNS
from ..decision.models import ProblemEntry
from . import words
from .wording import maker


@dataclass(frozen=True)
class ProblemView:
    """What went wrong in one place, ready to print."""

    severity: str
    place: str
    procedure: str
    messages: Sequence[str]


def problem_views(problems: Sequence[ProblemEntry]) -> list[ProblemView]:
    """Return the ``problems`` of ``results.json`` ready to print."""
    grouped: dict[tuple[str, str, str], list[str]] = {}
    for kind in words.SEVERITY:
        for problem in problems:
            if problem.severity != kind:
                continue
            procedure = maker(problem.procedure) if problem.procedure else ""
            messages = grouped.setdefault((kind, _place(problem), procedure), [])
            if problem.message not in messages:
                messages.append(problem.message)
    return [ProblemView(*key, _joined(messages)) for key, messages in grouped.items()]


def _joined(messages: Sequence[str]) -> list[str]:
    """Return messages, those that say the same of several things as one: "A: why", "B: why" as "A, B: why"."""
    things: dict[str, list[str]] = {}
    for message in messages:
        thing, _, why = message.partition(": ")
        things.setdefault(why or message, []).append(thing if why else "")
    return [f"{', '.join(named)}: {why}" if all(named) else why for why, named in things.items()]


def _place(problem: ProblemEntry) -> str:
    files = (problem.file or "").split(", ")
    if len(files) > 1:
        # All of them, but the folder once.
        folder, _, _ = files[0].rpartition("/")
        others = [name.removeprefix(f"{folder}/") for name in files[1:]]
        problem = problem.model_copy(update={"file": ", ".join([files[0], *others])})
    key = problem.column or ""
    if key in COLUMNS and COLUMNS[key].title != key:
        return words.place(problem.model_copy(update={"column": f"{key} ({COLUMNS[key].title})"}))
    return words.place(problem)
