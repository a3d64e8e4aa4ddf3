"""Slips of a bench, drawn at random and put into the readings of a sound unit, each with the words that name it.

The kinds are those that practitioners report; how often each happens is not known, so each kind is as likely as any
other (common practice, no source).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

Columns = dict[str, np.ndarray]
Logs = list[Columns]
_RPM = 60 / (2 * math.pi)
_PAIRS = ("ab", "bc", "ca")


@dataclass
class Bench:
    """The readings of a unit that a slip may change: logs in SI by place, and the unit file as plain data."""

    logs: Logs
    unit: dict[str, object]

    @property
    def tests(self) -> list[dict[str, object]]:
        """Return the tests of the unit file."""
        found = self.unit["tests"]
        assert isinstance(found, list)
        return found

    def places(self, procedure: str) -> list[int]:
        """Return the places of a procedure's tests."""
        return [k for k, test in enumerate(self.tests) if test["procedure"] == procedure]

    def scale(self, procedure: str, names: tuple[str, ...], factor: float) -> None:
        """Multiply columns of every log of a procedure."""
        for place in self.places(procedure):
            for name in names:
                self.logs[place][name] = factor * self.logs[place][name]


@dataclass(frozen=True)
class Kind:
    """A kind of slip: ``put`` changes the readings and returns what was done, and a pattern of words that name it."""

    name: str
    put: Callable[[Bench, np.random.Generator], tuple[str, str]]


def _pick(rng: np.random.Generator, *choices: object) -> object:
    return choices[int(rng.integers(len(choices)))]


