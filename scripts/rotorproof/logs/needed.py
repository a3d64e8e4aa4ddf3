"""Which columns a procedure needs and a log does not have, and which a log has that nobody knows."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Sequence

from ..columns import COLUMNS
from ..errors import Problem
from ..procedures.base import Procedure
from ..settings.layout import Layout
from .mapping import PROPOSED, header, headings

_NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?")
#: A head in ohms, as a meter or its reader writes them.
_OHMS = re.compile(r"ohms?\b|[\u03a9\u2126]", re.IGNORECASE)
#: How many unknown columns are listed by name.
_LISTED = 8
#: What is said of columns that nobody knows, one with a likely name and the others.
_LEFT_OUT, _NOT_KNOWN = "no column of this name is known, so it is left out", "not known and"


def missing_columns(procedure: Procedure, present: Collection[str], names: Sequence[str], shown: str) -> list[Problem]:
    """Return a problem for each required column that is not ``present``; ``names`` is what the log itself has."""
    lacking = []
    for item in procedure.required_columns:
        alternatives = (item,) if isinstance(item, str) else item
        if not any(name in present for name in alternatives):
            lacking.append(alternatives)
    # Where the layout says that there is no header, the columns are named by their numbers.
    numbered = list(names) == [str(number) for number in range(1, len(names) + 1)]
    if lacking and not present and not numbered and all(_NUMBER.fullmatch(name.strip()) for name in names):
        return [
            Problem(
                "the log has no header: its first row holds numbers where the names of the columns must stand, each as "
                "'name [unit]'",
                file=shown,
                procedure=procedure.name,
            )
        ]
    headers = dict(zip(_bare(names), names, strict=True))
    others = [name for name in headers if name not in COLUMNS]
    problems: list[Problem] = []
    for alternatives in lacking:
        several = len(alternatives) > 1
        what = f"one of the columns {', '.join(alternatives)}" if several else f"the column {alternatives[0]}"
        if procedure.no_ohms and any(_OHMS.search(name) for name in names):
            read = "" if problems else f" (found: {headings(names)})"
            words = f"{procedure.name} needs {what}; {procedure.no_ohms}{read}"
            problems.append(Problem(words, file=shown, column=alternatives[0], procedure=procedure.name))
            continue
        near = [match for name in alternatives for match in difflib.get_close_matches(name, others, 1, 0.7)]
        other = f"if {headers[near[0]].strip()!r} is meant, rename it; else " if near else ""
        # What was found is said once, and only where a layout could make something of it.
        found = "" if problems or numbered or not others else f" (found: {headings(names)}; {PROPOSED})"
        problems.append(
            Problem(
                f"{procedure.name} needs {what}; {other}add it to the log or map it in the layout{found}",
                file=shown,
                column=alternatives[0],
                procedure=procedure.name,
            )
        )
    return problems


def _bare(names: Sequence[str]) -> list[str]:
    """Return the names of columns without their units."""
    return [(header(name) or (name.strip(), None))[0] for name in names]


def unknown_columns(procedure: Procedure, names: Sequence[str], layout: Layout, shown: str) -> list[Problem]:
    """Return a warning on columns that no procedure knows: what is misspelt is read as if it were not there.

    A column without a unit and far from any known name (remarks, numbers of rows) is taken for the writer's own. Where
    a layout names the columns, the others are left out on purpose.
    """
    if layout.columns is not None:
        return []
    bare = _bare(names)
    absent = [name for name in procedure.columns() if name not in bare]
    problems: list[Problem] = []
    others: list[str] = []
    for name, written in zip(bare, names, strict=True):
        if name in COLUMNS or not name or _NUMBER.fullmatch(name):
            continue
        near, mapped = difflib.get_close_matches(name.lower().replace(" ", "_"), absent, 1, 0.8), ""
        if not near and len(problems) < _LISTED and (meant := _meant(name, written)) in absent:
            near, mapped = [meant], f" Then rename it to {meant!r}, or map it in a layout ({PROPOSED})"
        if near:
            problems.append(
                Problem(
                    f"{_LEFT_OUT}; did you mean {near[0]}?{mapped}",
                    file=shown,
                    column=name,
                    severity="warning",
                    procedure=procedure.name,
                )
            )
        elif "[" in written:
            others.append(name)
    if others:
        more = f" and {len(others) - _LISTED} more" if len(others) > _LISTED else ""
        listed = ", ".join(repr(name[:60]) for name in others[:_LISTED])
        problems.append(
            Problem(
                f"the columns {listed}{more} are {_NOT_KNOWN} are left out"
                if len(others) > 1
                else f"the column {listed} is {_NOT_KNOWN} is left out",
                file=shown,
                severity="warning",
                procedure=procedure.name,
            )
        )
    return problems


def _meant(name: str, written: str) -> str | None:
    """Return the column that a layout proposed for the log would surely take a head for, by its name and unit."""
    from .headings import SURE, recognised  # few logs need its patterns

    if recognised(name).canonical is None:
        return None  # the unit library, which takes long to start, is not asked
    found = recognised(written)
    return found.canonical if found.sure == SURE else None


def leaves_out(problem: Problem) -> bool:
    """Tell whether a problem is one of ``unknown_columns``: readings of the log are not seen."""
    return problem.message.startswith(_LEFT_OUT) or f" {_NOT_KNOWN} " in problem.message
