"""One unit with its logs, beside the floor: the same bytes parsed, the same pages rendered, the same figures saved.

The floor is one warm process that knows all results beforehand; it renders the second time, with everything loaded.
"""

from __future__ import annotations

from pathlib import Path

from .copies import UNIT, made, project
from .measure import Cost, Row, python, ratio, report

_FLOOR = """
import sys, time, resource
from pathlib import Path
from tests.benchmarks.straightforward import floor
print("RESULT", *floor(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]))
"""


def rows(folder: Path, *, cores: int, **_: object) -> list[Row]:
    """Return the rows of this part."""
    raw, reports = folder / "raw", folder / "reports"
    made(raw, 1)
    (unit,) = (path.name for path in raw.iterdir())
    ours = report(project(folder), raw, reports, cores)
    found = python(_FLOOR, raw, reports, unit)
    processor, wall = map(float, found.output.split("RESULT")[1].split()[:2])
    floor = Cost(processor, wall, found.memory, "")
    logs = sum(1 for path in (raw / unit).iterdir() if path.suffix != ".yaml")
    what = f"one unit like {UNIT}, {logs} logs, from start to register"
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
