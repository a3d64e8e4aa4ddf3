"""Bench sheet: telemetry of a field-oriented drive."""

from __future__ import annotations

import numpy as np

from ..base import Log
from ..bench import (
    BenchSheet,
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

#: Levels of the current in the program, over the largest, each held for this long in s (common practice).
_LEVELS, _HELD = (0.25, 1.0, 0.4, 0.05, 0.75, 0.15, 0.5, -0.15), 1.0


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    current, constant = situation.rated_current, situation.emf_constant
    resistance = None if situation.line_resistance is None else 0.5 * situation.line_resistance
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply that takes power back, or a fused pack", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("controller", "Field-oriented controller", 2, 0),
                Element("motor", "Motor, wheel free", 3, 0, "machine"),
                Element("log", "Its own record, by its interface", 2, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "controller", switch=True),
                Wire("controller", "motor", "A, B, C"),
                Wire("controller", "log", "v_d, v_q, i_d, i_q, speed", "signal"),
                Wire("controller", "supply", "−"),
            ),
        ),
        (
            "Look up in the controller's manual: are its voltages and currents of the rotor frame the peak of a phase, "
            "power-invariant or RMS? Is its speed mechanical or electrical? Write both down.",
            "Set the limits of speed, current and of the current fed back to the supply.",
            "Write down the winding's temperature; start the record at the highest rate the interface gives.",
            "Step the q-axis current up and down between several levels, each held until speed or limit is reached; "
            "let the rotor gain and lose speed several times, and run at several steady speeds.",
            "Stop the record; write down the winding's temperature again.",
        ),
        (
            SetValue("Largest current, q axis", current, "current", "A", "rated: more warms the winding"),
            SetValue(
                "Smallest current step",
                None if current is None else 0.1 * current,
                "current",
                "A",
                "several levels tell dead time from resistance",
            ),
            SetValue(
                "Rate of the record, at least",
                50.0,
                "frequency",
                "Hz",
                "inertia and friction; 1 kHz and more shows inductance in the q axis too",
            ),
            SetValue("Record, about", 30.0, "time", "s", "short, or the winding warms while its resistance is sought"),
        ),
        (
            Expectation("emf_constant_dc", *span(constant, 0.7, 1.3), "rated voltage over the no-load speed"),
            Expectation(
                "phase_resistance", *span(resistance, 0.4, 2.5), "12 % of rated power lost in copper", "practice"
            ),
        ),
        {},
        (
            ("The voltage scatters more than 2 %", "it is the controller's set value before its filter: average less"),
            ("Resistance far too large", "dead time is not compensated: step through more levels of current"),
            ("The d-axis voltage rises with speed alone", "the rotor angle is off: run the drive's own alignment"),
        ),
        "Any voltage will do; the speed reached is what friction is known up to.",
        {
            4: "The wheel accelerates hard at each step: nobody near the plane of rotation; a stop within reach.",
        },
        notes=driven_from_outside(situation),
    )


def ideal_logs(machine: Machine) -> list[Log]:
    """Return a record of current steps on an ideal machine, amplitude-invariant, 100 readings a second."""
    rate, emf = 100.0, machine.constant / (np.sqrt(3.0) * 3.0 / np.pi)
    torque = 1.5 * emf
    top = (machine.coulomb + machine.viscous * machine.rated_speed) / torque / 0.4
    time = np.arange(0.0, _HELD * len(_LEVELS), 1.0 / rate)
    current = top * np.array(_LEVELS)[np.minimum((time / _HELD).astype(int), len(_LEVELS) - 1)]
    # The current goes to its level in a time that the record can follow.
    ramp = np.ones(8) / 8
    current = np.convolve(np.concatenate([np.full(7, current[0]), current]), ramp, "valid")
    speed = np.empty_like(time)
    now = 0.3 * machine.rated_speed
    for k, amperes in enumerate(current):
        speed[k] = now
        now += (torque * amperes - machine.coulomb - machine.viscous * now) / machine.inertia / rate
        now = float(np.clip(now, 0.1 * machine.rated_speed, machine.rated_speed))
    resistance = 0.5 * machine.resistance
    columns = {
        "time": time,
        "voltage_q": resistance * current + emf * speed,
        "current_q": current,
        "speed": speed,
        "voltage_d": -machine.pole_pairs * speed * 1.0e-3 * resistance * current,
        "current_d": np.zeros_like(time),
    }
    return [Log("telemetry", columns, {"transform": 0.0, "speed_kind": 0.0, "winding_temperature": 20.0})]
