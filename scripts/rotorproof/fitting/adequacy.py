"""Did the formula of a fit describe its readings? Judged from what each fit leaves over, the same way for all.

Where readings were repeated at one setting, the lack-of-fit test compares what the formula leaves between settings with
what repeated readings leave within them (NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.4.6). Besides, a bend of
the residuals over each regressor and over time, and a twist over two regressors, are tested as more terms of the
formula, by the F test of an extra sum of squares (Draper and Smith, Applied Regression Analysis; from memory), and
their signs by the runs test (Wald and Wolfowitz, Ann. Math. Statist. 11 (1940) 147; NIST/SEMATECH, 1.3.5.13). A single
reading is tested by its externally studentised residual, its probability times the number of readings (Cook and
Weisberg, Residuals and Influence in Regression, 1982, 2.2.2).

A misfit that is found adds to the variance of what rests on the fit the mean square for lack of fit, or of the terms
that were missing, in place of that of the residuals: the formula's error is the same for neighbouring readings and does
not average out as scatter does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any, Literal

import numpy as np

from ..procedures.fit import Residuals
from ..quantities import quantities
from ..signs import number_text
from ..uncertainty.forms import Form

State = Literal["adequate", "widened", "not determined"]
#: Probability with which a sound test is said not to be described by its formula, over all that is tested in it.
SIGNIFICANCE = 0.001
#: Fewer readings, or degrees of freedom, say nothing of a formula.
_FEWEST_READINGS, _FEWEST_FREEDOM = 6, 3
#: Readings closer than this share of the range of a regressor were taken at one setting; settings lie further apart.
_SAME_SETTING, _OTHER_SETTING = 0.01, 0.03
#: A series in time whose fit allowed for correlation is tested in means over so many correlation times.
_APART = 2.0
#: More leverage is not believed, since the terms of the formula are not known here, only what it rests on.
_MOST_LEVERAGE = 0.5
#: Where they are known, a reading with more leverage alone decides a parameter, and nothing speaks for or against it.
_ALL_LEVERAGE = 1.0 - 1e-9
#: Residuals of this share of what is fitted are the rounding of a computer, and follow its processor.
_ROUNDING = 1e-12
#: A misfit of a kind that the formula names is a note as long as it widens no interval by more than this factor, or is
#: below what is of any use to tell of that quantity (``Quantity.relevance``); common practice, no source.
WIDENS = 1.25
#: How the influence of a misfit is named, before the block of parameters that it widens.
MISFIT = "misfit/"
#: A misfit that adds less to the variance widens an interval by less than three percent.
_MATERIAL = 0.05


@dataclass(frozen=True)
class Checked:
    """One test of the residuals of one fit: what was tested, its statistic and the probability of one as large.

    ``excess`` is the variance that the misfit adds to what rests on the fit, over that of the scatter; ``reading`` is
    the place of the single reading that was tested; ``blocks`` are the parameters that rest on the fit (none: all).
    ``bends`` says what of an ordinary motor the formula leaves out.
    """

    fit: str
    tested: str
    statistic: float
    probability: float
    excess: float
    reading: int | None = None
    blocks: Sequence[str] = ()
    bends: str = ""


@dataclass(frozen=True)
class Adequacy:
    """The judgement on a test: its state, and every check, the least probable first.

    ``excess`` is the largest of those checks that failed, 0 if none did.
    """

    state: State
    checks: Sequence[Checked]
    readings: int

    @property
    def failed(self) -> list[Checked]:
        """Return the checks that a sound test fails once in ``1 / SIGNIFICANCE``, their number allowed for.

        One that moves no result is none: of thousands of readings one may lie far off and weigh nothing.
        """
        few = SIGNIFICANCE / max(1, len(self.checks))
        return [check for check in self.checks if check.probability < few and check.excess >= _MATERIAL]

    @property
    def excess(self) -> float:
        """Return the largest variance that a misfit adds to a result, over the variance of its scatter."""
        return max((check.excess for check in self.failed), default=0.0)

    def as_json(self) -> dict[str, Any]:
        """Return the judgement as plain data: its state and the least probable check of each fit."""
        least: dict[str, Checked] = {}
        for check in self.checks:
            least.setdefault(check.fit, check)
        checks = [
            {"fit": c.fit, "tested": c.tested, "statistic": c.statistic, "probability": c.probability}
            for c in least.values()
        ]
        return {
            "state": self.state,
            "significance": SIGNIFICANCE / max(1, len(self.checks)),
            "readings": self.readings,
            "checks": checks,
        }

    def excess_of(self, block: str) -> float:
        """Return the variance that misfits add to the parameters of a block, over that of their scatter."""
        return max((c.excess for c in self.failed if not c.blocks or block in c.blocks), default=0.0)


def judge(left: Sequence[Residuals]) -> Adequacy:
    """Return whether formulas described the readings of a test, from the residuals of its fits."""
    judged = [
        one for one in left if one.residual.size >= _FEWEST_READINGS and one.degrees_of_freedom >= _FEWEST_FREEDOM
    ]
    found = (replace(check, blocks=one.blocks, bends=one.bends) for one in judged for check in _checks(one))
    checks = sorted(found, key=lambda check: check.probability)
    if not checks:
        return Adequacy("not determined", [], 0)
    adequacy = Adequacy("adequate", checks, sum(one.residual.size for one in judged))
    return replace(adequacy, state="widened") if adequacy.failed else adequacy


def _checks(left: Residuals) -> Iterator[Checked]:
    if not np.all(np.asarray(left.uncertainty) > _ROUNDING * np.max(np.abs(left.fitted))):
        return  # readings without any scatter, as typed from one another: there is nothing to compare a misfit with
    scaled = left.residual / left.uncertainty
    size, correlated = scaled.size, left.degrees_of_freedom < 0.6 * left.residual.size and left.residual.size > 30
    if correlated and left.time is None:
        return  # in which order the readings hang together is not known
    block = math.ceil(_APART * size / left.degrees_of_freedom) if correlated else 1
    parameters = 1 if correlated else max(1, round(size - left.degrees_of_freedom))
    # Over a turn a pattern is the machine's own, of harmonics beyond those fitted, and whole turns average over it.
    orders = {k: v for k, v in left.regressors.items() if np.ptp(v) > 0 and not k.endswith("angle")}
    if left.time is not None and np.ptp(left.time) > 0:
        orders["time"] = left.time
        order = np.argsort(left.time, kind="stable")
    else:
        order = np.arange(size)
    if block > 1:
        scaled, orders = _means(scaled[order], block), {k: _means(v[order], block) for k, v in orders.items()}
        orders = {k: v for k, v in orders.items() if v.size >= _FEWEST_READINGS and np.ptp(v) > 0}
    replicate = left.replicate if block == 1 else None
    if left.covered:
        orders = {}
    for (one, x), (other, y) in combinations([pair for pair in orders.items() if pair[0] != "time"], 2):
        if (found := twist(x, y, scaled, parameters)) is not None:
            yield Checked(left.name, f"twist over {_said(one)} and {_said(other)}", *found)
    for name, values in orders.items():
        over = f"over {_said(name)}"
        if replicate is None and len(orders) == 1 and block == 1:
            replicate = _settings(values)
        if (found := bend(values, scaled, parameters)) is not None:
            yield Checked(left.name, f"bend {over}", *found)
        if (signs := runs(scaled[np.argsort(values, kind="stable")])) is not None:
            yield Checked(left.name, f"runs {over}", signs[0], signs[1], _bent(values, scaled))
    if replicate is not None and (found := lack_of_fit(scaled, replicate, parameters)) is not None:
        yield Checked(left.name, "lack of fit from repeated readings", *found)
    if block == 1 and not correlated:
        design = np.column_stack([np.ones(size), *left.regressors.values()])
        if (alone := single(design, scaled, parameters)) is not None:
            yield Checked(left.name, "single reading", *alone)


def lack_of_fit(residuals: np.ndarray, replicate: np.ndarray, parameters: int) -> tuple[float, float, float] | None:
    """Return the lack-of-fit F, its probability and the excess variance, ``None`` without repeats to tell from.

    ``residuals`` ``(n,)`` of a fit of ``parameters``, ``replicate`` ``(n,)`` the same number for readings at one
    setting. The excess is the mean square for lack of fit over that of the residuals, less the part that the scatter
    holds already.
    """
    from scipy.special import fdtrc

    settings, place = np.unique(replicate, return_inverse=True)
    n, m = residuals.size, settings.size
    if m <= parameters or n - m < _FEWEST_FREEDOM:
        return None
    middle = np.bincount(place, residuals) / np.bincount(place)
    pure = float(np.sum((residuals - middle[place]) ** 2))
    between = max(0.0, float(np.sum(residuals**2)) - pure)
    if pure <= 0:
        return None
    statistic = (between / (m - parameters)) / (pure / (n - m))
    excess = between / (m - parameters) / (float(residuals @ residuals) / (n - parameters)) - 1.0
    return statistic, float(fdtrc(m - parameters, n - m, statistic)), max(0.0, excess)


def bend(regressor: np.ndarray, residuals: np.ndarray, parameters: int) -> tuple[float, float, float] | None:
    """Return F, its probability and the excess variance for a bend of second and third order of residuals ``(n,)``.

    Terms that the formula itself holds explain nothing of its residuals, so that F is too small for them, never too
    large. ``None`` where too few readings, or settings, would be left to tell from.
    """
    return _extra(_terms(regressor), residuals, parameters)


def twist(
    one: np.ndarray, other: np.ndarray, residuals: np.ndarray, parameters: int
) -> tuple[float, float, float] | None:
    """Return the same for a slope over one regressor that changes with the other: their product as a term."""
    if residuals.size < parameters + 1 + _FEWEST_FREEDOM or residuals.size < 6:
        return None
    x, y = one - one.mean(), other - other.mean()
    q, r = np.linalg.qr(np.column_stack([np.ones_like(x), x, y, x * y]))
    apart = np.abs(np.diag(r)) > 1e-3 * np.linalg.norm(r, axis=0)
    return _extra(q[:, 3:], residuals, parameters) if apart.all() else None


def _extra(terms: np.ndarray, residuals: np.ndarray, parameters: int) -> tuple[float, float, float] | None:
    from scipy.special import fdtrc

    n = residuals.size
    freedom = n - parameters - terms.shape[1]
    if terms.shape[1] == 0 or freedom < _FEWEST_FREEDOM:
        return None
    explained = float(np.sum((terms.T @ residuals) ** 2))
    rest = float(residuals @ residuals) - explained
    if rest <= 0:
        return None
    mean_square = explained / terms.shape[1]
    statistic = mean_square / (rest / freedom)
    excess = mean_square / (float(residuals @ residuals) / (n - parameters)) - 1.0
    return statistic, float(fdtrc(terms.shape[1], freedom, statistic)), max(0.0, excess)


def runs(residuals: np.ndarray) -> tuple[float, float] | None:
    """Return the standardised number of runs of one sign among residuals ``(n,)`` in order, and its probability.

    One-sided: fewer runs than chance gives mean a misfit. ``None`` below ten of either sign, where the normal law does
    not hold.
    """
    from scipy.special import ndtr

    signs = residuals[residuals != 0] > 0
    more, less = int(signs.sum()), int(signs.size - signs.sum())
    if min(more, less) < 10:
        return None
    n = more + less
    mean = 2.0 * more * less / n + 1.0
    variance = (mean - 1.0) * (mean - 2.0) / (n - 1.0)
    z = (1 + int(np.sum(signs[1:] != signs[:-1])) - mean) / math.sqrt(variance)
    return z, float(ndtr(z))


def single(design: np.ndarray, residuals: np.ndarray, parameters: int) -> tuple[float, float, float, int] | None:
    """Return the largest externally studentised residual, its probability, its excess variance and its place.

    ``residuals`` ``(n,)`` of a fit of ``parameters``; the probability is two-sided, times the number of readings
    (Bonferroni). The excess is that number times Cook's distance: how far the reading moves a result, at most, over
    its scatter, squared. ``design`` ``(n, k)`` stands for the formula. Where its columns, or all but the first, are
    those that were fitted, the leverage of each reading is known and counts: a reading far from the others draws the
    fit to itself. Else the test takes it as 0, which makes the residual too small, never too large, and the excess as
    at most one half.
    """
    from scipy.special import stdtr

    n, k = residuals.size, parameters
    if n - k - 1 < _FEWEST_FREEDOM:
        return None
    square = float(residuals @ residuals)
    exact = next((h for terms in (design, design[:, 1:]) if (h := _leverage(terms, residuals, k)) is not None), None)
    counted = np.zeros(n) if exact is None else np.minimum(exact, _ALL_LEVERAGE)
    # What is left of the others without each reading, over their freedom.
    others = np.maximum(square - residuals**2 / (1.0 - counted), 1e-12 * square) / (n - k - 1)
    studentised = residuals / np.sqrt(others * (1.0 - counted))
    place = int(np.argmax(np.abs(studentised)))
    far = float(studentised[place])
    probability = min(1.0, 2.0 * n * float(stdtr(n - k - 1, -abs(far))))
    leverage = float(counted[place] if exact is not None else min(_hat(design)[place], _MOST_LEVERAGE))
    moved = float(residuals[place] ** 2) / (square / (n - k)) * leverage / (1.0 - leverage) ** 2
    return far, probability, moved, place


def _leverage(design: np.ndarray, residuals: np.ndarray, parameters: int) -> np.ndarray | None:
    """Return the leverages ``(n,)`` of a fit of ``parameters`` terms that ``design`` ``(n, k)`` holds.

    ``None`` where it holds other terms than were fitted: their number differs, or the residuals still hang on them.
    """
    if design.shape[1] != parameters:
        return None
    most = np.linalg.norm(design, axis=0) * np.linalg.norm(residuals)
    return _hat(design) if np.all(np.abs(design.T @ residuals) <= 1e-6 * most) else None


def _hat(design: np.ndarray) -> np.ndarray:
    """Return the diagonal of the hat matrix of ``design`` ``(n, k)``, whose columns may depend on each other."""
    scale = np.linalg.norm(design, axis=0)
    basis, values, _ = np.linalg.svd(design[:, scale > 0] / scale[scale > 0], full_matrices=False)
    return np.asarray(np.sum(basis[:, values > 1e-9 * values[0]] ** 2, axis=1))


def words(found: Adequacy) -> str:
    """Return the judgement as one line of a report."""
    if not found.checks:
        return "Adequacy: not determined, since no formula was fitted to readings that could speak for or against it."
    least = found.checks[0]
    statistic, probability = number_text(least.statistic, ".3g"), number_text(least.probability, ".2g")
    what = (
        f"{len(found.checks)} checks of {found.readings} residuals for lack of fit, bends, runs and single readings. "
        f"The least probable: {least.tested}, {least.fit} (statistic {statistic}, probability {probability})"
    )
    if found.state == "adequate":
        return f"Adequacy: adequate by {what}."
    return f"Adequacy: widened, since the formula leaves more than scatter; found by {what}."


def known(found: Adequacy, forms: Mapping[str, Form]) -> list[str]:
    """Return one note for each misfit of a kind that the formula names, as long as it widens no result much."""
    said: dict[str, str] = {}
    for check in found.failed:
        if not _is_known(check, forms):
            continue
        widened = (
            f"{quantities()[name].title} by {number_text(100 * (factor - 1), '.2g')} %"
            for name, (factor, _) in _widened(check, forms).items()
        )
        by = ", ".join(widened) or "no result"
        what = f"Known misfit, {check.fit} ({check.tested}, statistic {number_text(check.statistic, '.3g')})"
        said.setdefault(check.fit, f"{what}: {check.bends}. It is an influence in the budget and widens {by}.")
    return list(said.values())


def advice(found: Adequacy, forms: Mapping[str, Form]) -> list[str]:
    """Return one sentence for each other fit that does not describe its readings: what to look at."""
    said: dict[str, str] = {}
    for check in found.failed:
        if _is_known(check, forms):
            continue
        if check.reading is None:
            why = f"{check.tested}, statistic {number_text(check.statistic, '.3g')}"
            acts = check.bends or "something acts that the formula does not know"
            what = f"{acts}; the intervals are widened by it"
        else:
            far = number_text(abs(check.statistic), ".3g")
            why = f"reading {check.reading + 1} of those used lies {far} times the scatter of the others off"
            what = "correct it if it is a slip; the intervals are widened by what it moves"
        said.setdefault(check.fit, f"the formula does not describe the readings, {check.fit} ({why}): {what}")
    return list(said.values())


def _is_known(check: Checked, forms: Mapping[str, Form]) -> bool:
    """Tell whether a misfit is named by its formula and does too little to any result to ask anybody about it."""
    of_no_use = (
        factor <= WIDENS or 2.0 * spread <= quantities()[name].relevance * abs(forms[name].value)
        for name, (factor, spread) in _widened(check, forms).items()
    )
    return bool(check.bends) and check.reading is None and all(of_no_use)


def _widened(check: Checked, forms: Mapping[str, Form]) -> dict[str, tuple[float, float]]:
    """Return by what factor a misfit widens each quantity that rests on it, and its own standard uncertainty there."""
    found = {}
    for name, form in forms.items():
        own = sum(
            c * c
            for i, c in form.terms.items()
            if i.name.startswith(MISFIT) and (not check.blocks or any(f"/{block}" in i.name for block in check.blocks))
        )
        if own > 0:
            rest = form.standard_uncertainty**2 - own
            found[name] = (form.standard_uncertainty / math.sqrt(rest) if rest > 0 else math.inf, math.sqrt(own))
    return found


def _said(name: str) -> str:
    return name.replace("_", " ")


def _terms(regressor: np.ndarray) -> np.ndarray:
    """Return orthonormal terms ``(n, q)`` of second and third order, as far as a regressor has settings for them."""
    x = regressor - regressor.mean()
    x = x / float(np.abs(x).max())
    settings = np.unique(np.round(x / (2 * _SAME_SETTING))).size
    order = min(3, settings - 1)
    q, _ = np.linalg.qr(np.vander(x, max(order, 1) + 1, increasing=True))
    return np.asarray(q[:, 2:])


def _bent(regressor: np.ndarray, residuals: np.ndarray) -> float:
    """Return the largest excess variance that means over a tenth of the readings, or over fewer, show of a misfit.

    Means over whole periods of a pattern hide it, so the widths halve down to two neighbours.
    """
    ordered = residuals[np.argsort(regressor, kind="stable")]
    width, most = max(2, ordered.size // 10), 0.0
    while width >= 2:
        groups = _means(ordered, width)
        most = max(most, width * float(groups @ groups) / groups.size)
        width //= 2
    return max(0.0, most / float(np.mean(residuals**2)) - 1.0)


def _settings(values: np.ndarray) -> np.ndarray | None:
    """Return which setting each reading was taken at, ``None`` where they do not stand in groups."""
    order = np.argsort(values, kind="stable")
    gaps = np.diff(values[order]) / float(np.ptp(values))
    if np.any((gaps > _SAME_SETTING) & (gaps < _OTHER_SETTING)):
        return None
    number = np.concatenate([[0], np.cumsum(gaps >= _OTHER_SETTING)])
    edges = [*np.flatnonzero(np.diff(number, prepend=-1)), values.size]
    wide = any(np.ptp(values[order][a:b]) > _OTHER_SETTING * np.ptp(values) for a, b in pairwise(edges))
    if wide or 2 * (number[-1] + 1) > values.size:
        return None
    found = np.empty(values.size, int)
    found[order] = number
    return found


def _means(values: np.ndarray, size: int) -> np.ndarray:
    """Return means over ``size`` neighbours; what is left at the end is left out."""
    whole = values.size // size * size
    return np.asarray(values[:whole].reshape(-1, size).mean(axis=1))
