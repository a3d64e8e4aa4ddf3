"""How often the 95 % intervals hold the truth: random units from the invented bench, one study per procedure.

``python -m tests.benchmarks.coverage`` writes coverage.md and coverage.svg beside this file. Each study draws units
until ``--units`` or ``--seconds`` of processor time; the same seed draws the same units. ``--only`` names studies by a
part of their name and prints without writing. ``--keep`` names a folder in which the counts of each study are kept, so
that a run that was stopped goes on where it was; empty it when a fit or a study has changed.
"""

from __future__ import annotations

import argparse
import json
import re
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.fitting.instrument_error import InstrumentError
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.uncertainty.accuracy import parse_accuracy
from rotorproof.uncertainty.forms import Form, Influence
from tests.benchmarks.studies import STUDIES
from tests.simulation.study import Case, Study

PROBABILITY = 0.95
TARGET = (0.93, 0.97)
HERE = Path(__file__).parent
#: Why a share may lie outside the target, by procedure and quantity, where that is known; for the page.
REASONS = {
    ("load", "torque_constant"): "on one characteristic friction that falls with speed cannot be seen; any share from "
    "none to all is allowed for, and that of the bench's motors lies near the middle",
    ("load", "winding_loss"): "one point's current is judged by the scatter about the line of all, which holds the "
    "torque's too",
    ("locked-rotor", "saturation_current"): "the shape of the knee is unknown between two extremes, and the bench's "
    "lies between them",
    ("supply-window", "supply_hysteresis"): "four sweeps leave three degrees of freedom beside two rectangular errors; "
    "their t interval is the safe side of that mixture",
    ("gate-timing", "pwm_frequency"): "a scatter of periods that the sample clock rounds counts as chance, though it "
    "cancels from edge to edge",
    ("open-circuit", "emf_constant_peak"): "the corrections of the crest for noise, sampling and smoothing count as "
    "uncertain by themselves, though on a clean trapezoid they are right",
    ("heat-run", "thermal_time_constant"): "the doubt whether the last exponential is the last one is added where no "
    "such error is, too",
    ("heat-run", "thermal_resistance"): "as thermal_time_constant",
    ("winding-resistance", "resistance_unbalance"): "near zero an interval that may not fall below it is one-sided",
    ("hall-sensors", "hall_jitter"): "a spread from few turns has few degrees of freedom",
}


