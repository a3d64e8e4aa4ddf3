"""Propagation of distributions by Monte Carlo (JCGM 101:2008), for results that a linear form cannot describe.

A largest deviation, an amplitude near zero or a ratio of uncertain values bends over its uncertainty: its
distribution is not symmetric, and ``value +/- U`` holds it less often than stated. A few joint probes tell
whether a result is of this kind; only then are trials drawn, in blocks until the endpoints are stable (clause
7.9), and the linear interval is kept where it agrees with them (clause 8).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .coverage import interval
from .forms import Form, Influence

#: What is asked: scalars or, at once for all trials, arrays of one shape ``(n,)``.
Model = Callable[[Mapping[str, float]], Mapping[str, float]]

PROBES = 24
#: Departure from the linear form, over its standard uncertainty, beyond which trials are drawn.
BEND = 0.1
#: Trials among which one has no value are tried in halves, and from so many on one by one.
_SINGLY = 8
BLOCK = 10_000  # trials to a block, JCGM 101:2008, 7.9.4 b
MOST_BLOCKS = 20
#: For formulas that take no arrays: 100/(1 - p) trials to a block, as 7.9.4 b asks before its floor, 10 000 in all.
SLOW_BLOCK, MOST_SLOW_BLOCKS = 2_000, 5
#: For costly ones that no quadratic describes: the ends of a 95 % interval are then known to some 5 % of u.
COSTLY_BLOCK, MOST_COSTLY_BLOCKS = 500, 4
#: Of so many trials a costly formula must give one by one what it gives for arrays, another of all its probes.
COSTLY_CHECKS = 4
#: How far a quadratic may stray from a costly formula at the probes, over the standard uncertainty.
STRAY = 0.05
#: A share of trials that is no evidence of a sign.
_RARE = 1e-3
#: Probabilities at which a simulated distribution is kept.
LEVELS = np.linspace(0.0, 1.0, 401)


@dataclass(frozen=True)
class Direction:
    """A way in which all inputs move together: ``weights`` of independent influences, of unit variance in sum."""

    weights: Mapping[Influence, float]


@dataclass(frozen=True)
class Expansion:
    """An input as ``value + sum_d (slope_d s_d + bend_d s_d^2)`` over directions d, by their place in a list."""

    value: float
    slopes: Mapping[int, float] = field(default_factory=dict)
    bends: Mapping[int, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Simulation:
    """The distribution of a result: a coverage interval, its spread and its quantiles at ``LEVELS``.

    ``trials`` is 0 where it was not drawn: a linear result cut at the end of what is possible, or one of a largest
    deviation with its lower end lowered (``uncertainty.admissible``).
    """

    low: float
    high: float
    standard_uncertainty: float
    trials: int
    quantiles: tuple[float, ...]

    def cumulative(self, value: float) -> float:
        """Return the probability that the quantity is at most ``value``."""
        return float(np.interp(value, self.quantiles, LEVELS, left=0.0, right=1.0))

    def as_json(self) -> dict[str, object]:
        """Return a JSON mapping."""
        return {
            "low": self.low,
            "high": self.high,
            "standard_uncertainty": self.standard_uncertainty,
            "trials": self.trials,
            "quantiles": list(self.quantiles),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, object]) -> Simulation:
        """Read what ``as_json`` wrote."""
        values = {key: data[key] for key in ("low", "high", "standard_uncertainty", "trials")}
        return cls(**values, quantiles=tuple(data["quantiles"]))  # type: ignore[arg-type]


def simulate_forms(
    model: Model,
    inputs: Mapping[str, Form],
    linear: Mapping[str, Form],
    probability: float,
    name: str,
    *,
    costly: bool = False,
) -> dict[str, Simulation]:
    """Return the simulations of ``simulate`` for inputs that are linear forms."""
    places: dict[Influence, int] = {}
    expansions = {}
    for key, form in inputs.items():
        slopes = {places.setdefault(i, len(places)): c for i, c in form.terms.items() if c != 0}
        expansions[key] = Expansion(form.value, slopes)
    return simulate(model, expansions, [Direction({i: 1.0}) for i in places], linear, probability, name, costly=costly)


def simulate(
    model: Model,
    inputs: Mapping[str, Expansion],
    directions: Sequence[Direction],
    linear: Mapping[str, Form],
    probability: float,
    name: str,
    *,
    costly: bool = False,
) -> dict[str, Simulation]:
    """Return the distribution of each output of ``model`` that its linear form does not describe.

    ``linear`` holds the outputs as linear forms; those for which the linear interval is as good are left out
    of the answer. ``name`` seeds the trials: the same name and inputs give the same numbers. Trials in which
    the model has no value are left out; where more than one in a hundred has none, the output is left out. A ``costly``
    model is replaced by its second-order expansion in all inputs together where that agrees with it at the probes.
    """
    moving = {key: e for key, e in inputs.items() if e.slopes or e.bends}
    if not moving:
        return {}
    trials = _Trials(model, inputs, directions, name, COSTLY_CHECKS if costly else PROBES)
    bent = _bent(trials, linear)
    if not bent:
        return {}
    size, most = (BLOCK, MOST_BLOCKS) if trials.takes_arrays() else (SLOW_BLOCK, MOST_SLOW_BLOCKS)
    if costly and not (trials.takes_arrays() and trials.expand(bent, linear)):
        size, most = COSTLY_BLOCK, MOST_COSTLY_BLOCKS
    blocks: list[dict[str, np.ndarray]] = []
    settled: set[str] = set()
    for _ in range(most):
        _, outputs = trials.draw(size)
        blocks.append({key: outputs[key][np.isfinite(outputs[key])] for key in bent})
        settled = {key for key in bent if _settled([b[key] for b in blocks], probability)}
        if len(settled) == len(bent):
            break
    found = {}
    for key in bent:
        sample = np.sort(np.concatenate([block[key] for block in blocks]))
        if sample.size < 0.99 * size * len(blocks):
            continue
        low, high = reported_interval(sample, linear[key].value, probability)
        usual = interval(linear[key], probability)
        tolerance = numerical_tolerance(float(sample.std()))
        if max(abs(low - usual.low), abs(high - usual.high)) <= tolerance:
            continue  # JCGM 101:2008, 8.1.3: the linear result is validated
        quantiles = tuple(float(q) for q in np.quantile(sample, LEVELS))
        found[key] = Simulation(low, high, float(sample.std(ddof=1)), sample.size, quantiles)
    return found


def symmetric_interval(sample: np.ndarray, probability: float) -> tuple[float, float]:
    """Return the interval with equal probability beyond either end (JCGM 101:2008, 7.7.2)."""
    low, high = np.quantile(sample, [0.5 * (1 - probability), 0.5 * (1 + probability)])
    return float(low), float(high)


def reported_interval(sample: np.ndarray, value: float, probability: float) -> tuple[float, float]:
    """Return the interval of results: the symmetric one, widened to its mirror image about the value.

    A quantity that cannot be negative reads high where noise is of its own size, and trials around the
    reading add that error once more: their interval alone would miss a true value near zero nearly always.
    The mirror image takes the error off instead (the basic bootstrap interval: Davison and Hinkley, Bootstrap
    Methods and their Application, 1997, 5.2). The hull of both holds the truth in 90 % to 98 % of cases for
    amplitudes and largest deviations from zero to far above the noise, as the tests measure. It never passes
    zero where fewer than one trial in a thousand did: a fit followed to second order passes it by a hair.
    """
    low, high = symmetric_interval(sample, probability)
    bottom, top = min(low, 2 * value - high), max(high, 2 * value - low)
    smallest, largest = np.quantile(sample, [_RARE, 1.0 - _RARE])
    if smallest >= 0:
        bottom = max(0.0, bottom)
    if largest <= 0:
        top = min(0.0, top)
    return bottom, top


def numerical_tolerance(standard_uncertainty: float) -> float:
    """Return the tolerance for one significant digit of u (JCGM 101:2008, 7.9.2), at most a tenth of u."""
    if standard_uncertainty <= 0:
        return 0.0
    return min(0.5 * 10.0 ** math.floor(math.log10(standard_uncertainty)), 0.1 * standard_uncertainty)


def _settled(blocks: Sequence[np.ndarray], probability: float) -> bool:
    """Tell whether mean, spread and endpoints are stable between blocks (JCGM 101:2008, 7.9.4 g to j)."""
    if len(blocks) < 2 or any(block.size < 2 for block in blocks):
        return False
    rows = np.array([[b.mean(), b.std(ddof=1), *symmetric_interval(b, probability)] for b in blocks])
    spread = rows.std(axis=0, ddof=1) / math.sqrt(len(blocks))
    tolerance = numerical_tolerance(float(np.concatenate(blocks).std(ddof=1)))
    return bool(np.all(2 * spread <= tolerance))


def _bent(trials: _Trials, linear: Mapping[str, Form]) -> list[str]:
    """Return the outputs that depart from their linear form over a few joint probes."""
    values, outputs = trials.draw(PROBES)
    found = []
    for key, form in linear.items():
        predicted = np.full(PROBES, float(form.value))
        for influence, c in form.terms.items():
            predicted = predicted + c * values[influence]
        difference = outputs[key] - predicted
        if not np.isfinite(difference).all():
            found.append(key)
            continue
        departure = math.sqrt(float(np.mean(difference**2)))
        if departure > max(BEND * form.standard_uncertainty, 1e-12 * abs(form.value)):
            found.append(key)
    return found


class _Trials:
    """Draws trials and evaluates the model on them."""

    def __init__(
        self,
        model: Model,
        inputs: Mapping[str, Expansion],
        directions: Sequence[Direction],
        name: str,
        checks: int = PROBES,
    ) -> None:
        self.model = model
        self.inputs = inputs
        self.directions = directions
        self.influences = sorted({i for d in directions for i in d.weights}, key=lambda i: i.name)
        # Python's own hash differs between processes.
        seed = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
        self.generator = np.random.default_rng(seed)
        self._checks = checks
        self._arrays: bool | None = None

    def expand(self, outputs: Sequence[str], linear: Mapping[str, Form]) -> bool:
        """Put a quadratic in the place of the model, if it gives the ``outputs`` of a few trials as the model does."""
        columns = self._columns(draw_influences(self.influences, PROBES, self.generator), PROBES)
        with np.errstate(all="ignore"):
            try:
                quadratic = _quadratic(self.model, self.inputs, outputs)
                exact, found = self.model(columns), quadratic(columns)  # type: ignore[arg-type]
            except ValueError:  # one of the trials has no solution: they are all evaluated then
                return False
        for key in outputs:
            stray = math.sqrt(float(np.mean((np.asarray(exact[key]) - found[key]) ** 2)))
            if not stray <= STRAY * linear[key].standard_uncertainty:
                return False
        self.model = quadratic
        return True

    def draw(self, size: int) -> tuple[dict[Influence, np.ndarray], dict[str, np.ndarray]]:
        """Return the influences' values and the outputs, each ``(size,)``."""
        values = draw_influences(self.influences, size, self.generator)
        return values, self._evaluate(self._columns(values, size), size)

    def _columns(self, values: Mapping[Influence, np.ndarray], size: int) -> dict[str, np.ndarray | float]:
        """Return the inputs at these values of the influences."""
        moves = []
        for direction in self.directions:
            move = np.zeros(size)
            for influence, weight in direction.weights.items():
                move += weight * values[influence]
            moves.append(move)
        columns: dict[str, np.ndarray | float] = {}
        for key, expansion in self.inputs.items():
            if not (expansion.slopes or expansion.bends):
                columns[key] = expansion.value
                continue
            column = np.full(size, float(expansion.value))
            for place, slope in expansion.slopes.items():
                column += slope * moves[place]
            for place, bend in expansion.bends.items():
                column += bend * moves[place] ** 2
            columns[key] = column
        return columns

    def takes_arrays(self) -> bool:
        """Tell whether the model was found to give, for arrays, what it gives one by one."""
        return bool(self._arrays)

    def _evaluate(self, columns: Mapping[str, np.ndarray | float], size: int) -> dict[str, np.ndarray]:
        with np.errstate(all="ignore"):
            if self._arrays is None:
                first = self._loop(columns, range(min(size, self._checks)))
                together = self._at_once(columns, size)
                self._arrays = _same(first, together)
                if size <= self._checks:
                    return first
                return together if together is not None and self._arrays else self._loop(columns, range(size))
            if self._arrays:
                return self._in_parts(columns, 0, size)
            return self._loop(columns, range(size))

    def _in_parts(self, columns: Mapping[str, np.ndarray | float], begin: int, end: int) -> dict[str, np.ndarray]:
        """Return the outputs of the trials from ``begin`` to ``end``: at once, but for those that have none.

        A model that finds no solution for one of many trials fails for all, so halves are tried, down to single ones.
        """
        part = {k: c[begin:end] if isinstance(c, np.ndarray) else c for k, c in columns.items()}
        outputs = self._at_once(part, end - begin)
        if outputs is not None:
            return outputs
        if end - begin <= _SINGLY:
            return self._loop(columns, range(begin, end))
        middle = (begin + end) // 2
        low, high = self._in_parts(columns, begin, middle), self._in_parts(columns, middle, end)
        lost = {True: np.full(middle - begin, math.nan), False: np.full(end - middle, math.nan)}
        return {
            key: np.concatenate([low.get(key, lost[True]), high.get(key, lost[False])])
            for key in low.keys() | high.keys()
        }

    def _at_once(self, columns: Mapping[str, np.ndarray | float], size: int) -> dict[str, np.ndarray] | None:
        try:
            outputs = self.model(columns)  # type: ignore[arg-type]
            return {key: np.broadcast_to(np.asarray(v, dtype=float), (size,)) for key, v in outputs.items()}
        except Exception:  # a formula that takes no arrays may fail in any way; it is then asked one by one
            return None

    def _loop(self, columns: Mapping[str, np.ndarray | float], places: Iterable[int]) -> dict[str, np.ndarray]:
        rows: list[Mapping[str, float]] = []
        for place in places:
            scalars = {k: float(c[place]) if isinstance(c, np.ndarray) else c for k, c in columns.items()}
            try:
                rows.append(self.model(scalars))
            except (ValueError, ArithmeticError):
                rows.append({})
        names = {key for row in rows for key in row}
        return {key: np.array([row.get(key, math.nan) for row in rows], dtype=float) for key in names}


