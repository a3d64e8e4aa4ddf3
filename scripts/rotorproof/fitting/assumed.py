"""Scalars that nobody stated: which are assumed, and the error of each by its name."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

from ..procedures.assumption import Assumption
from ..uncertainty.forms import Form, Influence

_NONE = Form(0.0)


def assume(
    items: Sequence[Assumption], scalars: Mapping[str, Form], unit: str, maker: str, motor: str = ""
) -> list[tuple[Assumption, Form]]:
    """Return the assumptions to be made beside ``scalars``, each with its form.

    ``maker`` is the procedure or derivation of ``unit`` that makes them; ``motor`` names the unit that the motor is,
    where it is a part of this one.
    """
    made = []
    for item in items:
        if item.name in scalars or (item.when and scalars.get(item.when, _NONE).value == 0):
            continue
        whose = motor or unit if item.of_motor else unit if item.of_unit else f"{unit}/{maker}"
        whose = "" if item.of_all else whose
        influence = Influence(f"assumed/{whose}/{item.name}", f"assumed {item.name.replace('_', ' ')}", "rectangular")
        made.append((item, Form(item.value, {influence: item.half_width / math.sqrt(3)})))
    return made


def words(
    made: Sequence[tuple[Assumption, Form]], forms: Mapping[str, Form], moved: Mapping[str, Collection[str]]
) -> list[str]:
    """Say what was assumed, as far as it moves any of ``forms``.

    ``moved`` names by scalar what moves with it, also where both ways move it alike and no form shows it.
    """
    return [
        f"Assumed: {item.why}."
        for item, form in made
        if any(influence in one.terms for one in forms.values() for influence in form.terms)
        or any(name in forms for name in moved.get(item.name, ()))
    ]
