"""Do adjusted intervals hold the truth, how wide are they, and is a bad test found?

`python -m tests.benchmarks.adjusted DIR` reads the fits and results of motors of the independent bench that
`python -m tests.benchmarks.independent_coverage --out DIR` left there. `--invented N` in place of DIR
draws N motors of the invented bench, each with a no-load run and a coast-down. Prints how often the adjusted
interval and that of the preferred test hold the truth and how wide they are, and how often a gain error planted in one
test of EMF and torque constant is noticed and laid at the right door.
"""

from __future__ import annotations

import json
import statistics
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from rotorproof.errors import FitError
from rotorproof.fitting.adjusted import adjusted
from rotorproof.fitting.engine import Outcome
from rotorproof.fitting.store import load_fit
from rotorproof.procedures.fit import Fit
from rotorproof.quantities import preference, quantities
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.result import Result
from rotorproof.units import from_si
from tests.benchmarks.coverage import PROBABILITY, outcome
from tests.benchmarks.independent_coverage import truth_of
from tests.benchmarks.mechanical_studies import readers
from tests.simulation.mechanical_runs import coast_down_record, drawn_motor, no_load_table
from tests.simulation.study import Case

GAINS = (0.0, 0.03, 0.05, 0.10)
ONE_CONSTANT = ("emf_constant_dc", "torque_constant")

#: True value and the definition's own doubt, by quantity, in the unit of results.json.
Truth = Mapping[str, tuple[float, float]]


@dataclass
class Row:
    """One quantity over all units: how many, held by the adjusted and by the preferred interval, widths, agreement."""

    units: int = 0
    held: int = 0
    preferred: int = 0
    agree: int = 0
    ratios: list[float] = field(default_factory=list)


@dataclass
class Found:
    """How often tests disagreed, and which of them was named."""

    cases: int = 0
    noticed: int = 0
    right: int = 0
    wrong: int = 0


def coverage(units: Iterable[tuple[str, Sequence[Outcome], Truth]]) -> dict[str, Row]:
    """Return by quantity how the adjusted intervals do beside those of the test that is preferred."""
    rows: dict[str, Row] = {}
    for unit, outcomes, truth in units:
        found = adjusted(unit, outcomes, PROBABILITY)
        for name in sorted(set(found.consistency) & set(truth)):
            quantity, row = quantities()[name], rows.setdefault(name, Row())
            alone = min(
                (one for one in outcomes if name in one.forms), key=lambda one: preference(quantity, one.procedure)
            )
            covers = [
                one.interval(PROBABILITY)
                for one in (Result(found.forms[name], found.simulated.get(name)), alone.result(name))
            ]
            true, doubt = truth[name]
            held = [
                from_si(c.low, quantity.unit, quantity.kind) - doubt
                <= true
                <= from_si(c.high, quantity.unit, quantity.kind) + doubt
                for c in covers
            ]
            row.units += 1
            row.held += held[0]
            row.preferred += held[1]
            row.agree += found.consistency[name].agrees
            row.ratios.append(covers[0].expanded_uncertainty / covers[1].expanded_uncertainty)
    return rows


def planted(units: Iterable[tuple[str, Sequence[Outcome], Truth]], gain: float) -> Found:
    """Return what comes of a gain error in each test of EMF or torque of each unit; 0 tells what chance does."""
    found = Found()
    for unit, outcomes, _ in units:
        tests = [one.procedure for one in outcomes if set(ONE_CONSTANT) & set(one.forms)]
        for bad in dict.fromkeys(tests):
            spoiled = [_spoiled(one, gain) if one.procedure == bad else one for one in outcomes]
            one = adjusted(unit, spoiled, PROBABILITY).consistency.get(ONE_CONSTANT[0])
            if one is None or len({test["procedure"] for test in one["tests"]}) < 3:
                continue
            found.cases += 1
            found.noticed += not one["agrees"]
            found.right += one["out_of_line"] == bad
            found.wrong += one["out_of_line"] not in (None, bad)
    return found


def _spoiled(one: Outcome, gain: float) -> Outcome:
    forms = {name: form.scaled(1.0 + gain) if name in ONE_CONSTANT else form for name, form in one.forms.items()}
    kept = {name: found for name, found in one.simulated.items() if name not in ONE_CONSTANT}
    return replace(one, forms=forms, simulated=kept)


