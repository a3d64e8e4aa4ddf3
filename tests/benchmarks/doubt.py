"""Does a slip of the hand reach the verdict? `python -m tests.benchmarks.doubt --units 100 --seed 5 --out DIR`.

Motors and controllers of the independent bench are fitted and decided on twice: as they are, and with one slip put into
their readings. Counted is how often a line stands beside the verdict, how often it names that slip, and how often one
stands beside the verdict on a sound unit. With `--siblings N` each is also judged beside N other units of its model;
`--make controller` or `--make motor` fits one kind alone.

A line of JSON for each unit is added to a file of its own in DIR for each `--seed` and `--first`, so that parts may run
side by side; what stands in DIR already is not done again, and `--seconds` ends a part. `--report` prints the table of
all files in DIR.
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
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from rotorproof.checking.look import reading_problems
from rotorproof.decision.models import MainEntry, ProblemEntry, Results
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
from rotorproof.season.population import populations, ranges
from rotorproof.season.process import process_of
from rotorproof.settings.acceptance import ProcessFile
from rotorproof.settings.layout import Layout
from rotorproof.settings.load import conditions_of
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.witness.search import second_witness
from tests.benchmarks.slip_kinds import CONTROLLER_KINDS, KINDS, Bench, names
from tests.simulation.independent.study import write_units

_TOGETHER = 8
"""Units that are solved side by side."""
MAKES = ("motor", "controller")

#: How far other units of a model lie apart, as a share of each constant (common practice, no source).
_APART = 0.03
#: Results that all stay within this share of their expanded uncertainty are those of a slip that does no harm.
_HARMLESS = 0.1


@dataclass(frozen=True)
class Judged:
    """A unit's results, the line beside the verdict ("" if none) and the problems that doubt a unit or scale."""

    results: Results
    line: str
    problems: Sequence[ProblemEntry]

    @property
    def said(self) -> list[str]:
        """Return what stands beside the verdict, or behind it."""
        return [problem.slip or problem.message for problem in self.problems] if self.line else []

    def names(self, pattern: str) -> bool:
        """Tell whether the slips that are named, or where none is the problems, match a pattern."""
        slips = [problem.slip for problem in self.problems if problem.slip]
        return any(names(text, pattern) for text in slips or [problem.message for problem in self.problems])


class Fitted:
    """A unit, given as the content of its file and its readings in SI, fitted once and judged as often as asked."""

    def __init__(self, unit: Mapping[str, Any], logs: Sequence[Mapping[str, np.ndarray]]) -> None:
        self.model = UnitFile.model_validate(unit)
        self.settings = RunSettings.model_validate({"config_version": 1})
        self.logs, self.entries = logs, []
        for test, columns in zip(self.model.tests, logs, strict=True):
            written = conditions_of(test)
            values = {name: measured.value for name, measured in written.items()}
            log = Log(test.label or test.procedure, dict(columns), values)
            self.entries.append(TestLog(test, log, written))
        self.fit = fit_unit(self.model, self.entries, self.settings, f"{self.model.unit}/unit.yaml")
        self.results = self._decided()

    def _decided(self) -> Results:
        """Return the results without a second witness, without limits."""
        logs = {test.log: str(k) for k, test in enumerate(self.model.tests)}
        readings = Readings([dict(log) for log in self.logs], logs, [])
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "fit.json"
            save_fit(path, path.with_suffix(".npz"), self.fit)
            seen = [*reading_problems(self.model, readings), *_suspects(self.model, self.entries)]
            return build_results(self.model.unit, self.model.kind, load_fit(path), seen, None, 0.95)

    def judged(self, population: ProcessFile | None = None) -> Judged:
        """Return what is said of it, beside other units of its model where their population is given."""
        found = second_witness(self.model, self.entries, self.settings, self.fit, (), population)
        problems = [*self.results.problems, *map(ProblemEntry.of, found)]
        results = self.results.model_copy(update={"problems": problems})
        return Judged(results, doubt(results), [problem for problem in problems if problem.doubt])


