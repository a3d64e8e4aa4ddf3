"""Bench sheet: coast-down."""

from __future__ import annotations

import math

import numpy as np

from ..base import Log
from ..bench import BenchSheet, Element, Machine, SetValue, Situation, Wire, Wiring, driven_from_outside


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    speed = situation.no_load_speed
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("controller", "Controller", 2, 0),
                Element("motor", "Motor, wheel free", 3, 0, "machine"),
                Element("disc", "Known disc", 4, 0),
                Element("log", "Logger: speed or A-B", 3, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "controller", switch=True),
                Wire("controller", "motor", "A, B, C; then released"),
                Wire("motor", "log", "speed or voltage", "signal"),
                Wire("motor", "disc", "second run", "mechanical"),
                Wire("controller", "supply", "−"),
            ),
        ),
        (
            "Switch regenerative and electric braking off in the controller, so that release means free running.",
            "Run up to the highest speed; hold it a minute.",
            "Start the record, release the throttle, and record until the wheel stands.",
            "Repeat three times.",
            "Bolt the known disc on, centred, and repeat: the two together give inertia and friction in newton metres.",
        ),
        (
            SetValue("Speed at release, about", speed, "speed", "rpm", "no-load speed at the voltage of the bench"),
            SetValue(
                "Sample rate of the speed, at least", 20.0, "frequency", "Hz", "a run lasts ten seconds to minutes"
            ),
            SetValue(
                "Sample rate of a line voltage, at least",
                situation.sample_rate(speed),
                "frequency",
                "Hz",
                "100 samples per electrical turn, if speed comes from the EMF",
            ),
            SetValue("Record, about", 60.0, "time", "s", "until standstill; longer for a heavy wheel"),
        ),
        (),
        {},
        (
            ("A kink in the curve", "the controller still brakes above some speed, or a seal touches"),
            ("The end is abrupt", "cogging holds the rotor; the last turn is left out"),
            ("Runs differ", "bearing still cold: run in for ten minutes"),
        ),
        "Any speed will do that the supply reaches; windage is seen only near full speed.",
        {
            2: "The wheel runs at full speed and for long after release: never stop it by hand.",
            5: "An unbalanced or loose disc flies off: bolt through, guard, start slowly.",
        },
        notes=(
            "Without a logger: write down time and speed five times or more while the wheel runs down, from when the "
            "power is cut, or film a mark on the wheel and write down the time of every turn, or every tenth (columns "
            "time and angle, in turns). The disc may be left out where a no-load run or a stated inertia stands in.",
            *driven_from_outside(situation),
        ),
    )


def ideal_logs(machine: Machine) -> list[Log]:
    """Return a run down from rated speed to a tenth of it."""
    rate, start = machine.viscous / machine.inertia, machine.rated_speed
    floor = machine.coulomb / machine.viscous
    end = math.log((start + floor) / (0.1 * start + floor)) / rate
    time = np.linspace(0, end, 400)
    return [Log("coast-down", {"time": time, "speed": (start + floor) * np.exp(-rate * time) - floor})]
