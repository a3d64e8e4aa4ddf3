"""Whether a drive's controller fits the battery: where it starts and stops against the voltages of the pack."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from ..procedures.base import Need, UnitKind
from ..procedures.derivation import Derivation, Shown, named, needs_words
from ._drive_quantities import ON_PACK

#: Quantity -> the scalar that is to be the larger and the one that is taken off it.
_MARGINS = {
    "start_margin_nominal": ("pack_voltage_nominal", "start_voltage"),
    "start_margin_empty": ("pack_voltage_empty", "start_voltage"),
    "overvoltage_margin": ("overvoltage_cutoff", "pack_voltage_full"),
    "cutoff_margin": ("cutoff_voltage", "pack_voltage_empty"),
}


class PackMatch(Derivation):
    """How a drive's controller fits the pack."""

    name = "pack-match"
    title = "Do controller and battery fit each other?"
    unit_kinds: ClassVar[tuple[UnitKind, ...]] = ("drive",)
    applied: ClassVar[bool] = True
    needs = (
        Need("start_voltage", "whether it starts on this pack", part="controller"),
        Need("cutoff_voltage", "where it stops on this pack", part="controller"),
        Need("overvoltage_cutoff", "whether it bears the full pack", part="controller"),
    )
    gives = tuple(_MARGINS)
    quantities = ON_PACK
    not_covered = ("The margins are differences; no drive was started on a pack to see them.",)
    order = 106

    def derive(self, given: Mapping[str, float]) -> dict[str, float]:
        """Return each margin whose scalars are there."""
        return {
            name: given[larger] - given[smaller]
            for name, (larger, smaller) in _MARGINS.items()
            if larger in given and smaller in given
        }

    def show(self, given: Mapping[str, float], result: Mapping[str, float]) -> Shown:
        """Return why margins are missing."""
        if not any(need.quantity in given for need in self.needs):
            return Shown()
        return Shown(
            missing={
                name: needs_words([one for one in _MARGINS[name] if one not in given])
                for name in self.gives
                if name not in result
            }
        )

    def predicted_from(self, name: str, given: Mapping[str, float], result: Mapping[str, float]) -> str:
        """Return the scalars that a margin is computed from."""
        del given, result
        return named(_MARGINS[name])


DERIVATION = PackMatch()
