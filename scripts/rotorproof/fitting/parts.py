"""The parts of a drive as its fit sees them: what other units' fits found, each form with its named influences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from ..procedures.base import Need
from ..quantities import ADJUSTED, preferred, preferred_measured
from ..uncertainty.forms import Form
from .stored import Made, StoredFit

#: The highest supply voltage of the run that gave the controller's loss (``Quantity.reach``).
_OF_LOSS = "bench_supply_voltage_max"


@dataclass(frozen=True)
class Part:
    """A motor or controller that a drive is made of: its preferred forms, the runs behind them, what it states."""

    role: Literal["motor", "controller"]
    unit: str
    forms: Mapping[str, Form] = field(default_factory=dict)
    outcomes: Sequence[Made] = ()
    stated: Mapping[str, Form] = field(default_factory=dict)

    def apart_from_controller(self, quantity: str) -> tuple[Form, bool]:
        """Return the part's best value that holds no controller's loss, else its best, and whether it holds any."""
        found = [one for one in self.outcomes if quantity in one.forms]
        clean = [one for one in found if quantity not in one.with_controller_loss]
        if not clean:
            return self.forms[quantity], bool(found)
        return preferred((one.maker, one.forms) for one in clean)[quantity], False


def part(role: Literal["motor", "controller"], unit: str, fit: StoredFit) -> Part:
    """Return a part from what ``store.load_fit`` gives of it."""
    outcomes = [*fit.outcomes, *(one for one in fit.derived if one.maker == ADJUSTED)]
    best = preferred_measured((one.maker, one.forms, one.stated) for one in outcomes)
    return Part(role, unit, best, [one.of_part() for one in outcomes], fit.stated)


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
