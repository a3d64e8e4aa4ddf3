"""What a six-step bridge adds to the formulas of a smooth one at the points of a test, from what is known of the motor.

The points are solved once, in ``choose``; a fit that is repeated follows what was added (``physics.bridge_cost``).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ..physics import bridge_cost
from . import assumption
from .assumption import Assumption
from .base import Condition, Log, Need, electrical_turns
from .fit import Fit

_DRIVES = ("six-step", "field-oriented")
CONDITION = Condition(
    "drive", "number", "how the controller feeds the motor: 'six-step' (block) or 'field-oriented' (sine)",
    choices=_DRIVES,
)  # fmt: skip
NEEDS = (
    Need("emf_constant_dc", "what commutation and ripple cost", part="motor"),
    Need("pole_pairs", "how often the current changes from phase to phase", part="motor"),
    Need("electrical_time_constant", "voltage and heat that the change from phase to phase costs", part="motor"),
    Need("saliency_ratio", "which inductance the change from phase to phase meets", part="motor"),
    Need("emf_harmonic_5", "shape of the EMF, ripple of the current", part="motor"),
    Need("emf_harmonic_7", "shape of the EMF, ripple of the current", part="motor"),
    Need("hall_offset", "where the current changes from phase to phase", part="motor"),
)
ASSUMPTIONS = (
    *assumption.SIX_STEP,
    Assumption(
        "ripple_model",
        1.0,
        0.2,
        "the heat of the current's ripple is known to 20 percent: phases and the places of sensors differ (common "
        "practice, no source)",
        of_motor=True,
    ),
)
NO_PAIRS = (
    "the pole pairs are known neither from a test nor from the nameplate; add an open-circuit test, or pole_pairs to "
    "the nameplate"
)
#: Friction is up to this share too high where ripple was not taken off (common practice, no source).
_LEFT_IN_FRICTION = 0.1


def uncorrected_words(why: str) -> str:
    """Return a note on what is left in, and why."""
    return (
        "What commutation and ripple cost is not taken into account: friction comes out up to a tenth too high, torque "
        f"per ampere a few percent too low or high, and their intervals hold that. Reason: {why}."
    )


def left_in_friction(fit: Fit) -> None:
    """Keep the share of friction that ripple not taken off may be, as the parameter ``friction/ripple``.

    The value stays, since a smooth winding has none; the interval reaches as far as the most, to both sides.
    """
    label, spread = "commutation and ripple, not taken off, in friction", _LEFT_IN_FRICTION**2 / 3.0
    fit.block(label, {"friction/ripple": 0.0}, spread, distribution="rectangular")


def field_oriented(log: Log, given: Mapping[str, float]) -> bool:
    """Tell whether the test's drive is field-oriented: by its q-axis current, its condition, or the unit's file."""
    if "current_q" in log:
        return True
    if "drive" in log.conditions:
        return _DRIVES[int(log.conditions["drive"])] == "field-oriented"
    return bool(given.get("drive_field_oriented", 0.0))


def drive_words(log: Log, given: Mapping[str, float]) -> str:
    """Return a note on the drive where nothing says what it is, else ""."""
    if "current_q" in log or "drive" in log.conditions or "drive_field_oriented" in given:
        return ""
    return "A six-step drive is assumed, since neither 'drive' nor a q-axis current is among the readings."


def commutation_time(given: Mapping[str, Any]) -> Any:
    """Return the time constant (s) of the inductance that the change from phase to phase meets: that of the d axis.

    Seen from the rotor, the current jumps from 30 electrical degrees on one side of the q axis to 30 on the other, so
    what changes lies along d. Without saliency, or where none was measured, it is that of the phase.
    """
    saliency = given.get("saliency_ratio")
    mean = given["electrical_time_constant"]
    return mean if saliency is None else mean * 2.0 / (1.0 + saliency)


def switching_lead(given: Mapping[str, Any]) -> Any:
    """Return by how much (rad, electrical) phases change before the best angle: the controller's lead, sensors late."""
    return given["commutation_lead"] - given.get("hall_offset", 0.0)


def _conditions(given: Mapping[str, float]) -> bridge_cost.Conditions:
    return bridge_cost.Conditions(
        commutation_time(given), given["emf_harmonic_5"], given["emf_harmonic_7"], switching_lead(given)
    )


def solve(
    given: Mapping[str, float], resistance: np.ndarray, emf: np.ndarray, speed: np.ndarray, current: np.ndarray
) -> bridge_cost.Cost | None:
    """Solve the bridge at points ``(n,)``, all SI; ``None`` where the pole pairs are not known. Raises ``FitError``."""
    known = electrical_turns(given)
    return None if known is None else bridge_cost.cost(resistance, emf, known, speed, current, _conditions(given))


def solvable(
    given: Mapping[str, float], resistance: np.ndarray, emf: np.ndarray, speed: np.ndarray, current: np.ndarray
) -> np.ndarray:
    """Tell at which of the points ``(n,)`` of ``solve`` the bridge has a solution."""
    return bridge_cost.solvable(resistance, emf, electrical_turns(given), speed, current, _conditions(given))


def added(cost: bridge_cost.Cost | None, given: Mapping[str, float], count: int) -> bridge_cost.Added:
    """Return what is added at ``count`` points under these scalars, with the doubt of the model; nothing without it."""
    if cost is None:
        return bridge_cost.Added(*np.zeros((3, count)))
    found = cost.at(_conditions(given))
    model, ripple = given["commutation_model"], given["ripple_model"]
    return bridge_cost.Added(found.voltage * model, found.copper * ripple, found.torque * model)
