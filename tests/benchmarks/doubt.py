"""Does a slip of the hand reach the verdict? `python -m tests.benchmarks.doubt --units 100 --seed 5 --out DIR`.

Motors and controllers of the independent bench are fitted and decided on twice: as they are, and with one slip put into
their readings. Counted is how often a line stands beside the verdict, how often it names that slip, and how often one
stands beside the verdict on a sound unit. A line of JSON for each unit is added to DIR/doubt.jsonl as it is done; what
stands there already is not done again, and `--seconds` ends a part. `--report` prints the table.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from rotorproof.checking.look import reading_problems
from rotorproof.decision.models import ProblemEntry, Results
from rotorproof.decision.reasons import doubt
from rotorproof.decision.results import build_results
from rotorproof.errors import Problem
from rotorproof.fitting.grouping import TestLog
from rotorproof.fitting.store import load_fit, save_fit
from rotorproof.fitting.unit_fit import fit_unit
from rotorproof.logs.store import Readings
from rotorproof.logs.unit_logs import read_unit
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.layout import Layout
from rotorproof.settings.load import conditions_of
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.witness.search import second_witness
from tests.benchmarks.slip_kinds import CONTROLLER_KINDS, KINDS, Bench, names
from tests.simulation.independent.study import write_units

_TOGETHER = 8
"""Units that are solved side by side."""


def judged(unit: Mapping[str, Any], logs: Sequence[Mapping[str, np.ndarray]]) -> tuple[str, list[ProblemEntry]]:
    """Return the line beside the verdict ("" if none) and the problems that doubt a unit or scale."""
    results = results_of(unit, logs)
    return doubt(results), [problem for problem in results.problems if problem.doubt]


def results_of(unit: Mapping[str, Any], logs: Sequence[Mapping[str, np.ndarray]]) -> Results:
    """Return the results of a unit, given as the content of its file and its readings in SI, without limits."""
    model = UnitFile.model_validate(unit)
    settings = RunSettings.model_validate({"config_version": 1})
    entries = []
    for test, columns in zip(model.tests, logs, strict=True):
        written = conditions_of(test)
        values = {name: measured.value for name, measured in written.items()}
        entries.append(TestLog(test, Log(test.label or test.procedure, columns, values), written))
    fit = fit_unit(model, entries, settings, f"{model.unit}/unit.yaml")
    fit.problems += second_witness(model, entries, settings, fit)
    readings = Readings([dict(log) for log in logs], {t.log: str(k) for k, t in enumerate(model.tests)}, [])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fit.json"
        save_fit(path, path.with_suffix(".npz"), fit)
        seen = [*reading_problems(model, readings), *_suspects(model, entries)]
        return build_results(model.unit, model.kind, load_fit(path), seen, None, 0.95)


def _suspects(model: UnitFile, entries: Sequence[TestLog]) -> list[Problem]:
    """Return what is said of single readings while a log is read."""
    return [
        Problem(
            one.message,
            f"{model.unit}/{entry.test.log}",
            column=one.column,
            severity="warning",
            doubt="unit" if one.slip else None,
            slip=one.slip,
        )
        for entry in entries
        for one in procedures()[entry.test.procedure].suspects(entry.log.columns)
    ]


def pairs(seed: int, first: int, folder: Path) -> Iterator[tuple[int, dict[str, Any], list[dict[str, np.ndarray]]]]:
    """Yield number, unit file and readings of ``_TOGETHER`` motors, those of block ``first``, and their controllers."""
    list(write_units(folder, units=_TOGETHER, seed=seed * 10_007 + first, drives=_TOGETHER))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    for k, make in itertools.product(range(_TOGETHER), ("IM", "IC")):
        name = f"{make}-{k:04d}"
        path = folder / "raw" / name
        unit = yaml.safe_load((path / "unit.yaml").read_text(encoding="utf-8"))
        if make == "IC":
            # What a maker prints beside the voltage: the limit of the supply current, in whole amperes.
            limit = round(truth[name]["supply_current_limit"]["value"])
            unit["nameplate"]["supply_current_limit"] = f"{limit} A"
        model = UnitFile.model_validate(unit)
        read = read_unit(model.unit, path, model.tests, {"plain": Layout()})
        yield first * _TOGETHER + k, unit, [dict(columns or {}) for columns in read.columns]


def run(out: Path, units: int, seed: int, seconds: float) -> None:
    """Add lines to ``out`` until there are ``units`` or ``seconds`` are over."""
    out.mkdir(parents=True, exist_ok=True)
    path, end = out / "doubt.jsonl", time.monotonic() + seconds
    done = {(line["unit"], line["make"]) for line in lines(path)}
    for block in range(math.ceil(units / _TOGETHER)):
        numbers = range(block * _TOGETHER, (block + 1) * _TOGETHER)
        wanted = {*itertools.product(numbers, ("motor", "controller"))} - done
        if not wanted:
            continue
        with tempfile.TemporaryDirectory() as folder:
            for number, unit, logs in pairs(seed, block, Path(folder)):
                if (number, unit["kind"]) not in wanted or number >= units:
                    continue
                if time.monotonic() > end:
                    return
                line = one(number, seed, unit, logs)
                with path.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(line) + "\n")


def one(number: int, seed: int, unit: dict[str, Any], logs: list[dict[str, np.ndarray]]) -> dict[str, Any]:
    """Return what was said of a unit as it is, and with a slip."""
    rng = np.random.default_rng((seed, number))
    kinds = list((CONTROLLER_KINDS if unit["kind"] == "controller" else KINDS).values())
    kind = kinds[number % len(kinds)]
    bench = Bench([dict(log) for log in logs], deepcopy(unit))
    what, pattern = kind.put(bench, rng)
    sound, false = judged(unit, logs)
    said, found = judged(bench.unit, bench.logs)
    slips = [problem.slip for problem in found if problem.slip]
    words = slips or [problem.message for problem in found]
    return {
        "unit": number,
        "make": unit["kind"],
        "kind": kind.name,
        "slip": what,
        "noticed": bool(said),
        "named": any(names(text, pattern) for text in words),
        "said": [problem.slip or problem.message for problem in found],
        "false": [problem.slip or problem.message for problem in false] if sound else [],
    }


def lines(path: Path) -> list[dict[str, Any]]:
    """Return what was written so far."""
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()] if path.exists() else []


def share(hits: int, of: int) -> str:
    """Return a share in percent with its 95 % interval (Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    if not of:
        return "-"
    z, p = 1.959964, hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    low = max(0.0, middle - half)  # of none it is nothing but for its rounding
    return f"{hits} of {of}: {100 * p:.1f} % ({100 * low:.1f} % to {100 * (middle + half):.1f} %)"


def table(found: Sequence[Mapping[str, Any]]) -> str:
    """Return the table in Markdown."""
    rows = ["| Slip | noticed | named |", "|---|---|---|"]
    for kind in (*KINDS, *CONTROLLER_KINDS):
        of = [line for line in found if line["kind"] == kind]
        if of:
            rows.append(
                f"| {kind} | {sum(line['noticed'] for line in of)} of {len(of)} | "
                f"{sum(line['named'] for line in of)} of {len(of)} |"
            )
    for make in ("motor", "controller"):
        of = [line for line in found if line["make"] == make]
        rows += [
            "",
            f"Noticed beside the verdict, {make}s: {share(sum(line['noticed'] for line in of), len(of))}",
            f"Named right: {share(sum(line['named'] for line in of), len(of))}",
            f"Doubt on a sound unit: {share(sum(bool(line['false']) for line in of), len(of))}",
        ]
    return "\n".join(rows)


def main() -> None:
    """Run the study, or print what it found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=100)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=420.0)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--report", action="store_true")
    given = parser.parse_args()
    if not given.report:
        run(given.out, given.units, given.seed, given.seconds)
    print(table(lines(given.out / "doubt.jsonl")))


if __name__ == "__main__":
    main()