def independent(folder: Path) -> list[tuple[str, Sequence[Outcome], Truth]]:
    """Return the motors of the independent bench that lie fitted in a folder.

    Their adjusted friction is that of the coast-down: the parabola where it tells air drag apart, else its line.
    """
    truths = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    units = []
    for path in sorted(folder.glob("reports/IM-*/fit.json")):
        outcomes = [
            Outcome(
                one.maker,
                one.label,
                one.forms,
                Fit(),
                simulated=one.simulated,
                with_controller_loss=one.with_controller_loss,
                line=one.line,
                bend=one.bend,
            )
            for one in load_fit(path).outcomes
        ]
        told = {"windage": 1} if any("windage" in one.forms for one in outcomes) else {}
        units.append((path.parent.name, outcomes, at_20_degrees(truths[path.parent.name], told)))
    return units


def at_20_degrees(known: Mapping[str, Any], told: Mapping[str, Any]) -> Truth:
    """Return the truth of a unit as the adjusted values mean it; ``told`` holds windage where it was told apart."""
    found = {}
    for name, one in known.items():
        if isinstance(one, dict) and name in quantities():
            state = {"procedure": "coast-down", "conditions": {"magnet_temperature": "20 degC"}}
            value = truth_of(one, state, dict(told))
            if value is not None:
                found[name] = value
    return found


def invented(
    count: int, seed: int = 1, *, inertia_stated: bool = True
) -> Iterable[tuple[str, Sequence[Outcome], Truth]]:
    """Draw motors of the invented bench, each with a no-load run and a coast-down.

    Without a stated inertia the coast-down gives friction over inertia alone.
    """
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        motor = drawn_motor(rng, switch_drop=0.005)
        shown = 27.0 + rng.normal(0, 1.0)
        table = no_load_table(motor, rng, standstill=True)
        given = {"winding_constant": 234.5, "phase_resistance": motor.resistance, "nameplate_rated_voltage": 36.0}
        powered = Case([(table, {"winding_temperature": (shown, 1.0)})], {}, readers(table), given)
        record = coast_down_record(motor, rng, start=rng.uniform(25, 40))
        stated = motor.inertia * (1 + 0.005 * rng.normal())
        conditions = {"moment_of_inertia": (stated, 0.005 * motor.inertia)} if inertia_stated else {}
        unit = f"U{number}"
        try:
            first = _apart(outcome(powered, "no-load", unit))
            known: dict[str, float | tuple[float, float]] = {"winding_constant": 234.5}
            for name in ("coulomb_friction", "viscous_friction"):
                if name in first.forms and not inertia_stated:
                    known[name] = (first.forms[name].value, first.forms[name].standard_uncertainty)
            coasting = Case([(record, conditions)], {}, readers(record), known)
            runs = [first, _apart(outcome(coasting, "coast-down", unit))]
        except FitError:
            continue
        truth = {
            "coulomb_friction": (motor.coulomb + motor.hysteresis, 0.0),
            "viscous_friction": (motor.viscous + motor.eddy, 0.0),
        }
        yield unit, runs, truth


def _apart(one: Outcome) -> Outcome:
    """Give a run's instruments names of their own: each was drawn with an instrument of its own."""

    def renamed(form: Form) -> Form:
        return Form(form.value, {_renamed(influence, one.procedure): c for influence, c in form.terms.items()})

    forms = {name: renamed(form) for name, form in one.forms.items()}
    return replace(one, forms=forms, bend=None if one.bend is None else renamed(one.bend))


def _renamed(influence: Influence, procedure: str) -> Influence:
    return (
        influence if influence.name.startswith("scatter/") else replace(influence, name=f"{procedure}/{influence.name}")
    )


def show(units: Sequence[tuple[str, Sequence[Outcome], Truth]]) -> None:
    """Print both tables."""
    print(
        "| quantity | units | adjusted holds | preferred test holds | agree | mean width |\n|---|--:|--:|--:|--:|--:|"
    )
    for name, row in coverage(units).items():
        wide = statistics.mean(row.ratios)
        print(f"| {name} | {row.units} | {row.held} | {row.preferred} | {row.agree} | {wide:.2f} |")
    if not any(set(ONE_CONSTANT) <= {name for one in runs for name in one.forms} for _, runs, _ in units):
        return
    print("\n| gain error in one test | cases | noticed | right test named | wrong one |\n|--:|--:|--:|--:|--:|")
    for gain in GAINS:
        one = planted(units, gain)
        if one.cases:
            print(f"| {100 * gain:.0f} % | {one.cases} | {one.noticed} | {one.right} | {one.wrong} |")


def main() -> None:
    """Read or draw the units and print the tables."""
    if sys.argv[1] != "--invented":
        show(independent(Path(sys.argv[1])))
        return
    for stated in (True, False):
        print(f"\nMoment of inertia {'stated' if stated else 'not known'}:\n")
        show(list(invented(int(sys.argv[2]), inertia_stated=stated)))


if __name__ == "__main__":
    main()
