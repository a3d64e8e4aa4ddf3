"""A weekend of tests: many units at once, beside a plain loop, and what runs again after a change."""

from __future__ import annotations

import time
from pathlib import Path

from .copies import made, project
from .measure import Row, python, report

_LOOP = """
import sys
from pathlib import Path
from tests.benchmarks.straightforward import loop
loop(*map(Path, sys.argv[1:4]), int(sys.argv[4]))
"""
#: The plain loop does one unit after the other: it is timed over this many and multiplied.
_LOOP_UNITS = 10


def rows(folder: Path, *, units: int, megabytes: float, cores: int, **_: object) -> list[Row]:
    """Return the rows of this part."""
    root, raw, reports = project(folder), folder / "many", folder / "many-reports"
    made(raw, units, megabytes=megabytes)
    size = sum(path.stat().st_size for path in raw.rglob("*") if path.is_file()) / 1e6
    logs = sum(1 for path in raw.rglob("*") if path.is_file() and path.suffix != ".yaml")
    what = f"{units} units, {logs} logs, {size:.0f} MB"
    pair = [path.name for path in sorted(raw.iterdir())[:2]]
    more = [f"comparisons=[{{name: two-of-them, units: [{', '.join(pair)}]}}]"] if units > 1 else []
    ours = report(root, raw, reports, cores, *more)
    assert units == 1 or (reports / "comparisons" / "two-of-them" / "comparison.pdf").exists()
    timed = min(units, _LOOP_UNITS)
    loop = python(_LOOP, raw, reports, folder / "loop", str(timed))
    processor, wall = (units / timed * cost for cost in (loop.processor, loop.wall))
    ahead = wall / ours.wall
    found = [
        Row(
            f"{what}: all reports, a comparison and the register",
            f"{ours.processor:.1f} s ({ours.wall:.1f})",
            f"plain loop ({timed} units timed) {processor:.1f} s ({wall:.1f})",
            f"{ahead:.1f}x ahead on the clock, {processor / ours.processor:.1f}x in processor",
            "3x ahead on the clock",
            ahead >= 3,
        )
    ]
    nothing = report(root, raw, reports, cores, *more)
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
    again = report(root, raw, reports, cores, *more)
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
    kept = times(".work/*/*.npz") | times(".work/*/fit.json")
    before = times("*/results.json")
    limits = root / "config" / "acceptance" / "hub-motor-36V.yaml"
    limits.write_text(limits.read_text(encoding="utf-8").replace("max: 0.14 ohm", "max: 0.141 ohm"), encoding="utf-8")
    time.sleep(0.01)
    decided = report(root, raw, reports, cores, *more)
    unread = times(".work/*/*.npz") | times(".work/*/fit.json") == kept
    all_new = all(before[path] != stamp for path, stamp in times("*/results.json").items())
    found.append(
        _line(
            f"{what}: one threshold changed (decisions and pages of all)",
            decided.processor,
            decided.wall,
            "reads and fits no log",
            unread and all_new,
        )
    )
    return found


def _line(what: str, processor: float, wall: float, target: str, met: bool) -> Row:
    return Row(what, f"{processor:.1f} s ({wall:.1f})", "", f"{wall:.1f} s", target, met)
