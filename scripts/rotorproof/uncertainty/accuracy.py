"""An instrument's stated accuracy as an influence on its readings (JCGM 100:2008, 4.3.7).

"0.05 % + 2 mV" is the half-width of a rectangular distribution around the reading, taken as systematic: one
error, fully correlated between all readings of one instrument and kind of quantity.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from ..units import SI_UNIT, parse

_NUMBER = r"(?P<value>[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_RATIO = re.compile(
    rf"{_NUMBER}\s*(?P<unit>%|percent|ppm)\s*"
    r"(?:(?P<of_range>(?:of\s+)?(?:range|full\s+scale)|rng|FS)|(?:of\s+)?reading|rdg)?"
)
_DIGITS = re.compile(rf"{_NUMBER}\s*(?:digits?|counts?|dgts?)")
#: A statement of accuracy is shorter than this; its numbers are below these, or nothing was measured.
_LONGEST, _MOST_RELATIVE, _MOST_DIGITS = 200, 10.0, 1e6


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Half-width of the error: ``relative * |reading| + fixed`` (``fixed`` in SI).

    ``gain`` is what a statement in percent of range alone allows besides: the same percentage of the reading, since
    at full range that is as far off. It is an error of its own (``specification.components``), no part of ``error``.
    """

    relative: float
    fixed: float
    gain: float = 0.0

    def error(self, readings: np.ndarray) -> np.ndarray:
        """Return the error of each reading, shape of ``readings``, for one standard uncertainty.

        The fixed part keeps the sign of the mean reading: an instrument that reads high in proportion and by
        an offset at once is the worst that the statement allows, and for readings of one sign this gives
        exactly the stated half-width over the square root of three.
        """
        readings = np.asarray(readings, dtype=float)
        sign = -1.0 if readings.size and float(np.mean(readings)) < 0 else 1.0
        return (self.relative * readings + sign * self.fixed) / math.sqrt(3.0)


def parse_accuracy(text: str, kind: str, range_: float | None = None, resolution: float | None = None) -> Accuracy:
    """Read "0.05 % + 2 mV" for a ``kind`` of quantity; every part may be absent.

    Parts: "0.05 %" or "200 ppm" (of reading), "0.1 % of range", "3 digits" (steps of the display), "2 mV". Percent
    of range and digits need ``range_`` and ``resolution`` in SI. Raises ``ValueError`` with a message for the
    practitioner.
    """
    relative = fixed = of_range = 0.0
    if len(text) > _LONGEST:
        raise ValueError(f"{text[:20]!r}... has {len(text)} characters and is no accuracy")
    parts = [part.strip() for part in text.split("+") if part.strip()]
    if not parts:
        raise ValueError("the accuracy is empty; write for example '0.5 % + 2 mV'")
    for part in parts:
        ratio, digits = _RATIO.fullmatch(part), _DIGITS.fullmatch(part)
        if ratio:
            share = float(ratio["value"]) * (1e-6 if ratio["unit"] == "ppm" else 0.01)
            if share > _MOST_RELATIVE:
                raise ValueError(f"{part!r} is more than {_MOST_RELATIVE:g} times the reading; correct it")
            if ratio["of_range"] is None:
                relative += share
            elif range_ is None:
                raise ValueError(f"{part!r} needs the range: write a mapping with 'range' and 'accuracy'")
            else:
                fixed += share * range_
                of_range += share
        elif digits:
            if resolution is None:
                raise ValueError(f"{part!r} needs the step of the display: add 'resolution'")
            if float(digits["value"]) > _MOST_DIGITS:
                raise ValueError(f"{part!r} is more than any display has; correct it")
            fixed += float(digits["value"]) * resolution
        else:
            fixed += abs(written_difference(part, kind))
    return Accuracy(relative, fixed, 0.0 if relative else of_range)


def written_difference(text: str, kind: str) -> float:
    """Read a difference of two values of ``kind`` in SI; of temperatures 1.5 degC is 1.5 K here."""
    if kind == "temperature":
        return parse(text.replace("degC", "K").replace("°C", "K"), "temperature_difference").value
    if kind not in SI_UNIT:
        raise ValueError(f"unknown kind of quantity {kind!r}")
    return parse(text, kind).value
