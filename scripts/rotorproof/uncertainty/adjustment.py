"""Least-squares adjustment of constants that several tests observe, with all covariances of the observations.

Generalised least squares after P. J. Mohr and B. N. Taylor, Rev. Mod. Phys. 72 (2000) 351, appendix E, for observations
that are linear in the constants. The observations are linear forms, so their covariance is that of the influences they
share, and an adjusted constant is again a form: weights times observations.

- *Weights* may be any that sum to one for the constant they are for and to none for the others: the uncertainty follows
  from the forms themselves. A covariance in which errors grow with the readings gives low readings too much weight
  (Peelle's pertinent puzzle; G. D'Agostini, Nucl. Instrum. Methods A 346 (1994) 306). So the weights of a single
  constant are found as if all tests had met the errors they share at the same value, the adjusted one, where relative
  uncertainties are below one half. For several constants the covariance stands as it is.
- *Negative weights* come where two tests share most of their error; they extrapolate beyond both, on the strength of
  sensitivities known to a few percent. A single constant takes the weights that leave the least variance among those
  of which none is negative, so it is never less certain than the best test alone.
- *One test derived from another*, or the same log twice: an observation that differs from an earlier one of the same
  constants by less than a millionth of its uncertainty says nothing new and is set aside.
- *Few readings*: weights found from uncertainties that are themselves uncertain lose some of what they promise; the
  variance is raised by 1 + 4 sum w (1 - w)/nu (P. Meier, Biometrics 9 (1953) 59, for independent means).
- *An error that would explain it*: where the tests disagree, each error that has a name of its own (an instrument's, a
  stated condition's, an assumption's) is set free in turn, as a further unknown of the same least squares. The size
  it then takes is the error that would bring the tests into agreement; it does so where chi-square without it is one
  that chance explains. An error that two tests differ by can always be such a size: then it is only named with how far
  beyond its statement it would lie.
- *Agreement* is judged by chi-square at 5 % (M. G. Cox, Metrologia 39 (2002) 589), by the F distribution where
  uncertainties have few degrees of freedom. Beyond that all uncertainties are multiplied by the Birge ratio
  (R. T. Birge, Phys. Rev. 40 (1932) 207), as CODATA and the Particle Data Group do.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ..errors import FitError
from .forms import Form, Influence, block_influences, effective_degrees_of_freedom

#: Probability of chi-square below which the tests disagree.
LEVEL = 0.05
_DERIVED = 1e-6  # an observation nearer to another than this share of its uncertainty says nothing new
_SINGULAR = 1e-10  # eigenvalues of a correlation matrix below this are rounding
_ROUNDS = 6  # the level at which shared errors are met moves by less than they do from the second round on
_MOST_RELATIVE = 0.5  # beyond this a value may be zero, and nothing is in proportion to it


@dataclass(frozen=True)
class Observation:
    """What one ``test`` gave: a form that equals ``sum(design[constant] * constant)``."""

    test: str
    form: Form
    design: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Share:
    """How an observation stands in an adjustment.

    ``design`` is that of the observation, ``weights`` are by constant; ``residual`` is the observation less what the
    adjusted constants give, ``normalised`` that over its own standard uncertainty.
    """

    test: str
    design: Mapping[str, float]
    weights: Mapping[str, float]
    residual: float
    normalised: float


@dataclass(frozen=True, slots=True)
class Explanation:
    """An error that would bring the tests into agreement, if it were ``shift`` of its own standard uncertainties.

    A positive shift is one of readings that are too high. ``tests`` are those that it acts in, ``probability`` that of
    what chi-square is left then.
    """

    influence: Influence
    shift: float
    tests: Sequence[str]
    probability: float


@dataclass(frozen=True)
class Adjustment:
    """Adjusted constants and how well the tests agree.

    ``forms`` include the expansion by the Birge ratio where the tests disagree. ``out_of_line`` is the one test without
    which the others agree; ``None`` where they agree, where none alone does it, or where two are all there are.
    ``explanations`` are the errors that would make them agree, the least strange first.
    """

    forms: Mapping[str, Form]
    shares: Sequence[Share]
    chi_square: float
    degrees_of_freedom: int
    probability: float
    out_of_line: str | None
    set_aside: Sequence[str]
    explanations: Sequence[Explanation] = ()

    @property
    def birge_ratio(self) -> float:
        """Return the square root of chi-square over its degrees of freedom, 0 without any."""
        return math.sqrt(self.chi_square / self.degrees_of_freedom) if self.degrees_of_freedom else 0.0

    @property
    def agrees(self) -> bool:
        """Return whether chance explains the differences between the tests."""
        return self.probability >= LEVEL


def adjust(name: str, observations: Sequence[Observation]) -> Adjustment:
    """Return the constants that ``observations`` name, adjusted; ``name`` tells the adjustment's own influences apart.

    Raises ``FitError`` if the observations do not determine the constants.
    """
    kept, aside = _independent(observations)
    constants = sorted({constant for one in kept for constant in one.design})
    solved = _solve(kept, constants)
    weights = _without_negative(kept, solved) if len(constants) == 1 else solved.weights
    p = solved.probability
    birge = math.sqrt(solved.chi_square / solved.degrees_of_freedom) if solved.degrees_of_freedom else 0.0
    single = [_combined(kept, row) for row in weights]
    meier = np.array([_meier(kept, row, constant) for row, constant in zip(weights, constants, strict=True)])
    widened = _widened(name, single, meier, birge if p < LEVEL else 1.0)
    forms = dict(zip(constants, widened, strict=True))
    adjusted = np.array([forms[constant].value for constant in constants])
    shares = []
    for place, one in enumerate(kept):
        residual = one.form.value - float(solved.design[place] @ adjusted)
        u = one.form.standard_uncertainty
        by_constant = {constant: float(weights[k, place]) for k, constant in enumerate(constants)}
        shares.append(Share(one.test, one.design, by_constant, residual, residual / u if u > 0 else 0.0))
    out = _out_of_line(kept, constants) if p < LEVEL else None
    why = _explanations(kept, constants) if p < LEVEL else []
    return Adjustment(forms, shares, solved.chi_square, solved.degrees_of_freedom, p, out, aside, why)


@dataclass(frozen=True)
class _Solved:
    design: np.ndarray
    weights: np.ndarray
    chi_square: float
    degrees_of_freedom: int
    probability: float


def _independent(observations: Sequence[Observation]) -> tuple[list[Observation], list[str]]:
    """Return the observations that say something new, and the tests of the others."""
    kept: list[Observation] = []
    aside: list[str] = []
    for one in observations:
        same = (other for other in kept if other.design == one.design)
        u = one.form.standard_uncertainty
        if u == 0:
            raise FitError(f"{one.test} states no uncertainty, so it cannot be weighed against other tests")
        if any(one.form.minus(other.form).standard_uncertainty <= _DERIVED * u for other in same):
            aside.append(one.test)
        else:
            kept.append(one)
    return kept, aside


def _terms(observations: Sequence[Observation]) -> np.ndarray:
    """Return the sensitivities ``(observations, influences)``."""
    influences = sorted({i for one in observations for i in one.form.terms}, key=lambda i: i.name)
    places = {influence: k for k, influence in enumerate(influences)}
    terms = np.zeros((len(observations), len(influences)))
    for row, one in zip(terms, observations, strict=True):
        for influence, c in one.form.terms.items():
            row[places[influence]] = c
    return terms


def _solve(observations: Sequence[Observation], constants: Sequence[str]) -> _Solved:
    """Return weights ``(constants, observations)`` and the test of agreement."""
    values = np.array([one.form.value for one in observations])
    design = np.array([[one.design.get(constant, 0.0) for constant in constants] for one in observations])
    terms = _terms(observations)
    covariance = terms @ terms.T
    weights = _weights(design, covariance)
    shared = np.count_nonzero(terms, axis=0) > 1
    if len(constants) == 1 and shared.any() and _in_proportion(observations):
        level = float(np.median(values / design[:, 0]))
        for _ in range(_ROUNDS):
            met = terms * np.where(shared, (level * design[:, 0] / values)[:, None], 1.0)
            covariance = met @ met.T
            weights = _weights(design, covariance)
            level = float((weights @ values)[0])
    inverse, rank = _inverse(covariance)
    left = values - design @ (weights @ values)
    chi_square = float(left @ inverse @ left)
    freedom = rank - len(constants)
    return _Solved(design, weights, chi_square, freedom, _probability(observations, chi_square, freedom))


def _in_proportion(observations: Sequence[Observation]) -> bool:
    values = [one.form.value for one in observations]
    small = all(one.form.standard_uncertainty < _MOST_RELATIVE * abs(one.form.value) for one in observations)
    return small and (min(values) > 0 or max(values) < 0)


def _inverse(covariance: np.ndarray) -> tuple[np.ndarray, int]:
    """Return the inverse of a covariance over its directions that are not rounding, and how many there are."""
    scale = np.sqrt(np.diag(covariance))
    eigenvalues, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    keep = eigenvalues > _SINGULAR * eigenvalues.max()
    inverse = (vectors[:, keep] / eigenvalues[keep]) @ vectors[:, keep].T
    return inverse / np.outer(scale, scale), int(keep.sum())


def _weights(design: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    inverse, _ = _inverse(covariance)
    normal = design.T @ inverse @ design
    scale = np.sqrt(np.diag(normal))
    if not np.all(scale > 0) or np.linalg.cond(normal / np.outer(scale, scale)) > 1 / _SINGULAR:
        raise FitError("the tests do not determine all constants that they are adjusted for")
    return np.asarray(np.linalg.solve(normal / scale[:, None], design.T @ inverse / scale[:, None]))


def _without_negative(observations: Sequence[Observation], solved: _Solved) -> np.ndarray:
    """Return the weights ``(1, n)`` of a single constant with none negative that leave the least variance."""
    design = solved.design[:, 0]
    if min(solved.weights[0] * design) >= 0:
        return solved.weights
    best, least = solved.weights, math.inf
    for size in range(1, len(observations)):
        for used in map(list, combinations(range(len(observations)), size)):
            part = [observations[place] for place in used]
            row = _solve(part, list(part[0].design)).weights[0]
            if min(row * design[used]) >= 0 and (u := _combined(part, row).standard_uncertainty) < least:
                least, best = u, np.zeros((1, len(observations)))
                best[0, used] = row
    return best


def _combined(observations: Sequence[Observation], weights: np.ndarray) -> Form:
    terms: dict[Influence, float] = defaultdict(float)
    for weight, one in zip(weights, observations, strict=True):
        for influence, c in one.form.terms.items():
            terms[influence] += float(weight) * c
    value = math.fsum(float(w) * one.form.value for w, one in zip(weights, observations, strict=True))
    return Form(value, {influence: c for influence, c in terms.items() if c != 0})


def _meier(observations: Sequence[Observation], weights: np.ndarray, constant: str) -> float:
    """Return the factor of the variance for weights that rest on few degrees of freedom."""
    more = 0.0
    for weight, one in zip(weights, observations, strict=True):
        part = min(1.0, max(0.0, float(weight) * one.design.get(constant, 0.0)))
        more += part * (1.0 - part) / effective_degrees_of_freedom(one.form)
    return 1.0 + 4.0 * more


def _widened(name: str, forms: Sequence[Form], meier: np.ndarray, birge: float) -> list[Form]:
    """Return the forms of constants adjusted together with what weights and disagreement add to their variances.

    ``meier`` ``(constants,)`` are the factors of their variances. What is added is correlated as the constants are: the
    terms of a line that widens still make up for each other.
    """
    covariance = np.array([[one.covariance(other) for other in forms] for one in forms])
    terms = [dict(form.terms) for form in forms]
    for key, source, more in (
        ("weights", "weights that rest on few readings", meier - 1.0),
        ("birge", "disagreement of the tests (Birge ratio)", meier * max(0.0, birge**2 - 1.0)),
    ):
        if not np.any(more > 0):
            continue
        by = np.sqrt(more)
        added = covariance * np.outer(by, by)
        influences, matrix = block_influences(f"adjustment/{name}/{key}", source, added, math.inf)
        for row, own in zip(matrix, terms, strict=True):
            own |= {influence: float(c) for influence, c in zip(influences, row, strict=True) if c != 0}
    return [Form(form.value, own) for form, own in zip(forms, terms, strict=True)]


def _probability(observations: Sequence[Observation], chi_square: float, freedom: int) -> float:
    """Return how often chance alone makes chi-square as large; the fewest degrees of freedom of any test count."""
    from scipy.stats import chi2, f

    if freedom <= 0:
        return 1.0
    fewest = min(effective_degrees_of_freedom(one.form) for one in observations)
    if math.isinf(fewest):
        return float(chi2.sf(chi_square, freedom))
    return float(f.sf(chi_square / freedom, freedom, fewest))


def _out_of_line(observations: Sequence[Observation], constants: Sequence[str]) -> str | None:
    """Return the test without which the others agree best, if they then do and are at least two."""
    found: list[tuple[float, str]] = []
    for test in sorted({one.test for one in observations}):
        rest = [one for one in observations if one.test != test]
        if len({one.test for one in rest}) < 2:
            continue
        try:
            solved = _solve(rest, constants)
        except FitError:
            continue  # without this test a constant is not determined
        if solved.degrees_of_freedom > 0:
            found.append((solved.probability, test))
    best = max(found, default=(0.0, ""))
    return best[1] if best[0] >= LEVEL else None


def _explanations(observations: Sequence[Observation], constants: Sequence[str]) -> list[Explanation]:
    """Return the named errors that, set free, leave differences that chance explains; the smallest shift first.

    With one degree of freedom every error that moves the tests apart does.
    """
    values = np.array([one.form.value for one in observations])
    design = np.array([[one.design.get(constant, 0.0) for constant in constants] for one in observations])
    terms = _terms(observations)
    inverse, rank = _inverse(terms @ terms.T)
    # What the constants can take up is no difference between the tests.
    left = inverse - inverse @ design @ np.linalg.solve(design.T @ inverse @ design, design.T @ inverse)
    chi_square, freedom = float(values @ left @ values), rank - len(constants) - 1
    found = []
    for influence in {i for one in observations for i in one.form.terms if not i.block}:
        acts = np.array([one.form.terms.get(influence, 0.0) for one in observations])
        apart = float(acts @ left @ acts)
        if apart <= _SINGULAR * float(acts @ inverse @ acts):
            continue  # it moves all tests alike
        shift = float(acts @ left @ values) / apart
        p = _probability(observations, max(0.0, chi_square - shift**2 * apart), freedom)
        if p >= LEVEL and abs(shift) > 1.0:
            tests = sorted({one.test for one, c in zip(observations, acts, strict=True) if c != 0})
            found.append(Explanation(influence, shift, tests, p))
    return sorted(found, key=lambda one: (abs(one.shift), one.influence.name))
