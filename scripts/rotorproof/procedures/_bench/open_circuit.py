"""Bench sheet: open-circuit test."""

from __future__ import annotations

import math

import numpy as np

from ..base import Log
from ..bench import (
    SAMPLES_PER_TURN,
    BenchSheet,
    Effect,
    Element,
    Expectation,
    Machine,
    SetValue,
    Situation,
    Wire,
    Wiring,
    driven_from_outside,
    span,
)

#: Electrical turns of an ideal log.
_TURNS = 12


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    top = situation.no_load_speed
    speed = 0.6 * top if top else None
    constant = situation.emf_constant
    peak = constant * speed * math.pi / 3 if constant and speed else None
    effects = (Effect("voltage_ab", peak), Effect("speed", speed, -1.0)) if peak and speed else ()
    return BenchSheet(
        Wiring(
            (
                Element("drive", "Drill, lathe or second motor, switch in reach", 0, 0, "machine"),
                Element("motor", "Motor, plug open", 2, 0, "machine"),
                Element("scope", "Oscilloscope or logger: A-B, B-C, C-A", 2, 1),
                Element("tacho", "Tachometer", 0, 1),
            ),
            (
                Wire("drive", "motor", "shaft or roller", "mechanical"),
                Wire("motor", "scope", "three line voltages", "signal"),
                Wire("drive", "tacho", "speed", "signal"),
            ),
        ),
        (
            "Disconnect the controller. Insulate the open pins; connect one differential channel to each line pair.",
            "Check the probe factors (x1, ×10) on every channel and in the layout.",
            "Drive the rotor at the first speed; wait until it holds; record.",
            "Repeat at three speeds at least; note the direction of turning.",
            "Write down the temperature of hub or magnets.",
        ),
        (
            SetValue(
                "Speeds, up to", speed, "speed", "rpm", "60 % of the no-load speed; three speeds or more spread evenly"
            ),
            SetValue(
                "Peak voltage at that speed, about",
                peak,
                "voltage",
                "V",
                "sets the range of the channel; leave a third spare",
            ),
            SetValue(
                "Sample rate, at least",
                situation.sample_rate(speed),
                "frequency",
                "Hz",
                "100 samples per electrical turn: harmonics up to the 13th are safe from aliasing",
            ),
            SetValue("Record", 4 * math.pi / speed if speed else None, "time", "s", "two turns of the rotor"),
        ),
        (
            Expectation(
                "emf_constant_dc", *span(constant, 0.7, 1.3), "rated voltage over rated speed / 0.85", basis="practice"
            ),
            Expectation("emf_unbalance", 0.0, 0.02, "three equal windings"),
        ),
        {name: effects for name in ("emf_constant_dc", "emf_constant_peak", "emf_constant_rms", "torque_constant")}
        | {"speed_constant": tuple(Effect(e.column, e.at, -e.sensitivity) for e in effects)},
        (
            ("One voltage smaller", "a probe's switch, or shorted turns in the phase that two small pairs share"),
            ("Flat tops at the same level in all speeds", "the channel clips: larger range"),
            ("The three do not sum to zero", "one channel is inverted or has another factor"),
            ("Voltage per speed falls with speed", "the controller or its diodes are still connected"),
        ),
        "Needs no supply; a slower drive does: the EMF is proportional to speed, only the noise weighs more.",
        {3: "Open terminals of a driven machine carry voltage; the wheel turns: guard it."},
        notes=driven_from_outside(situation),
    )


def ideal_logs(machine: Machine) -> list[Log]:
    """Return the line voltages of a sinusoidal machine at three speeds, some electrical turns and a bit each."""
    logs = []
    for share in (0.3, 0.6, 0.9):
        speed = share * machine.rated_speed
        electrical = machine.pole_pairs * speed
        time = np.arange(0, (_TURNS + 0.3) * 2 * math.pi / electrical, 2 * math.pi / electrical / SAMPLES_PER_TURN)
        peak = math.pi / 3 * machine.constant * speed
        waves = {
            f"voltage_{pair}": peak * np.sin(electrical * time + 0.1 - number * 2 * math.pi / 3)
            for number, pair in enumerate(("ab", "bc", "ca"))
        }
        logs.append(Log(f"{share}", {"time": time, **waves, "speed": np.full(time.size, speed)}))
    return logs
