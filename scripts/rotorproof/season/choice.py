"""A ranked stock as data: each candidate with its probabilities, margins and energy in the units of print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..uncertainty.coverage import interval
from ..uncertainty.forms import Form
from ..units import from_si
from .stock import Ranked

#: The unit of each margin in print, and its kind.
UNITS = {
    "cruise": ("N m", "torque"),
    "climb": ("N m", "torque"),
    "start": ("N m", "torque"),
    "heat": ("A", "current"),
    "current": ("A", "current"),
    "starts": ("V", "voltage"),
    "full": ("V", "voltage"),
    "empty": ("V", "voltage"),
}


def choice_data(ranked: Mapping[str, Sequence[Ranked]], probability: float, about: Mapping[str, Any]) -> dict[str, Any]:
    """Return everything as data: each candidate with its probabilities and margins in the units of print."""

    def value(form: Form, unit: str, kind: str) -> dict[str, Any]:
        found = interval(form, probability)
        shown = [from_si(x, unit, kind) for x in (form.value, found.low, found.high)]
        return {"value": shown[0], "interval": shown[1:], "unit": unit}

    tables = {}
    for title, rows in ranked.items():
        tables[title] = [
            {
                "rank": one.rank,
                "tied": one.tied,
                "motor": one.candidate.motor or None,
                "controller": one.candidate.controller or None,
                "probability_of_meeting_the_duty": one.meets,
                "probability_that_the_first_of_its_rank_is_better": one.first_better,
                "parts_of_the_duty": one.each,
                "parts_not_measured": one.candidate.lacking,
                "margins": {
                    key: value(form, *UNITS[key])
                    for key, form in {**one.candidate.margins, **one.candidate.besides}.items()
                },
                "energy_per_distance": one.candidate.energy
                and value(one.candidate.energy, "Wh/km", "energy_per_length"),
                "wires_to_move": one.candidate.wires,
                "steps": list(one.candidate.steps),
            }
            for one in rows
        ]
    return {**about, **tables}
