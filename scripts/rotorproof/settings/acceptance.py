"""The model of ``config/acceptance/*.yaml``: limits that a unit must keep."""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from ..procedures._fault_limits import FAULT_LIMITS, MOST_SHARE
from ..units import Measured, parse
from .application import For
from .fields import Current, Line, Name, Physical, Strict, Voltage

Rule = Literal["guarded", "simple", "guarded-acceptance", "guarded-rejection"]


class ProcessSpread(Strict):
    """How units of this make scatter before any is measured: text with a unit ("0.12 ohm"), or as units have shown."""

    mean: str | None = None
    standard_deviation: str | None = None
    population: Annotated[
        Name | None,
        Field(description="a file of config/processes/, written by 'make population', in place of the two"),
    ] = None

    @model_validator(mode="after")
    def _one_or_the_other(self) -> ProcessSpread:
        written = [key for key in ("mean", "standard_deviation") if getattr(self, key) is not None]
        if len(written) == 1 or (self.population is None and not written):
            raise ValueError("a process is either 'mean' and 'standard_deviation', or 'population'")
        return self


class RangeOfUnits(Strict):
    """The interval that holds 95 % of the units of a model with 95 % confidence, two texts with a unit."""

    low: str
    high: str


class ProcessFile(Strict):
    """How the units of one model scattered when this was written: ``config/processes/*.yaml``."""

    model: Line
    kind: Annotated[
        Literal["motor", "controller", "drive"] | None, Field(description="what kind of unit the model is")
    ] = None
    units: Annotated[int, Field(ge=1, description="units behind it")]
    last_tested_on: datetime.date | None = None
    quantities: Annotated[dict[str, ProcessSpread], Field(description="mean and standard deviation of each constant")]
    ranges: Annotated[
        dict[str, RangeOfUnits],
        Field(description="what a unit that names this file under 'population' is expected to be like"),
    ] = {}


class Criterion(Strict):
    """One limit or pair of limits for one quantity; limits are text with a unit ("0.15 ohm") or plain counts."""

    quantity: str
    from_: Annotated[
        str | None, Field(alias="from", description="procedure whose value alone is judged, in place of the unit's")
    ] = None
    for_: Annotated[
        For | None,
        Field(
            alias="for",
            description="the pack and the vehicle whose prediction is judged; without it, each that the unit is meant "
            "for",
        ),
    ] = None
    min: str | int | float | None = None
    max: str | int | float | None = None
    rule: Rule | None = None
    guard_factor: Annotated[float | None, Field(ge=0, description="in place of that of the set")] = None
    process: Annotated[
        ProcessSpread | None, Field(description="gives the global risks of consumer and producer (JCGM 106:2012, 9)")
    ] = None
    reason: str | None = None

    @model_validator(mode="after")
    def _has_a_limit(self) -> Criterion:
        if self.min is None and self.max is None:
            raise ValueError(f"the criterion for {self.quantity!r} has neither 'min' nor 'max'")
        return self


def _limit_of_faults(name: str) -> Any:
    limit = FAULT_LIMITS[name]
    most = f", at most {limit.said(MOST_SHARE)}" if limit.unit == "percent" else ""
    return Field(default=None, description=f"{limit.meaning}; {limit.said(limit.default)} where it is not stated{most}")


_FaultShare = Annotated[Measured, Physical("ratio", least=0, most=MOST_SHARE)]


class FaultTests(Strict):
    """When an output has ended after a fault; how fast it must be gone is a criterion on the response times."""

    ended_share: Annotated[_FaultShare | None, _limit_of_faults("ended_share")]
    standby_share: Annotated[_FaultShare | None, _limit_of_faults("standby_share")]
    coasted_share: Annotated[_FaultShare | None, _limit_of_faults("coasted_share")]
    watched: Annotated[Annotated[Measured, Physical("time", above=0)] | None, _limit_of_faults("watched")]
    driven_current: Annotated[Current | None, _limit_of_faults("driven_current")]
    driven_share: Annotated[_FaultShare | None, _limit_of_faults("driven_share")]


class AcceptanceSet(Strict):
    """A named set of criteria; ``rule`` holds where a criterion names none (JCGM 106:2012, clause 8)."""

    description: str | None = None
    source: str | None = None
    unit_kind: Annotated[
        Literal["motor", "controller", "drive"] | None, Field(description="which kind of unit the limits are for")
    ] = None
    rated_voltage: Annotated[
        Voltage | None, Field(description="of the units that the limits are for; 'make unit' proposes the set by it")
    ] = None
    rule: Rule = "guarded"
    guard_factor: Annotated[float, Field(ge=0, description="guard band as a multiple of the expanded uncertainty")] = (
        1.0
    )
    fault_tests: Annotated[
        FaultTests | None, Field(description="of a controller: by what its throttle and brake cases are judged")
    ] = None
    criteria: list[Criterion]


def difference(text: str, kind: str) -> float:
    """Return a written difference of two values of ``kind`` in SI. Raises ``ValueError`` as ``parse`` does."""
    if kind == "temperature":
        return parse(text.replace("degC", "K").replace("°C", "K"), "temperature_difference").value
    return parse(text, kind).value
