"""Break formulae and see whether the outside checks find it: ``python -m tests.mutation [FILE ...]``."""

from __future__ import annotations

import argparse
import json
import sys

from tests.mutation.runner import ROOT, run, summary, write


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("files", nargs="*", metavar="FILE", help="files with formulae, without .py (all otherwise)")
    parser.add_argument("--seed", type=int, default=1, help="which mutants are drawn, and in which order")
    parser.add_argument("--most", type=int, default=0, help="how many are tried at most (0: all)")
    parser.add_argument("--seconds", type=float, default=3600.0, help="processor time for all of them")
    parser.add_argument("--again", action="store_true", help="try those alone that the last run did not find")
    parser.add_argument("--tests", nargs="+", metavar="TEST", help="files with outside checks (all otherwise)")
    options = parser.parse_args()
    folder = ROOT / "build" / "mutation"
    past = folder / "mutants.json"
    rows, total, spent = run(
        options.files,
        seed=options.seed,
        most=options.most,
        seconds=options.seconds,
        tests=options.tests,
        progress=folder,
        known=json.loads(past.read_text(encoding="utf-8")) if options.again else None,
    )
    write(rows, total, spent, folder)
    print(summary(rows, total, spent).splitlines()[0])
    print("build/mutation/mutants.md lists those that were not found")
    return 0


if __name__ == "__main__":
    sys.exit(main())