def _probe(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure = str(_pick(rng, "open-circuit", "hall-sensors"))
    both = tuple(f"voltage_{pair}" for pair in _PAIRS)
    channels = both if rng.random() < 0.5 else (str(_pick(rng, *both)),)
    factor = float(rng.choice([0.1, 10.0]))
    bench.scale(procedure, channels, factor)
    return f"{procedure} {channels} times {factor:g}", r"×10 probe|ten times|tenth"


def _shunt(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure = str(_pick(rng, "winding-resistance", "no-load", "load", "locked-rotor", "heat-run"))
    names = tuple(f"current_{pair}" for pair in _PAIRS) if procedure == "winding-resistance" else ("supply_current",)
    factor = float(rng.choice([0.1, 10.0, 1000.0]))
    bench.scale(procedure, names, factor)
    words = r"1000|by 1000|m for milli|mA" if factor == 1000 else r"current.*(ten times|tenth|off by ten)|shunt"
    return f"{procedure} current times {factor:g}", words


def _voltage(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure = str(_pick(rng, "winding-resistance", "no-load", "load", "heat-run"))
    names = tuple(f"voltage_{pair}" for pair in _PAIRS) if procedure == "winding-resistance" else ("supply_voltage",)
    factor = float(rng.choice([0.1, 10.0, 0.001]))
    bench.scale(procedure, names, factor)
    words = r"1000|mV" if factor == 0.001 else r"(voltage|supply).*(ten times|tenth|×10)|×10 probe"
    return f"{procedure} voltage times {factor:g}", words


def _rpm(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure = str(_pick(rng, "open-circuit", "no-load", "coast-down", "load"))
    factor, words = [
        (_RPM, r"rpm (are )?written as rad/s|rpm and rad/s"),
        (1 / _RPM, r"rad/s (are )?written as rpm|rpm and rad/s"),
    ][int(rng.integers(2))]
    bench.scale(procedure, ("speed",), factor)
    return f"{procedure} speed times {factor:.3g}", words


def _torque(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure = str(_pick(rng, "load", "locked-rotor", "cogging"))
    factor, words = [
        (1 / 9.80665, r"9\.81"),
        (0.1, r"torque.*(ten times|tenth|off by ten|decimal)"),
        (10.0, r"torque.*(ten times|tenth|off by ten|decimal)"),
        (100.0, r"N cm"),
    ][int(rng.integers(4))]
    bench.scale(procedure, ("torque",), factor)
    return f"{procedure} torque times {factor:.3g}", words


def _wave(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    factor, words = [
        (1 / math.sqrt(2), r"sqrt 2"),
        (math.sqrt(2), r"sqrt 2"),
        (1 / math.sqrt(3), r"sqrt 3"),
        (2.0, r"twice|half|peak to peak"),
        (0.5, r"twice|half|peak to peak"),
    ][int(rng.integers(5))]
    bench.scale("open-circuit", tuple(f"voltage_{pair}" for pair in _PAIRS), factor)
    return f"open-circuit voltages times {factor:.3g}", words


def _exchanged(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure = str(_pick(rng, "winding-resistance", "no-load", "load", "heat-run"))
    milli = rng.random() < 0.5
    pairs = (
        [(f"voltage_{p}", f"current_{p}") for p in _PAIRS]
        if procedure == "winding-resistance"
        else [("supply_voltage", "supply_current")]
    )
    for place in bench.places(procedure):
        for volt, ampere in pairs:
            log = bench.logs[place]
            # Read through the header of the other: the column of A holds mV, that of mV holds A.
            log[volt], log[ampere] = (log[ampere] * 1e-3, log[volt] * 1e3) if milli else (log[ampere], log[volt])
    return f"{procedure} voltage and current exchanged{' (mV)' if milli else ''}", r"exchanged"


def _fahrenheit(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    where = str(_pick(rng, "ambient", "winding-resistance", "heat-run", "load"))
    if where == "ambient":
        ambient = bench.unit["ambient"]
        assert isinstance(ambient, dict)
        celsius = float(str(ambient["temperature"]).split()[0])
        ambient["temperature"] = f"{1.8 * celsius + 32:.1f} degC"
    elif where == "winding-resistance":
        conditions = bench.tests[bench.places(where)[0]]["conditions"]
        assert isinstance(conditions, dict)
        celsius = float(str(conditions["winding_temperature"]).split()[0])
        conditions["winding_temperature"] = f"{1.8 * celsius + 32:.1f} degC"
    else:
        log = bench.logs[bench.places(where)[0]]
        for name in [name for name in log if name.startswith("temperature")]:
            log[name] = 1.8 * log[name] + 32.0
    return f"{where} in degF typed as degC", r"°F (are )?written as °C"


def _inertia(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    factor = float(rng.choice([0.1, 10.0]))
    for place in bench.places("coast-down"):
        conditions = bench.tests[place].get("conditions")
        if isinstance(conditions, dict):
            value, _, spread, *_ = str(conditions["added_inertia"]).split()
            conditions["added_inertia"] = f"{factor * float(value):.6f} +/- {factor * float(spread):.7f} kg m^2"
    return f"added inertia times {factor:g}", r"inertia.*ten times"


def _time(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure, factor, words = [
        ("coast-down", 1e-3, r"unit of time|time.*1000|ms and s"),
        ("coast-down", 1e3, r"unit of time|time.*1000|ms and s"),
        ("heat-run", 1 / 60, r"unit of time|min"),
        ("heat-run", 60.0, r"unit of time|min"),
    ][int(rng.integers(4))]
    bench.scale(procedure, ("time",), factor)
    return f"{procedure} time times {factor:.3g}", words


def _single(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure, name = [
        ("load", "torque"),
        ("load", "supply_current"),
        ("no-load", "supply_current"),
        ("locked-rotor", "torque"),
        ("winding-resistance", "voltage_ab"),
        ("heat-run", "temperature_winding"),
    ][int(rng.integers(6))]
    log = bench.logs[bench.places(procedure)[0]]
    values = log[name].copy()
    large = np.flatnonzero(np.abs(values) > 0.05 * np.abs(values).max())
    row = int(rng.choice(large))
    factor = float(rng.choice([0.1, 10.0]))
    values[row] *= factor
    log[name] = values
    return f"{procedure} {name} reading {row + 1} times {factor:g}", rf"reading {row + 1}\b"


def _padding(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure = str(_pick(rng, "no-load", "load", "locked-rotor", "winding-resistance", "coast-down", "heat-run"))
    rows = int(rng.integers(1, 30))
    log = bench.logs[bench.places(procedure)[0]]
    for name, values in log.items():
        step = values[-1] - values[-2]
        log[name] = np.append(values, values[-1] + step * np.arange(1, rows + 1) if name == "time" else np.zeros(rows))
    return f"{procedure} with {rows} rows of zeros", r"rows are zero|rows of zeros|is zero in every"


def _plate(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    plate = bench.unit["nameplate"]
    assert isinstance(plate, dict)
    kind = int(rng.integers(3))
    if kind == 0:
        plate["rated_speed"] = str(plate["rated_speed"]).replace("rpm", "rad/s")
        return "nameplate rated speed rpm typed as rad/s", r"rated speed"
    if kind == 1:
        plate["pole_pairs"] = 2 * int(str(plate["pole_pairs"]))
        return "nameplate poles typed as pole pairs", r"poles|pole pairs"
    plate["rated_voltage"] = f"{10 * float(str(plate['rated_voltage']).split()[0]):g} V"
    return "nameplate rated voltage ten times", r"rated voltage is ten times"


KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("probe of ten", _probe),
        Kind("current off by ten or 1000", _shunt),
        Kind("voltage off by ten or 1000", _voltage),
        Kind("rpm and rad/s", _rpm),
        Kind("kg, decimal or N cm of torque", _torque),
        Kind("sqrt 2, sqrt 3, 2 of a wave", _wave),
        Kind("columns exchanged", _exchanged),
        Kind("degF typed as degC", _fahrenheit),
        Kind("added inertia off by ten", _inertia),
        Kind("unit of time", _time),
        Kind("one reading off by ten", _single),
        Kind("rows of padding", _padding),
        Kind("nameplate", _plate),
    )
}


def names(said: str, pattern: str) -> bool:
    """Tell whether words name a slip."""
    return re.search(pattern, said) is not None
