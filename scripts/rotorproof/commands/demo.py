"""Put the invented units of the demo into a folder of their own, so that raw/ is free for yours.

Takes them out of raw/ and their comparison out of config/config.yaml; nothing of yours is touched, and nothing is
deleted. The demo is then reported on with --config raw_dir=demo/raw reports_dir=demo/reports, and
compared with --units beside that.
"""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

from ..errors import InputError, Problem
from ..files import open_regular
from ..jsonio import write_bytes
from ..rendering.words import counted
from ..settings.documents import read_document
from ..settings.load import load_settings
from ._project import ROOT

#: What the files of the invented units say of themselves, and how their names begin: a file that was taken for a
#: pattern of one's own says it too.
_MARK, _PREFIX = b"Written by tests/simulation/demo.", "AL-"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("--to", default="demo", metavar="FOLDER", help="where they go (default: demo)")


def run(args: argparse.Namespace) -> int:
    """Move the units and say where they are."""
    settings = load_settings(ROOT / "config" / "config.yaml")
    raw, target = ROOT / settings.raw_dir, ROOT / args.to / "raw"
    units = _invented(raw)
    if not units:
        there = f"; they are in {_shown(target)}" if _invented(target) else ""
        print(f"{settings.raw_dir}/ holds none of the invented units{there}")
        return 0
    if clash := [name for name in units if (target / name).exists()]:
        message = (
            f"{_shown(target)} holds {', '.join(clash)} already; nothing was changed. Give another folder with --to"
        )
        raise InputError(Problem(message))
    try:
        target.mkdir(parents=True, exist_ok=True)
        for name in units:
            shutil.move(raw / name, target / name)
        # An empty folder would be missing from a copy by version control.
        (raw / ".gitkeep").touch()
    except OSError as error:
        message = f"{error.filename or target}: {error.strerror}; run the command again to go on"
        raise InputError(Problem(message)) from None
    print(f"moved {counted(len(units), 'invented unit')} to {_shown(target)}: {', '.join(units)}")
    compared = _without_comparisons(ROOT / "config" / "config.yaml", set(units))
    if made := [name for name in units if (ROOT / settings.reports_dir / name).exists()]:
        print(f"{settings.reports_dir}/ still holds reports of {', '.join(made)}; delete them when you like")
    made_of = f"raw_dir={args.to}/raw reports_dir={args.to}/reports"
    print(f"{settings.raw_dir}/ is yours: 'make unit' begins one; put your workshop, pack and vehicle into config.yaml")
    print(f'the demo goes on with: make report ARGS="--config {made_of}"')
    for together in compared:
        print(f'and its comparison with: make compare ARGS="--units {" ".join(together)} --config {made_of}"')
    return 0


def _invented(raw: Path) -> list[str]:
    """Return the names of the units in a folder that belong to the demo."""
    found = []
    for folder in sorted(raw.glob(f"{_PREFIX}*")):
        try:
            with open_regular(folder / "unit.yaml") as stream:
                if _MARK in stream.read(400):
                    found.append(folder.name)
        except OSError:
            continue
    return found


def _without_comparisons(path: Path, units: set[str]) -> list[list[str]]:
    """Take the comparisons of units that moved out of the settings, line by line; what cannot be taken out is named.

    Returns the units of each.
    """
    document = read_document(path, "config/config.yaml")
    named = document.data.get("comparisons") or []
    gone = [place for place, one in enumerate(named) if set(one["units"]) <= units]
    together = [[str(unit) for unit in named[place]["units"]] for place in gone]
    if not gone:
        return together
    lines = path.read_bytes().decode().splitlines(keepends=True)
    at = [document.line(("comparisons", place)) or 0 for place in gone]
    # An entry on a line of its own, as the demo's is; one that runs over several is its writer's to take out.
    alone = all(lines[line - 1].strip().startswith("- {") and lines[line - 1].strip().endswith("}") for line in at)
    names = ", ".join(named[place]["name"] for place in gone)
    if not alone:
        print(f"take the comparison {names} out of config/config.yaml, since its units have moved")
        return together
    if len(gone) == len(named):
        head = (document.line(("comparisons",)) or 0) - 1
        lines[head] = lines[head].replace("comparisons:", "comparisons: []", 1)
    kept = [line for number, line in enumerate(lines, start=1) if number not in at]
    write_bytes(path, "".join(kept).encode())
    print(f"took the comparison {names} out of config/config.yaml")
    return together


def _shown(path: Path) -> str:
    return str(path.relative_to(ROOT)) if path.is_relative_to(ROOT) else str(path)
