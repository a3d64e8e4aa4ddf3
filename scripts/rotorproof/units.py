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

from . import unit_symbols

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
#: A character that no unit holds.
_NO_UNIT = re.compile(r"[^A-Za-z0-9_%° ^*/().-]")
_VALUE = re.compile(
    r"^\s*(?P<value>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)"
    r"(?:\s*(?:\+/-|±)\s*(?P<u>(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?))?"
    r"\s*(?P<unit>.*?)\s*$"
)


#: A number with a decimal comma.
_COMMA = re.compile(r"([-+]?\d+),(\d+(?![\d,]))")


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
    text = unit.strip()
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
        raise ValueError(f"a unit is missing; a {kind.replace('_', ' ')} needs one such as {target!r}")
    if text == "%":
        if target != "1":
            raise ValueError(f"unit {unit!r} is a ratio, but a {kind.replace('_', ' ')} is needed ({target})")
        return Conversion(0.01)
    if _NO_UNIT.search(text):
        # The parser behind passes over marks that it does not know, and would read ';s' as 's'.
        raise ValueError(f"unit {unit!r} is not known; {_hint(text, target)}")
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
        parsed = registry.Unit(text.replace("^", "**") if " " not in text else _spaced(text))
    except Exception as error:  # pint raises many types for text it cannot read
        raise ValueError(f"unit {unit!r} is not known; {_hint(text, target)}") from error
    goal = registry.Unit("dimensionless" if target == "1" else _spaced(target))
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
            f"unit {unit!r} does not measure a {kind.replace('_', ' ')}; write for example {target!r}"
        ) from error
    return Conversion(_tidy(one - zero), _tidy(zero))


def _hint(text: str, target: str) -> str:
    """Return what to write instead: the known unit that looks most like the text, else the SI unit as an example."""
    meant = unit_symbols.near(text, target)
    return f"did you mean {meant!r}?" if meant else f"write for example {target!r}"


def _spaced(unit: str) -> str:
    """Rewrite ``kg m^2`` as ``kg*m**2``: juxtaposition is multiplication in the SI brochure."""
    return (
        re.sub(r"\s+", "*", unit.strip()).replace("*/*", "/").replace("/*", "/").replace("*/", "/").replace("^", "**")
    )


def _tidy(number: float) -> float:
    """Drop the last bits of rounding that unit arithmetic leaves, so that 1 mV is 0.001 V exactly."""
    return float(f"{number:.15g}")


@dataclass(frozen=True, slots=True)
class Measured:
    """A written value in SI with the standard uncertainty its writer stated (``None``: none stated)."""

    value: float
    standard_uncertainty: float | None
    text: str


def parse(text: str, kind: str) -> Measured:
    """Read ``"36 V"`` or ``"0.050 +/- 0.001 kg m^2"`` as a value of ``kind`` in SI.

    Raises ``ValueError`` with a message for the practitioner.
    """
    if _COMMA.match(text):
        pointed = _COMMA.sub(r"\1.\2", text)
        raise ValueError(f"{text!r}: the decimal mark must be a point; write {pointed.strip()!r}")
    match = _VALUE.match(text)
    if not match:
        raise ValueError(f"{text!r} is not a number with a unit; write for example '1.5 {SI_UNIT[kind]}'")
    to_si = conversion(match["unit"], kind)
    value = float(match["value"]) * to_si.factor + to_si.offset
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not a finite number")
    spread = None if match["u"] is None else float(match["u"]) * abs(to_si.factor)
    return Measured(value, spread, text.strip())


def from_si(value: float, unit: str, kind: str) -> float:
    """Return an SI ``value`` of ``kind`` in the written ``unit``."""
    to_si = conversion(unit, kind)
    return (value - to_si.offset) / to_si.factor
