"""Seasons of an invented workshop: when a drifting instrument and a bad delivery are noticed, and false alarms.

``python -m tests.benchmarks.season`` prints the tables of ``docs/season.md``. A season has 40 weekends. On each the
check standard is measured (``tests/season/bench_days.py``: three instruments, formulas by hand); from week 20 on one
instrument drifts by a tenth of its stated accuracy a week. Six motors of one model come every fortnight and are
measured; one delivery has a resistance that is higher by two standard deviations of the model. Results are made, not
logs: what is judged here stands on results.
"""

from __future__ import annotations

import argparse
import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from rotorproof.decision.models import Results
from rotorproof.season.bench import BASELINE, BenchDay, Standard, judge
from rotorproof.season.population import populations
from tests.entries import quantity_entry, results
from tests.season.bench_days import ACCURACY, INSTRUMENT, START, day

WEEKENDS, DRIFTS_FROM, BAD_DELIVERY = 40, 20, 8
PER_DELIVERY = 6
#: Scatter of the model's resistance, and of its measurement, in ohm; the shift of the bad delivery.
BETWEEN, OWN, SHARED, BAD = 0.0018, 0.0003, 0.0002, 0.0036


@dataclass(frozen=True)
class Noticed:
    """One season's bench: the weekend on which a drift was noticed, and false alarms before it began."""

    weekend: int | None
    named_then: bool
    named_at_the_end: bool
    only_it: bool
    false_alarms: int
    judged: int


def bench(rng: np.random.Generator, kind: str = "", a_week: float = 0.1) -> Standard:
    """Return a season of the check standard; ``kind`` drifts by ``a_week`` of its stated accuracy from week 20 on."""
    fixed = {name: rng.uniform(-half, half) for name, half in ACCURACY.items()}
    sign = rng.choice([-1.0, 1.0])
    days: list[BenchDay] = []
    for weekend in range(WEEKENDS):
        gains = dict(fixed)
        if kind:
            gains[kind] += sign * a_week * ACCURACY[kind] * max(0, weekend - DRIFTS_FROM)
        days.append(day(weekend, gains, rng))
    return judge("CS", "1", days)


def noticed(standard: Standard, kind: str) -> Noticed:
    """Return when the drift of ``kind`` was noticed, and whether it was laid at the right instrument."""
    name = f"meter {INSTRUMENT[kind]}, {kind}" if kind else ""
    out = [place for place, one in enumerate(standard.days) if one.state == "out of control"]
    after = [place for place in out if place >= DRIFTS_FROM]
    before = out if not kind else [place for place in out if place < DRIFTS_FROM]
    last = standard.days[-1].suspects
    return Noticed(
        after[0] if kind and after else None,
        bool(kind and after) and name in standard.days[after[0]].suspects,
        bool(kind) and name in last,
        list(last) == [name],
        len(before),
        len(standard.days) - BASELINE if not kind else DRIFTS_FROM - BASELINE,
    )


def deliveries(rng: np.random.Generator, bad: bool) -> tuple[int | None, int]:
    """Return the weekend on which the bad delivery was marked (``None``: never), and sound ones that were marked.

    The model is judged after every weekend with a delivery, as the register is written.
    """
    common = SHARED * rng.normal()
    units: list[Mapping[str, Any]] = []
    found: dict[str, Results] = {}
    first: int | None = None
    false: set[str] = set()
    for delivery in range(WEEKENDS // 2):
        on = START + datetime.timedelta(weeks=2 * delivery)
        for number in range(PER_DELIVERY):
            name = f"U-{delivery:02d}-{number}"
            value = 0.118 + BETWEEN * rng.normal() + OWN * rng.normal() + common
            value += BAD if bad and delivery == BAD_DELIVERY else 0.0
            entry = quantity_entry(
                value=value,
                standard_uncertainty=float(np.hypot(OWN, SHARED)),
                budget=[_line("accuracy of dmm, resistance", SHARED), _line("scatter of the readings", OWN)],
            )
            found[name] = results(unit=name, quantities={"phase_resistance": entry})
            units.append(
                {"unit": name, "kind": "motor", "model": "HM", "serial": name, "received_on": on, "tested_on": on,
                 "instruments": {"dmm": {"serial": "D-1", "calibrated_on": "2026-01-01"}}}
            )  # fmt: skip
        marked = [
            one.name
            for population in populations(units, found)
            for one in population.constants[0].deliveries
            if one.odd
        ]
        wrong = f"received {START + datetime.timedelta(weeks=2 * BAD_DELIVERY)}"
        if bad and wrong in marked and first is None:
            first = 2 * delivery
        false |= {name for name in marked if not bad or name != wrong}
    return first, len(false)


def _line(source: str, u: float) -> dict[str, Any]:
    return {
        "source": source,
        "standard_uncertainty": u,
        "share": 0.5,
        "distribution": "rectangular",
        "degrees_of_freedom": None,
        "expanded_uncertainty_if_halved": None,
    }


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seasons", type=int, default=300)
    parser.add_argument("--models", type=int, default=60)
    parser.add_argument("--seed", type=int, default=21)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    sound = [noticed(bench(rng), "") for _ in range(args.seasons)]
    alarms, judged = sum(one.false_alarms for one in sound), sum(one.judged for one in sound)
    with_alarm = sum(one.false_alarms > 0 for one in sound)
    print(f"sound: {alarms} of {judged} days out of control, {with_alarm} of {args.seasons} seasons with any")
    print("| drifts | seasons | noticed | weeks after, median (90 %) | drift then | named then | at the end | alone |")
    print("|---|--:|--:|--:|--:|--:|--:|--:|")
    for kind in ACCURACY:
        seen = [noticed(bench(rng, kind), kind) for _ in range(args.seasons)]
        weeks = np.array([one.weekend - DRIFTS_FROM for one in seen if one.weekend is not None])
        shares = [np.mean([getattr(one, key) for one in seen]) for key in ("named_then", "named_at_the_end", "only_it")]
        print(
            f"| {kind} | {args.seasons} | {len(weeks)} | {np.median(weeks):.0f} ({np.quantile(weeks, 0.9):.0f}) "
            f"| {0.1 * np.median(weeks):.1f} | " + " | ".join(f"{100 * share:.0f} %" for share in shares) + " |"
        )
    # Drawn by itself, so that neither number moves the other table.
    rng = np.random.default_rng((args.seed, 1))
    for bad in (False, True):
        found = [deliveries(rng, bad) for _ in range(args.models)]
        at = [first - 2 * BAD_DELIVERY for first, _ in found if first is not None]
        false = sum(count for _, count in found)
        when = f", {sum(a == 0 for a in at)} on the weekend it came" if at else ""
        kind = "bad" if bad else "sound"
        print(f"{kind} delivery: noticed in {len(at)} of {args.models}{when}; {false} sound ones marked")


if __name__ == "__main__":
    main()
