"""Tests played through before they are made: the product's own fits on readings that the nameplate lets expect.

The readings are ideal, so the scatter that only the bench knows is not in them. What comes out is the part of the
uncertainty that the stated accuracies of the instruments bring, carried through the same fit and formula as a real
log. It is offered for quantities whose sensitivity to the instruments no short formula gives.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..columns import COLUMNS
from ..errors import FitError, Problem
from ..fitting.assign import assign
from ..fitting.engine import run
from ..procedures.base import Log, Procedure
from ..procedures.bench import SAMPLES_PER_TURN, Situation
from ..settings.unit import Test, UnitFile
from ..uncertainty.forms import Form
from ..uncertainty.result import Result

#: Reckoned with where nothing better is known (common practice, no source): an idle motor takes a tenth of rated
#: torque, half of it at any speed, half of it growing with speed; a wheel with its rotor has about 0.1 kg m^2.
_IDLE_SHARE, _INERTIA = 0.1, 0.1
_TURNS = 12
#: A trace of noise, as a share of each column's largest reading: fits that weigh by scatter need some.
_TRACE = 1e-6


@dataclass(frozen=True)
class Machine:
    """What the nameplate lets expect of a motor, in SI."""

    voltage: float
    current: float
    resistance: float
    constant: float
    rated_speed: float
    pole_pairs: int
    coulomb: float
    viscous: float
    inertia: float = _INERTIA

    @classmethod
    def expected(cls, known: Situation) -> Machine | None:
        """Return the machine of a nameplate, ``None`` if voltage, power, speed or pole pairs are not stated."""
        voltage, speed, pairs = (known.get(f"nameplate_{n}") for n in ("rated_voltage", "rated_speed", "pole_pairs"))
        current, resistance, constant = known.rated_current, known.line_resistance, known.emf_constant
        torque = known.rated_torque
        if not (voltage and speed and pairs and current and resistance and constant and torque):
            return None
        half = 0.5 * _IDLE_SHARE * torque
        return cls(voltage, current, resistance, constant, speed, round(pairs), half, half / speed)


def rehearse(
    file: UnitFile, tests: Sequence[Procedure], known: Situation, probability: float
) -> dict[str, dict[str, Result]]:
    """Return what each of ``tests`` would give with the instruments of ``file``, by procedure and quantity, in SI.

    A test for which no ideal log can be made, or whose fit would not take one, is left out, and so is one with a column
    whose accuracy nobody states.
    """
    machine = Machine.expected(known) if file.kind == "motor" else None
    if machine is None:
        return {}
    given = {name: Form(value) for name, value in known.known.items() if name.startswith("nameplate_")}
    given["winding_constant"] = Form(234.5)
    found: dict[str, dict[str, Result]] = {}
    measured: dict[str, Form] = {}
    for procedure in sorted(tests, key=lambda p: _ORDER.index(p.name) if p.name in _ORDER else len(_ORDER)):
        if procedure.name not in _LOGS:
            continue
        logs = [_traced(log) for log in _LOGS[procedure.name](machine)]
        test = next(
            (test for test in file.tests if test.procedure == procedure.name),
            Test(procedure=procedure.name, log=f"{procedure.name}.csv"),
        )
        assigned = assign(file, procedure, [test] * len(logs), logs, [{}] * len(logs), file.unit)
        if any(_lacks_accuracy(problem) for problem in assigned.problems):
            continue  # what no instrument is named for would pass for exact
        needed = {need.quantity: measured[need.quantity] for need in procedure.needs if need.quantity in measured}
        try:
            outcome = run(
                procedure,
                logs,
                label=procedure.name,
                unit=file.unit,
                given=given | needed,
                instruments=assigned.instruments,
                uncertain_conditions=assigned.uncertain_conditions,
                probability=probability,
            )
        except (FitError, ValueError):
            continue
        found[procedure.name] = {name: outcome.result(name) for name in outcome.forms}
        measured |= {name: form for name, form in outcome.forms.items() if name not in measured}
    return found


def _lacks_accuracy(problem: Problem) -> bool:
    """Tell whether a column's errors are not known: no instrument, or several; those of a clock hardly ever matter."""
    return problem.severity == "error" or (problem.column in COLUMNS and COLUMNS[problem.column].kind != "time")


def _traced(log: Log) -> Log:
    noise = np.random.default_rng(1)
    columns = {
        name: readings
        if name == "time"
        else readings + _TRACE * float(np.max(np.abs(readings), initial=0.0)) * noise.standard_normal(readings.size)
        for name, readings in log.columns.items()
    }
    return Log(log.label, columns, log.conditions, log.stated)


def _winding(machine: Machine) -> list[Log]:
    current = np.linspace(0.02, 0.12, 8) * machine.current
    columns: dict[str, np.ndarray] = {}
    for pair in ("ab", "bc", "ca"):
        columns |= {f"current_{pair}": current, f"voltage_{pair}": machine.resistance * current}
    return [Log("winding-resistance", columns, {"winding_temperature": 20.0})]


def _turning(machine: Machine, speed: float) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return time and the line voltages of a sinusoidal machine, some electrical turns and a bit."""
    electrical = machine.pole_pairs * speed
    time = np.arange(0, (_TURNS + 0.3) * 2 * math.pi / electrical, 2 * math.pi / electrical / SAMPLES_PER_TURN)
    peak = math.pi / 3 * machine.constant * speed
    waves = {
        f"voltage_{pair}": peak * np.sin(electrical * time + 0.1 - number * 2 * math.pi / 3)
        for number, pair in enumerate(("ab", "bc", "ca"))
    }
    return time, waves


def _open_circuit(machine: Machine) -> list[Log]:
    logs = []
    for share in (0.3, 0.6, 0.9):
        speed = share * machine.rated_speed
        time, waves = _turning(machine, speed)
        logs.append(Log(f"{share}", {"time": time, **waves, "speed": np.full(time.size, speed)}))
    return logs


def _no_load(machine: Machine) -> list[Log]:
    supply = np.linspace(0.25, 1.0, 10) * machine.voltage
    # k i = T_c + b w and u = k w + R i, solved for w.
    k, r = machine.constant, machine.resistance
    speed = (supply - r * machine.coulomb / k) / (k + r * machine.viscous / k)
    current = (machine.coulomb + machine.viscous * speed) / k
    columns = {"supply_voltage": supply, "supply_current": current, "speed": speed}
    return [Log("no-load", columns, {"winding_temperature": 20.0})]


def _coast_down(machine: Machine) -> list[Log]:
    rate, start = machine.viscous / machine.inertia, machine.rated_speed
    floor = machine.coulomb / machine.viscous
    end = math.log((start + floor) / (0.1 * start + floor)) / rate
    time = np.linspace(0, end, 400)
    return [Log("coast-down", {"time": time, "speed": (start + floor) * np.exp(-rate * time) - floor})]


_LOGS: dict[str, Callable[[Machine], list[Log]]] = {
    "winding-resistance": _winding,
    "open-circuit": _open_circuit,
    "no-load": _no_load,
    "coast-down": _coast_down,
}
#: Each after those whose results it needs.
_ORDER = tuple(_LOGS)
