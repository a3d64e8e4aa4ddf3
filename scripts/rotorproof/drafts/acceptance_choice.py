"""Which acceptance set a new unit may be meant for: by the kind of unit and the rated voltage that the sets state."""

from __future__ import annotations

from collections.abc import Mapping

from ..derivations import derivations
from ..procedures import procedures
from ..settings.acceptance import AcceptanceSet
from ..units import Measured

#: Voltages that lie this near are called alike: 36 V packs are also called 36.5 V or 37 V (common practice, no source).
_ALIKE = 0.05


def of_kind(sets: Mapping[str, AcceptanceSet], kind: str) -> list[str]:
    """Return the sets for a kind of unit: those that say so, and those that do not and whose quantities it can give."""
    return [name for name, one in sets.items() if one.unit_kind == kind or (one.unit_kind is None and _can(one, kind))]


def proposed(sets: Mapping[str, AcceptanceSet], kind: str, voltage: Measured | None) -> str | None:
    """Return the only set that is stated for this kind of unit and this voltage (V); ``None`` where it is not clear."""
    if voltage is None:
        return None
    found = [
        name
        for name in of_kind(sets, kind)
        if (meant := sets[name].rated_voltage) and abs(meant.value - voltage.value) <= _ALIKE * voltage.value
    ]
    return found[0] if len(found) == 1 else None


def _can(one: AcceptanceSet, kind: str) -> bool:
    given = {quantity for maker in procedures().values() if kind in maker.unit_kinds for quantity in maker.gives}
    given |= {quantity for maker in derivations().values() if kind in maker.unit_kinds for quantity in maker.gives}
    return all(criterion.quantity in given for criterion in one.criteria)
