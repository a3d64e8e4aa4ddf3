"""Run faults of every class for as long as is given, and print how many there were and how many did harm."""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from . import classes
from .bench import UNITS, Bench, NotHereError


def main() -> int:
    """Run the classes in turn until the time is over; return 1 where anything did harm."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=list(classes.EVERY), default=list(classes.EVERY))
    parser.add_argument("--progress", type=Path, help="a file to write the figures to as they come")
    parser.add_argument("--times", type=int, default=sys.maxsize, help="at most so many of each class")
    parser.add_argument(
        "--forked",
        action="store_true",
        help="a workshop of one unit, its commands forks of one process: ten times as many",
    )
    given = parser.parse_args()
    chance = random.Random(given.seed)
    tried = dict.fromkeys(given.only, 0)
    hurt: dict[str, list[str]] = {name: [] for name in given.only}
    left_out: dict[str, str] = {}
    end = time.monotonic() + 60 * given.minutes
    units = UNITS[:1] if given.forked else UNITS
    with (
        tempfile.TemporaryDirectory(prefix="faults-") as place,
        Bench.made(Path(place), units, forked=given.forked) as bench,
    ):
        while left := [name for name in given.only if name not in left_out and tried[name] < given.times]:
            if time.monotonic() > end:
                break
            for name in left:
                try:
                    harm = classes.EVERY[name](bench, chance)
                except classes.MissedError:
                    continue
                except NotHereError as error:
                    left_out[name] = str(error)
                    continue
                tried[name] += 1
                hurt[name] += harm
                if harm:
                    print(f"{name}: {'; '.join(harm)}", file=sys.stderr, flush=True)
            if given.progress:
                given.progress.write_text(_table(tried, hurt, left_out), encoding="utf-8")
    print(_table(tried, hurt, left_out))
    return 1 if any(hurt.values()) else 0


def _table(tried: dict[str, int], hurt: dict[str, list[str]], left_out: dict[str, str]) -> str:
    lines = ["| fault | tried | harm |", "|---|---:|---:|"]
    lines += [f"| {name} | {tried[name]} | {left_out.get(name) or len(hurt[name])} |" for name in tried]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
