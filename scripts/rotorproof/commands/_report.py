"""Run the workflow for the ``report`` command, and gather what it ends with."""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path
from typing import Any

from ..decision.models import Results
from ..decision.reasons import doubt, reason
from ..errors import Problem
from ..evidence.revisions import FOLDER, SIGN_OFF
from ..rendering.words import counted
from ..settings.load import check_parts, load_settings
from ..settings.run import RunSettings
from ..settled import causes_of, is_settled, made_files, settle, unsettle
from ..untouched import Tree, look, note
from ..workflow import STEPS, RunPlan
from ._project import ROOT, overrides
from ._verdicts import Table
from ._workflow import BusyError, run_workflow

#: Folders from that of all archives down to the one that holds what a register shows of a signed report.
_DEPTH_OF_ARCHIVE = 2 + len(Path(SIGN_OFF).parts)


def make(args: argparse.Namespace) -> int:
    """Make what is not made yet and print the verdicts; return the exit status."""
    settings = overrides(args.config)
    trees = read_by_a_run(ROOT, load_settings(ROOT / "config" / "config.yaml", settings))
    before = None if args.units else look(trees)
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
    settled = is_settled(plan, causes)
    if (not named or targets) and not settled:
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
                settled = True
        else:
            _register(plan, reports)
    made = [str(path) for path in (*made_files(plan), *_folders(plan, reports))]
    shown = look((), made)
    rows = [_row(reports, name) for name in (wanted if args.units else plan.units)]
    if unclear and any(row["verdict"] == "not reported" for row in rows):
        # A step failed for another reason than a refused unit: what the workflow said is all there is to go by.
        print("\n".join(unclear), file=sys.stderr)
    rows += [{"unit": name, "verdict": "not reported", "reason": plan.refused[name][0]["message"]} for name in refused]
    mistakes = [(row["unit"], problem) for row in rows for problem in row.pop("errors", ())]
    wrong = [str(Problem(**{"file": unit, **problem.fields()})) for unit, problem in mistakes]
    wrong += [str(problem) for name in refused for problem in plan.project.refused[name]]
    left_out = plan.photographs_left_out(wanted if args.units else plan.units)
    beside = [
        str(problem)
        for problem in [*([] if args.units else [*plan.project.batches, *plan.comparison_problems]), *left_out]
    ]
    # What is wrong with a file of limits is wrong for every unit that it is for.
    table = Table(str(reports), rows, list(dict.fromkeys(wrong)), beside)
    table.show(as_json=args.json)
    if refused or any(row["verdict"] == "not reported" for row in rows):
        return 1
    # What was read, and what the table was made of, must be what lies there now.
    if settled and not named:
        note(ROOT, args.config, before, trees, shown, made, table.as_json())
    return min(status, 1)


def read_by_a_run(root: Path, settings: RunSettings) -> list[Tree]:
    """Return all that a run reads."""
    program = [Tree(str(root / name)) for name in ("Snakefile", "config", "templates", "scripts")]
    signed = Tree(str(root / settings.reports_dir / FOLDER), depth=_DEPTH_OF_ARCHIVE)
    return [*program, Tree(str(root / settings.raw_dir)), signed]


def _folders(plan: RunPlan, reports: Path) -> list[Path]:
    """Return the folders in which the steps of a run write."""
    places = (place for name in plan.units for place in _written_to(reports, name))
    return [place for place in places if place.exists()]


def _written_to(reports: Path, name: str) -> tuple[Path, ...]:
    """Return the folders in which the steps of a unit write."""
    return (reports / ".work" / name, reports / ".work" / name / "log", reports / name)


def _set_aside(plan: RunPlan, reports: Path) -> bool:
    """Refuse every unit whose folders of results this user may not write; tell whether there is any."""
    found = False
    for name in plan.units:
        made = _written_to(reports, name)
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
    # What judges a season loads more than all else here.
    from ..rendering.register import write_register

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
        "report": f"{name}/report.pdf",
    }
