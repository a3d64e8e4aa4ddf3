"""Tell that a run would do nothing, without starting the workflow engine, which takes seconds to find that out.

After a run that made everything, a note beside the reports holds one hash over all that the rules depend on, as it
was before that run, and over size and time of every file made, the figures one by one. While both are the same there
is nothing to do: what was made is not read, so a change that keeps size and time is missed. Any
doubt (no note, a file missing, another version of a library) leaves the question to the engine.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import SimpleNamespace

from .jsonio import write_bytes
from .workflow import FIGURES, RunPlan

_RULES = ("read", "fit", "decide", "register", "compare")
_REGISTER = ("index.html", "bench.html", "models.html", "refused.json", "results.csv", "results.parquet")
_COMPARISON = ("comparison.json", "comparison.pdf")


def causes_of(plan: RunPlan) -> str:
    """Return a hash over everything that the files of a run are made from."""
    content = hashlib.sha256()
    for part in _causes(plan):
        content.update(json.dumps(part, sort_keys=True).encode())
    return content.hexdigest()


def is_settled(plan: RunPlan, causes: str) -> bool:
    """Tell whether all files of a run exist as they were made from ``causes``, what ``causes_of`` returned."""
    try:
        return _note(plan).read_text(encoding="utf-8") == _state(plan, causes)
    except OSError:
        return False


def settle(plan: RunPlan, causes: str) -> None:
    """Note that all files have been made from ``causes``, what ``causes_of`` returned before the run."""
    # Without a note the engine is asked again, and says what is amiss.
    with contextlib.suppress(FileNotFoundError):
        write_bytes(_note(plan), _state(plan, causes).encode())


def unsettle(plan: RunPlan) -> None:
    """Forget it, before a run changes any file."""
    _note(plan).unlink(missing_ok=True)


def _note(plan: RunPlan) -> Path:
    return plan.root / plan.reports / ".work" / "settled"


def _state(plan: RunPlan, causes: str) -> str:
    content = hashlib.sha256(causes.encode())
    for path in made_files(plan):
        found = path.stat()
        content.update(f"{path.name} {found.st_size} {found.st_mtime_ns}\n".encode())
    return content.hexdigest()


def _causes(plan: RunPlan) -> Iterator[object]:
    yield hashlib.sha256((plan.root / "Snakefile").read_bytes()).hexdigest()
    yield [plan.code(rule) for rule in _RULES]
    yield [plan.reports, plan.raw_settings, plan.refused, plan.signed, plan.archived, plan.comparisons]
    for name in plan.units:
        unit = SimpleNamespace(unit=name)
        yield [
            name,
            plan.folder(unit),
            plan.inputs(unit),
            plan.stamps(unit),
            plan.earlier(unit),
            plan.hashes(unit),
            plan.read_facts(unit),
            plan.configuration(unit),
        ]


def made_files(plan: RunPlan) -> Iterable[Path]:
    """Return every file and folder that a run makes."""
    reports = plan.root / plan.reports
    for name in plan.units:
        for path in (plan.root / path for path in plan.made(name)):
            yield path
            if path.name == FIGURES:
                yield from _within(path)
    yield from (reports / name for name in _REGISTER)
    for name in plan.comparisons:
        yield from (reports / "comparisons" / name / part for part in _COMPARISON)


def _within(folder: Path) -> list[Path]:
    """Return the files in a folder by name; a file that changes in place leaves the folder's own entry as it was."""
    try:
        return sorted(folder.iterdir())
    except OSError:  # the folder itself is looked at too, and missed
        return []
