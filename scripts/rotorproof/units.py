"""Units of measurement: every text with a unit is turned into coherent SI here, and nowhere else.

Inside the program all values are SI (temperatures in degrees Celsius, an SI derived unit); rpm, degrees and
percent exist only where a person reads or writes them.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Any

from . import signs, unit_symbols

#: Kind of quantity (IEC 60050-112) -> the SI unit it has inside the program.
SI_UNIT: dict[str, str] = {
    "angle": "rad",
    "angular_acceleration": "rad/s^2",
    "area": "m^2",
    "charge": "C",
    "current": "A",
    "density": "kg/m^3",
    "duration": "s",
    "emf_constant": "V s/rad",
    "energy": "J",
    "energy_per_length": "J/m",
    "force": "N",
    "frequency": "Hz",
    "heat_capacity": "J/K",
    "inductance": "H",
    "length": "m",
    "logic": "1",
    "mass": "kg",
    "moment_of_inertia": "kg m^2",
    "number": "1",
    "power": "W",
    "ratio": "1",
    "resistance": "ohm",
    "speed": "rad/s",
    "speed_constant": "rad/s/V",
    "temperature": "degC",
    "temperature_difference": "K",
    "thermal_resistance": "K/W",
    "time": "s",
    "torque": "N m",
    "torque_constant": "N m/A",
    "velocity": "m/s",
    "viscous_friction": "N m s/rad",
    "voltage": "V",
    "windage": "N m s^2/rad^2",
}

_ALIASES = {"percent": "%", "°C": "degC", "Ω": "ohm", "µ": "u", "μ": "u", "·": " ", "²": "^2", "³": "^3"}
#: How the trade writes some units; read as pint would, "Nm" is a nanometre and "1/min" an angular rate in rad.
_TRADE = {
    "torque": {"Nm": "N m", "mNm": "mN m", "kgcm": "kgf cm", "kg cm": "kgf cm", "Ncm": "N cm"},
    "speed": dict.fromkeys(["1/min", "min^-1", "min-1", "r/min", "rev/min", "rot/min", "U/min", "RPM"], "rpm")
    | dict.fromkeys(["rev/s", "r/s", "rps"], "revolution/s"),
    "emf_constant": {"V/(rad/s)": "V s/rad", "Vs/rad": "V s/rad"},
    "torque_constant": {"Nm/A": "N m/A"},
    "moment_of_inertia": {"kgm2": "kg m^2", "kgm^2": "kg m^2", "kg*m^2": "kg m^2", "kg m2": "kg m^2"},
}
_AMBIGUOUS_SPEED = {"1/s", "s^-1", "Hz", "kHz"}
#: Longer texts are neither units nor values with one; they are refused before any pattern looks at them.
_LONGEST_UNIT, _LONGEST_VALUE = 60, 200
#: A number, in a form that a pattern can read in one way only.
_DIGITS = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
_VALUE = re.compile(rf"(?P<value>[-+]?{_DIGITS})(?:\s*(?:\+/-|±)\s*(?P<u>{_DIGITS}))?")
#: A number with a decimal comma.
_COMMA = re.compile(r"([-+]?[0-9]+),([0-9]+(?![0-9,]))")

#: Kind -> the largest size of a value or reading in SI. None of these comes near on a bench of such motors (common
#: practice, no source); what is larger is a slip or a code of an instrument, and its powers would overflow.
_LARGEST = {
    "angle": 1e12,
    "current": 1e7,
    "force": 1e9,
    "frequency": 1e12,
    "inductance": 1e5,
    "mass": 1e7,
    "power": 1e10,
    "resistance": 1e18,
    "speed": 1e7,
    "temperature": 5000.0,
    "time": 1e13,
    "torque": 1e8,
    "velocity": 1e5,
    "voltage": 1e7,
}
_LARGEST_OF_OTHERS = 1e12
#: Smaller sizes, other than zero, are below what any instrument tells apart (an electron's charge is 1.6e-19 C).
SMALLEST = 1e-30
#: 0 K, SI brochure (9th edition), 2.3.1.
ABSOLUTE_ZERO = -273.15
#: Kinds that are above zero wherever a person states one.
ABOVE_ZERO = ("area", "density", "frequency", "heat_capacity", "inductance", "length", "mass", "moment_of_inertia")


@cache
def _registry() -> Any:
    import pint  # slow to import, and most processes never read a unit

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True, cache_folder=None)


@dataclass(frozen=True, slots=True)
class Conversion:
    """Affine map from a written unit to SI: ``si = factor * written + offset``."""

    factor: float
    offset: float = 0.0


@cache
def conversion(unit: str, kind: str) -> Conversion:
    """Return the map from ``unit`` (as written) to the SI unit of ``kind``.

    Raises ``ValueError`` with a message for the practitioner if the unit is unknown or of another kind.
    """
    if kind not in SI_UNIT:
        raise ValueError(f"unknown kind of quantity {kind!r}")
    # What is shown in a message is the unit as written, but never the blanks around it, of which there may be many.
    text = unit = unit.strip()
    if len(text) > _LONGEST_UNIT:
        raise ValueError(
            f"{text[:20]!r}... has {len(text)} characters and is no unit; write for example {SI_UNIT[kind]!r}"
        )
    for written, meant in _ALIASES.items():
        text = text.replace(written, meant)
    target = SI_UNIT[kind]
    text = _TRADE.get(kind, {}).get(text, text)
    if text == target:
        return Conversion(1.0)
    if kind == "speed" and text in _AMBIGUOUS_SPEED:
        raise ValueError(f"unit {unit!r} may mean revolutions or radians per second; write rpm, rev/s or rad/s")
    if text in ("", "1"):
        if target == "1":
            return Conversion(1.0)
        raise ValueError(f"a unit is missing; a {kind.replace('_', ' ')} needs one such as {_written(kind)!r}")
    if text == "%":
        if target != "1":
            raise ValueError(f"unit {unit!r} is a ratio, but a {kind.replace('_', ' ')} is needed ({target})")
        return Conversion(0.01)
    quick = _without_library(text, kind, target)
    return _by_library(text, kind, target, unit) if quick is None else Conversion(_tidy(quick))


def _without_library(text: str, kind: str, target: str) -> float | None:
    """Return the factor to SI of a unit in usual symbols, ``None`` for any other."""
    if kind == "temperature_difference" and text == "degC":
        return 1.0
    # Temperatures have a zero of their own; a ratio has no symbols.
    return None if kind == "temperature" or target == "1" else unit_symbols.factor(text, target)


def _by_library(text: str, kind: str, target: str, unit: str) -> Conversion:
    registry = _registry()
    try:
        parsed = _product(registry, text)
    except Exception as error:  # the library raises many types for a name it does not know
        raise ValueError(f"unit {unit!r} is not known; {_hint(text, kind)}") from error
    goal = registry.Unit("dimensionless") if target == "1" else _product(registry, target)
    try:
        if kind == "temperature":
            zero = registry.Quantity(0.0, parsed).to(goal).magnitude
            one = registry.Quantity(1.0, parsed).to(goal).magnitude
        else:
            if parsed in (registry.degC, registry.degF):
                parsed = registry.delta_degC if parsed == registry.degC else registry.delta_degF
            zero, one = 0.0, registry.Quantity(1.0, parsed).to(goal).magnitude
    except Exception as error:
        raise ValueError(
            f"unit {unit!r} does not measure a {kind.replace('_', ' ')}; write for example {_written(kind)!r}"
        ) from error
    return Conversion(_tidy(one - zero), _tidy(zero))


def _hint(text: str, kind: str) -> str:
    """Return what to write instead: the known unit that looks most like the text, else an example."""
    meant = unit_symbols.near(text, SI_UNIT[kind])
    return f"did you mean {meant!r}?" if meant else f"write for example {_written(kind)!r}"


def _written(kind: str) -> str:
    """Return the unit of an example: nobody at a bench states a speed in rad/s."""
    return "rpm" if kind == "speed" else SI_UNIT[kind]


def _product(registry: Any, text: str) -> Any:
    """Return a product of the library's units; it is asked for names alone, since it would do any sum written."""
    parsed = registry.Unit("")
    for name, power in unit_symbols.terms(text):
        parsed = parsed * registry.Unit(name) ** power
    return parsed


