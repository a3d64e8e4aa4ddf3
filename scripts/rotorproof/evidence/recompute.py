"""Run the workflow again from archived inputs and compare every number with the archived results."""

from __future__ import annotations

import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from ..decision.digits import step
from ..errors import InputError, Problem
from .software import ROOT

#: A number that differs by no more steps of its last digit, as it is written, is the same one computed on another
#: processor: it fell on the other side of a half. The rest is the rounding of the difference itself.
STEPS = 1.001


@dataclass(frozen=True)
class Recomputed:
    """The outcome: numbers compared, whether the file is the same to the byte, and the differences in words."""

    numbers: int
    identical: bool
    differences: list[str]


def recompute(
    unit: str, sources: Mapping[str, bytes | Path], configuration: Mapping[str, Any], results: Mapping[str, Any]
) -> Recomputed:
    """Compute ``results.json`` again with the software that is installed, in a folder of its own.

    ``sources`` are all inputs by their names in the evidence, ``configuration`` is what the evidence holds.
    Raises ``InputError`` when the workflow cannot give results.
    """
    with tempfile.TemporaryDirectory(prefix="rotorproof-") as name:
        root = Path(name)
        _lay_out(root, unit, sources, configuration)
        target = root / "reports" / unit / "results.json"
        command = [sys.executable, str(root / "scripts" / "engine.py"), "--snakefile", str(root / "Snakefile")]
        command += [
            "--directory",
            str(root),
            "--cores",
            "1",
            "--nocolor",
            "--quiet",
            "--",
            f"reports/{unit}/results.json",
        ]
        environment = {**os.environ, "PYTHONPATH": str(root / "scripts")}
        done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
        if done.returncode != 0 or not target.is_file():
            last = [line for line in (done.stdout + done.stderr).splitlines() if line.strip()][-3:]
            raise InputError(Problem(f"the results cannot be computed again: {' / '.join(last)}"))
        again = json.loads(target.read_bytes())
    numbers = sum(1 for _ in _numbers(results))
    return Recomputed(numbers, again == results, list(_differences(results, again, "", None)))


def _lay_out(root: Path, unit: str, sources: Mapping[str, bytes | Path], configuration: Mapping[str, Any]) -> None:
    shutil.copyfile(ROOT / "Snakefile", root / "Snakefile")
    for folder in ("scripts", "templates"):
        (root / folder).symlink_to(ROOT / folder, target_is_directory=True)
    if (ROOT / "rules").is_dir():
        (root / "rules").symlink_to(ROOT / "rules", target_is_directory=True)
    for name, content in sources.items():
        parts = PurePosixPath(name).parts
        if name.startswith("/") or ".." in parts or parts[0] not in (unit, "config"):
            raise InputError(Problem("the evidence names a file outside the unit and the settings", name))
        target = root / name if parts[0] == "config" else root / "raw" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(content, Path):
            shutil.copyfile(content, target)
        else:
            target.write_bytes(content)
    # The settings in force: the file with what the command line changed. Other units are not here to compare with.
    settings = {key: value for key, value in configuration["settings"].items() if key != "comparisons"}
    (root / "config").mkdir(exist_ok=True)
    (root / "config" / "config.yaml").write_text(json.dumps(settings), encoding="utf-8")


def _numbers(data: Any) -> Iterator[float]:
    if isinstance(data, Mapping):
        for value in data.values():
            yield from _numbers(value)
    elif isinstance(data, list):
        for value in data:
            yield from _numbers(value)
    elif isinstance(data, int | float) and not isinstance(data, bool):
        yield data


def _differences(old: Any, new: Any, where: str, uncertainty: float | None) -> Iterator[str]:
    """Yield one sentence per value that is not the same in both."""
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        own = old.get("standard_uncertainty", uncertainty) if "value" in old else uncertainty
        for key in sorted({*old, *new}, key=str):
            place = f"{where}.{key}" if where else str(key)
            if key not in new:
                yield f"{place}: archived, but not found again"
            elif key not in old:
                yield f"{place}: found now, but not archived"
            else:
                yield from _differences(old[key], new[key], place, own)
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield f"{where}: {len(old)} entries archived, {len(new)} found now"
        for number, (one, other) in enumerate(zip(old, new, strict=False)):
            yield from _differences(one, other, f"{where}[{number}]", uncertainty)
    elif _is_number(old) and _is_number(new):
        name = where.rpartition(".")[2].partition("[")[0]
        room = STEPS * max(step(name, number, uncertainty) for number in (old, new))
        if not math.isclose(old, new, rel_tol=0.0, abs_tol=room):
            yield f"{where}: {old!r} archived, {new!r} found now"
    elif old != new:
        yield f"{where}: {old!r} archived, {new!r} found now"


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
