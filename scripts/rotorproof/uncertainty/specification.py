"""What an instrument's data sheet says, range by range, and the independent errors that follow from it.

A data sheet states more than one line: percent of reading and of range, digits, a coefficient for temperature, the
tolerance of a probe, shunt or lever in front of it, the step of the display. Each is the half-width of a rectangular
distribution (JCGM 100:2008, 4.3.7) and an error of its own; those of one range of one instrument are the same for all
its readings.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..units import SI_UNIT, parse
from .accuracy import Accuracy, parse_accuracy, written_difference

#: Parts in front of an instrument whose tolerance multiplies its readings: key -> words in a budget.
PARTS = {"probe": "tolerance of the probe", "shunt": "tolerance of the shunt", "lever": "tolerance of the lever"}
_KEYS = (
    "range",
    "accuracy",
    "resolution",
    "temperature_coefficient",
    "reference_temperature",
    "reference_span",
    *PARTS,
)
#: The usual statement "23 degC +/- 5 K" where the data sheet is silent: common practice, no source.
_REFERENCE, _SPAN = 23.0, 5.0


@dataclass(frozen=True, slots=True)
class Range:
    """One range: what holds for readings up to ``limit`` (SI, ``None``: any).

    ``accuracy`` holds within ``span`` of the ``reference`` temperature (degC); outside it ``per_kelvin`` is added
    for each kelvin. ``parts`` are the probe, shunt or lever in front, by their key in ``PARTS``.
    """

    accuracy: Accuracy
    limit: float | None = None
    resolution: float = 0.0
    per_kelvin: Accuracy | None = None
    reference: float = _REFERENCE
    span: float = _SPAN
    parts: Mapping[str, Accuracy] | None = None


@dataclass(frozen=True, slots=True)
class Component:
    """One independent error of a range: ``name`` tells it from the others, ``words`` name it in a budget."""

    name: str
    words: str
    accuracy: Accuracy
    own: bool = False  # of each column by itself: rounding, and the probe on its channel


@dataclass(frozen=True, slots=True)
class Specification:
    """All ranges of one kind of quantity, the smallest first."""

    ranges: tuple[Range, ...]

    def range_of(self, largest: float) -> tuple[Range, bool]:
        """Return the smallest range that holds a reading of size ``largest``, and whether any does."""
        for item in self.ranges:
            if item.limit is None or largest <= item.limit * (1 + 1e-9):
                return item, True
        return self.ranges[-1], False

    @property
    def needs_temperature(self) -> bool:
        """Tell whether the ambient temperature matters."""
        return any(item.per_kelvin for item in self.ranges)


def components(item: Range, ambient: float | None) -> list[Component]:
    """Return the independent errors of a range, at an ambient temperature in degC (``None``: within reference)."""
    name = "" if item.limit is None else f"/{item.limit:g}"
    stated = replace(item.accuracy, gain=0.0)
    found = [Component(name, "accuracy", stated)] if stated != Accuracy(0, 0) else []
    if item.accuracy.gain:
        # "Percent of range" alone does not say whether zero or slope is off; an offset alone would cancel in a slope.
        found.append(Component(f"{name}/gain", "accuracy, as gain", Accuracy(item.accuracy.gain, 0.0)))
    if item.per_kelvin is not None and ambient is not None:
        outside = max(0.0, abs(ambient - item.reference) - item.span)
        if outside > 0:
            scaled = Accuracy(item.per_kelvin.relative * outside, item.per_kelvin.fixed * outside)
            found.append(Component(f"{name}/temperature", "temperature coefficient", scaled))
    for part, accuracy in (item.parts or {}).items():
        found.append(Component(f"/{part}", PARTS[part], accuracy, own=part == "probe"))
    if item.resolution > 0:
        found.append(Component("/resolution", "resolution", Accuracy(0.0, 0.5 * item.resolution), own=True))
    return found


def rounding_shows(readings: np.ndarray, resolution: float) -> bool:
    """Tell whether readings move over enough steps that rounding is part of their scatter (JCGM 100:2008, F.2.2.1).

    Where they hardly move, they all share one rounding error, which no scatter shows.
    """
    return readings.size > 1 and float(np.ptp(readings)) >= 3 * resolution


def parse_specification(value: Any, kind: str) -> Specification:
    """Read an accuracy as written: text, a mapping for one range, or a list of mappings.

    Raises ``ValueError`` with a message for the practitioner.
    """
    if isinstance(value, str):
        return Specification((Range(parse_accuracy(value, kind)),))
    rows = value if isinstance(value, list) else [value]
    if not rows or not all(isinstance(row, dict) for row in rows):
        raise ValueError(
            "write percent of reading plus a fixed part with its unit, e.g. '0.5 % + 2 mV', or a list of ranges"
        )
    ranges = [_range(row, kind) for row in rows]
    if len(ranges) > 1 and any(item.limit is None for item in ranges):
        raise ValueError("each of several ranges needs 'range', the largest reading it holds")
    ranges.sort(key=lambda item: item.limit or 0.0)
    limits = [item.limit for item in ranges]
    if len(set(limits)) < len(limits):
        raise ValueError("two ranges have the same limit; keep one")
    return Specification(tuple(ranges))


def _range(row: Mapping[str, Any], kind: str) -> Range:
    for key in row:
        if key not in _KEYS:
            near = difflib.get_close_matches(str(key), _KEYS, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise ValueError(f"a range knows no {key!r}{hint} It knows: {', '.join(_KEYS)}")
    if "accuracy" not in row:
        raise ValueError("a range needs 'accuracy', for example '0.5 % + 3 digits'")
    text = {key: _text(key, value) for key, value in row.items()}
    limit = written_difference(text["range"], kind) if "range" in text else None
    if limit is not None and limit <= 0:
        raise ValueError("'range' is the largest reading, above zero")
    resolution = written_difference(text["resolution"], kind) if "resolution" in text else 0.0
    per_kelvin = text.get("temperature_coefficient")
    return Range(
        parse_accuracy(text["accuracy"], kind, limit, resolution or None),
        limit,
        resolution,
        None if per_kelvin is None else parse_accuracy(per_kelvin.replace("/K", ""), kind, limit, resolution or None),
        parse(text["reference_temperature"], "temperature").value if "reference_temperature" in text else _REFERENCE,
        written_difference(text["reference_span"], "temperature") if "reference_span" in text else _SPAN,
        {part: parse_accuracy(text[part], kind) for part in PARTS if part in text},
    )


def _text(key: str, value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{key!r} is text with a unit (found {value!r})")
    return value


def example(kind: str) -> str:
    """Return a written example for a kind of quantity."""
    return f"0.5 % + 0.01 {SI_UNIT[kind]}"
