"""Bench sheet: Hall sensors."""

from __future__ import annotations

import math

from ..bench import BenchSheet, Element, Expectation, SetValue, Situation, Wire, Wiring, driven_from_outside


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    top = situation.no_load_speed
    speed = 0.3 * top if top else None
    rate = situation.sample_rate(speed)
    return BenchSheet(
        Wiring(
            (
                Element("drive", "Drill, lathe or second motor, switch in reach", 0, 0, "machine"),
                Element("motor", "Motor, plug open", 2, 0, "machine"),
                Element("five", "5 V supply, 100 mA limit", 0, 1),
                Element("pull", "3 pull-ups, 4.7 kΩ", 1, 1),
                Element("log", "Logic analyser + scope", 2, 1),
            ),
            (
                Wire("drive", "motor", "shaft or roller", "mechanical"),
                Wire("five", "pull", "+5 V"),
                Wire("pull", "motor", "Hall A, B, C; 5 V; 0 V", "signal"),
                Wire("motor", "log", "Hall levels, line voltages", "signal"),
            ),
        ),
        (
            "Find the plug's pins from the maker's sheet; never guess the 5 V pin.",
            "Feed the sensors with 5 V, current limited; fit a pull-up from each output to 5 V.",
            "Turn the rotor by hand: each level must change between 0 and 1.",
            "Drive at a steady speed and record the levels together with the three line voltages.",
            "Repeat in the other direction if the motor runs both ways.",
        ),
        (
            SetValue("Sensor supply", 5.0, "voltage", "V", "usual; up to the maker's figure", basis="practice"),
            SetValue(
                "Current limit", 0.1, "current", "A", "three sensors take about 30 mA; a wrong pin then harms nothing"
            ),
            SetValue("Speed, about", speed, "speed", "rpm", "slow enough for the logger, fast enough to hold steady"),
            SetValue(
                "Sample rate, at least",
                3.6 * rate if rate else None,
                "frequency",
                "Hz",
                "360 samples per electrical turn: an edge then lies within one electrical degree",
            ),
            SetValue("Record", 6 * math.pi / speed if speed else None, "time", "s", "three turns of the rotor"),
        ),
        (
            Expectation(
                "hall_duty_error",
                0.0,
                math.radians(6),
                "sensors placed within a few electrical degrees",
                basis="practice",
            ),
        ),
        {},
        (
            ("A level never changes", "dead sensor, broken wire or missing pull-up"),
            ("All three high or all three low occurs", "sensors 60 electrical degrees apart, or one lead swapped"),
            ("Edges double", "noise: shorten the leads, add 1 nF to 0 V"),
        ),
        "Needs 5 V only.",
        {2: "More than the sensors' voltage on a wrong pin destroys them.", 4: "The wheel turns: guard it."},
        notes=(
            "With too few channels: several captures in the same direction, each a test of its own with its "
            "'driven_direction', each with a sensor or line that another one holds too, which joins them: all "
            "sensors on a logic analyser, then sensor A beside line A-B and beside line B-C on a scope of two; "
            "or one sensor at a time beside line A-B, then B-C beside A-B. Line C-A may be left out, it follows from "
            "the others; without two lines there is no commutation table.",
            *driven_from_outside(situation),
        ),
    )
