"""Take the logs of units in as they came from the bench: write down their SHA-256 on the day.

Run it when the logs are copied, before anything else is done with them. From then on `check` and the report name every
log that has changed, is gone or was added. What was written down is never replaced: a log that is exported again gets
a name of its own. The list is raw/UNIT/intake.sha256, which 'sha256sum -c' reads too.
"""

from __future__ import annotations

import argparse
import sys
from datetime import date

from ..errors import InputError, Problem
from ..logs.intake import NAME, changes, take_in, taken_in
from ..logs.unit_logs import hashes_of
from ..rendering.words import counted
from ._project import overrides, project


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("units", nargs="+", metavar="UNIT", help="units whose logs are taken in")
    parser.add_argument("--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings")


def run(args: argparse.Namespace) -> int:
    """Take the logs in and print what was new and what has changed."""
    found = project(overrides(args.config))
    status = 0
    for name in args.units:
        if name not in found.units:
            refused = found.refused.get(name)
            for problem in refused or ():
                print(problem, file=sys.stderr)
            if not refused:
                print(f"error: no such unit: {name}; there are: {', '.join(found.units) or 'none'}", file=sys.stderr)
            status = 2
            continue
        unit = found.units[name]
        present = hashes_of(unit.folder, unit.file.tests)
        try:
            before = taken_in(unit.folder, name)
            new = take_in(unit.folder, name, present, date.today())
        except InputError as error:
            for problem in error.problems:
                print(problem, file=sys.stderr)
            status = 2
            continue
        for log in (log for log, value in present.items() if value is None):
            print(Problem("the log cannot be read, so it was not taken in", file=f"{name}/{log}"), file=sys.stderr)
            status = 2
        changed = changes(before, name, {log: value for log, value in present.items() if log not in new})
        print(f"{name}: {counted(len(new), 'log')} taken in, {counted(len(before), 'log')} before ({NAME})")
        for problem in changed:
            print(f"  {problem}")
            status = max(status, 1)
    return status