def _quadratic(model: Model, inputs: Mapping[str, Expansion], outputs: Sequence[str]) -> Model:
    """Return the second-order expansion of an array model in the inputs that move, from one call of it.

    Steps are one standard uncertainty: along each input up and down, and along each pair of them (a Taylor series as
    in JCGM 100:2008, 5.1.2, note, by central differences).
    """
    moving = [key for key, e in inputs.items() if e.slopes or e.bends]
    n = len(moving)
    steps = np.array([math.sqrt(math.fsum(c * c for c in inputs[key].slopes.values())) for key in moving])
    first, second = np.triu_indices(n, 1)
    pairs = np.zeros((first.size, n))
    pairs[np.arange(first.size), first] = pairs[np.arange(first.size), second] = 1.0
    places = np.vstack([np.zeros(n), np.eye(n), -np.eye(n), pairs]) * steps
    columns: dict[str, Any] = {key: e.value for key, e in inputs.items()}
    columns |= {key: inputs[key].value + places[:, k] for k, key in enumerate(moving)}
    with np.errstate(all="ignore"):
        found = model(columns)
    surfaces = {}
    for key in outputs:
        at = np.broadcast_to(np.asarray(found[key], dtype=float), (len(places),))
        centre, up, down, joint = at[0], at[1 : n + 1], at[n + 1 : 2 * n + 1], at[2 * n + 1 :]
        bend = np.diag(0.5 * (up + down) - centre)
        mixed = 0.5 * (joint - up[first] - up[second] + centre)
        bend[first, second] = bend[second, first] = mixed
        surfaces[key] = (float(centre), 0.5 * (up - down), bend)

    def quadratic(values: Mapping[str, Any]) -> dict[str, Any]:
        moved = np.stack(
            [(np.asarray(values[key]) - inputs[key].value) / u for key, u in zip(moving, steps, strict=True)]
        )
        return {
            key: centre + slope @ moved + np.einsum("i...,ij,j...->...", moved, bend, moved)
            for key, (centre, slope, bend) in surfaces.items()
        }

    return quadratic