@dataclass
class Tally:
    """What became of one quantity: units that gave it, intervals that held, intervals from trials, misses above."""

    given: int = 0
    held: int = 0
    simulated: int = 0
    above: int = 0
    widths: list[float] = field(default_factory=list)

    def share(self) -> float:
        """Return the share of intervals that hold the truth."""
        return self.held / self.given

    def bounds(self) -> tuple[float, float]:
        """Return where the true share lies with 95 % (Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
        n, p, z = self.given, self.share(), 1.959964
        middle = (p + z * z / (2 * n)) / (1 + z * z / n)
        half = z / (1 + z * z / n) * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
        return float(middle - half), float(middle + half)

    def verdict(self) -> str:
        """Return whether the share is in the target, as far as so many units can tell."""
        low, high = self.bounds()
        if high < TARGET[0]:
            return "too narrow"
        if low > TARGET[1]:
            return "wider than needed"
        return "within" if TARGET[0] <= self.share() <= TARGET[1] else "near the edge"


@dataclass
class Found:
    """The tallies of one study by quantity; ``failed`` units gave no fit, ``missing`` counts absent quantities."""

    study: Study
    units: int = 0
    failed: int = 0
    seconds: float = 0.0
    tallies: dict[str, Tally] = field(default_factory=lambda: defaultdict(Tally))
    missing: dict[str, int] = field(default_factory=lambda: defaultdict(int))


def outcome(case: Case, procedure_name: str, unit: str) -> Outcome:
    """Run a case through the uncertainty engine. Raises ``FitError`` as the procedure does."""
    procedure = procedures()[procedure_name]
    logs, uncertain = [], {}
    for index, (columns, conditions) in enumerate(case.logs):
        values = {name: v[0] if isinstance(v, tuple) else v for name, v in conditions.items()}
        logs.append(Log(f"{procedure_name}-{index}", dict(columns), values))
        for name, v in conditions.items():
            if isinstance(v, tuple):
                uncertain[index, name] = Form(v[0], {Influence(f"stated/{name}/{v[0]}", name): v[1]})
    instruments = []
    for reader in case.readers:
        name = f"{reader.kind}/{','.join([*reader.columns, *reader.conditions])}"
        instruments.append(
            InstrumentError(
                Influence(name, name, "rectangular"),
                parse_accuracy(reader.accuracy, reader.kind),
                [(i, c) for i, log in enumerate(logs) for c in reader.columns if c in log],
                [(i, c) for i, log in enumerate(logs) for c in reader.conditions if c in log.conditions],
            )
        )
    given = {}
    for name, value in case.given.items():
        u = value[1] if isinstance(value, tuple) else 0.0
        best = value[0] if isinstance(value, tuple) else value
        given[name] = Form(best, {Influence(f"stated/{name}", name): u} if u else {})
    return run(
        procedure,
        logs,
        label=procedure_name,
        unit=unit,
        given=given,
        instruments=instruments,
        uncertain_conditions=uncertain,
        probability=PROBABILITY,
    )


def investigate(
    study: Study, *, units: int, seconds: float, seed: int = 1, found: Found | None = None, keep: Path | None = None
) -> Found:
    """Draw units of a study and count; stops after ``seconds`` of processor time.

    Goes on after the units that ``found`` counts already, and keeps the counts in the file ``keep`` now and then.
    """
    found = found or Found(study)
    spent, begun = found.seconds, time.process_time()
    for number in range(found.units, units):
        found.seconds = spent + time.process_time() - begun
        if found.seconds > seconds:
            break
        if keep is not None and number % 50 == 0:
            store(found, keep)
        case = study.draw(np.random.default_rng([seed, number]))
        found.units += 1
        try:
            result = outcome(case, study.procedure, f"U{number}")
        except FitError:
            found.failed += 1
            continue
        for name, true in case.truth.items():
            if name not in result.forms:
                found.missing[name] += 1
                continue
            cover = result.result(name).interval(PROBABILITY)
            tally = found.tallies[name]
            tally.given += 1
            tally.held += int(cover.low <= true <= cover.high)
            tally.above += int(true > cover.high)
            tally.simulated += name in result.simulated
            if true:
                tally.widths.append(float(cover.expanded_uncertainty / abs(true)))
    found.seconds = spent + time.process_time() - begun
    if keep is not None:
        store(found, keep)
    return found


def store(found: Found, path: Path) -> None:
    """Keep the counts of a study in a file."""
    kept = {
        "units": found.units,
        "failed": found.failed,
        "seconds": found.seconds,
        "tallies": {name: asdict(tally) for name, tally in found.tallies.items()},
        "missing": dict(found.missing),
    }
    part = path.with_suffix(".part")
    part.write_text(json.dumps(kept), encoding="utf-8")
    part.replace(path)


def stored(study: Study, path: Path) -> Found:
    """Return the counts of a study as kept in a file, none where there is no file."""
    found = Found(study)
    if path.exists():
        kept = json.loads(path.read_text(encoding="utf-8"))
        found.units, found.failed, found.seconds = kept["units"], kept["failed"], kept["seconds"]
        found.tallies.update({name: Tally(**tally) for name, tally in kept["tallies"].items()})
        found.missing.update(kept["missing"])
    return found


def table(found: Sequence[Found]) -> str:
    """Return the results as a table in Markdown."""
    lines = [
        "| Study | Quantity | Units | Held | 95 % of such studies | Truth above / below | By trials | U/value | |",
        "|---|---|--:|--:|--:|--:|--:|--:|---|",
    ]
    for item in found:
        for name, tally in item.tallies.items():
            low, high = tally.bounds()
            missed = tally.given - tally.held
            lines.append(
                f"| {item.study.name} | `{name}` | {tally.given} | {tally.share():.1%} | {low:.1%} to {high:.1%} | "
                f"{tally.above} / {missed - tally.above} | {tally.simulated / tally.given:.0%} | "
                f"{np.median(tally.widths) if tally.widths else 0:.2%} | {tally.verdict()} |"
            )
    return "\n".join(lines)


def page(found: Sequence[Found]) -> str:
    """Return the page that stands beside this file."""
    tallies = [tally for item in found for tally in item.tallies.values()]
    outside = [t for t in tallies if t.verdict() in ("too narrow", "wider than needed")]
    total = sum(t.given for t in tallies)
    held = sum(t.held for t in tallies)
    absent = [
        f"- {item.study.name}: `{name}` was not given for {count} of {item.units} units."
        for item in found
        for name, count in item.missing.items()
    ] + [f"- {item.study.name}: {item.failed} of {item.units} units gave no fit." for item in found if item.failed]
    parts = [
        "# Do 95 % intervals hold 95 %?",
        "Random units from the invented bench in `tests/simulation`, whose physics is richer than that of the fits and "
        "independent of it, read by instruments whose errors lie anywhere within their stated accuracy. Written by "
        "`python -m tests.benchmarks.coverage` (`make coverage`): the same seed draws the same units, and a study "
        "ends at its number of units or its limit of processor time.",
        f"{len(tallies)} quantities, {total} intervals: {held / total:.1%} hold the truth. The target is "
        f"{TARGET[0]:.0%} to {TARGET[1]:.0%} for each; {len(outside)} lie outside it by more than chance.",
        "![Share of intervals that hold the truth](coverage.svg)",
        table(found),
        "*95 % of such studies*: the share a study of endless length would find, by Wilson's interval. *By trials*: "
        "share of intervals from Monte Carlo (JCGM 101), taken where a formula bends over its uncertainty. *U/value*: "
        "median.",
    ]
    reasons = [
        f"- {item.study.name}: `{name}` {tally.share():.1%}: {REASONS[item.study.procedure, name]}."
        if (item.study.procedure, name) in REASONS
        else f"- {item.study.name}: `{name}` {tally.share():.1%}: no reason is known."
        for item in found
        for name, tally in item.tallies.items()
        if tally.verdict() != "within"
    ]
    if reasons:
        parts += ["Why those outside the target or near its edge are so:", "\n".join(reasons)]
    if absent:
        parts += ["Not counted above, because the program gave no value and said why:", "\n".join(absent)]
    return "\n\n".join(parts) + "\n"


def picture(found: Sequence[Found], path: Path) -> None:
    """Draw the shares with their bounds as an SVG whose bytes depend on the numbers alone."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    rows = [(f"{item.study.name}: {name}", tally) for item in found for name, tally in item.tallies.items()]
    with mpl.rc_context({"svg.hashsalt": "coverage", "font.size": 7}):
        figure = Figure(figsize=(8, 0.6 + 0.19 * len(rows)), layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.subplots()
        axes.axvspan(*TARGET, color="#dfe9f3")
        axes.axvline(PROBABILITY, color="#33475b", linewidth=0.8)
        for place, (_, tally) in enumerate(rows):
            low, high = tally.bounds()
            colour = "#b3261e" if tally.verdict() in ("too narrow", "wider than needed") else "#0b5394"
            axes.plot([low, high], [place, place], color=colour, linewidth=1.2)
            axes.plot(tally.share(), place, "o", color=colour, markersize=3.5)
        axes.set_yticks(range(len(rows)), [label for label, _ in rows])
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.set_xlim(min(0.85, min(t.bounds()[0] for _, t in rows) - 0.01), 1.0)
        axes.set_xlabel("share of 95 % intervals that hold the truth; band: target; bars: 95 % of such studies")
        figure.savefig(path, format="svg", metadata={"Date": None, "Creator": None})


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the studies; the exit status tells whether all quantities are within the target as far as can be told."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=600.0, help="processor time per study")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--keep", type=Path, help="folder for the counts of each study, to go on from")
    chosen = parser.parse_args(arguments)
    wanted = [s for s in STUDIES if not chosen.only or any(part in s.name for part in chosen.only)]
    found = []
    for study in wanted:
        path = None
        if chosen.keep is not None:
            chosen.keep.mkdir(parents=True, exist_ok=True)
            path = chosen.keep / f"{re.sub('[^a-z0-9]+', '-', study.name)}-{chosen.seed}.json"
        begun = stored(study, path) if path else None
        item = investigate(study, units=chosen.units, seconds=chosen.seconds, seed=chosen.seed, found=begun, keep=path)
        found.append(item)
        print(f"{study.name}: {item.units} units, {1e3 * item.seconds / item.units:.0f} ms each", flush=True)
        for name, tally in item.tallies.items():
            low, high = tally.bounds()
            print(
                f"  {name:28s} {tally.share():6.1%}  ({low:.1%} to {high:.1%}), {tally.given - tally.held} missed, "
                f"{tally.above} above, {tally.simulated / tally.given:.0%} by trials: {tally.verdict()}",
                flush=True,
            )
        for name, count in item.missing.items():
            print(f"  {name}: not given for {count}")
    if not chosen.only:
        (HERE / "coverage.md").write_text(page(found), encoding="utf-8")
        picture(found, HERE / "coverage.svg")
    tallies = [tally for item in found for tally in item.tallies.values()]
    return int(any(t.verdict() in ("too narrow", "wider than needed") for t in tallies))


if __name__ == "__main__":
    raise SystemExit(main())
