"""Quantities as linear forms of named, independent influences, so that correlations survive every step.

A value ``y = y0 + sum_k c_k xi_k`` with ``xi_k`` of mean 0 and standard deviation 1 holds the law of
propagation of JCGM 100:2008 (5.1.2 and 5.2.2): two quantities that share an influence (the same meter, the
same fit) are correlated through it, and a shared error cancels where it should.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from ..errors import FitError

Distribution = Literal["normal", "rectangular", "two-point"]
"""How an influence is distributed; *two-point*: one of two values, each with probability one half."""
#: What moves a result by a smaller share of itself is the rounding of a formula that was asked for many at once.
_ROUNDING = 1e-11


@dataclass(frozen=True, slots=True)
class Influence:
    """A source of error in units of its own standard uncertainty.

    ``name`` is unique (the same name is the same error); ``source`` is what a reader of the budget sees, and
    several influences may share it. ``block`` groups the influences that stem from one fit, whose degrees of
    freedom are shared. ``distribution`` and ``degrees_of_freedom`` after JCGM 100:2008, 4.3 and 4.2. Two
    influences of the same name are equal whatever else they say: that is what correlates two units.
    """

    name: str
    source: str = field(compare=False)
    distribution: Distribution = field(default="normal", compare=False)
    degrees_of_freedom: float = field(default=math.inf, compare=False)
    block: str = field(default="", compare=False)

    def as_json(self) -> dict[str, object]:
        """Return a JSON mapping; infinite degrees of freedom become ``None``."""
        dof = None if math.isinf(self.degrees_of_freedom) else self.degrees_of_freedom
        return {
            "name": self.name,
            "source": self.source,
            "distribution": self.distribution,
            "degrees_of_freedom": dof,
            "block": self.block,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, object]) -> Influence:
        """Read what ``as_json`` wrote."""
        dof = data["degrees_of_freedom"]
        return cls(
            str(data["name"]),
            str(data["source"]),
            data["distribution"],  # type: ignore[arg-type]
            math.inf if dof is None else float(dof),  # type: ignore[arg-type]
            str(data["block"]),
        )


@dataclass(frozen=True)
class Form:
    """A value in SI and its sensitivity to each influence (in the value's unit per standard uncertainty)."""

    value: float
    terms: Mapping[Influence, float] = field(default_factory=dict)

    @property
    def standard_uncertainty(self) -> float:
        """Return the combined standard uncertainty (JCGM 100:2008, 5.1.2)."""
        return math.sqrt(math.fsum(c * c for c in self.terms.values()))

    def covariance(self, other: Form) -> float:
        """Return the covariance with another form through the influences they share (5.2.2)."""
        return math.fsum(c * other.terms[i] for i, c in self.terms.items() if i in other.terms)

    def correlation(self, other: Form) -> float:
        """Return the correlation coefficient; 0 where one of the two has no uncertainty."""
        scale = self.standard_uncertainty * other.standard_uncertainty
        return self.covariance(other) / scale if scale > 0 else 0.0

    def scaled(self, factor: float) -> Form:
        """Return ``factor`` times this form."""
        return Form(self.value * factor, {i: c * factor for i, c in self.terms.items()})

    def minus(self, other: Form) -> Form:
        """Return the difference, in which shared influences cancel."""
        terms: dict[Influence, float] = defaultdict(float, self.terms)
        for influence, c in other.terms.items():
            terms[influence] -= c
        return Form(self.value - other.value, dict(terms))


Formula = Callable[[Mapping[str, float]], Mapping[str, float]]


def propagate(model: Formula, inputs: Mapping[str, Form], *, at_once: bool = False) -> dict[str, Form]:
    """Carry scalar forms through ``model`` by central differences of one standard uncertainty each.

    This is the numerical evaluation of JCGM 100:2008, 5.1.3 note 2 and 5.1.4; inputs without uncertainty are
    not varied. Whatever ``model`` raises at the best values is raised here; a step that leaves the model's
    domain is retried at a hundredth of the step. A model that takes arrays is asked for all steps ``at_once``, and
    again one by one for those at which it has no value.
    """
    centre = {name: form.value for name, form in inputs.items()}
    best = dict(model(centre))
    if not best:
        return {}
    terms: dict[str, dict[Influence, float]] = {name: defaultdict(float) for name in best}
    moving = {name: form.standard_uncertainty for name, form in inputs.items() if form.standard_uncertainty != 0}
    known = _all_slopes(model, centre, moving, best) if at_once and moving else {}
    for name, u in moving.items():
        slopes = known.get(name) or _slopes(model, centre, name, u, best)
        for output, slope in slopes.items():
            if slope != 0:
                for influence, c in inputs[name].terms.items():
                    terms[output][influence] += slope * c
    return {name: Form(float(value), dict(terms[name])) for name, value in best.items()}


def _all_slopes(
    model: Any, centre: Mapping[str, float], moving: Mapping[str, float], best: Mapping[str, float]
) -> dict[str, dict[str, float]]:
    """Return the slopes by each input that moves, from one call of the model; without those that have none."""
    columns: dict[str, Any] = dict(centre)
    for place, (name, u) in enumerate(moving.items()):
        columns[name] = np.full(2 * len(moving), centre[name])
        columns[name][2 * place : 2 * place + 2] += u, -u
    try:
        found = model(columns)
    except (ValueError, ArithmeticError):
        return {}
    if not found.keys() >= best.keys():
        return {}
    ends = np.array([np.broadcast_to(found[output], 2 * len(moving)) for output in best]).reshape(len(best), -1, 2)
    slopes = (ends[..., 0] - ends[..., 1]) / (2 * np.array(list(moving.values())))
    # An output that has no influence from an input is the same at both ends, to the rounding of arrays.
    slopes[np.abs(ends[..., 0] - ends[..., 1]) <= _ROUNDING * np.abs(ends).max(axis=-1)] = 0.0
    return {
        name: dict(zip(best, map(float, own), strict=True))
        for name, own in zip(moving, slopes.T, strict=True)
        if np.isfinite(own).all()
    }


def _slopes(
    model: Formula,
    centre: Mapping[str, float],
    name: str,
    u: float,
    best: Mapping[str, float],
) -> dict[str, float]:
    for step in (u, 0.01 * u):
        try:
            up = model({**centre, name: centre[name] + step})
            down = model({**centre, name: centre[name] - step})
        except (ValueError, ArithmeticError):
            if step != u:
                raise
            continue
        if set(up) >= set(best) and set(down) >= set(best):
            return {output: (up[output] - down[output]) / (2 * step) for output in best}
    raise FitError(f"the result cannot be followed over the uncertainty of {name}")


def block_influences(
    name: str,
    source: str,
    covariance: np.ndarray,
    degrees_of_freedom: float,
    distribution: Distribution = "normal",
) -> tuple[list[Influence], np.ndarray]:
    """Split a ``(k, k)`` covariance of fitted parameters into independent unit influences.

    Returns the influences and the ``(k, m)`` matrix of sensitivities of the k parameters to them. Eigenvalues
    below 1e-14 of the largest are rounding and are dropped. Raises ``FitError`` if the matrix is not finite
    or not positive semi-definite, ``ValueError`` if errors with limits are said to be correlated.
    """
    covariance = np.atleast_2d(np.asarray(covariance, dtype=float))
    if distribution != "normal" and np.any(covariance != np.diag(np.diag(covariance))):
        raise ValueError(f"{distribution} errors within one block must be independent")
    if not np.isfinite(covariance).all():
        raise FitError("the covariance of the fit is not finite: the readings do not determine the parameters")
    scale = np.sqrt(np.diag(covariance))
    scale = np.where(scale > 0, scale, 1.0)
    # Correlations, not covariances, are decomposed: parameters of very different size share one matrix.
    eigenvalues, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    if eigenvalues.min() < -1e-6:
        raise FitError(
            "the covariance of the fit is not positive semi-definite: take more readings, or spread them wider"
        )
    keep = eigenvalues > 1e-14 * max(eigenvalues.max(), 1e-300)
    root = vectors[:, keep] * np.sqrt(eigenvalues[keep])
    # Signs of eigenvectors, and their directions where eigenvalues are near each other, are a library's choice, and
    # trials drawn along them would differ between processors. The triangular root of the same matrix is the only one.
    triangle = np.asarray(np.linalg.qr(root.T, mode="r")).T
    leading = np.argmax(np.abs(triangle) > 1e-6 * np.abs(triangle).max(axis=0), axis=0)
    triangle = triangle * np.where(triangle[leading, np.arange(triangle.shape[1])] < 0, -1.0, 1.0)
    matrix = scale[:, None] * triangle
    influences = [
        Influence(f"{name}/{k}", source, distribution, degrees_of_freedom, name) for k in range(int(keep.sum()))
    ]
    return influences, matrix


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One row of an uncertainty budget: a source, its share of the variance, and how it is distributed."""

    source: str
    standard_uncertainty: float
    share: float
    distribution: Distribution | Literal["mixed"]
    degrees_of_freedom: float


def budget(form: Form) -> list[BudgetLine]:
    """Return the budget of a form by source, the largest contribution first (JCGM 100:2008, 7.2.7)."""
    total = form.standard_uncertainty**2
    by_source: dict[str, list[tuple[Influence, float]]] = defaultdict(list)
    for influence, c in form.terms.items():
        if c != 0:
            by_source[influence.source].append((influence, c))
    lines = []
    for source, members in by_source.items():
        variance = math.fsum(c * c for _, c in members)
        shapes = {influence.distribution for influence, _ in members}
        lines.append(
            BudgetLine(
                source,
                math.sqrt(variance),
                variance / total if total > 0 else 0.0,
                shapes.pop() if len(shapes) == 1 else "mixed",
                effective_degrees_of_freedom(Form(0.0, dict(members))),
            )
        )
    return sorted(lines, key=lambda line: (-line.standard_uncertainty, line.source))


def _blocks(terms: Iterable[tuple[Influence, float]]) -> list[tuple[float, float]]:
    """Return ``(variance, degrees of freedom)`` per independent contribution, fits kept whole."""
    variance: dict[str, float] = defaultdict(float)
    dof: dict[str, float] = {}
    for influence, c in terms:
        key = influence.block or influence.name
        variance[key] += c * c
        dof[key] = influence.degrees_of_freedom
    return [(variance[key], dof[key]) for key in variance]


def effective_degrees_of_freedom(form: Form) -> float:
    """Return the effective degrees of freedom of a form by Welch-Satterthwaite (JCGM 100:2008, G.4.1, G.2b).

    nu_eff = u_c^4 / sum_b (u_b^4 / nu_b), with u_c^2 = sum_b u_b^2: the sum runs over independent contributions b, and
    the correlated influences of one fit (a block) are one of them, u_b^2 the sum of their squared sensitivities.
    Contributions of infinite degrees of freedom count in u_c alone; infinite where all are.
    """
    blocks = _blocks(form.terms.items())
    total = math.fsum(v for v, _ in blocks)
    denominator = math.fsum(v * v / nu for v, nu in blocks if not math.isinf(nu))
    return total * total / denominator if denominator > 0 else math.inf
