"""The candidates on the shelf for one vehicle: every accepted motor and controller, and every pair of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np

from ..derivations._duty import ALIKE, figures, impossible, lacking, voltage_margins
from ..errors import FitError
from ..fitting.candidate import match, scalars
from ..fitting.parts import Part
from ..procedures.derivation import needs_words
from ..settings.application import Application
from ..settings.run import Duty, RunSettings
from ..uncertainty.forms import Form
from .stock import Candidate, Model, followed

#: Figures that are worth knowing and no condition of the duty.
_BESIDES = ("empty",)
#: So many candidates go into one call: more save little, and take memory.
_AT_ONCE = 40


@dataclass
class Shelf:
    """What can be chosen from, and why the rest cannot be predicted."""

    motors: list[Candidate] = field(default_factory=list)
    controllers: list[Candidate] = field(default_factory=list)
    pairs: list[Candidate] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)


def shelf(
    motors: Sequence[Part],
    controllers: Sequence[Part],
    settings: RunSettings,
    application: Application,
    duty: Duty,
    whose: str,
) -> Shelf:
    """Return every candidate for a vehicle and its duty; ``whose`` names the duty's stated errors."""
    found = Shelf()
    alone = [[motor] for motor in motors]
    predicted = _predicted(alone, settings, application, duty, whose, found)
    found.motors = [one for one in predicted if one]
    for controller in controllers:
        given = scalars([controller], settings, application, duty, whose)
        margins = followed(voltage_margins, [{**given, **_of(controller, ("start_voltage", "overvoltage_cutoff"))}])[0]
        if margins:
            besides = {key: margins.pop(key) for key in _BESIDES if key in margins}
            found.controllers.append(Candidate("", controller.unit, margins, None, besides))
        else:
            found.left_out[controller.unit] = "needs a test of its supply window"
    usable = {one.motor for one in found.motors}
    pairs = [[motor, controller] for motor in motors if motor.unit in usable for controller in controllers]
    found.pairs = [one for one in _predicted(pairs, settings, application, duty, whose, found) if one]
    return found


def _predicted(
    each: Sequence[Sequence[Part]],
    settings: RunSettings,
    application: Application,
    duty: Duty,
    whose: str,
    found: Shelf,
) -> list[Candidate | None]:
    """Return a candidate for each set of parts, ``None`` where it cannot be predicted, which ``found`` then says."""
    paired = any(len(parts) > 1 for parts in each)
    together: dict[tuple[object, ...], list[int]] = defaultdict(list)
    given: list[dict[str, Form]] = []
    for place, parts in enumerate(each):
        one = scalars(parts, settings, application, duty, whose)
        given.append(one)
        values = {key: form.value for key, form in one.items()}
        lack = lacking(values, paired)
        why = needs_words(lack) if lack else impossible(values) if paired else ""
        if why:
            found.left_out[_name(parts)] = why
        else:
            key = (*sorted(one), *(values.get(name) for name in ALIKE), np.isfinite(_limits(values)).tobytes())
            together[key].append(place)
    forms: dict[int, dict[str, Form]] = {}
    model = partial(_figures, paired=paired)
    for places in together.values():
        for start in range(0, len(places), _AT_ONCE):
            some = places[start : start + _AT_ONCE]
            try:
                forms |= zip(some, followed(model, [given[place] for place in some]), strict=True)
            except FitError:
                # One that has no operating point must not cost the others theirs.
                for place in some:
                    forms |= _alone(model, place, given[place], _name(each[place]), found)
    return [_candidate(parts, forms.get(place), found) for place, parts in enumerate(each)]


def _alone(model: Model, place: int, given: Mapping[str, Form], name: str, found: Shelf) -> dict[int, dict[str, Form]]:
    try:
        return {place: followed(model, [given])[0]}
    except FitError as error:
        found.left_out[name] = str(error)
        return {}


def _figures(given: Mapping[str, Any], paired: bool) -> dict[str, Any]:
    return {**figures(given, paired), **(voltage_margins(given) if paired else {})}


def _limits(values: Mapping[str, float]) -> np.ndarray:
    """Return the limits on current, of which a call has all or none."""
    return np.array([values.get(f"pack_{name}", np.inf) for name in ("current_limit", "motor_current_limit")])


def _candidate(parts: Sequence[Part], forms: dict[str, Form] | None, found: Shelf) -> Candidate | None:
    if forms is None:
        return None
    energy = forms.pop("energy", None)
    if energy is None or any(name not in forms for name in ("cruise", "climb", "start")):
        found.left_out[_name(parts)] = "the duty cannot be followed over the uncertainty of what it rests on"
        return None
    paired = len(parts) > 1
    wires, steps = _wiring(parts) if paired else (None, [])
    besides = {key: forms.pop(key) for key in _BESIDES if key in forms}
    return Candidate(parts[0].unit, parts[1].unit if paired else "", forms, energy, besides, wires, steps)


def _name(parts: Sequence[Part]) -> str:
    return " + ".join(one.unit for one in parts)


def _of(part: Part, names: Sequence[str]) -> dict[str, Form]:
    return {name: part.forms[name] for name in names if name in part.forms}


def _wiring(parts: Sequence[Part]) -> tuple[int | None, list[str]]:
    found, steps = match(parts)
    wires = found.get("wires_to_move")
    return (None if wires is None else round(wires)), steps
