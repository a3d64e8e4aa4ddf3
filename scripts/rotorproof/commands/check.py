"""Check everything in raw/ in seconds, without fitting.

Reads every unit.yaml and every log, names each cell that cannot be used, says how long each log is and whether it
looks plausible (a unit wrong by a thousand, degrees for radians, an inverted or clipped channel, too few samples, a
copy of another log), and lists what is missing for the acceptance set. The exit status is 1 if anything cannot be
used; warnings alone leave it 0.
"""

from __future__ import annotations

import argparse
import json
import sys
from datetime import date

from ..checking.copies import hashes_of, of_other_units
from ..checking.unit_check import LogCheck, UnitCheck, check_unit
from ..errors import Problem
from ..rendering.words import counted
from ..settings.load import Unit
from ._project import overrides, project


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("units", nargs="*", metavar="UNIT", help="units to check (default: all)")
    parser.add_argument("--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings")
    parser.add_argument("--json", action="store_true", help="print what was found as JSON")


def run(args: argparse.Namespace) -> int:
    """Check the units and print what was found."""
    found = project(overrides(args.config))
    names = [*found.units, *found.refused]
    unknown = [name for name in args.units if name not in names]
    if unknown:
        print(f"error: no such unit: {', '.join(unknown)}; there are: {', '.join(names) or 'none'}", file=sys.stderr)
        return 2
    wanted = args.units or sorted(names)
    refused = {name: found.refused[name] for name in wanted if name in found.refused}
    hashes = hashes_of(found.units.values())
    today = date.today()
    checks = [
        check_unit(found.units[name], found.parts(name), hashes=hashes, today=today)
        for name in wanted
        if name in found.units
    ]
    shared = of_other_units(found.units.values(), hashes)
    errors = [*found.problems, *(problem for problems in refused.values() for problem in problems)]
    for check in checks:
        unit = found.units[check.unit]
        earlier = _wrong_with_earlier(unit)
        check.problems += [*shared.get(check.unit, []), *earlier]
        errors += earlier
    errors += [p for check in checks for log in check.logs for p in log.problems if p.severity == "error"]
    if args.json:
        print(json.dumps(_json(checks, refused, found.problems), indent=2))
        return 1 if errors else 0
    for problem in [*found.problems, *found.batches]:
        print(problem)
    for check in checks:
        _print(check)
    for name, problems in refused.items():
        print(f"{name}: cannot be used")
        for problem in problems:
            print(f"    {problem}")
    if not names and not found.problems and not found.batches:
        print("raw/ holds no units yet; 'make unit' makes one")
    noted = [p for check in checks for p in [*check.problems, *(p for log in check.logs for p in log.problems)]]
    warnings = sum(problem.severity == "warning" for problem in noted)
    counts = f"{counted(len(errors), 'error')}, {counted(warnings, 'warning')}"
    print(f"{counted(len(wanted), 'unit')} checked: {counts}")
    return 1 if errors else 0


def _wrong_with_earlier(unit: Unit) -> list[Problem]:
    """Return what is wrong with the results of earlier tests that a unit names."""
    if not unit.file.earlier:
        return []
    # The models of results take a twelfth of a check to build, and few units name any.
    from ..decision.earlier import earlier_tests

    return earlier_tests(unit.file, unit.folder)[1]


def _print(check: UnitCheck) -> None:
    print(f"{check.unit} ({check.kind}, acceptance {check.acceptance or 'none'})")
    for log in check.logs:
        print(f"  {log.procedure}: {log.log}{_extent(log)}")
        for problem in log.problems:
            print(f"    {problem}")
    for problem in check.problems:
        print(f"  {problem}")
    if check.parts:
        print(f"  made of {' and '.join(check.parts)}{'' if check.logs else '; no tests of its own'}")
    elif not check.logs:
        print("  no tests listed in unit.yaml yet")
    for line in check.missing:
        print(f"  missing: {line}")


def _extent(log: LogCheck) -> str:
    if not log.rows:
        return ""
    parts = [f"{log.rows} rows", f"{len(log.columns)} columns"]
    if log.duration is not None:
        parts.append(f"{log.duration:.4g} s")
    if log.sample_rate is not None:
        parts.append(f"{log.sample_rate:.4g} Hz")
    state = "" if log.problems else ", looks plausible"
    return f": {', '.join(parts)}{state}"


def _json(checks: list[UnitCheck], refused: dict[str, list[Problem]], problems: list[Problem]) -> dict[str, object]:
    return {
        "units": [
            {
                "unit": check.unit,
                "kind": check.kind,
                "acceptance": check.acceptance,
                "logs": [log.as_json() for log in check.logs],
                "problems": [problem.as_json() for problem in check.problems],
                "missing": check.missing,
            }
            for check in checks
        ],
        "refused": {name: [problem.as_json() for problem in found] for name, found in refused.items()},
        "problems": [problem.as_json() for problem in problems],
    }
