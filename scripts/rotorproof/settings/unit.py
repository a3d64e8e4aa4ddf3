"""The model of ``unit.yaml``: one motor, controller or drive under test."""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from ..uncertainty.specification import Specification
from ..units import Measured
from .application import For
from .fields import (
    LONGEST_LINE,
    Current,
    Length,
    Line,
    MisplacedError,
    Name,
    Physical,
    Power,
    RotationalSpeed,
    Share,
    Stated,
    Strict,
    Temperature,
    Time,
    Torque,
    Voltage,
)

#: A file of results has at most so many bytes.
LARGEST_RESULTS = 16_000_000
Connection = Literal["ABC", "ACB", "BAC", "BCA", "CAB", "CBA"]


class Nameplate(Strict):
    """What the maker states; every entry is optional and none is taken for a measurement."""

    rated_voltage: Voltage | None = None
    rated_power: Power | None = None
    rated_speed: RotationalSpeed | None = None
    rated_current: Current | None = None
    rated_torque: Torque | None = None
    pole_pairs: Annotated[int, Field(ge=1, le=200)] | None = None
    slots: Annotated[int, Field(ge=3, le=600)] | None = None
    gear_ratio: Annotated[float, Field(gt=0, le=1000, description="motor revolutions per output revolution")] | None = (
        None
    )
    freewheel: bool | None = None
    winding_material: Literal["copper", "aluminium"] | None = None
    insulation_class: Literal["A", "E", "B", "F", "H"] | None = None
    rolling_circumference: Length | None = None
    duty: Annotated[Line | None, Field(description="duty type, such as S1 (IEC 60034-1)")] = None
    cooling: Annotated[Line | None, Field(description="method of cooling, such as IC 40 (IEC 60034-6)")] = None
    connection: Literal["star", "delta"] | None = None
    rotation: Annotated[Line | None, Field(description="sense of rotation, and from which side it is seen")] = None
    start_voltage: Annotated[Voltage | None, Field(description="of a controller: where it starts")] = None
    cutoff_voltage: Annotated[Voltage | None, Field(description="of a controller: where it cuts off")] = None
    overvoltage_cutoff: Annotated[Voltage | None, Field(description="of a controller: where it cuts off above")] = None
    supply_current_limit: Annotated[Current | None, Field(description="of a controller")] = None
    phase_current_limit: Annotated[Current | None, Field(description="of a controller")] = None


class Ambient(Strict):
    """The air around the bench."""

    temperature: Temperature | None = None
    humidity: Share | None = None


class Accuracies(Strict):
    """Stated accuracy per kind of quantity, half-width of the error."""

    voltage: Annotated[Specification, Stated("voltage")] | None = None
    current: Annotated[Specification, Stated("current")] | None = None
    resistance: Annotated[Specification, Stated("resistance")] | None = None
    speed: Annotated[Specification, Stated("speed")] | None = None
    time: Annotated[Specification, Stated("time")] | None = None
    torque: Annotated[Specification, Stated("torque")] | None = None
    force: Annotated[Specification, Stated("force")] | None = None
    angle: Annotated[Specification, Stated("angle")] | None = None
    temperature: Annotated[Specification, Stated("temperature")] | None = None
    power: Annotated[Specification, Stated("power")] | None = None
    inductance: Annotated[Specification, Stated("inductance")] | None = None


class Instrument(Strict):
    """An instrument on the bench; its serial number ties its error to other units measured with it."""

    like: Annotated[
        Name | None, Field(description="a file of config/instruments/, whose accuracies hold where none are given")
    ] = None
    typical: Annotated[
        list[str], Field(description="kinds whose accuracy came from 'like'; filled in when the file is read")
    ] = []
    model: Line | None = None
    serial: Line | None = None
    calibrated_on: datetime.date | None = None
    calibration_due: datetime.date | None = None
    certificate: Annotated[Line | None, Field(description="number of its calibration certificate")] = None
    accuracy: Accuracies = Accuracies()
    channels: Annotated[
        Literal["shared", "independent"] | None,
        Field(
            description="whether all columns are read through one input, or each through one of its own; where not "
            "said, temperatures are read with a probe each and all else through one input"
        ),
    ] = None

    def apart(self, kind: str) -> bool:
        """Tell whether each column of a kind is read through an input of its own, with an error of its own."""
        return self.channels == "independent" or (self.channels is None and kind == "temperature")


