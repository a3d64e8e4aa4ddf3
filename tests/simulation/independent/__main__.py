"""Write units drawn at random as the workflow reads them, with their true values: `--units 60 --seed 1 --out DIR`."""

from __future__ import annotations

import argparse
from pathlib import Path

from tests.simulation.independent.study import write_units


def main() -> None:
    """Read the arguments and write DIR/raw and DIR/truth.json."""
    parser = argparse.ArgumentParser(prog="tests.simulation.independent", description=__doc__)
    parser.add_argument("--units", type=int, default=60, help="how many motors")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--together", type=int, default=12, help="how many are solved side by side")
    parser.add_argument("--drives", type=int, default=0, help="how many motors come with a controller and as a drive")
    given = parser.parse_args()
    for name in write_units(
        given.out, units=given.units, seed=given.seed, together=given.together, drives=given.drives
    ):
        print(name)


if __name__ == "__main__":
    main()
