"""Whether a unit's results are those of its files, settings and software as they are now."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..errors import Problem
from ..files import sha256
from .record import Evidence
from .software import code_hash, software


def stale(
    evidence: Evidence,
    stages: Mapping[str, str],
    *,
    inputs: Mapping[str, Path],
    configuration: Mapping[str, Any],
    made: Mapping[str, Path],
) -> list[Problem]:
    """Return why the results that ``evidence`` belongs to may not be signed: what has changed since.

    ``stages`` are the hashes that ``stage_hashes`` gave when the report was made. ``inputs`` and ``made`` are the
    present paths of the files by the names used in both.
    """
    problems = []
    recorded = evidence.inputs
    for name in sorted({*recorded, *inputs}):
        path = inputs.get(name)
        if path is None or not path.is_file():
            problems.append(Problem("the file that the report was made from is gone", name))
        elif name not in recorded:
            problems.append(Problem("the report was made without this file", name))
        elif sha256(path) != recorded[name]:
            problems.append(Problem("the file has changed since the report was made", name))
    for name, digest in sorted({**evidence.outputs, **stages}.items()):
        path = _made(name, made)
        if path is None or not path.is_file() or sha256(path) != digest:
            problems.append(Problem("the file is not the one that the report was made with", name))
    if evidence.configuration != configuration:
        problems.append(Problem("the settings have changed since the report was made", evidence.unit))
    if evidence.code_sha256 != code_hash():
        problems.append(Problem("the program's own code has changed since the report was made", evidence.unit))
    now, then = software(), evidence.software
    changed = sorted(name for name in {*now, *then} if now.get(name) != then.get(name))
    if changed:
        what = ", ".join(changed)
        problems.append(Problem(f"other versions are installed than the report was made with: {what}", evidence.unit))
    if problems:
        problems.append(Problem(f"run 'make report UNIT={evidence.unit}' again, look at it, then sign"))
    return problems


def _made(name: str, made: Mapping[str, Path]) -> Path | None:
    folder, _, rest = name.partition("/")
    if name in made:
        return made[name]
    return made[folder] / rest if folder in made and rest and "/" not in rest else None