class InstrumentClass(Strict):
    """A kind of instrument and what is typical of it: ``config/instruments/*.yaml``."""

    description: str
    source: Annotated[str, Field(description="where the figures come from")]
    accuracy: Accuracies
    channels: Literal["shared", "independent"] | None = None


class Test(Strict):
    """One log and how it was taken."""

    procedure: Line
    log: Annotated[str, Field(max_length=LONGEST_LINE, description="file in the unit's folder")]
    label: Name | None = None
    layout: Name = "plain"
    instruments: dict[str, str] = {}
    conditions: dict[str, Any] = {}
    window: Annotated[
        list[Time] | None,
        Field(min_length=2, max_length=2, description="use the readings between these two times alone"),
    ] = None
    remarks: str | None = None

    @model_validator(mode="after")
    def _window_opens_before_it_closes(self) -> Test:
        if self.window and self.window[0].value >= self.window[1].value:
            raise ValueError("'window' must begin before it ends, for example [2 s, 14 s]")
        return self


def _half_width(stated: Measured) -> Measured:
    if stated.standard_uncertainty is not None:
        raise ValueError(
            f"{stated.text!r}: a drift is the most that it may be, without '+/-'; write for example '0.5 %'"
        )
    return stated


Drift = Annotated[Measured, Physical("ratio", above=0, most=1), AfterValidator(_half_width)]


_EARLIER = "earlier, "
_ALL = "all"


class EarlierTest(Strict):
    """Results of an earlier test of the same unit, whose values count beside those of its tests now."""

    results: Annotated[
        str,
        Field(
            pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*\.json$",
            max_length=80,
            description="a copy of the earlier results.json, in the unit's folder",
        ),
    ]
    tested_on: Annotated[datetime.date, Field(description="the day of that test, before the day of this one")]
    drift: Annotated[
        dict[Name, Drift],
        BeforeValidator(
            lambda said: said if isinstance(said, dict) else {_ALL: said},
            json_schema_input_type=Drift | dict[Name, Drift],
        ),
        Field(
            min_length=1,
            description="the most that a value may have changed since, as a share of it: for each quantity that is to "
            "count, or one for all",
        ),
    ]
    unit: Annotated[Name | None, Field(description="what the unit was called then, if not as now")] = None

    @property
    def name(self) -> str:
        """Return what stands in the place of a procedure's name."""
        return f"{_EARLIER}{self.tested_on.isoformat()}"

    @property
    def asked(self) -> list[str]:
        """Return the quantities whose drift is stated by name."""
        return [name for name in self.drift if name != _ALL]

    @property
    def for_all(self) -> bool:
        """Tell whether one drift is stated for all that are not named."""
        return _ALL in self.drift

    def share(self, quantity: str) -> float:
        """Return the drift of a quantity. Raises ``KeyError`` where none is stated."""
        return self.drift[quantity if quantity in self.drift else _ALL].value

    @staticmethod
    def is_name(test: str) -> bool:
        """Tell whether a test is named as an earlier one."""
        return test.startswith(_EARLIER)


class Parts(Strict):
    """The motor and the controller that a drive is made of, each a unit of its own, and how they are connected.

    A connection names what meets the controller's terminals, or sensor inputs, A, B and C in turn: ``BCA`` puts the
    motor's B at A, its C at B and its A at C.
    """

    motor: Name
    controller: Name
    phases: Connection | None = None
    sensors: Connection | None = None

    @property
    def roles(self) -> dict[str, str]:
        """Return the unit of each role."""
        return {"motor": self.motor, "controller": self.controller}


