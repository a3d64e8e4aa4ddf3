"""The registry of quantities: collected from the procedures and derivations that define them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from functools import cache
from typing import TypeVar

from .derivations import derivations
from .procedures import procedures
from .procedures.base import Procedure, Quantity
from .procedures.derivation import Derivation

T = TypeVar("T")

#: Stands for the procedure where a quantity is adjusted from several: it comes before each of them.
ADJUSTED = "adjusted"


@cache
def quantities() -> dict[str, Quantity]:
    """Return every quantity by name. Raises ``ValueError`` if one is defined twice or given but not defined."""
    makers: list[Procedure | Derivation] = [*procedures().values(), *derivations().values()]
    known: dict[str, Quantity] = {}
    for maker in makers:
        for quantity in maker.quantities:
            if quantity.name in known:
                raise ValueError(f"quantity {quantity.name!r} is defined twice")
            known[quantity.name] = quantity
    for maker in makers:
        for name in maker.gives:
            if name not in known:
                raise ValueError(f"{maker.name!r} gives {name!r}, which no module defines")
    return known


@cache
def applied_quantities() -> frozenset[str]:
    """Return the names of the quantities that have one value for each pack and vehicle a unit is meant for."""
    return frozenset(name for derivation in derivations().values() if derivation.applied for name in derivation.gives)


@cache
def key_quantities() -> tuple[str, ...]:
    """Return the names of the constants by which units are compared at a glance, in their order."""
    keys = [quantity for quantity in quantities().values() if quantity.key]
    return tuple(quantity.name for quantity in sorted(keys, key=lambda quantity: quantity.key))


def preference(quantity: Quantity, procedure: str) -> int:
    """Return the rank of a procedure for a quantity, 0 the best; those not listed come last, ``ADJUSTED`` first."""
    if procedure == ADJUSTED:
        return -1
    order = quantity.preferred
    return order.index(procedure) if procedure in order else len(order)


def preferred_measured(runs: Iterable[tuple[str, Mapping[str, T], Collection[str]]]) -> dict[str, T]:
    """Return the best of each quantity, one that was measured before any that rests on stated values.

    Each run is a procedure, quantity -> value, and which of those quantities rest on what a nameplate states.
    """
    known = list(runs)
    measured = [(maker, {k: v for k, v in values.items() if k not in stated}) for maker, values, stated in known]
    return {**preferred((maker, values) for maker, values, _ in known), **preferred(measured)}


def preferred(runs: Iterable[tuple[str, Mapping[str, T]]]) -> dict[str, T]:
    """Return the best of each quantity that runs give, ``(procedure, quantity -> value)`` each, the first of equals."""
    best: dict[str, tuple[int, T]] = {}
    for procedure, values in runs:
        for name, value in values.items():
            rank = preference(quantities()[name], procedure)
            if name not in best or rank < best[name][0]:
                best[name] = (rank, value)
    return {name: value for name, (_, value) in best.items()}
