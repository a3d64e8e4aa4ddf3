"""The model of ``config/config.yaml``: settings of a run."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from .fields import (
    Area,
    Current,
    Density,
    Folder,
    Grade,
    Length,
    Line,
    Mass,
    MisplacedError,
    Name,
    Resistance,
    Share,
    Strict,
    Temperature,
    Velocity,
    Voltage,
)


class Pack(Strict):
    """The real battery, and what limits the motor on it (the controller's motor current, a warm winding)."""

    voltage_full: Voltage
    voltage_nominal: Voltage
    voltage_empty: Voltage
    internal_resistance: Resistance | None = None
    current_limit: Current | None = None
    motor_current_limit: Current | None = None
    winding_temperature: Temperature | None = None
    magnet_temperature: Temperature | None = None

    @model_validator(mode="after")
    def _falls(self) -> Pack:
        if not self.voltage_full.value >= self.voltage_nominal.value >= self.voltage_empty.value:
            raise ValueError("the voltages of a pack fall from full to empty; correct one")
        return self


class Vehicle(Strict):
    """The vehicle the motor is meant for."""

    mass: Mass
    rolling_resistance: Share
    drag_area: Area
    rolling_circumference: Length | None = None
    grade: Grade | None = None
    cruise_speed: Velocity | None = None
    air_density: Density | None = None
    pack: Annotated[Name | None, Field(description="the pack in it, one of 'packs'; without it, each of them")] = None


class Duty(Strict):
    """What a vehicle must do beside its cruise, by which a motor and a controller are chosen for it."""

    climb_grade: Annotated[Grade, Field(description="the longest grade, held for ever")]
    climb_speed: Annotated[Velocity, Field(description="speed on that grade")]
    start_grade: Annotated[Grade, Field(description="steepest grade on which it must start")]


class Comparison(Strict):
    """Units to set side by side."""

    name: Name
    units: Annotated[list[Name], Field(min_length=2)]

    @model_validator(mode="after")
    def _different(self) -> Comparison:
        if len(set(self.units)) < len(self.units):
            raise MisplacedError("a unit stands twice in this comparison; keep one", "units")
        return self


class WindingConstants(Strict):
    """The constant k of R(T) = R(20 degC) (k + T)/(k + 20), in degrees Celsius."""

    copper: Annotated[float, Field(gt=200, lt=260)] = 234.5
    aluminium: Annotated[float, Field(gt=200, lt=260)] = 225.0


class Limits(Strict):
    """How much a log may take to read; a sound one that takes more is let through by a larger number here."""

    unpacked_ratio: Annotated[
        float, Field(ge=1, le=1e6, description="bytes that one byte of a packed log or a recording may stand for")
    ] = 200.0
    readings: Annotated[float, Field(ge=1e4, le=1e12, description="readings of one log held in memory at once")] = 4e8
    reading_seconds: Annotated[
        float, Field(ge=1, le=1e6, description="s to read a recording, beside 1 s for each megabyte of it")
    ] = 20.0
    reading_memory_mb: Annotated[
        float, Field(ge=100, le=1e6, description="MB to read a recording, beside four times its size")
    ] = 1000.0


class RunSettings(Strict):
    """Everything that holds for a whole run."""

    config_version: Literal[1]
    raw_dir: Folder = "raw"
    reports_dir: Folder = "reports"
    workshop: Line | None = None
    workshop_address: Line | None = None
    coverage_probability: Annotated[float, Field(ge=0.5, le=0.9999)] = 0.95
    winding_constant: WindingConstants = WindingConstants()
    pack: Pack | None = None
    vehicle: Vehicle | None = None
    packs: Annotated[dict[Name, Pack], Field(description="several packs by name, in place of 'pack'")] = {}
    vehicles: Annotated[dict[Name, Vehicle], Field(description="several vehicles by name, in place of 'vehicle'")] = {}
    duties: Annotated[
        dict[Name, Duty],
        Field(description="what each vehicle must do, by its name; of the one under 'vehicle' by the name 'vehicle'"),
    ] = {}
    comparisons: list[Comparison] = []
    limits: Limits = Limits()

    @model_validator(mode="after")
    def _names_differ(self) -> RunSettings:
        names = [comparison.name for comparison in self.comparisons]
        for place, name in enumerate(names):
            if name in names[:place]:
                raise MisplacedError(f"two comparisons are named {name!r}; rename one", "comparisons", place, "name")
        return self

    @model_validator(mode="after")
    def _one_or_several(self) -> RunSettings:
        for one, several in (("pack", "packs"), ("vehicle", "vehicles")):
            if getattr(self, one) is not None and getattr(self, several):
                raise MisplacedError(
                    f"{one!r} and {several!r} both stand here; give the one under {one!r} a name and move it to "
                    f"{several!r}",
                    one,
                )
        return self

    @model_validator(mode="after")
    def _packs_of_vehicles_exist(self) -> RunSettings:
        each = [(("vehicle",), self.vehicle), *((("vehicles", name), one) for name, one in self.vehicles.items())]
        for where, vehicle in each:
            if vehicle is not None and vehicle.pack is not None and vehicle.pack not in self.packs:
                words = f"there is no pack {vehicle.pack!r} under 'packs'; there are: {', '.join(self.packs) or 'none'}"
                raise MisplacedError(words, *where, "pack")
        return self