def _tidy(number: float) -> float:
    """Drop the last bits of rounding that unit arithmetic leaves, so that 1 mV is 0.001 V exactly."""
    return float(f"{number:.15g}")


@dataclass(frozen=True, slots=True)
class Measured:
    """A written value in SI with the standard uncertainty its writer stated (``None``: none stated)."""

    value: float
    standard_uncertainty: float | None
    text: str


def example(kind: str) -> str:
    """Return a value of the kind as a person at a bench would write it."""
    return f"{230 if kind == 'speed' else 1.5} {_written(kind)}"


def parse(text: str, kind: str) -> Measured:
    """Read ``"36 V"`` or ``"0.050 +/- 0.001 kg m^2"`` as a value of ``kind`` in SI.

    Raises ``ValueError`` with a message for the practitioner, also for a value that no quantity of the kind can have.
    """
    if len(text) > _LONGEST_VALUE:
        raise ValueError(f"{text[:20]!r}... has {len(text)} characters and is no number with a unit")
    text = text.strip()
    if _COMMA.match(text):
        pointed = _COMMA.sub(r"\1.\2", text)
        raise ValueError(f"{text!r}: the decimal mark must be a point; write {pointed!r}")
    match = _VALUE.match(text)
    if not match:
        raise ValueError(f"{text!r} is not a number with a unit; write for example {example(kind)!r}")
    to_si = conversion(text[match.end() :].strip(), kind)
    value = float(match["value"]) * to_si.factor + to_si.offset
    spread = None if match["u"] is None else float(match["u"]) * abs(to_si.factor)
    wrong = beyond(value, kind) or (spread and beyond(spread, "temperature_difference" if to_si.offset else kind))
    if wrong:
        raise ValueError(f"{text!r} {wrong}")
    return Measured(value, spread, text)


def beyond(value: float, kind: str) -> str | None:
    """Return why no quantity of ``kind`` has this ``value`` in SI, in words that follow the value; ``None`` if one may.

    What is said of NaN and infinity is said here too.
    """
    if not math.isfinite(value):
        return "is not a finite number"
    low, high = bounds(kind)
    unit = "" if SI_UNIT[kind] == "1" else SI_UNIT[kind]
    if value < low and kind == "temperature":
        return f"lies below absolute zero, {signs.value_text(ABSOLUTE_ZERO, 'degC', '.2f')}; correct it"
    if not low <= value <= high:
        return f"lies beyond {signs.value_text(high, unit)}, further than any bench reaches; correct it"
    if 0 < abs(value) < SMALLEST:
        return f"is smaller than {signs.value_text(SMALLEST, unit)}, which nothing can tell from zero; correct it"
    return None


def bounds(kind: str) -> tuple[float, float]:
    """Return the least and the largest value in SI that a quantity of ``kind`` can have."""
    high = _LARGEST.get(kind, _LARGEST_OF_OTHERS)
    return (ABSOLUTE_ZERO if kind == "temperature" else -high), high


def from_si(value: float, unit: str, kind: str) -> float:
    """Return an SI ``value`` of ``kind`` in the written ``unit``."""
    to_si = conversion(unit, kind)
    return (value - to_si.offset) / to_si.factor
