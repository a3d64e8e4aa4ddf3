"""What files state of a unit, its air, a pack and a vehicle, by the names of the scalars that formulas ask for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..physics.thermal_class import CLASS_TEMPERATURE, HOT_SPOT_ALLOWANCE
from ..settings.application import Application
from ..settings.fields import Strict
from ..settings.unit import UnitFile
from ..uncertainty.forms import Form, Influence
from ..units import Measured


def stated_in(unit: UnitFile) -> dict[str, Form]:
    """Return what a unit's own file states of it and of the air, by the names of scalars."""
    # It is no error of another unit.
    found = written(f"{unit.unit}/nameplate", "nameplate", unit.nameplate)
    found |= written(f"{unit.unit}/ambient", "ambient", unit.ambient)
    letter = unit.nameplate.insulation_class
    if letter is not None:
        found["nameplate_insulation_limit"] = Form(CLASS_TEMPERATURE[letter])
        found["nameplate_hot_spot_allowance"] = Form(HOT_SPOT_ALLOWANCE[letter])
    return found


def on(application: Application) -> dict[str, Form]:
    """Return what is stated of a pack and a vehicle, whose errors are the same for all units."""
    found: dict[str, Form] = {}
    for side, model, name in (
        ("pack", application.pack, application.pack_name),
        ("vehicle", application.vehicle, application.vehicle_name),
    ):
        if model is not None:
            found |= written("/".join(filter(None, [name, side])), side, model)
    return found


def only_pack(meant: Sequence[Application]) -> dict[str, Form]:
    """Return what is stated of the pack if there is one alone: tests say how their results lie against it."""
    packs = {one.pack_name: one for one in meant}
    return on(replace(next(iter(packs.values())), vehicle=None)) if len(packs) == 1 else {}


def written(whose: str, side: str, model: Strict) -> dict[str, Form]:
    """Return the values of a settings model by the names of scalars; ``whose`` tells an error from that of another."""
    found: dict[str, Form] = {}
    for key, value in model:
        name = f"{side}_{key}"
        if isinstance(value, Measured):
            terms = {}
            if value.standard_uncertainty:
                source = f"stated {side} {key.replace('_', ' ')}"
                terms = {Influence(f"stated/{whose}_{key}/{value.text}", source): value.standard_uncertainty}
            found[name] = Form(value.value, terms)
        elif isinstance(value, bool | int | float):
            found[name] = Form(float(value))
    return found
