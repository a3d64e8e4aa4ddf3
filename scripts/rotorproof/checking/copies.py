"""One recording behind two tests: a log copied in place of another, or exported twice."""

from __future__ import annotations

import contextlib
from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import Problem
from ..files import sha256
from ..settings.unit import Test, UnitFile

if TYPE_CHECKING:
    from ..settings.load import Unit


#: Logs that two units share are named one by one up to so many.
_NAMED_EACH = 2


def repeated(unit: UnitFile, hashes: Mapping[str, str]) -> list[Problem]:
    """Return a warning for each test whose log another test of its procedure has, to the byte.

    ``hashes`` holds the SHA-256 of each log. Other windows, or other layouts, take other readings from one recording,
    and tests of two procedures may share one: neither is a copy.
    """
    first: dict[tuple[str, str, str, str], Test] = {}
    problems = []
    for test in unit.tests:
        if test.log not in hashes:
            continue
        key = (test.procedure, hashes[test.log], test.layout, str(test.window))
        other = first.setdefault(key, test)
        if other is not test:
            of = f" ({other.label})" if other.label else ""
            problems.append(
                Problem(
                    f"holds the same readings, to the byte, as {other.log}{of} of the same procedure: is one of them a "
                    "copy in the wrong place? Put each test's own log there",
                    f"{unit.unit}/{test.log}",
                    severity="warning",
                    procedure=test.procedure,
                )
            )
    return problems


def hashes_of(units: Iterable[Unit]) -> dict[Path, str]:
    """Return the SHA-256 of every log that has the length of another one; the others are no copies.

    One that cannot be read is left out: what reads it says so.
    """
    by_size: dict[int, set[Path]] = defaultdict(set)
    for unit in units:
        for test in unit.file.tests:
            path = unit.folder / test.log
            if path.is_file():
                by_size[path.stat().st_size].add(path)
    found = {}
    for path in (path for size, paths in by_size.items() if size and len(paths) > 1 for path in sorted(paths)):
        with contextlib.suppress(OSError):
            found[path] = sha256(path)
    return found


def of_this_unit(unit: Unit, hashes: Mapping[Path, str]) -> list[Problem]:
    """Return what ``repeated`` finds with hashes by path; a log without one is a copy of none but itself."""
    logs = {test.log: unit.folder / test.log for test in unit.file.tests}
    return repeated(unit.file, {log: hashes.get(path, f"alone {log}") for log, path in logs.items() if path.is_file()})


def of_other_units(units: Iterable[Unit], hashes: Mapping[Path, str]) -> dict[str, list[Problem]]:
    """Return by unit a warning for each log that a unit of the same kind has too, for the same procedure.

    Of two units that share many logs that is said once.
    """
    first: dict[tuple[str, str, str, str, str], tuple[str, str]] = {}
    problems: dict[str, list[Problem]] = defaultdict(list)
    for unit in units:
        shared: dict[str, list[tuple[Test, str]]] = defaultdict(list)
        for test in unit.file.tests:
            value = hashes.get(unit.folder / test.log)
            if value is None:
                continue
            key = (unit.file.kind, test.procedure, value, test.layout, str(test.window))
            name, log = first.setdefault(key, (unit.file.unit, test.log))
            if name != unit.file.unit:
                shared[name].append((test, log))
        for name, pairs in shared.items():
            problems[unit.file.unit] += _shared(unit.file, name, pairs)
    return problems


def _shared(unit: UnitFile, other: str, pairs: list[tuple[Test, str]]) -> list[Problem]:
    """Return what is said of logs that two units share; each comes with the name that it has in the ``other``."""
    if len(pairs) > _NAMED_EACH:
        logs = list(dict.fromkeys(test.log for test, _ in pairs))
        return [
            Problem(
                f"{len(pairs)} of {len(unit.tests)} tests hold the same readings, to the byte, as those of {other} "
                f"({', '.join(logs)}): is the folder a copy of the other unit's? Put each unit's own logs there",
                f"{unit.unit}/",
                severity="warning",
            )
        ]
    return [
        Problem(
            f"holds the same readings, to the byte, as {other}/{log}: is it the log of the other unit? Put "
            "each unit's own log there",
            f"{unit.unit}/{test.log}",
            severity="warning",
            procedure=test.procedure,
        )
        for test, log in pairs
    ]
