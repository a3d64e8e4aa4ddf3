"""Units read without the unit library are read as the library reads them.

Source: the prefixes and units of the SI brochure (9th edition, BIPM 2019) as the library pint defines them.
"""

from __future__ import annotations

import itertools
import os
import subprocess
import sys

import pytest

from rotorproof import unit_symbols
from rotorproof.units import SI_UNIT, conversion, parse

_SINGLE = (
    "m s A V ohm W N J H Hz K C rad g min h rpm deg revolution kg m^2 m^3 kg/m^3 kg*m^2 N*m V*s/rad V/s A*h W*h m/s^2 "
    "rad/s deg/s rad/s^2 rpm/V km/h J/m J/K K/W N/m 1/s 1/s^2 1/K 1/min Wh kWh Wh/km s^-1 kg/m^-2 mV/rpm A^2 W/V"
)
_SPACED = (
    "N m, mN m, N cm, kg m^2, g cm^2, V s/rad, mV s/rad, N m/A, N m s/rad, uN m s/rad, N m s^2/rad^2, W h/km, kW h, "
    "V min/revolution, kg cm^2, kg/m s"
)
_WRITTEN = [*_SINGLE.split(), *_SPACED.split(", ")]


def _prefixed() -> list[str]:
    symbols = [*unit_symbols._SYMBOLS, *unit_symbols._ALONE, *unit_symbols._TURNS]
    return [a + b for a, b in itertools.product(["", *unit_symbols._PREFIXES, "h", "d", "T", "f"], symbols)]


@pytest.mark.parametrize("kind", sorted(SI_UNIT))
def test_every_unit_converts_as_the_library_converts_it(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def answers(units: list[str]) -> list[object]:
        found: list[object] = []
        for unit in units:
            try:
                found.append(conversion.__wrapped__(unit, kind))
            except ValueError as error:
                found.append(str(error))
        return found

    units = [*_WRITTEN, *_prefixed(), "degC", "degF"]
    quick = answers(units)
    monkeypatch.setattr(unit_symbols, "factor", lambda unit, target: None)
    library = answers(units)
    assert [(u, a) for u, a in zip(units, quick, strict=True)] == [(u, a) for u, a in zip(units, library, strict=True)]
    assert sum(unit_symbols.known(unit) is not None for unit in units) > 100


def test_the_usual_units_do_not_start_the_library() -> None:
    program = (
        "import sys; from rotorproof.units import conversion, parse; from rotorproof.quantities import quantities\n"
        "for one in quantities().values(): conversion(one.unit, one.kind)\n"
        "for text, kind in [('36 V', 'voltage'), ('230 rpm', 'speed'), ('0.05 +/- 0.001 kg m^2', 'moment_of_inertia'),"
        " ('12 mN m', 'torque'), ('45 percent', 'ratio'), ('21.5 degC', 'temperature'), ('1.5 km', 'length')]:\n"
        "    parse(text, kind)\n"
        "sys.exit('pint' in sys.modules)"
    )
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    assert subprocess.run([sys.executable, "-c", program], check=False, env=paths).returncode == 0


@pytest.mark.parametrize(
    ("typed", "kind", "meant"),
    [
        ("rmp", "speed", "rpm"),
        ("Ohms", "resistance", "ohm"),
        ("mv", "voltage", "mV"),
        ("degc", "temperature", "degC"),
        ("kg cm2", "moment_of_inertia", r"kg cm\^2"),
        ("g mm2", "moment_of_inertia", r"g mm\^2"),
    ],
)
def test_a_misspelt_unit_brings_the_one_that_was_meant(typed: str, kind: str, meant: str) -> None:
    with pytest.raises(ValueError, match=f"unit '{typed}' is not known; did you mean '{meant}'"):
        conversion(typed, kind)


def test_what_looks_like_no_unit_brings_an_example() -> None:
    with pytest.raises(ValueError, match="write for example 'rpm'"):
        conversion("xyz", "speed")
    with pytest.raises(ValueError, match="write for example '230 rpm'"):
        parse("about 230", "speed")
