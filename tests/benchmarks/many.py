"""A weekend of tests: many units at once, what runs again after a change, and what growth costs."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from .measure import ROOT, Row, python, report

_SOURCE = "AL-M1"
_LOOP = """
import sys
from pathlib import Path
from tests.benchmarks.straightforward import loop
loop(*map(Path, sys.argv[1:]))
"""
_PLAN = """
import sys
from pathlib import Path
from rotorproof.workflow import Plan
plan = Plan.load(Path(sys.argv[2]), {"raw_dir": sys.argv[1]})
assert len(plan.units) == int(sys.argv[3])
plan.code("read")
"""


def rows(folder: Path, *, gigabytes: float, units: int, cores: int) -> list[Row]:
    """Return the rows of this part."""
    del gigabytes
    raw, reports = folder / "many", folder / "many-reports"
    made(raw, units)
    size = sum(path.stat().st_size for path in raw.rglob("*") if path.is_file()) / 1e6
    logs = sum(1 for path in raw.rglob("*") if path.is_file() and path.suffix != ".yaml")
    what = f"{units} units, {logs} logs, {size:.0f} MB"
    ours = report(raw, reports, cores)
    loop = python(_LOOP, raw, reports, folder / "loop")
    ahead = loop.wall / ours.wall
    found = [
        Row(
            f"{what}: all",
            f"{ours.processor:.1f} s ({ours.wall:.1f})",
            f"plain loop {loop.processor:.1f} s ({loop.wall:.1f})",
            f"{ahead:.1f}x ahead on the clock, {loop.processor / ours.processor:.1f}x in processor",
            "3x ahead on the clock",
            ahead >= 3,
        )
    ]
    nothing = report(raw, reports, cores)
    found.append(
        _line(f"{what}: nothing to do", nothing.processor, nothing.wall, "< 3 s at 40 units", nothing.wall < 3)
    )

    def times(pattern: str) -> dict[Path, int]:
        return {path: path.stat().st_mtime_ns for path in sorted(reports.glob(pattern))}

    before = times("*/report.pdf")
    first = min(raw.iterdir())
    log = first / "winding-resistance.csv"
    text = log.read_text()
    log.unlink()  # all units share the bytes of their logs
    log.write_text(text + "# repeated\n")
    again = report(raw, reports, cores)
    redone = [path.parent.name for path, stamp in times("*/report.pdf").items() if before[path] != stamp]
    found.append(
        _line(
            f"{what}: one log changed, {len(redone)} unit done again",
            again.processor,
            again.wall,
            "1 unit",
            redone == [first.name],
        )
    )
    readings = times(".work/*/readings.npz")
    limits = report(raw, reports, cores, "coverage_probability=0.9")
    unread = times(".work/*/readings.npz") == readings
    found.append(
        _line(
            f"{what}: another coverage probability (fits, decisions, pages)",
            limits.processor,
            limits.wall,
            "reads no log",
            unread,
        )
    )
    small, large = 10, 1000
    costs = {}
    for count in (small, 100, large):
        place = folder / f"grown-{count}"
        made(place, count)
        costs[count] = python(_PLAN, place, ROOT, str(count))
    per_unit = {count: cost.processor for count, cost in costs.items()}
    slopes = ((per_unit[100] - per_unit[small]) / 90, (per_unit[large] - per_unit[100]) / 900)
    found.append(
        Row(
            "checking 10, 100, 1,000 units before a run",
            ", ".join(f"{cost.processor:.1f} s" for cost in costs.values()),
            "",
            f"{1e3 * slopes[0]:.1f} and {1e3 * slopes[1]:.1f} ms a unit",
            "equal within 10 %",
            abs(slopes[1] / slopes[0] - 1) < 0.1,
        )
    )
    return found


def made(raw: Path, units: int) -> None:
    """Make ``units`` units of the invented workshop's first motor; their logs are one file each, linked."""
    source = ROOT / "raw" / _SOURCE
    text = (source / "unit.yaml").read_text(encoding="utf-8")
    store = raw.parent / f"{raw.name}-logs"
    shutil.copytree(source, store)
    for number in range(units):
        folder = raw / f"W{number:04d}"
        folder.mkdir(parents=True)
        (folder / "unit.yaml").write_text(text.replace(_SOURCE, folder.name), encoding="utf-8")
        for path in store.iterdir():
            if path.suffix != ".yaml":
                os.link(path, folder / path.name)


def _line(what: str, processor: float, wall: float, target: str, met: bool) -> Row:
    return Row(what, f"{processor:.1f} s ({wall:.1f})", "", f"{wall:.1f} s", target, met)
