"""The model of ``config/config.yaml``: settings of a run."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from .fields import MisplacedError, Strict, physical
from .unit import Name


class Pack(Strict):
    """The real battery, and what limits the motor on it (the controller's motor current, a warm winding)."""

    voltage_full: physical("voltage")  # type: ignore[valid-type]
    voltage_nominal: physical("voltage")  # type: ignore[valid-type]
    voltage_empty: physical("voltage")  # type: ignore[valid-type]
    internal_resistance: physical("resistance") | None = None  # type: ignore[valid-type]
    current_limit: physical("current") | None = None  # type: ignore[valid-type]
    motor_current_limit: physical("current") | None = None  # type: ignore[valid-type]
    winding_temperature: physical("temperature") | None = None  # type: ignore[valid-type]


class Vehicle(Strict):
    """The vehicle the motor is meant for."""

    mass: physical("mass")  # type: ignore[valid-type]
    rolling_resistance: physical("ratio")  # type: ignore[valid-type]
    drag_area: physical("area")  # type: ignore[valid-type]
    rolling_circumference: physical("length") | None = None  # type: ignore[valid-type]
    grade: physical("ratio") | None = None  # type: ignore[valid-type]
    cruise_speed: physical("velocity") | None = None  # type: ignore[valid-type]
    air_density: physical("density") | None = None  # type: ignore[valid-type]


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


class RunSettings(Strict):
    """Everything that holds for a whole run."""

    config_version: Literal[1]
    raw_dir: str = "raw"
    reports_dir: str = "reports"
    workshop: str | None = None
    coverage_probability: Annotated[float, Field(ge=0.5, le=0.9999)] = 0.95
    winding_constant: WindingConstants = WindingConstants()
    pack: Pack | None = None
    vehicle: Vehicle | None = None
    comparisons: list[Comparison] = []

    @model_validator(mode="after")
    def _names_differ(self) -> RunSettings:
        names = [comparison.name for comparison in self.comparisons]
        for place, name in enumerate(names):
            if name in names[:place]:
                raise MisplacedError(f"two comparisons are named {name!r}; rename one", "comparisons", place, "name")
        return self
