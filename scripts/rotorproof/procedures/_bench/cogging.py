"""Bench sheet: cogging torque."""

from __future__ import annotations

import math

from ..bench import (
    BenchSheet,
    Effect,
    Element,
    Expectation,
    SetValue,
    Situation,
    Wire,
    Wiring,
    driven_from_outside,
    span,
)


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    slots, pairs = situation.get("nameplate_slots"), situation.get("nameplate_pole_pairs")
    periods = math.lcm(int(slots), int(2 * pairs)) if slots and pairs else None
    torque = situation.rated_torque
    small = 0.03 * torque if torque else None
    return BenchSheet(
        Wiring(
            (
                Element("drive", "Slow geared drive or dividing head", 0, 0, "machine"),
                Element("cell", "Torque sensor, or lever and force cell", 1, 0),
                Element("motor", "Motor, plug open", 2, 0, "machine"),
                Element("log", "Logger: torque, angle", 1, 1),
            ),
            (
                Wire("drive", "cell", "", "mechanical"),
                Wire("cell", "motor", "", "mechanical"),
                Wire("cell", "log", "torque, angle", "signal"),
            ),
        ),
        (
            "Disconnect the plug: closed windings brake and hide the cogging.",
            "Align sensor and axle; zero the sensor without the motor.",
            "Turn slowly through one full turn in one direction, then back in the other, recording torque and angle.",
        ),
        (
            SetValue("Speed, at most", 2 * math.pi / 60, "speed", "rpm", "slow: inertia must not enter"),
            SetValue(
                "Points per turn, at least",
                20.0 * periods if periods else 3600.0,
                "number",
                "1",
                "20 per cogging period; periods per turn = least common multiple of slots and poles",
            ),
        ),
        (
            Expectation(
                "cogging_torque",
                *span(small, 0.1, 3.0),
                "a few percent of rated torque, peak to peak",
                basis="practice",
            ),
        ),
        {"cogging_torque": (Effect("torque", small),)} if small else {},
        (
            ("One or two waves per turn", "sensor out of line, or the axle bent"),
            ("Forward and back differ by a constant", "that is friction: half the gap"),
        ),
        "Needs no supply.",
        {3: "Keep fingers out of spokes and gear; a slow drive is strong."},
        notes=driven_from_outside(situation),
    )
