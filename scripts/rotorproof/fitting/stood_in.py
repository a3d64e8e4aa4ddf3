"""What stands in for readings that nobody took: limits of a controller's nameplate, where a drive's file asks for it.

A stated value says nothing of how far the unit may be from it. It never counts as measured: what rests on it is called
stated, and no criterion on that is decided.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from ..errors import FitError
from ..procedures.base import Need
from ..quantities import quantities
from ..signs import value_text
from ..uncertainty.forms import Form, Influence
from ..units import from_si

if TYPE_CHECKING:
    from .parts import Part

#: How far a maker's limits may be from what the unit does, where no uncertainty is stated beside them: half-widths, as
#: shares of the value (common practice, no source: shunts and comparators without adjustment, rounded figures).
_OFF = {
    "start_voltage": 0.05,
    "cutoff_voltage": 0.05,
    "overvoltage_cutoff": 0.05,
    "supply_current_limit": 0.2,
    "phase_current_limit": 0.2,
}
#: Differences up to this share are rounding.
_SAME = 1e-12
#: The limits that may stand in, and the losses that are assumed beside them.
LIMITS = tuple(_OFF)
LOSSES = frozenset(("controller_loss", "controller_efficiency", "standby_power"))


def stood_in(need: Need, parts: Sequence[Part]) -> Form | None:
    """Return what the nameplate of the controller among the parts states of a need, ``None`` if it states nothing.

    Its form always has an influence of its own, by which all that rests on it is known.
    """
    controller = next((one for one in parts if one.role == "controller"), None)
    if controller is None or need.quantity not in LIMITS:
        return None
    stated = controller.stated.get(f"nameplate_{need.quantity}")
    if stated is None or stated.terms:
        return stated
    what = need.quantity.replace("_", " ")
    influence = Influence(
        f"nameplate/{controller.unit}/{need.quantity}",
        f"stated {what}, how far the unit may be from it (common practice, {100 * _OFF[need.quantity]:.0f} %)",
        "rectangular",
    )
    return Form(stated.value, {influence: _OFF[need.quantity] * stated.value / math.sqrt(3.0)})


def in_words(name: str, value: float) -> str:
    """Return a stated value of a quantity in words; ``value`` is in SI."""
    quantity = quantities()[name]
    return f"{quantity.title.lower()} {value_text(from_si(value, quantity.unit, quantity.kind), quantity.unit)}"


def rests_on(
    derive: Callable[[Mapping[str, float]], Mapping[str, float]],
    scalars: Mapping[str, Form],
    best: Mapping[str, float],
    stood: Mapping[str, str],
) -> dict[str, str]:
    """Return of ``best``, what ``derive`` makes of the ``scalars``, in words the stood-in values that each rests on.

    ``stood`` says of each of those scalars what it is. A result rests on one if it changes at either end of what that
    value may be: one standard uncertainty is less than half a rectangle, and a limit may bind in the rest alone. A
    value at which nothing comes out counts as a change.
    """
    said: dict[str, dict[str, None]] = {}
    centre = {name: form.value for name, form in scalars.items()}
    for name, words in stood.items():
        half = _half_width(scalars[name])
        for end in (half, -half):
            try:
                moved = derive({**centre, name: centre[name] + end})
            except (FitError, ValueError, ArithmeticError):
                moved = {}
            for key, value in best.items():
                if key not in moved or not math.isclose(moved[key], value, rel_tol=_SAME, abs_tol=_SAME):
                    said.setdefault(key, {})[words] = None
    return {key: ", ".join(words) for key, words in said.items()}


def _half_width(form: Form) -> float:
    """Return how far a value may lie from where it is: the half-width of a rectangle, else that of 95 %."""
    boxed = all(influence.distribution == "rectangular" for influence in form.terms)
    return (math.sqrt(3.0) if boxed else 2.0) * form.standard_uncertainty
