"""Set units side by side: all comparisons of config/config.yaml, those named, or the units given with --units.

Makes the reports of their units first where these are new or have changed, then reports/comparisons/NAME with
comparison.json and comparison.pdf. The exit status is 0 when every comparison could be made, 1 when one could not,
and 2 when the settings cannot be used.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from ..decision.models import Comparison, PairEntry
from ..errors import InputError, Problem
from ..quantities import quantities
from ..rendering.words import choice_words, counted
from ..signs import number_text, value_text
from ..workflow import RunPlan
from ._project import ROOT, overrides
from ._workflow import BusyError, run_workflow

#: Of the name of a comparison, which is that of a folder (``settings.fields.Name``).
_LONGEST = 80


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("names", nargs="*", metavar="NAME", help="comparisons to make (default: all)")
    parser.add_argument(
        "--units", nargs="+", default=[], metavar="UNIT", help="compare these units, which config.yaml need not name"
    )
    parser.add_argument(
        "--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings of config/config.yaml"
    )
    parser.add_argument("--cores", type=int, default=os.cpu_count() or 1, help="jobs at once (default: all cores)")
    parser.add_argument("--quiet", action="store_true", help="say nothing but problems and the findings")


def run(args: argparse.Namespace) -> int:
    """Make the comparisons and print what each found."""
    settings = overrides(args.config)
    if args.units:
        settings["comparisons"] = [_at_once(args)]
    plan = RunPlan.load(ROOT, settings)
    if lacking := [unit for unit in args.units if unit not in plan.units]:
        words = f"--units: {', '.join(lacking)} is not under {plan.settings.raw_dir}/, or cannot be reported on"
        print(f"error: {words}; 'make check' says why", file=sys.stderr)
        return 2
    known = [comparison.name for comparison in plan.settings.comparisons]
    unknown = [name for name in args.names if name not in known]
    if unknown or not known:
        what = f"no such comparison: {', '.join(unknown)}" if unknown else "no comparison is named"
        add = "add one under 'comparisons', or name units: make compare ARGS=\"--units A B\""
        listed = f"there are: {', '.join(known)}" if known else add
        print(f"error: config/config.yaml: {what}; {listed}", file=sys.stderr)
        return 2
    wanted = args.names or known
    for problem in plan.comparison_problems:
        print(problem, file=sys.stderr)
    possible = [name for name in wanted if name in plan.comparisons]
    status = 0
    if possible:
        reports = ROOT / plan.reports
        targets = [f"{plan.reports}/comparisons/{name}/comparison.pdf" for name in possible]
        try:
            status, unclear = run_workflow(reports, targets, args.cores, settings, quiet=args.quiet)
        except BusyError as error:
            print(f"error: {error}", file=sys.stderr)
            return 2
        if status:
            print("\n".join(unclear), file=sys.stderr)
        for name in possible:
            _show(reports / "comparisons" / name)
    return 1 if status or len(possible) < len(wanted) else 0


def _at_once(args: argparse.Namespace) -> dict[str, Any]:
    """Return the comparison of the units of ``--units``. Raises ``InputError`` where they are none."""
    units = args.units
    if args.names or len(set(units)) < len(units) or len(units) < 2:
        raise InputError(Problem("--units takes two units or more, all different, and no name of a comparison beside"))
    name = "-and-".join(units)
    if len(name) > _LONGEST:
        words = "these units are too many for a name made of theirs; give one under 'comparisons' in config/config.yaml"
        raise InputError(Problem(f"--units: {words}"))
    return {"name": name, "units": units}


def _show(folder: Path) -> None:
    try:
        found = Comparison.read(folder / "comparison.json")
    except (OSError, ValueError):
        return
    print("\n".join(_lines(found)))
    print(f"  {os.path.relpath(folder / 'comparison.pdf')}")


def _lines(found: Comparison) -> list[str]:
    """Return what a comparison found: the choice, then the differences that matter, and how many do not."""
    lines = [f"{found.comparison}: {', '.join(unit.unit for unit in found.units)}"]
    if found.choice:
        lines += [f"  {choice_words(found.choice)}", f"  Why: {'; '.join(found.choice.why)}"]
        lines += [f"  What it costs: {'; '.join(found.choice.cost)}"] if found.choice.cost else []
    small = 0
    for name, row in found.quantities.items():
        known = quantities()[name]
        for pair in row.pairs:
            small += pair.higher is not None and not pair.relevant
            if pair.relevant:
                # The larger of two codes is not the higher one of anything.
                coded = known.tabled or known.meanings
                lower = pair.first if pair.higher == pair.second else pair.second
                than = f" than {lower}" if len(found.units) > 2 else ""
                by = f"{pair.statement}{than} by {_span(pair, row.unit)}"
                stated = f"{pair.first} and {pair.second} differ" if coded else by
                lines.append(f"  {known.title}: {stated}")
    if small:
        lines.append(f"  {counted(small, 'more difference')} beyond the uncertainty, too small to matter: see the PDF")
    return lines + [f"  {note}" for note in found.notes]


def _span(pair: PairEntry, unit: str) -> str:
    low, high = sorted(abs(end) for end in pair.interval)
    ends = dict.fromkeys((number_text(low), number_text(high)))
    return value_text(high, unit) if len(ends) == 1 else f"{number_text(low)} to {value_text(high, unit)}"
