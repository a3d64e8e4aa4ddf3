"""Results that no motor gives: looked at once they are there, since no log shows them alone."""

from __future__ import annotations

import math
from collections.abc import Mapping

from ..errors import Problem
from ..quantities import quantities
from ..signs import number_text, value_text
from ..units import conversion
from .models import MainEntry

#: Common practice, no source: time constants of motors and controllers of light vehicles, in s.
_TIME_CONSTANT = (60.0, 3 * 3600.0)
#: Factors between two units that are taken for one another, and how far a ratio may be from one.
_FACTORS = {
    9.549: "rpm and rad/s",
    9.807: "N and kg of a spring scale",
    10.0: "a ×10 probe, or a decimal",
    60.0: "min and s",
    100.0: "N cm and N m",
    1000.0: "m for milli, or k for kilo",
}
_NEAR = 1.05


def unit_slip(one: float, other: float) -> str | None:
    """Return words for the factor between two values of a quantity if it is near that between two units."""
    if one * other <= 0:
        return None
    ratio = max(one / other, other / one)
    near = {factor: abs(math.log(ratio / factor)) for factor in _FACTORS}
    found = sorted((factor for factor in near if near[factor] < math.log(_NEAR)), key=lambda factor: near[factor])
    if not found:
        return None
    named = ", or ".join(f"{number_text(factor, '.4g')} ({_FACTORS[factor]})" for factor in found)
    return f"one is {number_text(ratio, '.3g')} times the other, near the factor between two units: {named}"


def implausible(found: Mapping[str, MainEntry]) -> list[Problem]:
    """Return a warning for each of the ``quantities`` of ``results.json`` that is beyond what a motor gives."""
    warnings = []
    for name in ("efficiency_max", "motor_efficiency_max"):
        entry = found.get(name)
        if entry and _ends(name, entry)[0] > 1.0:
            warnings.append(
                _warning(
                    name,
                    entry,
                    "more comes out than goes in, beyond what the instruments' errors explain. Is the unit right, of "
                    "torque, speed, voltage and current? Do the columns belong to the same points?",
                )
            )
    entry = found.get("thermal_time_constant")
    if entry:
        low, high = _ends("thermal_time_constant", entry)
        # A run that was too short leaves a wide interval, and no doubt about the unit.
        if high < _TIME_CONSTANT[0] or low > _TIME_CONSTANT[1]:
            warnings.append(
                _warning(
                    "thermal_time_constant",
                    entry,
                    "motors and controllers of this size have 1 min to 3 h (common practice, no source). Is the "
                    "unit of time right (s, min, h)?",
                )
            )
    return warnings


def _ends(name: str, entry: MainEntry) -> tuple[float, float]:
    """Return the ends of an interval in SI."""
    factor = conversion(entry.unit, quantities()[name].kind).factor
    low, high = entry.interval
    return low * factor, high * factor


def _warning(name: str, entry: MainEntry, why: str) -> Problem:
    return Problem(
        f"{quantities()[name].title} is {value_text(entry.value, entry.unit, '.4g')}: {why}",
        severity="warning",
        procedure=entry.procedure,
        doubt="unit",
    )
