"""Do intervals hold the truth of the independent bench? `python -m tests.benchmarks.independent_coverage --units 60
--seed 1 --out DIR`.

Units are written by `tests.simulation.independent` (whose authors know nothing of the fits), read, fitted and decided
on by the workflow's own adapters without drawing pages, and each interval is compared with the true value by
definition. The table goes to DIR/coverage.md; `--judge-only` compares what lies there already.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import statistics
import sys
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

from tests.simulation.independent.study import write_units

ROOT = Path(__file__).parents[2]

BESIDE = ("field_oriented",)
"""True values that no quantity of a report is to be compared with as they stand."""

PARTS = ("motor", "controller")
"""Roles of a drive's parts, in the order of its file."""


@cache
def _adapter(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"adapter_{name}", ROOT / "scripts" / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@cache
def _plan(out: Path) -> Any:
    """What the workflow would do with the folder; read once, as it reads every unit's file."""
    from rotorproof.workflow import RunPlan

    return RunPlan.load(ROOT, {"raw_dir": str(out / "raw"), "reports_dir": str(out / "reports"), "comparisons": []})


def judge(given: tuple[Path, str]) -> str:
    """Read, fit and decide on one unit of a folder, a drive after its parts; gives an error in words, or nothing."""
    out, name = given
    try:
        plan = _plan(out)
        at = SimpleNamespace(unit=name)
        folder = out / "reports" / name
        folder.mkdir(parents=True, exist_ok=True)
        unit = plan.measured_part(at)
        made_of = [out / "reports" / part for role, part in (unit.get("parts") or {}).items() if role in PARTS]
        readings, fit = folder / "readings.npz", folder / "fit.json"
        _adapter("read").main(
            unit=name, folder=Path(plan.folder(at)), tests=plan.tests(at), layouts=plan.layouts(at), readings=readings
        )
        _adapter("fit").estimate(
            unit=unit,
            settings=plan.fit_settings,
            readings=readings,
            fit=fit,
            panels=folder / "panels.npz",
            parts=[part / "fit.json" for part in made_of],
        )
        _adapter("decide").decide(
            unit=unit,
            acceptance=plan.acceptance(at),
            probability=plan.settings.coverage_probability,
            readings=readings,
            fit=fit,
            results=folder / "results.json",
            parts=[part / "results.json" for part in made_of],
        )
        for leftover in (readings, folder / "panels.npz"):
            leftover.unlink(missing_ok=True)
    except Exception as error:
        return f"{name}: {type(error).__name__}: {error}"
    return ""


@dataclass
class Row:
    """One quantity over all units: counts, relative errors and relative expanded uncertainties."""

    held: int = 0
    above: int = 0
    below: int = 0
    errors: list[float] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    misses: list[str] = field(default_factory=list)


def truth_of(known: dict[str, Any], result: dict[str, Any], whole: dict[str, Any]) -> float | None:
    """True value under the conditions that the result states.

    These are its procedure, its magnets' temperature, and whether air drag was told apart.
    """
    told = "_parabola" if "windage" in whole and result["procedure"] == "coast-down" else ""
    by_procedure = f"{result['procedure']}{told}"
    if by_procedure in known:
        return float(known[by_procedure])
    stated = (result.get("conditions") or {}).get("magnet_temperature")
    if stated is not None and "at" in known:
        (cold_at, hot_at), degrees = known["at"], float(str(stated).split(" ", maxsplit=1)[0])
        return float(known["cold"] + (known["hot"] - known["cold"]) * (degrees - cold_at) / (hot_at - cold_at))
    return float(known["value"]) if "value" in known else None


def compare(out: Path) -> tuple[dict[str, Row], Counter[str], int, Counter[str]]:
    """Rows by quantity, reasons for absent quantities, number of units, and warnings of cross-checks."""
    truths = json.loads((out / "truth.json").read_text(encoding="utf-8"))
    rows: dict[str, Row] = defaultdict(Row)
    absent: Counter[str] = Counter()
    warned: Counter[str] = Counter()
    units = 0
    for name, known in truths.items():
        path = out / "reports" / name / "results.json"
        if not path.exists():
            absent["(no results)"] += 1
            continue
        units += 1
        found = json.loads(path.read_text(encoding="utf-8"))
        for problem in found["problems"]:
            warned[f"{problem['severity']}: {problem['message'][:110]}"] += 1
        for quantity, known_one in known.items():
            if quantity in BESIDE:
                continue
            result = found["quantities"].get(quantity)
            if result is None:
                absent[quantity] += 1
                continue
            for one in [result, *({**a, "alternative": True} for a in result.get("alternatives", []))]:
                truth = truth_of(known_one, one, found["quantities"])
                if truth is None:
                    continue
                drive = "drive: " if found["kind"] == "drive" else ""
                key = f"{drive}{quantity} ({one['procedure']}{', alternative' if one.get('alternative') else ''})"
                _count(rows[key], one, truth, name)
    return dict(sorted(rows.items())), absent, units, warned


def _count(row: Row, result: dict[str, Any], truth: float, unit: str) -> None:
    low, high = result["interval"]
    slack = 1e-9 * abs(truth)
    if truth > high + slack:
        row.above += 1
    elif truth < low - slack:
        row.below += 1
    else:
        row.held += 1
    if not low - slack <= truth <= high + slack:
        row.misses.append(unit)
    size = abs(truth) if truth else 1.0
    row.errors.append((result["value"] - truth) / size)
    row.widths.append(result["expanded_uncertainty"] / size)


def table(rows: dict[str, Row], absent: Counter[str], units: int, warned: Counter[str]) -> str:
    """The comparison as text: one line for each quantity and procedure."""
    lines = [
        f"{units} units of the independent bench.",
        "",
        "| quantity (procedure) | n | held | truth above | below | median error | median U "
        "| largest error | first misses |",
        "|---|--:|--:|--:|--:|--:|--:|--:|---|",
    ]
    for name, row in rows.items():
        n = row.held + row.above + row.below
        lines.append(
            f"| {name} | {n} | {100 * row.held / n:.1f}% | {row.above} | {row.below} "
            f"| {100 * statistics.median(row.errors):+.3g}% | {100 * statistics.median(row.widths):.3g}% "
            f"| {100 * max(row.errors, key=abs):+.3g}% | {' '.join(row.misses[:3])} |"
        )
    lines += [
        "",
        "Not given, by quantity: " + ", ".join(f"{name} {count}" for name, count in sorted(absent.items())) + ".",
        "",
        "Most frequent problems:",
        "",
    ]
    lines += [f"- {count} x {words}" for words, count in warned.most_common(40)]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the units, judge them and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--drives", type=int, default=0, help="how many motors come with a controller and as a drive")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--judge-only", action="store_true", help="units and results lie in DIR already")
    parser.add_argument("--keep-units", action="store_true", help="units lie in DIR already, results are made anew")
    given = parser.parse_args()
    if not (given.judge_only or given.keep_units):
        for _ in write_units(given.out, units=given.units, seed=given.seed, drives=given.drives):
            pass
    if not given.judge_only:
        names = list(json.loads((given.out / "truth.json").read_text(encoding="utf-8")))
        with ProcessPoolExecutor(given.processes) as pool:
            for drives in (False, True):
                chosen = [(given.out.resolve(), name) for name in names if name.startswith("ID") == drives]
                for error in filter(None, pool.map(judge, chosen)):
                    print(error, file=sys.stderr)
    text = table(*compare(given.out))
    (given.out / "coverage.md").write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
