"""Make the acceptance reports of all units, or of those named.

Reads the raw logs, fits, decides and renders what is new or has changed, and ends with each unit's verdict.
The exit status is 0 when every unit could be reported on (a rejected unit is a result, not an error), 1 when
one could not, and 2 when the settings cannot be used.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from pathlib import Path
from typing import Any

from ..decision.models import ProblemEntry, Results
from ..decision.reasons import doubt, reason
from ..errors import Problem
from ..rendering.register import write_register
from ..rendering.words import counted
from ..settings.load import check_parts
from ..settled import causes_of, is_settled, settle, unsettle
from ..workflow import STEPS, RunPlan
from ._project import ROOT, overrides
from ._workflow import BusyError, run_workflow


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("units", nargs="*", metavar="UNIT", help="units to report on (default: all)")
    parser.add_argument(
        "--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings of config/config.yaml"
    )
    parser.add_argument("--cores", type=int, default=os.cpu_count() or 1, help="jobs at once (default: all cores)")
    parser.add_argument("--quiet", action="store_true", help="say nothing but problems and the final table")
    parser.add_argument("--json", action="store_true", help="print the final table as JSON")


def run(args: argparse.Namespace) -> int:
    """Run the workflow and print the verdicts."""
    settings = overrides(args.config)
    plan = RunPlan.load(ROOT, settings)
    reports = ROOT / plan.reports
    unknown = [name for name in args.units if name not in plan.units and name not in plan.refused]
    if unknown:
        known = ", ".join(plan.units) or "none"
        print(f"error: no such unit: {', '.join(unknown)}; there are: {known}", file=sys.stderr)
        return 2
    lacking = _set_aside(plan, reports)
    # Named, too, where some of all cannot be made: the engine would stop at them and make none.
    named = bool(args.units or lacking)
    wanted = [name for name in args.units or plan.units if name in plan.units] if named else []
    targets = [path for name in wanted for path in plan.made(name)]
    refused = [name for name in plan.refused if not args.units or name in args.units]
    status = 0
    unclear: list[str] = []
    causes = causes_of(plan)
    plan.note_contents()
    if (not named or targets) and not is_settled(plan, causes):
        unsettle(plan)
        _mend_times(plan, reports)
        try:
            status, unclear = run_workflow(reports, targets, args.cores, settings, quiet=args.quiet)
        except BusyError as error:
            print(f"error: {error}", file=sys.stderr)
            return 2
        if status == 0 and not named:
            # What was changed during the run may have been read before or after: the engine is asked again.
            if plan.untouched() and causes_of(RunPlan.load(ROOT, settings)) == causes:
                settle(plan, causes)
        else:
            _register(plan, reports)
    rows = [_row(reports, name) for name in (wanted if args.units else plan.units)]
    if unclear and any(row["verdict"] == "not reported" for row in rows):
        # A step failed for another reason than a refused unit: what the workflow said is all there is to go by.
        print("\n".join(unclear), file=sys.stderr)
    rows += [{"unit": name, "verdict": "not reported", "reason": plan.refused[name][0]["message"]} for name in refused]
    mistakes = [(row["unit"], problem) for row in rows for problem in row.pop("errors", ())]
    _print(rows, mistakes, refused, plan, reports, as_json=args.json)
    beside = plan.photographs_left_out(wanted if args.units else plan.units)
    for problem in [*([] if args.units else plan.comparison_problems), *beside]:
        print(problem, file=sys.stderr)
    failed = refused or any(row["verdict"] == "not reported" for row in rows)
    return 1 if failed else min(status, 1)


def _set_aside(plan: RunPlan, reports: Path) -> bool:
    """Refuse every unit whose folders of results this user may not write; tell whether there is any."""
    found = False
    for name in plan.units:
        made = (reports / ".work" / name, reports / ".work" / name / "log", reports / name)
        closed = next((path for path in made if path.exists() and not os.access(path, os.W_OK | os.X_OK)), None)
        if closed is not None:
            where = os.path.relpath(closed)
            words = f"nothing can be written to {where}: permission denied; give whoever runs this the right to it"
            plan.project.refused[name] = [Problem(words, name)]
            del plan.project.units[name]
            found = True
    if found:
        check_parts(plan.project)
    return found


def _mend_times(plan: RunPlan, reports: Path) -> None:
    """Give files of earlier runs that bear a time yet to come the present one: a clock was ahead, and was set back.

    The engine would take all that is made after them for older, and make it again in every run.
    """
    now = time.time_ns()
    for name in plan.units:
        for made in (reports / ".work" / name, reports / name):
            for path in [made, *made.rglob("*")] if made.is_dir() else []:
                if path.lstat().st_mtime_ns > now:
                    os.utime(path, ns=(now, now), follow_symlinks=False)


def _register(plan: RunPlan, reports: Path) -> None:
    """Write the register where the workflow did not: it does so only with every unit's report there."""
    missing = {}
    for name in plan.units:
        row = _row(reports, name)
        if row["verdict"] == "not reported":
            problem = Problem(f"{row['reason']}, or it was not asked for yet: make report UNIT={name}", name)
            missing[name] = [problem.as_json()]
    units = [unit for unit in plan.all_units if unit["unit"] not in missing]
    write_register(
        units=units,
        refused={**plan.refused, **missing},
        signed=plan.signed,
        reports=reports,
        comparisons=plan.comparisons,
    )


def _row(reports: Path, name: str) -> dict[str, Any]:
    # A step that fails takes its own files away.
    if not all((reports / ".work" / name / step).exists() for step in STEPS):
        # Results and report, if there are any, are those of an earlier run.
        return {"unit": name, "verdict": "not reported", "reason": "a step of the workflow failed"}
    try:
        results = Results.read(reports / name / "results.json")
    except (OSError, ValueError):
        return {"unit": name, "verdict": "not reported", "reason": "a step of the workflow failed"}
    errors = [problem for problem in results.problems if problem.severity == "error"]
    report = reports / name / "report.pdf"
    if not report.exists():
        why = "the report could not be rendered"
        return {"unit": name, "verdict": "not reported", "reason": why, "errors": errors}
    warnings = len(results.problems) - len(errors)
    return {
        "unit": name,
        "verdict": results.verdict,
        "reason": reason(results),
        **({"doubt": why} if (why := doubt(results)) else {}),
        "problems": f"{counted(len(errors), 'error')}, {counted(warnings, 'warning')}" if errors or warnings else "",
        "errors": errors,
        "report": os.path.relpath(report),
    }


def _print(
    rows: list[dict[str, Any]],
    mistakes: list[tuple[str, ProblemEntry]],
    refused: list[str],
    plan: RunPlan,
    reports: Path,
    *,
    as_json: bool,
) -> None:
    if as_json:
        print(json.dumps(rows, indent=2))
        return
    shown = [str(Problem(**{"file": unit, **problem.fields()})) for unit, problem in mistakes]
    shown += [str(problem) for name in refused for problem in plan.project.refused[name]]
    # What is wrong with a file of limits is wrong for every unit that it is for.
    for line in dict.fromkeys(shown):
        print(line, file=sys.stderr)
    width = max([len(row["unit"]) for row in rows], default=4)
    for row in rows:
        print(f"{row['unit']:<{width}}  {row['verdict']:<12}  {row['reason']}")
        if "doubt" in row:
            print(f"{'':<{width}}  {row['doubt']}")
        if "report" in row:
            extra = f"  ({row['problems']})" if row["problems"] else ""
            print(f"{'':<{width}}  {row['report']}{extra}")
    print(f"{'register':<{width}}  {os.path.relpath(reports / 'index.html')}")
