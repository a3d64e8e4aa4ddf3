"""Measure speed and print a table: every figure beside what the same bytes cost otherwise, measured in the same run.

    python -m tests.benchmarks [--gigabytes 1] [--units 40 --megabytes 50] [--growth 10 100 1000] [--parts reading unit]

Processor time (user and system, of all processes of the work) is compared, so that a busy computer does not change a
ratio; wall time stands beside it. Nothing here fails: a target that is missed is printed as missed.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
from pathlib import Path

from . import growth, many, reading, whole_unit
from .measure import Row, table

_PARTS = {"reading": reading.rows, "unit": whole_unit.rows, "weekend": many.rows, "growth": growth.rows}


def main() -> None:
    """Run the parts asked for and print their rows."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks", description=__doc__)
    parser.add_argument("--gigabytes", type=float, default=0.1, help="size of each large capture (default: 0.1)")
    parser.add_argument("--units", type=int, default=3, help="units of the weekend (default: 3)")
    parser.add_argument("--megabytes", type=float, default=0.0, help="size of a unit's logs (default: the demo's own)")
    parser.add_argument(
        "--growth", type=int, nargs="*", default=[], help="numbers of small units (default: only checked, not done)"
    )
    parser.add_argument("--cores", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--parts", nargs="+", choices=list(_PARTS), default=list(_PARTS))
    chosen = parser.parse_args()
    print(
        f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, ",
        end="",
    )
    print(f"load {os.getloadavg()[0]:.1f} at the start; {chosen.gigabytes:g} GB a capture, {chosen.units} units\n")
    with tempfile.TemporaryDirectory(prefix="rotorproof-speed-") as folder:
        rows: list[Row] = []
        for name in chosen.parts:
            rows += _PARTS[name](
                Path(folder),
                gigabytes=chosen.gigabytes,
                units=chosen.units,
                megabytes=chosen.megabytes,
                growth=chosen.growth,
                cores=chosen.cores,
            )
            sys.stderr.write(table(rows) + "\n\n")
    print(table(rows))


if __name__ == "__main__":
    main()
