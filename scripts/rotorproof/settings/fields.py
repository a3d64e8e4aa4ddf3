"""Field types of the settings models: physical values and accuracies as text with a unit."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, PlainSerializer, WithJsonSchema

from ..uncertainty.specification import Specification, example, parse_specification
from ..units import SI_UNIT, Measured, parse


class MisplacedError(ValueError):
    """A wrong value deep inside a model, found by a check of the whole; ``where`` is the way to it from there."""

    def __init__(self, message: str, *where: str | int) -> None:
        super().__init__(message)
        self.where = where


class Strict(BaseModel):
    """A model that refuses keys it does not know, so that a mistyped key never passes for an absent one."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


def physical(kind: str) -> Any:
    """Return the field type of a physical value of ``kind``: text such as "36 V" or "0.05 +/- 0.01 kg m^2"."""

    def read(value: Any) -> Measured:
        if isinstance(value, Measured):
            return value
        if isinstance(value, bool) or value is None:
            raise ValueError(f"write a number with a unit, for example '1.5 {SI_UNIT[kind]}'")
        if isinstance(value, int | float):
            if SI_UNIT[kind] != "1":
                raise ValueError(f"a unit is missing; write for example '{value} {SI_UNIT[kind]}'")
            value = repr(value)
        if not isinstance(value, str):
            raise ValueError(f"write a number with a unit, for example '1.5 {SI_UNIT[kind]}'")
        return parse(value, kind)

    words = kind.replace("_", " ")
    return Annotated[
        Measured,
        BeforeValidator(read),
        PlainSerializer(lambda m: m.text),
        WithJsonSchema(
            {
                "type": ["string", "number"] if SI_UNIT[kind] == "1" else "string",
                "description": f"{words} with its unit, e.g. '1.5 {SI_UNIT[kind]}'; '1.50 +/- 0.02 "
                f"{SI_UNIT[kind]}' states a standard uncertainty",
            }
        ),
    ]


def accuracy(kind: str) -> Any:
    """Return the field type of an instrument's accuracy for ``kind``: text such as "0.05 % + 2 mV", or ranges."""

    def read(value: Any) -> Specification:
        return value if isinstance(value, Specification) else parse_specification(value, kind)

    text = {
        "type": "string",
        "description": "percent of reading plus a fixed part with its unit, half-width of the error, "
        f"e.g. '{example(kind)}'",
    }
    unit = SI_UNIT[kind]
    keys = {
        "range": f"largest reading, e.g. '10 {unit}'",
        "accuracy": f"'{example(kind)}'; also '0.1 % of range' and '3 digits'",
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
    return Annotated[
        Specification,
        BeforeValidator(read),
        WithJsonSchema({"anyOf": [text, one, {"type": "array", "items": one, "minItems": 1}]}),
    ]
