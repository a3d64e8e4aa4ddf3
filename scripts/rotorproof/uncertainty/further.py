"""What a further measurement would leave of an uncertainty, before it is made: from the forms that there are.

The difference of two values of one constant, the one known and the one yet to be measured, tells of every error in
both; whatever shares an error with it is narrowed by the best linear use of that difference (the least squares of
``adjustment.py`` with one observation more; R. E. Kalman, J. Basic Eng. 82 (1960) 35; from memory). Which value it
will have nobody knows, so values stay; how certain it will be follows from the instruments that read it.

Three kinds of step: a test made *again* (scatter anew, instruments as before), made again with *another instrument* of
half the error, and a *further* test. A quantity that was assumed is as good as known once a test gives it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from .forms import Form, Influence

_ROUNDING = 1e-9  # eigenvalues of a correlation matrix below this are rounding
_BETTER = 0.5  # the error of the other instrument, over that of the one at hand
_INSTRUMENT, _ASSUMED, _STATED = "instrument/", "assumed/", "stated/"


@dataclass(frozen=True)
class Made:
    """A test, made or to be made: its name, the minutes it takes, and what it gives."""

    name: str
    minutes: float
    forms: Mapping[str, Form]


@dataclass(frozen=True)
class Step:
    """What may be done, how long it takes, and the target's ``form`` after it.

    ``what`` is the instrument's error or the statement where ``kind`` is of one, "" elsewhere.
    """

    kind: Literal["again", "instrument", "statement", "further"]
    tests: tuple[str, ...]
    what: str
    minutes: float
    form: Form


def steps(
    target: Form, best: Mapping[str, Form], made: Sequence[Made], further: Sequence[Made], *, change: float
) -> list[Step]:
    """Return every step that narrows ``target``, in no order.

    ``best`` holds what is known of each quantity, ``change`` the minutes to fetch and connect an instrument, or to
    measure a stated value anew.
    """
    found = []
    for one in made:
        anew = {name: _again(form, one.name) for name, form in one.forms.items()}
        found.append(Step("again", (one.name,), "", one.minutes, _after(target, best, anew)))
    sources = {i.source: i for one in made for form in one.forms.values() for i in form.terms if _is_of(i, _INSTRUMENT)}
    for source in sorted(sources):
        tests = [one for one in made if _reads_with(one, source, target, best)]
        if tests:
            anew = {}
            for one in tests:
                anew |= {name: _again(form, one.name, source) for name, form in one.forms.items()}
            minutes = change + sum(one.minutes for one in tests)
            names = tuple(one.name for one in tests)
            found.append(Step("instrument", names, source, minutes, _after(target, best, anew)))
    for source in sorted({i.source for i in target.terms if _is_of(i, _STATED)}):
        terms = {i: c * (_BETTER if i.source == source else 1.0) for i, c in target.terms.items()}
        found.append(Step("statement", (), source, change, Form(target.value, terms)))
    for one in further:
        known = Form(target.value, {i: c for i, c in target.terms.items() if not _gives_assumed(i, one)})
        found.append(Step("further", (one.name,), "", one.minutes, _after(known, best, one.forms)))
    now = target.standard_uncertainty
    return [step for step in found if step.form.standard_uncertainty < now]


def _is_of(influence: Influence, kind: str) -> bool:
    return influence.name.startswith(kind)


def _gives_assumed(influence: Influence, one: Made) -> bool:
    return _is_of(influence, _ASSUMED) and influence.name.rpartition("/")[2] in one.forms


def _reads_with(one: Made, source: str, target: Form, best: Mapping[str, Form]) -> bool:
    """Tell whether a test reads with an instrument something that the target hangs on."""
    return any(
        any(i.source == source and c != 0 for i, c in form.terms.items()) and target.covariance(best[name]) != 0
        for name, form in one.forms.items()
        if name in best
    )


def _again(form: Form, test: str, source: str = "") -> Form:
    """Return a value measured once more: its scatter is another; so is the error of another instrument, and half."""
    terms: dict[Influence, float] = {}
    for influence, c in form.terms.items():
        if influence.name.startswith(("scatter/", "misfit/")):
            name, block = f"{influence.name}/{test}/again", f"{influence.block}/{test}/again"
            terms[replace(influence, name=name, block=block)] = c
        elif source and influence.source == source:
            terms[replace(influence, name=f"{influence.name}/other")] = c * _BETTER
        else:
            terms[influence] = c
    return Form(form.value, terms)


def _after(target: Form, best: Mapping[str, Form], anew: Mapping[str, Form]) -> Form:
    """Return ``target`` after the quantities ``anew`` were measured beside what is known of them.

    A value yet to be measured is as uncertain, in proportion, at the value that is known.
    """
    differences = []
    for name, form in anew.items():
        known = best.get(name)
        if known is None or known.value == 0 or form.value == 0 or form.standard_uncertainty == 0:
            continue
        difference = form.scaled(known.value / form.value).minus(known)
        if target.covariance(difference) != 0:
            differences.append(difference)
    if not differences:
        return target
    covariance = np.array([[one.covariance(other) for other in differences] for one in differences])
    along = np.array([target.covariance(one) for one in differences])
    scale = np.sqrt(np.diag(covariance))
    eigenvalues, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    keep = eigenvalues > _ROUNDING * eigenvalues.max()
    inverse = (vectors[:, keep] / eigenvalues[keep]) @ vectors[:, keep].T / np.outer(scale, scale)
    after = target
    for weight, one in zip(inverse @ along, differences, strict=True):
        after = after.minus(Form(0.0, one.terms).scaled(float(weight)))
    return after