class UnitFile(Strict):
    """A unit under test: what it is, who measured it with what, and its logs."""

    unit: Name
    kind: Literal["motor", "controller", "drive"]
    role: Annotated[
        Literal["check standard"] | None,
        Field(
            description="a unit that is kept and measured again on each bench day, in a folder of its own for each, "
            "with the same model and serial number: it tells whether the bench is still right"
        ),
    ] = None
    description: str | None = None
    model: Line | None = None
    serial: Line | None = None
    nameplate: Nameplate = Nameplate()
    ambient: Ambient = Ambient()
    operator: Line | None = None
    tested_on: datetime.date | None = None
    customer: Line | None = None
    received_on: datetime.date | None = None
    place: Annotated[Line | None, Field(description="where it was tested, if not at the workshop's address")] = None
    instruments: dict[Name, Instrument] = {}
    parts: Annotated[
        Parts | None, Field(description="of a drive: the motor and the controller it is made of, two other units")
    ] = None
    drive: Annotated[
        Literal["six-step", "field-oriented"] | None,
        Field(
            description="how its controller feeds the motor, on the pack and in tests that do not say; without it "
            "six-step is assumed, and said"
        ),
    ] = None
    stand_in: Annotated[
        Literal["nameplate"] | None,
        Field(
            description="of a drive: limits that its controller's nameplate states stand in where they were not "
            "measured; what rests on them is called stated, and no criterion on it is decided"
        ),
    ] = None
    meant: Annotated[
        list[For],
        BeforeValidator(
            lambda said: [said] if isinstance(said, dict) else said, json_schema_input_type=For | list[For]
        ),
        Field(
            alias="for",
            description="the pack and the vehicle of config.yaml that it is meant for, or several; without it, all",
        ),
    ] = []
    tests: list[Test] = []
    earlier: Annotated[
        list[EarlierTest], Field(max_length=20, description="earlier tests of this unit that count beside these")
    ] = []
    acceptance: Name | None = None
    population: Annotated[
        Name | None,
        Field(
            description="a file of config/processes/, written by 'make population': how other units of this model came "
            "out, with which its tests are compared; a line stands beside the verdict where it is unlike them"
        ),
    ] = None

    def instruments_for(self, kind: str) -> list[str]:
        """Return the keys of the instruments that may have read a kind of reading where the test names none."""
        if kind not in Accuracies.model_fields:
            return []
        there = [key for key, one in self.instruments.items() if getattr(one.accuracy, kind) is not None]
        # What is typical of a kind of instrument stands in where nothing is stated, never beside a statement.
        return [key for key in there if kind not in self.instruments[key].typical] or there

    @model_validator(mode="after")
    def _parts_of_a_drive(self) -> UnitFile:
        if self.parts is not None and self.kind != "drive":
            raise MisplacedError(
                f"a {self.kind} has no parts; only a drive is made of a motor and a controller", "parts"
            )
        return self

    @model_validator(mode="after")
    def _known_by_serial_and_day(self) -> UnitFile:
        lacking = [key for key in ("serial", "tested_on") if getattr(self, key) is None]
        if self.role is not None and lacking:
            raise MisplacedError(
                f"a check standard needs {' and '.join(repr(key) for key in lacking)}: its days are put together by "
                "its serial number and in the order of their dates",
                "role",
            )
        return self

    @model_validator(mode="after")
    def _stands_in_for_a_part(self) -> UnitFile:
        if self.stand_in is not None and self.parts is None:
            raise MisplacedError("only a drive made of parts has a controller whose nameplate can stand in", "stand_in")
        return self

    @model_validator(mode="after")
    def _earlier_is_earlier(self) -> UnitFile:
        if self.earlier and self.tested_on is None:
            raise MisplacedError("state 'tested_on': a test is earlier than that day", "earlier")
        if self.earlier and self.role is not None:
            words = "a check standard shows whether the bench has changed since; no earlier day may count in it"
            raise MisplacedError(words, "earlier")
        for place, one in enumerate(self.earlier):
            if self.tested_on is not None and one.tested_on >= self.tested_on:
                words = f"the day {one.tested_on} is not before this test's own, {self.tested_on}; correct one of them"
                raise MisplacedError(words, "earlier", place, "tested_on")
            for other in self.earlier[:place]:
                for key in ("results", "tested_on"):
                    if getattr(one, key) == getattr(other, key):
                        words = f"{getattr(one, key)} stands in two entries: one test counts once; take one out"
                        raise MisplacedError(words, "earlier", place, key)
        return self

    @model_validator(mode="after")
    def _instruments_exist(self) -> UnitFile:
        for index, test in enumerate(self.tests):
            for column, instrument in test.instruments.items():
                if instrument not in self.instruments:
                    raise MisplacedError(
                        f"test {test.procedure!r} reads {column!r} with {instrument!r}, which is not under "
                        f"'instruments' ({', '.join(self.instruments) or 'none there'})",
                        "tests",
                        index,
                        "instruments",
                        column,
                    )
        return self