def results_of(unit: Mapping[str, Any], logs: Sequence[Mapping[str, np.ndarray]]) -> Results:
    """Return the results of a unit, given as the content of its file and its readings in SI, without limits."""
    return Fitted(unit, logs).judged().results


def siblings(kind: str, results: Results, count: int, rng: np.random.Generator) -> ProcessFile | None:
    """Return what ``count`` other units of the model say, as the season writes it; ``None`` where they say nothing.

    They are drawn about the constants of one sound unit: it lies off the mean of its model as each of them does, and
    each is measured with the unit's own standard uncertainty. The bench is not run again for them.
    """
    middle = {name: entry.value / (1.0 + _APART * rng.normal()) for name, entry in results.quantities.items()}
    units, others = [], {}
    for k in range(count):
        name = f"S-{k}"
        values: dict[str, MainEntry] = {}
        for quantity, entry in results.quantities.items():
            value = middle[quantity] * (1.0 + _APART * rng.normal()) + entry.standard_uncertainty * rng.normal()
            values[quantity] = entry.model_copy(update={"value": float(value)})
        units.append({"unit": name, "model": "drawn", "kind": kind})
        others[name] = results.model_copy(update={"quantities": values})
    for found in populations(units, others):
        return ProcessFile.model_validate(process_of(found, units, ranges(found, units, others)))
    return None


def harmless(sound: Results, slipped: Results) -> bool:
    """Tell whether a slip moves no result by more than a tenth of its expanded uncertainty, nor takes one away."""
    if sound.quantities.keys() != slipped.quantities.keys():
        return False
    for name, true in sound.quantities.items():
        found, most = slipped.quantities[name], _HARMLESS * true.expanded_uncertainty
        if abs(found.value - true.value) > most or abs(found.expanded_uncertainty - true.expanded_uncertainty) > most:
            return False
    return True


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


def pairs(
    seed: int, first: int, folder: Path, together: int = _TOGETHER
) -> Iterator[tuple[int, dict[str, Any], list[dict[str, np.ndarray]]]]:
    """Yield number, unit file and readings of ``together`` motors, those of block ``first``, and their controllers."""
    list(write_units(folder, units=together, seed=seed * 10_007 + first, drives=together))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    for k, make in itertools.product(range(together), ("IM", "IC")):
        name = f"{make}-{k:04d}"
        path = folder / "raw" / name
        unit = yaml.safe_load((path / "unit.yaml").read_text(encoding="utf-8"))
        if make == "IC":
            # What a maker prints beside the voltage: the limit of the supply current, in whole amperes.
            limit = round(truth[name]["supply_current_limit"]["value"])
            unit["nameplate"]["supply_current_limit"] = f"{limit} A"
        model = UnitFile.model_validate(unit)
        read = read_unit(model.unit, path, model.tests, {"plain": Layout()})
        yield first * together + k, unit, [dict(columns or {}) for columns in read.columns]


