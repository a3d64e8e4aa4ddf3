"""Does a unit cost the same among ten as among a thousand? Small units, so that the number of them is what counts."""

from __future__ import annotations

import shutil
import time
from itertools import pairwise
from pathlib import Path

from .copies import done, made, project
from .measure import Cost, Row, python, report

_PLAN = """
import sys
from itertools import pairwise
from pathlib import Path
from rotorproof.workflow import RunPlan
plan = RunPlan.load(Path(sys.argv[2]), {"raw_dir": sys.argv[1]})
assert len(plan.units) == int(sys.argv[3])
plan.code("read")
"""
#: Notes what a full run would have noted.
_SETTLE = """
import sys
from pathlib import Path
from rotorproof.settled import causes_of, settle
from rotorproof.workflow import RunPlan
plan = RunPlan.load(Path(sys.argv[2]), {"raw_dir": sys.argv[1], "reports_dir": sys.argv[3]})
assert len(plan.units) == int(sys.argv[4])
causes = causes_of(plan)
plan.note_contents()
settle(plan, causes)
"""
_CHECKED = (10, 100, 1000)
_IDLE = (100, 1000)
_EQUAL = 0.1


def rows(folder: Path, *, growth: list[int], cores: int, **_: object) -> list[Row]:
    """Return the rows of this part."""
    root = project(folder)
    costs, whole, nothing = {}, {}, {}
    for count in _CHECKED:
        raw = folder / f"checked-{count}"
        made(raw, count)
        costs[count] = python(_PLAN, raw, root, str(count))
    for count in growth:
        raw, reports = folder / f"grown-{count}", folder / f"grown-{count}-reports"
        made(raw, count, procedures=("winding-resistance",))
        whole[count] = report(root, raw, reports, cores)
        nothing[count] = report(root, raw, reports, cores)
    found = [_row("checking {} units before a run", costs), *_idle(folder, root, cores)]
    if whole:
        found.append(_row("small reports of {} units, one log each", whole))
        found.append(
            Row(
                f"nothing to do for {', '.join(map(str, nothing))} units",
                ", ".join(f"{cost.processor:.1f} s ({cost.wall:.1f})" for cost in nothing.values()),
                "",
                f"{nothing[max(nothing)].wall:.1f} s",
                "< 15 s at 1,000 units",
                nothing[max(nothing)].wall < 15,
            )
        )
    return found


def _idle(folder: Path, root: Path, cores: int) -> list[Row]:
    """Run where nothing is to do, over copies of one unit that was done: contents compared, then entries alone."""
    one, its_reports = folder / "one", folder / "one-reports"
    made(one, 1, procedures=("winding-resistance",))
    report(root, one, its_reports, cores)
    contents, entries = {}, {}
    for count in _IDLE:
        raw, reports = folder / f"idle-{count}", folder / f"idle-{count}-reports"
        done(one, its_reports, raw, reports, count)
        python(_SETTLE, raw, root, reports, str(count), root=root)
        time.sleep(3)  # of what was written just before, the next run notes nothing
        contents[count] = report(root, raw, reports, cores)
        entries[count] = min((report(root, raw, reports, cores) for _ in range(3)), key=lambda cost: cost.processor)
        shutil.rmtree(raw)
        shutil.rmtree(reports)
    counts = ", ".join(map(str, _IDLE))
    most = max(_IDLE)
    return [
        Row(
            f"nothing to do for {counts} small units: {what}",
            ", ".join(f"{cost.processor:.2f} s ({cost.wall:.2f})" for cost in costs.values()),
            "",
            f"{costs[most].processor:.2f} s",
            target,
            costs[most].processor < 1 if target else None,
        )
        for what, costs, target in (
            ("contents compared", contents, ""),
            ("nothing written since such a run", entries, "< 1 s at 1,000 units"),
        )
    ]


def _row(what: str, costs: dict[int, Cost]) -> Row:
    """Compare the cost of one more unit from step to step: starting the program is no growth."""
    counts = sorted(costs)
    steps = list(pairwise(counts))
    slopes = [(costs[b].processor - costs[a].processor) / (b - a) for a, b in steps]
    return Row(
        what.format(", ".join(map(str, counts))),
        ", ".join(f"{costs[count].processor:.1f} s ({costs[count].wall:.1f})" for count in counts),
        "",
        " and ".join(f"{1e3 * slope:.1f}" for slope in slopes) + " ms for one more unit",
        "equal within 10 %",
        max(slopes) / min(slopes) - 1 < _EQUAL if len(slopes) > 1 else None,
    )
