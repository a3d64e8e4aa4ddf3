"""The candidates on the shelf for one vehicle: every accepted motor and controller, and every pair of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial

from ..derivations._duty import figures, lacking, voltage_margins
from ..errors import FitError
from ..fitting.candidate import match, scalars
from ..fitting.parts import Part
from ..procedures.derivation import needs_words
from ..settings.application import Application
from ..settings.run import Duty, RunSettings
from ..uncertainty.forms import Form
from .stock import Candidate, followed

#: Figures that are worth knowing and no condition of the duty.
_BESIDES = ("empty",)


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

    def predicted(parts: Sequence[Part]) -> Candidate | None:
        paired = len(parts) > 1
        name = " + ".join(one.unit for one in parts)
        given = scalars(parts, settings, application, duty, whose)
        lack = lacking({key: form.value for key, form in given.items()}, paired)
        if lack:
            found.left_out[name] = needs_words(lack)
            return None
        try:
            forms = followed(partial(figures, paired=paired), given)
            forms |= followed(voltage_margins, given) if paired else {}
        except FitError as error:
            found.left_out[name] = str(error)
            return None
        if "energy" not in forms:
            found.left_out[name] = "the controller's loss under load lies below its standby power"
            return None
        wires, steps = _wiring(parts) if paired else (None, [])
        besides = {key: forms[key] for key in _BESIDES if key in forms}
        margins = {key: form for key, form in forms.items() if key != "energy" and key not in besides}
        return Candidate(
            parts[0].unit, parts[1].unit if paired else "", margins, forms["energy"], besides, wires, steps
        )

    found.motors = [one for motor in motors if (one := predicted([motor]))]
    usable = {one.motor for one in found.motors}
    for controller in controllers:
        given = scalars([controller], settings, application, duty, whose)
        forms = followed(voltage_margins, {**given, **_of(controller, ("start_voltage", "overvoltage_cutoff"))})
        if forms:
            besides = {key: forms.pop(key) for key in _BESIDES if key in forms}
            found.controllers.append(Candidate("", controller.unit, forms, None, besides))
        else:
            found.left_out[controller.unit] = "needs a test of its supply window"
    for motor in motors:
        if motor.unit in usable:
            found.pairs += [one for controller in controllers if (one := predicted([motor, controller]))]
    return found


def _of(part: Part, names: Sequence[str]) -> dict[str, Form]:
    return {name: part.forms[name] for name in names if name in part.forms}


def _wiring(parts: Sequence[Part]) -> tuple[int | None, list[str]]:
    found, steps = match(parts)
    wires = found.get("wires_to_move")
    return (None if wires is None else round(wires)), steps
