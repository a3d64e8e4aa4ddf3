"""Field types of the settings models: physical values and accuracies as text with a unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import core_schema

from ..signs import value_text
from ..uncertainty.specification import Specification, example, parse_specification
from ..units import SI_UNIT, Measured, parse

#: A text that a person writes into one field has at most so many characters; a name or title, on one line of a page.
LONGEST_TEXT, LONGEST_LINE = 4000, 200

#: A title or a name as it stands on a page.
Line = Annotated[str, Field(max_length=LONGEST_LINE)]
#: Of a file's or folder's name, in bytes: no common file system takes a longer one.
LONGEST_NAME = 255


def _can_be_made(folder: str) -> str:
    if not folder.isprintable() or any(len(part.encode()) > LONGEST_NAME for part in folder.split("/")):
        raise ValueError(f"no folder can be called {folder[:20]!r}...; write its path, with '/' between folders")
    return folder


#: A folder by its path.
Folder = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(_can_be_made)]
#: What something is called in the files and in the names of files.
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=80)]


class MisplacedError(ValueError):
    """A wrong value deep inside a model, found by a check of the whole; ``where`` is the way to it from there."""

    def __init__(self, message: str, *where: str | int) -> None:
        super().__init__(message)
        self.where = where


class Strict(BaseModel):
    """A model that refuses keys it does not know, so that a mistyped key never passes for an absent one."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, arbitrary_types_allowed=True, str_max_length=LONGEST_TEXT, allow_inf_nan=False
    )


@dataclass(frozen=True)
class Physical:
    """Makes a field that holds a ``Measured`` read text such as "36 V" or "0.05 +/- 0.01 kg m^2" of ``kind``.

    What is not ``above`` (SI) or is larger than ``most`` is refused, beside what no quantity of the kind can be.
    """

    kind: str
    above: float | None = None
    least: float | None = None
    most: float | None = None

    def read(self, value: Any) -> Measured:
        """Return the written value. Raises ``ValueError`` with a message for its writer."""
        unit = SI_UNIT[self.kind]
        if isinstance(value, Measured):
            return value
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise ValueError(f"write a number with a unit, for example '1.5 {unit}'")
        if isinstance(value, int | float):
            if unit != "1":
                raise ValueError(f"a unit is missing; write for example '{value} {unit}'")
            value = repr(value)
        measured = parse(value, self.kind)
        if self.above is not None and measured.value <= self.above:
            raise ValueError(f"{measured.text!r} must be above {self._shown(self.above)}; correct it")
        if self.least is not None and measured.value < self.least:
            raise ValueError(f"{measured.text!r} must not be below {self._shown(self.least)}; correct it")
        if self.most is not None and measured.value > self.most:
            raise ValueError(f"{measured.text!r} must not be above {self._shown(self.most)}; correct it")
        return measured

    def _shown(self, bound: float) -> str:
        unit = SI_UNIT[self.kind]
        return value_text(bound, "" if unit == "1" else unit)

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        """Return how Pydantic reads and writes the field."""
        return core_schema.no_info_plain_validator_function(
            self.read, serialization=core_schema.plain_serializer_function_ser_schema(lambda measured: measured.text)
        )

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        """Return what an editor is told of the field."""
        unit, words = SI_UNIT[self.kind], self.kind.replace("_", " ")
        return {
            "type": ["string", "number"] if unit == "1" else "string",
            "description": f"{words} with its unit, e.g. '1.5 {unit}'; '1.50 +/- 0.02 {unit}' states a standard "
            "uncertainty",
        }


Area = Annotated[Measured, Physical("area", above=0)]
Current = Annotated[Measured, Physical("current", above=0)]
Density = Annotated[Measured, Physical("density", above=0)]
Grade = Annotated[Measured, Physical("ratio", least=-1, most=1)]
Length = Annotated[Measured, Physical("length", above=0)]
Mass = Annotated[Measured, Physical("mass", above=0)]
Power = Annotated[Measured, Physical("power", above=0)]
Resistance = Annotated[Measured, Physical("resistance", least=0)]
RotationalSpeed = Annotated[Measured, Physical("speed", above=0)]
Share = Annotated[Measured, Physical("ratio", least=0, most=1)]
Temperature = Annotated[Measured, Physical("temperature")]
Time = Annotated[Measured, Physical("time")]
Torque = Annotated[Measured, Physical("torque", above=0)]
Velocity = Annotated[Measured, Physical("velocity", above=0)]
Voltage = Annotated[Measured, Physical("voltage", above=0)]


@dataclass(frozen=True)
class Stated:
    """Makes a field that holds a ``Specification`` read an instrument's accuracy for ``kind``.

    It is written as the data sheet says it: text such as "0.05 % + 2 mV", or a range, or a list of ranges.
    """

    kind: str

    def read(self, value: Any) -> Specification:
        """Return the written accuracy. Raises ``ValueError`` with a message for its writer."""
        return value if isinstance(value, Specification) else parse_specification(value, self.kind)

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        """Return how Pydantic reads the field."""
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        """Return what an editor is told of the field."""
        unit, written = SI_UNIT[self.kind], example(self.kind)
        text = {
            "type": "string",
            "description": "percent of reading plus a fixed part with its unit, half-width of the error, "
            f"e.g. '{written}'",
        }
        keys = {
            "range": f"largest reading, e.g. '10 {unit}'",
            "accuracy": f"'{written}'; also '0.1 % of range' and '3 digits'",
            "resolution": f"step of the display, e.g. '0.01 {unit}'",
            "temperature_coefficient": "per kelvin outside the reference temperature, e.g. '0.01 %'",
            "reference_temperature": "default 23 degC",
            "reference_span": "default 5 K",
            "probe": "tolerance of a probe in front of each channel, e.g. '2 %'",
            "shunt": "tolerance of a shunt, e.g. '0.5 %'",
            "lever": "tolerance of a lever, e.g. '0.3 %'",
        }
        one = {
            "type": "object",
            "description": "one range of the instrument",
            "properties": {key: {"type": "string", "description": words} for key, words in keys.items()},
            "required": ["accuracy"],
            "additionalProperties": False,
        }
        return {"anyOf": [text, one, {"type": "array", "items": one, "minItems": 1}]}
