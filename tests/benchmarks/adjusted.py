"""Is an adjusted value better than the preferred test's, and is a bad test found?

`python -m tests.benchmarks.adjusted DIR` reads the fits and results of motors of the independent bench that
`python -m tests.benchmarks.independent_coverage --out DIR` left there. Prints how wide adjusted intervals are beside
those of the preferred test, and how often a gain error planted in one of three tests of the torque constant is noticed
and laid at the right door.
"""

from __future__ import annotations

import json
import statistics
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rotorproof.fitting.store import load_fit
from rotorproof.uncertainty.adjustment import Observation, adjust
from rotorproof.uncertainty.forms import Form

GAINS = (0.0, 0.03, 0.05, 0.10)


@dataclass
class Found:
    """How often tests disagreed, and which of them was named."""

    cases: int = 0
    noticed: int = 0
    right: int = 0
    wrong: int = 0


def widths(folder: Path) -> dict[str, tuple[int, int, float]]:
    """Return for each adjusted quantity: units, how many agree, mean U over that of the preferred test."""
    ratios: dict[str, list[float]] = {}
    agree: dict[str, int] = {}
    for path in sorted(folder.glob("reports/*/results.json")):
        for name, entry in json.loads(path.read_text(encoding="utf-8"))["quantities"].items():
            if entry.get("consistency"):
                preferred = entry["alternatives"][0]["expanded_uncertainty"]
                ratios.setdefault(name, []).append(entry["expanded_uncertainty"] / preferred)
                agree[name] = agree.get(name, 0) + entry["consistency"]["agrees"]
    return {name: (len(found), agree[name], statistics.mean(found)) for name, found in ratios.items()}


def planted(units: list[Mapping[str, Form]], gain: float) -> Found:
    """Return what comes of a gain error in each test of each unit in turn; a gain of 0 tells what chance does."""
    found = Found()
    for tests in units:
        for bad in tests:
            observations = [
                Observation(test, form.scaled(1.0 + gain) if test == bad else form, {"constant": 1.0})
                for test, form in tests.items()
            ]
            one = adjust("planted", observations)
            found.cases += 1
            found.noticed += not one.agrees
            found.right += one.out_of_line == bad
            found.wrong += one.out_of_line not in (None, bad)
    return found


def torque_constants(folder: Path) -> list[Mapping[str, Form]]:
    """Return the torque constant by test of every unit that has three tests of it."""
    units = []
    for path in sorted(folder.glob("reports/*/fit.json")):
        tests: dict[str, Form] = {}
        for outcome in load_fit(path)["outcomes"]:
            if "torque_constant" in outcome["forms"]:
                tests.setdefault(outcome["procedure"], outcome["forms"]["torque_constant"])
        if len(tests) >= 3:
            units.append(tests)
    return units


def main() -> None:
    """Print both tables."""
    folder = Path(sys.argv[1])
    print("| quantity | units | agree | mean width beside the preferred test |\n|---|--:|--:|--:|")
    for name, (units, agree, ratio) in widths(folder).items():
        print(f"| {name} | {units} | {agree} | {ratio:.2f} |")
    print(
        "\n| gain error in one of three tests | cases | noticed | right test named | wrong one |\n|--:|--:|--:|--:|--:|"
    )
    found = torque_constants(folder)
    for gain in GAINS:
        one = planted(found, gain)
        print(f"| {100 * gain:.0f} % | {one.cases} | {one.noticed} | {one.right} | {one.wrong} |")


if __name__ == "__main__":
    main()
