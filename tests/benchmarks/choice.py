"""A choice from the stock against solving every pair in time, and how long it takes to rank hundreds of pairs.

``python -m tests.benchmarks.choice`` prints both. The independent bench (``tests/independent_bench/pairs.py``) solves
machine and bridge of each pair over the vehicle's duty; the program is given constants that are each moved by an error
drawn from the uncertainty they are said to have. Each vehicle has motors, controllers and a duty of its own.
"""

from __future__ import annotations

import argparse
import itertools
import os
import time
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from rotorproof.fitting.parts import Part
from rotorproof.season.shelf import shelf
from rotorproof.season.stock import Ranked, rank
from rotorproof.settings.application import applications
from tests.independent_bench.pairs import (
    Asked,
    Stock,
    as_duty,
    controller_part,
    losses,
    motor_part,
    run_settings,
    stock,
)
from tests.simulation.independent.controller_session import draw_habits
from tests.simulation.independent.draw import draw_controller, draw_motor, draw_vehicle

#: What a probability of meeting the duty must be to be called sure, and how far an order must be told, in u.
_SURE, _TOLD = 0.95, 2.0
_MARGINS = {"cruise": "N m", "climb": "N m", "start": "N m", "heat": "A", "current": "A"}


def judged(vehicles: Sequence[Stock]) -> list[str]:
    """Return lines of a table: what the program said of all pairs beside what the bench finds."""
    sure = right = fails = told = held = ties = 0
    chances: list[tuple[float, bool]] = []
    #: Ours less the bench's, and in standard uncertainties.
    off: dict[str, list[tuple[float, float]]] = defaultdict(list)
    shares: list[float] = []
    best: list[float] = []
    left_out: dict[str, str] = {}
    for one in vehicles:
        left_out |= one.shelf.left_out
        ranked = rank(one.shelf.pairs)
        for entry in ranked:
            truth = one.truths[entry.candidate.name]
            chances.append((entry.meets, truth.meets))
            if not 1 - _SURE < entry.meets < _SURE:
                sure += 1
                fails += not truth.meets
                right += truth.meets == (entry.meets > 0.5)
        for pair in one.shelf.pairs:
            assert pair.energy is not None
            truth = one.truths[pair.name]
            compared = [("energy, J/m", pair.energy, truth.energy)]
            compared += [
                (f"{name}, {unit}", pair.margins[name], truth.margins[name]) for name, unit in _MARGINS.items()
            ]
            for name, ours, published in compared:
                # A pair that never gives what the cruise or the grade asks for has no energy and no current there.
                if np.isfinite(published):
                    off[name].append((ours.value - published, (ours.value - published) / ours.standard_uncertainty))
            if np.isfinite(truth.energy):
                shares.append(abs(pair.energy.value / truth.energy - 1))
        reach = [pair for pair in one.shelf.pairs if np.isfinite(one.truths[pair.name].energy)]
        for first, second in itertools.combinations(reach, 2):
            assert first.energy is not None
            assert second.energy is not None
            more = second.energy.minus(first.energy)
            if abs(more.value) > _TOLD * more.standard_uncertainty:
                told += 1
                really = one.truths[second.name].energy - one.truths[first.name].energy
                held += (more.value > 0) == (really > 0)
            else:
                ties += 1
        if (lost := _lost(one, ranked)) is not None:
            best.append(lost)
    lines = [
        f"{len(chances)} pairs, {sum(met for _, met in chances)} of which meet their duty on the bench",
        f"said with {100 * _SURE:.0f} % or more: {sure}, {right} of them rightly; {fails} of these pairs fail",
        f"the others: {len(chances) - sure}, of which {_expected(chances):.1f} were expected to meet it and "
        f"{sum(met for p, met in chances if 1 - _SURE < p < _SURE)} do",
        f"orders by energy that are told: {told} (of {told + ties}), {held} of them rightly",
        f"energy off by at most {100 * max(shares):.1f} %",
        f"best of rank 1 against the best of all: {len(best)} vehicles, it takes at most {100 * max(best):.1f} % more",
        "| ours less the bench's | pairs | mean | mean, u | within 1 u | within 2 u | at most |",
        "|---|--:|--:|--:|--:|--:|--:|",
    ]
    for name, each in off.items():
        plain, scaled = np.array(each).T
        within = " | ".join(f"{100 * np.mean(np.abs(scaled) <= k):.0f} %" for k in (1.0, 2.0))
        most = np.abs(scaled).max()
        lines.append(f"| {name} | {len(each)} | {plain.mean():+.2f} | {scaled.mean():+.1f} | {within} | {most:.1f} u |")
    return [*lines, *(f"left out: {name}: {why}" for name, why in left_out.items())]


def _expected(chances: Sequence[tuple[float, bool]]) -> float:
    return sum(p for p, _ in chances if 1 - _SURE < p < _SURE)


def _lost(one: Stock, ranked: Sequence[Ranked]) -> float | None:
    """Return how much more energy the first of the list takes than the best that meets the duty on the bench.

    ``None`` where none meets it; without end where the first does not.
    """
    energies = [truth.energy for truth in one.truths.values() if truth.meets]
    if not energies:
        return None
    first = one.truths[ranked[0].candidate.name]
    return first.energy / min(energies) - 1 if first.meets else np.inf


def timed(motors: int, controllers: int, seed: int) -> tuple[int, float]:
    """Return how many pairs were ranked and the processor time in s, prediction and ranking, without the bench."""
    rng = np.random.default_rng(seed)
    on = draw_vehicle(rng)
    drawn = [draw_motor(rng) for _ in range(motors)]
    with_habits = {f"C{k:02d}": (draw_controller(rng), draw_habits(rng)) for k in range(controllers)}
    fastest = on.cruise / on.circumference * 2 * np.pi
    parts: list[Part] = [motor_part(f"M{k:02d}", motor, fastest, rng) for k, motor in enumerate(drawn)]
    lost = losses(rng, with_habits, drawn[0], on)
    rest = [controller_part(name, habits, lost[name], rng) for name, (_, habits) in with_habits.items()]
    settings, duty = run_settings(on), as_duty(Asked(0.03, 3.0, 0.05))
    (application,) = applications((), settings)
    began = time.process_time()
    found = shelf(parts, rest, settings, application, duty, "vehicle")
    rank(found.motors)
    rank(found.pairs)
    return len(found.pairs), time.process_time() - began


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=6)
    parser.add_argument("--motors", type=int, default=5)
    parser.add_argument("--controllers", type=int, default=3)
    parser.add_argument("--seed", type=int, default=100)
    args = parser.parse_args()
    for motors, controllers in ((3, 2), (20, 15)):
        count, spent = timed(motors, controllers, args.seed)
        print(f"{count} pairs ranked in {spent:.1f} s of processor time, load {os.getloadavg()[0]:.1f}", flush=True)
    began = time.process_time()
    seeds = range(args.seed, args.seed + args.vehicles)
    vehicles = [stock(args.motors, args.controllers, seed) for seed in seeds]
    print(f"{args.vehicles} vehicles solved and predicted in {time.process_time() - began:.0f} s")
    print("\n".join(judged(vehicles)))


if __name__ == "__main__":
    main()
