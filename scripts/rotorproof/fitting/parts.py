"""The parts of a drive as its fit sees them: what other units' fits found, each form with its named influences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ..procedures.base import Need
from ..quantities import ADJUSTED, preferred, preferred_measured
from ..uncertainty.forms import Form

#: The highest supply voltage of the run that gave the controller's loss (``Quantity.reach``).
_OF_LOSS = "bench_supply_voltage_max"
#: What a drive's results keep of a part's run beside its forms.
_KEPT = (
    "procedure",
    "label",
    "conditions",
    "forms",
    "simulated",
    "quantity_notes",
    "details",
    "hints",
    "extrapolated",
    "bounds",
    "stated",
    "with_controller_loss",
)


@dataclass(frozen=True)
class Part:
    """A motor or controller that a drive is made of: its preferred forms, the runs behind them, what it states."""

    role: str
    unit: str
    forms: Mapping[str, Form] = field(default_factory=dict)
    outcomes: Sequence[Mapping[str, Any]] = ()
    stated: Mapping[str, Form] = field(default_factory=dict)

    def apart_from_controller(self, quantity: str) -> tuple[Form, bool]:
        """Return the part's best value that holds no controller's loss, else its best, and whether it holds any."""
        found = [one for one in self.outcomes if quantity in one["forms"]]
        clean = [one for one in found if quantity not in one["with_controller_loss"]]
        if not clean:
            return self.forms[quantity], bool(found)
        return preferred((one["procedure"], one["forms"]) for one in clean)[quantity], False


def part(role: str, unit: str, fit: Mapping[str, Any]) -> Part:
    """Return a part from what ``store.load_fit`` gives of it."""
    outcomes = [*fit["outcomes"], *(_as_run(one) for one in fit["derived"] if one["name"] == ADJUSTED)]
    best = preferred_measured((one["procedure"], one["forms"], one["stated"]) for one in outcomes)
    kept = [{key: outcome[key] for key in _KEPT} for outcome in outcomes]
    return Part(role, unit, best, kept, fit["stated"])


def _as_run(together: Mapping[str, Any]) -> dict[str, Any]:
    """Return a part's adjusted constants as a drive keeps its runs."""
    empty: dict[str, Any] = {"label": ADJUSTED, "hints": []}
    empty |= {key: {} for key in ("conditions", "quantity_notes", "details", "extrapolated", "bounds", "stated")}
    return {**empty, **together, "procedure": ADJUSTED}


def giver(need: Need, parts: Sequence[Part]) -> Part | None:
    """Return the part a need names, if it has the quantity; without a name the only part that has it, else ``None``."""
    givers = [p for p in parts if need.quantity in p.forms and need.part in (None, p.role)]
    return givers[0] if len(givers) == 1 else None


def motor_of(parts: Sequence[Part]) -> str:
    """Return the unit that is the motor among the parts, "" without parts."""
    return next((p.unit for p in parts if p.role == "motor"), "")


def stated(parts: Sequence[Part]) -> dict[str, Form]:
    """Return nameplate and reach of the motor, and the voltage at which the controller's loss was measured.

    A controller's nameplate says nothing of the road.
    """
    motor = {name: form for p in parts if p.role == "motor" for name, form in p.stated.items() if name != _OF_LOSS}
    loss = next((p.stated[_OF_LOSS] for p in parts if p.role == "controller" and _OF_LOSS in p.stated), None)
    return motor if loss is None else {**motor, _OF_LOSS: loss}
