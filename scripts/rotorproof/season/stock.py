"""Which motor and controller from the shelf for this vehicle: each alone, and every pair, ranked with their doubt.

Only the prediction runs, for many candidates at once, on arrays: at the best values and at each scalar shifted by its
standard uncertainty (JCGM 100:2008, 5.1.3 note 2). What candidates share, the errors of one instrument or of the stated
vehicle, is drawn once for all (JCGM 101:2008), so that it cancels where two of them are compared.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..uncertainty.forms import Form, Influence
from ..uncertainty.monte_carlo import draw_influences

TRIALS = 4000
#: Two candidates are told apart where one is the better with this probability.
TOLD_APART = 0.95
_SEED = 106


Model = Callable[[Mapping[str, np.ndarray | float]], Mapping[str, np.ndarray | float]]


@dataclass(frozen=True)
class Candidate:
    """A motor alone, a controller alone, or both: what it has over its duty, each a form in SI."""

    motor: str
    controller: str
    #: Must not be below zero for the duty to be met.
    margins: Mapping[str, Form]
    energy: Form | None = None
    #: What is worth knowing and no part of the duty, like a margin.
    besides: Mapping[str, Form] = field(default_factory=dict)
    #: Wires to move so that the pair runs forward, ``None`` where that is not known, and what to do.
    wires: int | None = None
    steps: Sequence[str] = ()

    @property
    def name(self) -> str:
        """Return the name of the candidate."""
        return " + ".join(filter(None, (self.motor, self.controller)))

    @property
    def lacking(self) -> list[str]:
        """Return the margins that were not measured, of those that a candidate of its kind is asked for."""
        wanted = (["heat"] if self.motor else []) + (["starts", "full"] if self.controller else [])
        return [name for name in wanted if name not in self.margins]


@dataclass(frozen=True)
class Ranked:
    """A candidate's place: the probability that it meets each part of the duty and all, and its ties."""

    candidate: Candidate
    rank: int
    meets: float
    each: Mapping[str, float]
    #: Probability that the first of its rank is better than it.
    first_better: float
    tied: bool = False


@dataclass
class _Draws:
    """One draw of every influence of all candidates."""

    of: dict[Influence, np.ndarray] = field(default_factory=dict)

    def add(self, forms: Sequence[Form]) -> None:
        wanted = {influence for form in forms for influence in form.terms} - self.of.keys()
        # In the order of their names, so that the same stock gives the same draw.
        ordered = sorted(wanted, key=lambda influence: influence.name)
        self.of |= draw_influences(ordered, TRIALS, np.random.default_rng(_SEED))

    def values(self, form: Form) -> np.ndarray:
        found = np.full(TRIALS, form.value)
        for influence, c in form.terms.items():
            found += c * self.of[influence]
        return found


def followed(model: Model, each: Sequence[Mapping[str, Form]]) -> list[dict[str, Form]]:
    """Carry the scalars of several candidates through a model of arrays, in one call.

    The call holds, of each candidate, its best values and each uncertain scalar one standard uncertainty up and down.
    All candidates name the same scalars. A figure that has no value somewhere is left out of that candidate's.
    """
    names = list(each[0])
    uncertain = [name for name in names if any(one[name].standard_uncertainty > 0 for one in each)]
    width = 2 * len(uncertain) + 1
    given: dict[str, np.ndarray | float] = {}
    for name in names:
        values = np.array([one[name].value for one in each])
        if name not in uncertain and np.all(values == values[0]):
            given[name] = float(values[0])
            continue
        rows = np.repeat(values[:, None], width, axis=1)
        if name in uncertain:
            place = 1 + 2 * uncertain.index(name)
            u = np.array([one[name].standard_uncertainty for one in each])
            rows[:, place] += u
            rows[:, place + 1] -= u
        given[name] = rows.ravel()
    found: list[dict[str, Form]] = [{} for _ in each]
    for figure, result in model(given).items():
        at = np.broadcast_to(np.asarray(result, dtype=float), (len(each) * width,)).reshape(len(each), width)
        for row, one, forms in zip(at, each, found, strict=True):
            if np.isfinite(row).all():
                forms[figure] = _form(row, [one[name] for name in uncertain])
    return found


def _form(row: np.ndarray, scalars: Sequence[Form]) -> Form:
    """Return a figure as a form, from its value and those with each scalar moved up and down."""
    terms: dict[Influence, float] = defaultdict(float)
    for scalar, up, down in zip(scalars, row[1::2], row[2::2], strict=True):
        u = scalar.standard_uncertainty
        if u > 0:
            for influence, c in scalar.terms.items():
                terms[influence] += (up - down) / (2 * u) * c
    return Form(float(row[0]), {i: c for i, c in terms.items() if c != 0})


def rank(candidates: Sequence[Candidate]) -> list[Ranked]:
    """Return the candidates, the best first; those that cannot be told apart share a rank.

    In each trial the better of two is the one that meets the duty alone, or, where both or neither do, the one that
    takes less energy. A candidate shares the rank of the best one above it unless that is better with 95 %. Those of
    which a part of the duty was not measured come behind all others: what is not known is not met.
    """
    draws = _Draws()
    draws.add([form for one in candidates for form in (*one.margins.values(), *([one.energy] if one.energy else []))])
    met: list[np.ndarray] = []
    each: list[dict[str, float]] = []
    energies: list[np.ndarray] = []
    for one in candidates:
        holds = {name: draws.values(form) >= 0 for name, form in one.margins.items()}
        met.append(np.all(list(holds.values()), axis=0) if holds else np.zeros(TRIALS, dtype=bool))
        each.append({name: float(np.mean(held)) for name, held in holds.items()})
        energies.append(draws.values(one.energy) if one.energy else np.full(TRIALS, math.inf))
    order = sorted(
        range(len(candidates)),
        key=lambda k: (
            bool(candidates[k].lacking),
            -round(float(np.mean(met[k])), 3),
            float(np.mean(energies[k])),
            candidates[k].name,
        ),
    )

    def better(a: int, b: int) -> float:
        alone = met[a] & ~met[b]
        alike = met[a] == met[b]
        less = np.where(energies[a] == energies[b], 0.5, energies[a] < energies[b])
        return float(np.mean(np.where(alike, less, alone)))

    found: list[Ranked] = []
    leader, place = -1, 0
    for position, k in enumerate(order):
        alike = leader >= 0 and bool(candidates[leader].lacking) == bool(candidates[k].lacking)
        ahead = better(leader, k) if alike else 1.0
        if ahead >= TOLD_APART:
            leader, place, ahead = k, position + 1, 0.5
        found.append(Ranked(candidates[k], place, float(np.mean(met[k])), each[k], ahead))
    shared = {one.rank for one in found if sum(other.rank == one.rank for other in found) > 1}
    return [Ranked(one.candidate, one.rank, one.meets, one.each, one.first_better, one.rank in shared) for one in found]
