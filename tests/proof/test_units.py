"""Conversions of units against published factors and SciPy's constants.

Sources: scipy.constants (NIST SP 811 and CODATA); the SI Brochure for angles, temperatures and minutes.
"""

from __future__ import annotations

import math

import pytest
from scipy import constants

from rotorproof import units
from tests.outside import Outside

SP_811 = "scipy.constants, after NIST SP 811"
BROCHURE = "SI Brochure"


@pytest.mark.parametrize(
    ("text", "kind", "published", "source"),
    [
        ("1000 rpm", "speed", 1000 * 2 * math.pi / constants.minute, BROCHURE),
        ("1000 1/min", "speed", 1000 * 2 * math.pi / constants.minute, BROCHURE),
        ("10 rev/s", "speed", 20 * math.pi, BROCHURE),
        ("90 deg", "angle", 90 * constants.degree, SP_811),
        ("25 km/h", "velocity", 25 * constants.kmh, SP_811),
        ("15 mph", "velocity", 15 * constants.mph, SP_811),
        ("10 kgf cm", "torque", 10 * constants.kgf * 0.01, SP_811),
        ("10 lbf ft", "torque", 10 * constants.lbf * constants.foot, SP_811),
        ("250 Nm", "torque", 250.0, BROCHURE),
        ("2.5 kgf", "force", 2.5 * constants.kgf, SP_811),
        ("1 hp", "power", constants.hp, SP_811),
        ("8 Wh/km", "energy_per_length", 8 * constants.hour / constants.kilo, SP_811),
        ("20 degC", "temperature", 20.0, BROCHURE),
        ("68 degF", "temperature", float(constants.convert_temperature(68.0, "Fahrenheit", "Celsius")), SP_811),
        ("293.15 K", "temperature", float(constants.convert_temperature(293.15, "Kelvin", "Celsius")), SP_811),
        ("9 degF", "temperature_difference", 5.0, SP_811),
        ("12 percent", "ratio", 0.12, BROCHURE),
        ("330 uH", "inductance", 330 * constants.micro, SP_811),
        ("28 inch", "length", 28 * constants.inch, SP_811),
        ("500 Mohm", "resistance", 500 * constants.mega, SP_811),
        ("4.5 mN m", "torque", 4.5 * constants.milli, SP_811),
        ("9.5 rpm/V", "speed_constant", 9.5 * 2 * math.pi / constants.minute, BROCHURE),
    ],
)
def test_written_values(outside: Outside, text: str, kind: str, published: float, source: str) -> None:
    outside(
        "unit",
        f"{text!r} as a {kind.replace('_', ' ')}",
        ours=units.parse(text, kind).value,
        published=published,
        # The horsepower of pint has ten digits, that of scipy.constants follows from its definition.
        allowance=1e-9 * abs(published),
        unit=units.SI_UNIT[kind],
        source=source,
    )