def _same(one: Mapping[str, np.ndarray], other: Mapping[str, np.ndarray] | None) -> bool:
    """Tell whether the first of ``other`` are those of ``one``; what has no value in any of these is not in ``one``."""
    if other is None or not one or not set(one) <= set(other):
        return False
    size = len(next(iter(one.values())))
    nothing = np.full(size, math.nan)
    return all(
        np.allclose(one.get(key, nothing), found[:size], rtol=1e-12, atol=0.0, equal_nan=True)
        for key, found in other.items()
    )


def draw_influences(
    influences: Sequence[Influence], size: int, generator: np.random.Generator
) -> dict[Influence, np.ndarray]:
    """Draw ``(size,)`` values of each influence, in units of its standard uncertainty (JCGM 101:2008, 6.4).

    The influences of one fit share one estimate of the scatter, so they follow a multivariate t distribution.
    """
    drawn: dict[Influence, np.ndarray] = {}
    shared: dict[str, np.ndarray] = {}
    for influence in influences:
        if influence.distribution == "rectangular":
            drawn[influence] = generator.uniform(-math.sqrt(3), math.sqrt(3), size)
            continue
        if influence.distribution == "two-point":
            drawn[influence] = generator.choice([-1.0, 1.0], size)
            continue
        normal = generator.normal(size=size)
        dof = influence.degrees_of_freedom
        if math.isfinite(dof):
            key = influence.block or influence.name
            if key not in shared:
                shared[key] = np.sqrt(dof / generator.chisquare(dof, size))
            normal = normal * shared[key]
        drawn[influence] = normal
    return drawn
