"""One unit with its logs, beside the floor: the same bytes parsed, the same pages rendered, the same figures saved.

The floor is one warm process that knows all results beforehand; it renders the second time, with everything loaded.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from .measure import ROOT, Cost, Row, python, ratio, report

UNIT = "AL-M1"
_FLOOR = """
import sys, time, resource
from pathlib import Path
from tests.benchmarks.straightforward import floor
print("RESULT", *floor(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]))
"""


def rows(folder: Path, *, gigabytes: float, units: int, cores: int) -> list[Row]:
    """Return the rows of this part."""
    del gigabytes, units
    raw, reports = folder / "raw", folder / "reports"
    shutil.copytree(ROOT / "raw" / UNIT, raw / UNIT)
    ours = report(raw, reports, cores)
    found = python(_FLOOR, raw, reports, UNIT)
    processor, wall = map(float, found.output.split("RESULT")[1].split()[:2])
    floor = Cost(processor, wall, found.memory, "")
    logs = sum(1 for path in (raw / UNIT).iterdir() if path.suffix != ".yaml")
    what = f"one unit, {logs} logs, from start to register"
    found_wall = ours.wall / floor.wall
    return [
        ratio(f"{what} (processor)", ours, floor, 1.5),
        Row(
            f"{what} (wall)",
            f"{ours.wall:.1f} s",
            f"{floor.wall:.1f} s",
            f"{found_wall:.2f}x",
            "at most 1.5x",
            found_wall <= 1.5,
        ),
    ]
