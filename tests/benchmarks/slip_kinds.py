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


def _scope_time(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    factor = float(rng.choice([1e-3, 1e3]))
    bench.scale("open-circuit", ("time",), factor)
    return f"open-circuit time times {factor:g}", r"time.*1000|ms and s|unit of time|1000.*time"


def _angle(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    factor = float(rng.choice([180 / math.pi, math.pi / 180]))
    bench.scale("cogging", ("angle",), factor)
    return f"cogging angle times {factor:.3g}", r"degrees (are )?written as rad|rad (are )?written as degrees|deg"


def _inductance(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    factor = float(rng.choice([0.1, 10.0, 1e-3, 1e3]))
    bench.scale("winding-inductance", tuple(f"inductance_{pair}" for pair in _PAIRS), factor)
    words = r"1000|milli" if factor in (1e-3, 1e3) else r"inductance.*(ten times|tenth)"
    return f"inductance times {factor:g}", words


def _window(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    factor = float(rng.choice([0.1, 10.0, 0.001]))
    bench.scale("supply-window", ("supply_voltage",), factor)
    words = r"1000|mV" if factor == 0.001 else r"voltage.*(ten times|tenth|×10)|×10 probe"
    return f"supply-window voltage times {factor:g}", words


def _losses_scaled(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    """One column of the losses of a controller that drives its motor."""
    name, factor, words = [
        ("supply_voltage", 0.1, r"voltage.*(ten times|tenth|×10)|×10 probe"),
        ("supply_voltage", 10.0, r"voltage.*(ten times|tenth|×10)|×10 probe"),
        ("supply_current", 0.1, r"current.*(ten times|tenth|off by ten)|shunt"),
        ("supply_current", 10.0, r"current.*(ten times|tenth|off by ten)|shunt"),
        ("phase_power", 1e-3, r"power.*1000|kW|1000"),
        ("phase_power", 0.1, r"power.*(ten times|tenth)"),
        ("phase_power", 10.0, r"power.*(ten times|tenth)"),
    ][int(rng.integers(7))]
    (place,) = [k for k in bench.places("controller-loss") if "phase_power" in bench.logs[k]]
    bench.logs[place][name] = factor * bench.logs[place][name]
    return f"controller-loss {name} times {factor:g}", words


def _idle(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    """The milliamperes of a standby current typed as amperes, or its decimal off."""
    (place,) = [k for k in bench.places("controller-loss") if "phase_power" not in bench.logs[k]]
    factor = float(rng.choice([1000.0, 0.001, 10.0]))
    bench.logs[place]["supply_current"] = factor * bench.logs[place]["supply_current"]
    words = r"current.*(ten times|tenth|off by ten)|shunt" if factor == 10 else r"1000|milli|mA"
    return f"standby current times {factor:g}", words


def _limit(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    names = [("supply_current",), ("current_a", "current_b")][int(rng.integers(2))]
    factor = float(rng.choice([0.1, 10.0, 1000.0]))
    bench.scale("current-limit", names, factor)
    words = r"1000|milli|mA" if factor == 1000 else r"current.*(ten times|tenth|off by ten)|shunt"
    return f"current-limit {names} times {factor:g}", words


def _signal(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    """The throttle's signal through a probe of ten, or in mV."""
    factor = float(rng.choice([0.1, 10.0, 1000.0]))
    bench.scale("throttle", ("throttle",), factor)
    words = r"1000|mV|milli" if factor == 1000 else r"throttle.*(ten times|tenth|×10)|×10 probe"
    return f"throttle signal times {factor:g}", words


def _fault_time(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    place = int(rng.choice(bench.places("throttle")))
    bench.logs[place]["time"] = 1000.0 * bench.logs[place]["time"]
    return f"throttle log {place + 1} in ms read as s", r"time.*1000|ms and s|unit of time|1000.*time"


def _supply_exchanged(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    procedure = str(_pick(rng, "supply-window", "controller-loss"))
    for place in bench.places(procedure):
        log = bench.logs[place]
        log["supply_voltage"], log["supply_current"] = log["supply_current"], log["supply_voltage"]
    return f"{procedure} voltage and current exchanged", r"exchanged"


def _controller_padding(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    place = int(rng.integers(len(bench.logs)))
    rows = int(rng.integers(3, 30))
    log = bench.logs[place]
    for name, values in log.items():
        step = values[-1] - values[-2]
        log[name] = np.append(values, values[-1] + step * np.arange(1, rows + 1) if name == "time" else np.zeros(rows))
    return (
        f"{bench.tests[place]['procedure']} with {rows} rows of zeros",
        r"rows are zero|rows of zeros|is zero in every",
    )


def _controller_single(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    (place,) = [k for k in bench.places("controller-loss") if "phase_power" in bench.logs[k]]
    name = str(_pick(rng, "supply_current", "supply_voltage", "phase_power"))
    values = bench.logs[place][name].copy()
    row = int(rng.integers(values.size))
    factor = float(rng.choice([0.1, 10.0]))
    values[row] *= factor
    bench.logs[place][name] = values
    return f"controller-loss {name} reading {row + 1} times {factor:g}", rf"reading {row + 1}\b"


def _controller_plate(bench: Bench, rng: np.random.Generator) -> tuple[str, str]:
    plate = bench.unit["nameplate"]
    assert isinstance(plate, dict)
    name = str(_pick(rng, "rated_voltage", "supply_current_limit"))
    value, unit = str(plate[name]).split()
    plate[name] = f"{10 * float(value):g} {unit}"
    return f"nameplate {name} ten times", name.replace("_", " ")


CONTROLLER_KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("supply window off by ten or 1000", _window),
        Kind("losses off by ten or 1000", _losses_scaled),
        Kind("standby current off by ten or 1000", _idle),
        Kind("current limit off by ten or 1000", _limit),
        Kind("throttle signal off by ten or 1000", _signal),
        Kind("unit of time of a fault", _fault_time),
        Kind("supply columns exchanged", _supply_exchanged),
        Kind("rows of padding, controller", _controller_padding),
        Kind("one reading of the losses off by ten", _controller_single),
        Kind("nameplate of a controller", _controller_plate),
    )
}

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
        Kind("unit of time of a scope", _scope_time),
        Kind("degrees and radians", _angle),
        Kind("unit of inductance", _inductance),
    )
}


def names(said: str, pattern: str) -> bool:
    """Tell whether words name a slip."""
    return re.search(pattern, said) is not None
