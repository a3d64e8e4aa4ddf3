"""An instrument's stated accuracy as an influence on its readings (JCGM 100:2008, 4.3.7).

"0.05 % + 2 mV" is the half-width of a rectangular distribution around the reading, taken as systematic: one
error, fully correlated between all readings of one instrument and kind of quantity.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from ..units import SI_UNIT, Measured, parse

_PERCENT = re.compile(r"^\s*(?P<value>\d+\.?\d*|\.\d+)\s*(?:%|percent)\s*(?:of\s+reading|rdg)?\s*$")
_PPM = re.compile(r"^\s*(?P<value>\d+\.?\d*|\.\d+)\s*ppm\s*$")


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Half-width of the error: ``relative * |reading| + fixed`` (``fixed`` in SI)."""

    relative: float
    fixed: float

    def error(self, readings: np.ndarray) -> np.ndarray:
        """Return the error of each reading, shape of ``readings``, for one standard uncertainty.

        The fixed part keeps the sign of the mean reading: an instrument that reads high in proportion and by
        an offset at once is the worst that the statement allows, and for readings of one sign this gives
        exactly the stated half-width over the square root of three.
        """
        readings = np.asarray(readings, dtype=float)
        sign = -1.0 if readings.size and float(np.mean(readings)) < 0 else 1.0
        return (self.relative * readings + sign * self.fixed) / math.sqrt(3.0)


def parse_accuracy(text: str, kind: str) -> Accuracy:
    """Read "0.05 % + 2 mV" for a ``kind`` of quantity; either part may be absent.

    Raises ``ValueError`` with a message for the practitioner.
    """
    relative = fixed = 0.0
    parts = [part for part in text.split("+") if part.strip()]
    if not parts:
        raise ValueError("the accuracy is empty; write for example '0.5 % + 2 mV'")
    for part in parts:
        percent, ppm = _PERCENT.match(part), _PPM.match(part)
        if percent:
            relative += float(percent["value"]) / 100
        elif ppm:
            relative += float(ppm["value"]) * 1e-6
        else:
            fixed += abs(_difference(part, kind).value)
    return Accuracy(relative, fixed)


def _difference(text: str, kind: str) -> Measured:
    """Read the fixed part; for a temperature it is a difference (1.5 degC is 1.5 K here)."""
    if kind == "temperature":
        return parse(text.replace("degC", "K").replace("°C", "K"), "temperature_difference")
    if kind not in SI_UNIT:
        raise ValueError(f"unknown kind of quantity {kind!r}")
    return parse(text, kind)
