"""What an earlier test of the same unit found, as observations for an adjustment: with drift, and with shared errors.

A result file says of each source of uncertainty its name and size, not the sign, and not which instrument it was by
serial number. Errors that two tests share make their mean less certain than independent ones would (JCGM 100:2008,
5.2.2), so a source of the same name is taken to be the same error, of the same sign: that is the safe side. An
instrument that goes by another name in the two files cannot be told and counts as another, which is not.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from .forms import Form, Influence


@dataclass(frozen=True)
class Earlier:
    """One earlier test: its name on pages, its ``file`` as messages show it, and its quantities in SI, drift included.

    ``place`` is that of its entry in the unit file, from 0; ``asked`` are the quantities whose drift is stated by name.
    """

    test: str
    file: str
    place: int
    forms: Mapping[str, Form]
    asked: Sequence[str] = ()


def with_drift(form: Form, share: float, influence: str) -> Form:
    """Return a form with what it may have changed since: up to ``share`` of it, rectangular (JCGM 100:2008, 4.3.7).

    Earlier tests share the error named ``influence``: the time since the last of them is common to all.
    """
    drift = Influence(influence, "drift since the earlier test", "rectangular")
    return Form(form.value, {**form.terms, drift: abs(form.value) * share / math.sqrt(3.0)})


def as_met_now(earlier: Form, present: Sequence[Form]) -> Form:
    """Return an earlier value whose lasting errors are those of the same source in ``present``, where there are any.

    The first of ``present`` that has the source says how it acts. Scatter is of its own test: it has few readings, or
    belongs to a fit.
    """
    terms: dict[Influence, float] = defaultdict(float)
    for influence, c in earlier.terms.items():
        same: dict[Influence, float] = {}
        if math.isinf(influence.degrees_of_freedom):
            each = (_of_source(form, influence.source) for form in present)
            same = next((found for found in each if found), {})
        size = math.hypot(*same.values())
        if size > 0:
            for other, other_c in same.items():
                terms[other] += abs(c) * other_c / size
        else:
            terms[influence] += c
    return Form(earlier.value, dict(terms))


def _of_source(form: Form, source: str) -> dict[Influence, float]:
    """Return the terms of a source that are no scatter of a fit."""
    return {i: c for i, c in form.terms.items() if i.source == source and not i.block and c != 0}
