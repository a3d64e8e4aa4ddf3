"""Whether a result can be, in words: refused, cut at the end of what is possible, or a count that is not settled."""

from __future__ import annotations

import math
from collections.abc import Mapping

from ..procedures.base import Quantity
from ..quantities import quantities
from ..signs import number_text, unit_text, value_text
from ..uncertainty.admissible import Bounds, State, admit, of_largest, settled
from ..uncertainty.forms import Form
from ..uncertainty.monte_carlo import Simulation
from ..uncertainty.result import Result
from ..units import from_si

#: Where a quantity's module names no likelier cause.
_CAUSE = "a sign, a unit or a scale wrong, or columns exchanged"


def admitted(name: str, result: Result, probability: float) -> tuple[State, Result, str]:
    """Return whether a quantity's result can be, the result as it stands, and what to say of it (nothing if it can)."""
    quantity = quantities()[name]
    if quantity.whole and not settled(result.form):
        return "impossible", result, _unsettled(result, probability)
    if quantity.largest_of > 1:
        result = of_largest(result, quantity.largest_of, probability)
    state, kept = admit(result, Bounds(quantity.least, quantity.most), probability)
    if state == "possible":
        return state, result, ""
    cover = result.interval(probability)
    low, high = (number_text(from_si(end, quantity.unit, quantity.kind), ".3g") for end in (cover.low, cover.high))
    interval = f"{low} to {high} {unit_text(quantity.unit)}"
    end = _end(quantity, cover.low)
    if state == "cut":
        said = f"The readings alone give {interval}; cut at {end}, beyond which it cannot lie (JCGM 106:2012, 6.2)."
        return state, kept, said
    said = f"the readings give {interval}, which cannot be (the end is {end}), so there is no result. Likely cause: "
    return state, kept, said + (quantity.impossible or _CAUSE)


def admit_all(
    forms: dict[str, Form],
    simulated: dict[str, Simulation],
    probability: float,
    disowned: Mapping[str, str] | None = None,
) -> tuple[dict[str, str], dict[str, str]]:
    """Refuse what cannot be and cut what straddles its end, in place, whether it was fitted or predicted.

    Returns why each refused quantity is so, and what to note of each that was cut. ``disowned`` says of results that
    can be why they do not stand.
    """
    refused, notes = {}, {}
    for name in list(forms):
        state, result, said = admitted(name, Result(forms[name], simulated.get(name)), probability)
        if disowned and name in disowned:
            state, said = "impossible", disowned[name]
        if state == "impossible":
            refused[name] = said
            del forms[name]
            simulated.pop(name, None)
            continue
        if state == "cut":
            forms[name], notes[name] = result.form, said
        if result.simulation is not None:
            simulated[name] = result.simulation
    return refused, notes


def _end(quantity: Quantity, low: float) -> str:
    end = quantity.least if low < quantity.least else quantity.most
    assert math.isfinite(end)
    return value_text(from_si(end, quantity.unit, quantity.kind), quantity.unit, ".3g")


def _unsettled(result: Result, probability: float) -> str:
    cover = result.interval(probability)
    low, high = number_text(cover.low, ".3g"), number_text(cover.high, ".3g")
    return (
        f"the count is not settled: within what the instruments' errors allow it runs from {low} to {high}. Record "
        "with less noise, or look at the log by hand"
    )
