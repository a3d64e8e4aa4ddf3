"""Run faults of every class for as long as is given, and print how many there were and how many did harm."""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from . import classes
from .bench import Bench


def main() -> int:
    """Run the classes in turn until the time is over; return 1 where anything did harm."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=list(classes.EVERY), default=list(classes.EVERY))
    given = parser.parse_args()
    chance = random.Random(given.seed)
    tried = dict.fromkeys(given.only, 0)
    hurt: dict[str, list[str]] = {name: [] for name in given.only}
    left_out: dict[str, str] = {}
    end = time.monotonic() + 60 * given.minutes
    with tempfile.TemporaryDirectory(prefix="faults-") as place:
        bench = Bench.made(Path(place))
        while time.monotonic() < end and len(left_out) < len(given.only):
            for name in given.only:
                if name in left_out or time.monotonic() > end:
                    continue
                try:
                    harm = classes.EVERY[name](bench, chance)
                except classes.NotHereError as error:
                    left_out[name] = str(error)
                    continue
                tried[name] += 1
                hurt[name] += harm
                if harm:
                    print(f"{name}: {'; '.join(harm)}", file=sys.stderr)
    print("| fault | tried | harm |\n|---|---:|---:|")
    for name in given.only:
        print(f"| {name} | {tried[name]} | {left_out.get(name) or len(hurt[name])} |")
    return 1 if any(hurt.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
