"""Bench sheet: EMF by a meter."""

from __future__ import annotations

import math

import numpy as np

from ..base import Log
from ..bench import (
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

#: RMS of a sinusoidal line voltage over the mean of the largest of the six.
_RMS = math.pi / (3 * math.sqrt(2))


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    top = situation.no_load_speed
    speed = 0.6 * top if top else None
    constant = situation.emf_constant
    volts = _RMS * constant * speed if constant and speed else None
    effects = (Effect("ac_voltage_ab", volts), Effect("speed", speed, -1.0)) if volts and speed else ()
    return BenchSheet(
        Wiring(
            (
                Element("drive", "Drill, lathe or second motor, switch in reach", 0, 0, "machine"),
                Element("motor", "Motor, plug open", 2, 0, "machine"),
                Element("meter", "V AC", 2, 1, "meter"),
                Element("tacho", "Hand-held tachometer", 0, 1),
            ),
            (
                Wire("drive", "motor", "shaft or roller", "mechanical"),
                Wire("motor", "meter", "A-B, then B-C, C-A", "signal"),
                Wire("drive", "tacho", "speed", "signal"),
            ),
        ),
        (
            "Disconnect the controller. Insulate the open pins.",
            "Look on the meter or in its manual for 'true RMS'; write down which it is, and its accuracy on AC.",
            "Drive the rotor at a third of the highest speed; when it holds, write down speed and AC volts.",
            "Repeat at three speeds at least, better four or more, up to the highest; then the next pair of lines.",
            "Write down the temperature of hub or magnets.",
        ),
        (
            SetValue(
                "Speeds, up to", speed, "speed", "rpm", "60 % of the no-load speed; better four or more, spread evenly"
            ),
            SetValue("AC voltage at that speed, about", volts, "voltage", "V", "as of a sine; sets the meter's range"),
            SetValue(
                "Frequency at that speed",
                situation.electrical_frequency(speed),
                "frequency",
                "Hz",
                "within what the meter's AC range is made for, often 40 Hz to 400 Hz",
                basis="practice",
            ),
        ),
        (
            Expectation(
                "emf_constant_dc", *span(constant, 0.7, 1.3), "rated voltage over rated speed / 0.85", basis="practice"
            ),
        ),
        {name: effects for name in ("emf_constant_dc", "emf_constant_peak", "emf_constant_rms", "torque_constant")}
        | {"speed_constant": tuple(Effect(e.column, e.at, -e.sensitivity) for e in effects)},
        (
            ("One line smaller than the others", "shorted turns in the phase that two small pairs share"),
            ("Volts per speed fall with speed", "the meter is too slow, or the controller is still connected"),
            ("The meter shows a few volts at rest", "the DC range: turn it to AC"),
        ),
        "Needs no supply; a slower drive does: the EMF is proportional to speed.",
        {3: "Open terminals of a driven machine carry voltage; the wheel turns: guard it."},
        notes=(
            "Needed are the speed and one line's volts; the other lines may be left out, and with them the unbalance. "
            "Phase sequence and pole pairs need a recorded wave (open-circuit).",
            *driven_from_outside(situation),
        ),
    )


def ideal_logs(machine: Machine) -> list[Log]:
    """Return what a true-RMS meter shows of a sinusoidal machine at four speeds."""
    speed = np.array([0.3, 0.5, 0.7, 0.9]) * machine.rated_speed
    volts = _RMS * machine.constant * speed
    return [
        Log("emf-by-meter", {"speed": speed, **{f"ac_voltage_{p}": volts for p in ("ab", "bc", "ca")}}, {"meter": 0.0})
    ]
