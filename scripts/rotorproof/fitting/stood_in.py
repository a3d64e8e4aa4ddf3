"""Limits that a controller's nameplate states, in the place of measured ones, where a drive's file asks for it.

A stated value says nothing of how far the unit may be from it. It never counts as measured: what rests on it is called
stated, and no criterion on that is decided.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..procedures.base import Need
from ..uncertainty.forms import Form, Influence
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
