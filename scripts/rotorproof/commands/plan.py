"""Make printable bench sheets for the tests of a unit: reports/plans/UNIT/*.pdf.

One sheet for each test in a safe order: wiring, set values with their limits, steps with cautions in place, what to
expect, what would be wrong, blanks to fill in, and the columns to log. The overview says before anything is measured
whether the instruments named in unit.yaml can decide the criteria at all, and which one falls short. The unit needs no
logs yet. What is wrong in unit.yaml is said as by the check, and the exit status is then 1.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from ..checking.missing import missing
from ..errors import InputError, Problem
from ..planning.next_best import next_best
from ..planning.rehearsal import rehearse
from ..planning.sheet import known_lines, planned, sheet, situation
from ..procedures import procedures
from ..rendering.words import counted
from ..settings.folder import SettingsFolder
from ..settings.load import (
    another_kind,
    load_settings,
    load_unit,
    load_unit_file,
    no_such_part,
    not_meant,
    unfit_parts,
)
from ..settings.run import RunSettings
from ..units import parse
from ._project import ROOT, overrides


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("units", nargs="*", metavar="UNIT", help="units to plan (default: all)")
    parser.add_argument("--supply-voltage", metavar="VALUE", help="highest voltage of the bench supply: '30 V'")
    parser.add_argument("--supply-current", metavar="VALUE", help="highest current of the bench supply: '5 A'")
    parser.add_argument("--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings")


def run(args: argparse.Namespace) -> int:
    """Write the sheets of each unit."""
    settings = load_settings(ROOT / "config" / "config.yaml", overrides(args.config))
    bench = {}
    for name, kind in (("supply_voltage", "voltage"), ("supply_current", "current")):
        text = getattr(args, name)
        if text is not None:
            try:
                bench[name] = parse(text, kind).value
            except ValueError as error:
                raise InputError(Problem(f"--{name.replace('_', '-')}: {error}")) from None
    raw = ROOT / settings.raw_dir
    there = sorted(path.name for path in raw.iterdir() if (path / "unit.yaml").is_file()) if raw.is_dir() else []
    unknown = [name for name in args.units if name not in there]
    if unknown:
        raise InputError(Problem(f"no such unit: {', '.join(unknown)}; there are: {', '.join(there) or 'none'}"))
    failed = False
    for name in args.units or there:
        try:
            wrong = _plan(name, raw / name, settings, bench)
        except InputError as error:
            wrong = list(error.problems)
        failed = failed or bool(wrong)
        for problem in wrong:
            print(problem, file=sys.stderr)
    if not there:
        print("raw/ holds no units yet; 'make unit' makes one")
    return 1 if failed else 0


def _plan(name: str, folder: Path, settings: RunSettings, bench: dict[str, float]) -> list[Problem]:
    """Write the sheets of a unit and return what is wrong in its file; raise ``InputError`` where none can be made."""
    from ..rendering.plan import render_plan

    # A draft whose logs and conditions are still open can be planned: only the file itself must be sound.
    config, shown = SettingsFolder(ROOT / "config"), f"{name}/unit.yaml"
    _, file = load_unit_file(folder, config, shown)
    wrong = _wrong(folder, config, shown, settings)
    if file.parts and not file.tests:
        print(f"{name}: made of {' and '.join(file.parts.roles.values())}, whose own sheets hold its tests")
        return wrong
    known_tests = [test for test in file.tests if test.procedure in procedures()]
    if file.tests and not known_tests:
        raise InputError(wrong)
    file = file.model_copy(update={"tests": known_tests})
    if file.acceptance is not None and not config.has("acceptance", file.acceptance):
        raise InputError(wrong)
    limits = None if file.acceptance is None else config.acceptance(file.acceptance)
    tests = planned(file, limits)
    if not tests:
        nothing = Problem("no test to plan: list tests in unit.yaml or name an acceptance set", shown)
        raise InputError(wrong or nothing)
    known = situation(file, settings, bench, limits)
    rehearsed = rehearse(file, tests, known, settings.coverage_probability) if limits is not None else {}
    steps = next_best(file, tests, limits, settings, known, rehearsed)
    sheets = [
        sheet(file, procedure, limits, settings, known, rehearsed.get(procedure.name), steps=steps)
        for procedure in tests
    ]
    paths = render_plan(
        ROOT / settings.reports_dir / "plans" / name,
        unit={"unit": file.unit, "kind": file.kind, "model": file.model, "serial": file.serial},
        sheets=sheets,
        missing=missing(file, limits) if file.tests else [],
        known=known_lines(known),
        probability=settings.coverage_probability,
    )
    short = [row for entry in sheets for row in entry["capabilities"] if row["decides"] == "no:"]
    print(f"{name}: {counted(len(sheets), 'sheet')} in {paths[0].parent}")
    for row in short:
        print(f"  {row['title']}: {row['words']}")
        for step in row["steps"]:
            print(f"    {step}")
    return wrong


def _wrong(folder: Path, config: SettingsFolder, shown: str, settings: RunSettings) -> list[Problem]:
    """Return what the check refuses in the unit's file, but for what a draft may leave open."""
    try:
        unit = load_unit(folder, config, shown, draft=True)
    except InputError as error:
        return list(error.problems)

    def why(role: str, part: str) -> str | None:
        there = [path.name for path in folder.parent.iterdir() if path.is_dir() and path != folder]
        if part not in there:
            return no_such_part(part, there, settings.raw_dir)
        try:
            return another_kind(load_unit_file(folder.parent / part, config, f"{part}/unit.yaml")[1].kind, role)
        except InputError as error:
            return f"cannot be read ({error.problems[0].message})"

    return [*not_meant(unit, settings), *unfit_parts(unit, why)]