def run(
    out: Path, first: int, units: int, seed: int, others: int, seconds: float, makes: Sequence[str] = MAKES
) -> None:
    """Add lines for ``units`` units of each make from number ``first`` on, until all are there or ``seconds`` over."""
    out.mkdir(parents=True, exist_ok=True)
    path, end = out / f"doubt-{seed}-{first}.jsonl", time.monotonic() + seconds
    done = {(line["unit"], line["make"]) for line in lines(out) if line["seed"] == seed}
    numbers = range(first, first + units)
    wanted = {*itertools.product(numbers, makes)} - done
    for block in range(first // _TOGETHER, math.ceil((first + units) / _TOGETHER)):
        if not any(number // _TOGETHER == block for number, _ in wanted):
            continue
        with tempfile.TemporaryDirectory() as folder:
            for number, unit, logs in pairs(seed, block, Path(folder)):
                if (number, unit["kind"]) not in wanted:
                    continue
                if time.monotonic() > end:
                    return
                line = one(number, seed, unit, logs, others)
                with path.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(line) + "\n")


def one(
    number: int, seed: int, unit: dict[str, Any], logs: list[dict[str, np.ndarray]], others: int = 0
) -> dict[str, Any]:
    """Return what was said of a unit as it is, and with a slip; beside ``others`` of its model too, if any."""
    rng = np.random.default_rng((seed, number))
    kinds = list((CONTROLLER_KINDS if unit["kind"] == "controller" else KINDS).values())
    kind = kinds[number % len(kinds)]
    bench = Bench([dict(log) for log in logs], deepcopy(unit))
    what, pattern = kind.put(bench, rng)
    sound, slipped = Fitted(unit, logs), Fitted(bench.unit, bench.logs)

    def said(population: ProcessFile | None) -> dict[str, Any]:
        found = slipped.judged(population)
        return {
            "noticed": bool(found.line),
            "named": found.names(pattern),
            "said": found.said,
            "false": sound.judged(population).said,
        }

    line = {"unit": number, "seed": seed, "make": unit["kind"], "kind": kind.name, "slip": what}
    line |= {"harmless": harmless(sound.results, slipped.results), **said(None)}
    if others:
        population = siblings(unit["kind"], sound.results, others, np.random.default_rng((seed, number, others)))
        line["beside"] = said(population)
    return line


def lines(out: Path) -> list[dict[str, Any]]:
    """Return what was written into a folder so far, by part and unit."""
    texts = (path.read_text(encoding="utf-8") for path in sorted(out.glob("doubt-*.jsonl")))
    return [json.loads(line) for text in texts for line in text.splitlines()]


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
    rows = ["| Slip | noticed | named | changes no result |", "|---|---|---|---|"]
    for kind in (*KINDS, *CONTROLLER_KINDS):
        of = [line for line in found if line["kind"] == kind]
        if of:
            noticed, named, idle = (sum(line[key] for line in of) for key in ("noticed", "named", "harmless"))
            rows.append(f"| {kind} | {noticed} of {len(of)} | {named} of {len(of)} | {idle} |")
    for make in (*MAKES, ""):
        of = [line for line in found if line["make"] == make or not make]
        harm = [line for line in of if not line["harmless"]]
        beside = [{**line, **line["beside"]} for line in of if "beside" in line]
        rows += [
            "",
            f"{make.capitalize() or 'Unit'}s, {len(of)}, of which {len(harm)} with a slip that changes a result:",
        ]
        rows += _shares("all", of)
        rows += _shares("that change a result", harm)
        if beside:
            rows += _shares("all, beside others of the model", beside)
            rows += _shares(
                "that change a result, beside others of the model", [one for one in beside if not one["harmless"]]
            )
        for which, some in (("", of), (" beside others of the model", beside)):
            if some:
                rows.append(
                    f"- doubt on a sound unit{which}: {share(sum(bool(one['false']) for one in some), len(some))}"
                )
    return "\n".join(rows)


def _shares(which: str, of: Sequence[Mapping[str, Any]]) -> list[str]:
    noticed, named = (share(sum(line[key] for line in of), len(of)) for key in ("noticed", "named"))
    return [f"- slips ({which}) noticed {noticed}; named {named}"]


def main() -> None:
    """Run the study, or print what it found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0, help="number of the first unit of this part")
    parser.add_argument("--units", type=int, default=100, help="how many motors, and controllers")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--make", choices=MAKES, help="draw both, fit and judge only these")
    parser.add_argument("--siblings", type=int, default=0, help="other units of the model, 0 or 5 and more")
    parser.add_argument("--seconds", type=float, default=420.0)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--report", action="store_true")
    given = parser.parse_args()
    if not given.report:
        makes = (given.make,) if given.make else MAKES
        run(given.out, given.first, given.units, given.seed, given.siblings, given.seconds, makes)
    print(table(lines(given.out)))


if __name__ == "__main__":
    main()
