"""What a prediction of a motor, alone or with a controller, rests on: from saved fits, without fitting again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..derivations import derivations
from ..procedures.base import Need
from ..settings.application import Application
from ..settings.fields import Strict
from ..settings.run import RunSettings
from ..settings.unit import UnitFile
from ..uncertainty.forms import Form
from .assumed import assume
from .parts import Part, motor_of
from .scalars import on, written
from .unit_fit import UnitFit, _along, _apart, _fixed, _needed

#: Of a controller beside what the prediction asks: what it does at the ends of the pack's voltage.
_ALSO = (
    Need("start_voltage", "whether it starts on this pack", part="controller"),
    Need("overvoltage_cutoff", "whether it bears this pack full", part="controller"),
)


def scalars(
    parts: Sequence[Part], settings: RunSettings, application: Application, duty: Strict, whose: str
) -> dict[str, Form]:
    """Return all scalars of the prediction of these parts together, with their influences and assumptions.

    ``parts`` is a motor, or a motor and a controller; ``duty`` states its values with their uncertainty, as ``whose``.
    """
    paired = len(parts) > 1
    name = "+".join(one.unit for one in parts)
    unit = UnitFile.model_validate({"unit": name.replace("+", "_")[:80], "kind": "drive" if paired else "motor"})
    derivation = derivations()["drive-prediction" if paired else "pack-prediction"]
    result = UnitFit(parts=parts)
    needs = (*derivation.needs, *(_ALSO if paired else ()))
    needed = _needed(needs, {}, result)
    known = {**_fixed(unit, settings, parts), **needed, **_apart(needs, needed, result)}
    found = {**_along(needs, known, result), **on(application), **written(whose, "duty", duty)}
    assumed = assume(derivation.assumptions, found, name, derivation.name, motor_of(parts))
    return {**found, **{item.name: form for item, form in assumed}}


def match(parts: Sequence[Part]) -> tuple[Mapping[str, float], list[str]]:
    """Return how motor and controller fit each other (``drive-match``), and what to do to the wires."""
    derivation = derivations()["drive-match"]
    needed = _needed(derivation.needs, {}, UnitFit(parts=parts))
    given = {name: form.value for name, form in needed.items()}
    found = derivation.derive(given)
    shown = derivation.show(given, found)
    steps = dict.fromkeys(hint.step for hint in shown.hints if hint.step)
    return found, list(steps)
