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
from pathlib import Path

from ..decision.reasons import reason
from ..jsonio import read_json
from ..workflow import Plan
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
    plan = Plan.load(ROOT, settings)
    reports = ROOT / plan.reports
    unknown = [name for name in args.units if name not in plan.units and name not in plan.refused]
    if unknown:
        known = ", ".join(plan.units) or "none"
        print(f"error: no such unit: {', '.join(unknown)}; there are: {known}", file=sys.stderr)
        return 2
    wanted = [name for name in args.units if name in plan.units]
    targets = [f"{plan.reports}/{name}/report.pdf" for name in wanted]
    refused = [name for name in plan.refused if not args.units or name in args.units]
    status = 0
    unclear: list[str] = []
    if not args.units or targets:
        try:
            status, unclear = run_workflow(reports, targets, args.cores, settings, quiet=args.quiet)
        except BusyError as error:
            print(f"error: {error}", file=sys.stderr)
            return 2
    rows = [_row(reports, name) for name in (wanted if args.units else plan.units)]
    if unclear and any(row["verdict"] == "not reported" for row in rows):
        # A step failed for another reason than a refused unit: what the workflow said is all there is to go by.
        print("\n".join(unclear), file=sys.stderr)
    rows += [{"unit": name, "verdict": "not reported", "reason": plan.refused[name][0]["message"]} for name in refused]
    _print(rows, plan, reports, as_json=args.json)
    for problem in [] if args.units else plan.comparison_problems:
        print(problem, file=sys.stderr)
    failed = refused or any(row["verdict"] == "not reported" for row in rows)
    return 1 if failed else min(status, 1)


#: What the steps before the report leave behind; a step that fails takes its own away.
_STEPS = ("readings.npz", "fit.json", "panels.npz")


def _row(reports: Path, name: str) -> dict[str, str]:
    if not all((reports / ".work" / name / step).exists() for step in _STEPS):
        # Results and report, if there are any, are those of an earlier run.
        return {"unit": name, "verdict": "not reported", "reason": "a step of the workflow failed"}
    try:
        results = read_json(reports / name / "results.json")
    except (OSError, ValueError):
        return {"unit": name, "verdict": "not reported", "reason": "a step of the workflow failed"}
    report = reports / name / "report.pdf"
    if not report.exists():
        return {"unit": name, "verdict": "not reported", "reason": "the report could not be rendered"}
    errors = sum(problem["severity"] == "error" for problem in results["problems"])
    warnings = len(results["problems"]) - errors
    return {
        "unit": name,
        "verdict": results["verdict"],
        "reason": reason(results),
        "problems": f"{errors} errors, {warnings} warnings" if errors or warnings else "",
        "report": os.path.relpath(report),
    }


def _print(rows: list[dict[str, str]], plan: Plan, reports: Path, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(rows, indent=2))
        return
    for name in plan.units:
        path = reports / name / "results.json"
        if path.exists() and any(row["unit"] == name for row in rows):
            for problem in read_json(path)["problems"]:
                if problem["severity"] == "error":
                    place = ", ".join(
                        str(part)
                        for part in (
                            problem.get("file"),
                            f"line {problem['line']}" if problem.get("line") else None,
                            f"column {problem['column']!r}" if problem.get("column") else None,
                        )
                        if part
                    )
                    print(f"error: {place or name}: {problem['message']}", file=sys.stderr)
    for problems in plan.refused.values():
        for problem in problems:
            place = ", ".join(str(problem[key]) for key in ("file", "line", "column") if key in problem)
            print(f"error: {place}: {problem['message']}", file=sys.stderr)
    width = max([len(row["unit"]) for row in rows], default=4)
    for row in rows:
        print(f"{row['unit']:<{width}}  {row['verdict']:<12}  {row['reason']}")
        if "report" in row:
            extra = f"  ({row['problems']})" if row["problems"] else ""
            print(f"{'':<{width}}  {row['report']}{extra}")
    print(f"{'register':<{width}}  {os.path.relpath(reports / 'index.html')}")
