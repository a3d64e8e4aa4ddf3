"""What a unit is meant for: packs and vehicles of ``config.yaml``, each pair of them an application."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, model_validator

from .fields import Name, Strict

if TYPE_CHECKING:
    from .run import Pack, RunSettings, Vehicle


class For(Strict):
    """A pack, a vehicle or both by name; a side that is not named is every one that goes with the other."""

    pack: Annotated[Name | None, Field(description="one of 'packs' in config.yaml")] = None
    vehicle: Annotated[Name | None, Field(description="one of 'vehicles' in config.yaml")] = None

    @model_validator(mode="after")
    def _names_something(self) -> For:
        if self.pack is None and self.vehicle is None:
            raise ValueError("name a 'pack', a 'vehicle' or both")
        return self

    def covers(self, application: Mapping[str, str]) -> bool:
        """Tell whether an application, as ``Application.names`` gives it, is one of those meant."""
        sides = (("pack", self.pack), ("vehicle", self.vehicle))
        return all(name in (None, application.get(side)) for side, name in sides)


@dataclass(frozen=True)
class Application:
    """A pack and a vehicle that a unit is predicted on; a name is empty where config.yaml gives none."""

    pack: Pack | None = None
    vehicle: Vehicle | None = None
    pack_name: str = ""
    vehicle_name: str = ""

    @property
    def names(self) -> dict[str, str]:
        """Return the names that there are: ``{"pack": ..., "vehicle": ...}``."""
        sides = {"pack": self.pack_name, "vehicle": self.vehicle_name}
        return {side: name for side, name in sides.items() if name}


def applications(meant: Sequence[For], settings: RunSettings) -> list[Application]:
    """Return what a unit is predicted on, without repeats: what is ``meant``, or all there is.

    A vehicle that names its pack goes with that one, unless a unit names another beside it. One application at least,
    which may be without pack and vehicle.
    """
    found: dict[tuple[str, str], Application] = {}
    for vehicle_name, vehicle in _vehicles(settings):
        for pack_name, pack in _packs(settings):
            own = vehicle.pack if vehicle is not None else None
            one = Application(pack, vehicle, pack_name, vehicle_name)
            goes = own in (None, pack_name)
            said = any(entry.covers(one.names) and (goes or (entry.pack and entry.vehicle)) for entry in meant)
            if said if meant else goes:
                found[pack_name, vehicle_name] = one
    return list(found.values()) or [Application()]


def not_there(meant: For, settings: RunSettings) -> tuple[str, str] | None:
    """Return the key and why it cannot stand, where a name is none of config.yaml."""
    for key, name, several in (("pack", meant.pack, settings.packs), ("vehicle", meant.vehicle, settings.vehicles)):
        if name is not None and name not in several:
            there = f"there are: {', '.join(several)}" if several else "none has a name"
            return key, f"config.yaml has no {key} {name!r} under '{key}s'; {there}"
    return None


def words(names: Mapping[str, str]) -> str:
    """Return the names of an application as a page has them: "cargo on 48V"; "" for one without a name."""
    return " on ".join(names[side] for side in ("vehicle", "pack") if names.get(side))


def label(names: Mapping[str, str]) -> str:
    """Return the names of an application as part of a file's name."""
    return "-on-".join(names[side] for side in ("vehicle", "pack") if names.get(side))


def _packs(settings: RunSettings) -> Iterator[tuple[str, Pack | None]]:
    yield from settings.packs.items() if settings.packs else [("", settings.pack)]


def _vehicles(settings: RunSettings) -> Iterator[tuple[str, Vehicle | None]]:
    yield from settings.vehicles.items() if settings.vehicles else [("", settings.vehicle)]
