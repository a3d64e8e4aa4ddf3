"""A check standard measured on an invented bench with three instruments, by formulas anyone can check by hand.

Ke = U/omega, R = U/I, and the drag at no load is Ke I0. A gain error of the voltmeter moves all three alike, one of the
tachometer moves Ke and the drag the other way, one of the ammeter R and the drag in opposite ways.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping

import numpy as np

from rotorproof.season.bench import BenchDay
from rotorproof.uncertainty.forms import Form, Influence, propagate

START = datetime.date(2026, 1, 3)
KE, R, DRAG = 1.34, 0.118, 0.44
#: Stated accuracies, percent of reading.
ACCURACY = {"voltage": 0.002, "current": 0.003, "speed": 0.001}
INSTRUMENT = {"voltage": "V-1", "current": "A-1", "speed": "T-1"}
#: Scatter from day to day, as a share; of it the readings of one day show so much (the rest is how probes are set).
WITHIN = 0.6
SCATTER = {"emf_constant_dc": 3e-4, "phase_resistance": 4e-4, "coulomb_friction": 2e-3}


def constants(reading: Mapping[str, float]) -> dict[str, float]:
    """Return the constants that readings with these gains give."""
    u, i, w = (1 + reading[kind] for kind in ("voltage", "current", "speed"))
    return {"emf_constant_dc": KE * u / w, "phase_resistance": R * u / i, "coulomb_friction": DRAG * u / w * i}


def _influence(kind: str) -> Influence:
    words = f"accuracy of meter, {kind}"
    return Influence(f"instrument/{INSTRUMENT[kind]}/2026-01-01/{kind}", words, "rectangular")


def day(
    number: int, gains: Mapping[str, float], rng: np.random.Generator, change: Mapping[str, float] | None = None
) -> BenchDay:
    """Return the standard on the weekend ``number``, read with these gains; ``change`` is its own, a factor."""
    truth = constants({kind: gains.get(kind, 0.0) for kind in ACCURACY})
    values = {
        name: value * (change or {}).get(name, 1.0) * (1 + SCATTER[name] * rng.normal())
        for name, value in truth.items()
    }
    errors = {kind: Form(0.0, {_influence(kind): half / np.sqrt(3)}) for kind, half in ACCURACY.items()}
    found = propagate(constants, errors)
    name = f"CS-{number:03d}"
    own = {q: Influence(f"scatter/{name}/{q}/0", "scatter", "normal", 20.0) for q in values}
    forms = {q: Form(values[q], {**found[q].terms, own[q]: WITHIN * SCATTER[q] * truth[q]}) for q in values}
    day_ = START + datetime.timedelta(weeks=number)
    return BenchDay(name, day_, values, forms, frozenset(INSTRUMENT.values()))
