"""Bench sheet: gate timing."""

from __future__ import annotations

from ..bench import BenchSheet, Element, Expectation, SetValue, Situation, Wire, Wiring, fuse_value


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    voltage = situation.full_voltage
    reaches = situation.supply_reaches(voltage)
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply, current limit", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("controller", "Controller, cover off", 2, 0),
                Element("motor", "Motor, wheel free", 3, 0, "machine"),
                Element("isolate", "Isolated probes or logic side of the drivers", 2, 1),
                Element("log", "Logic analyser, 8 or 9 channels", 3, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "controller", "+", switch=True),
                Wire("controller", "motor", "A, B, C, Hall"),
                Wire("controller", "isolate", "gates, 3 Hall", "signal"),
                Wire("isolate", "log", "levels", "signal"),
                Wire("controller", "supply", "−"),
            ),
        ),
        (
            "With everything off, connect the probes to the logic side of the gate drivers and to the Hall lines.",
            "Set the current limit; switch on; run the wheel slowly.",
            "Capture at a low, a middle and the full throttle, and once while braking.",
            "With eight channels: the three sensors with both gates of A and B, then the sensors with both gates of B "
            "and C; the sensors join the two captures. With fewer: one leg's two gates at a time with the sensors.",
            "List every capture as a test of its own and leave the columns out that it does not hold.",
        ),
        (
            SetValue(
                "Supply voltage",
                situation.supplied(voltage),
                "voltage",
                "V",
                "the pack's full voltage, or what the bench supply gives; start low",
            ),
            SetValue(
                "Current limit",
                2.0,
                "current",
                "A",
                "a wheel in the air needs no more; an overlap then trips the limit",
            ),
            fuse_value(2.0),
            SetValue(
                "Sample rate, at least", 50e6, "frequency", "Hz", "20 ns: a dead time of 500 ns is then known to 4 %"
            ),
            SetValue("Record", 0.2, "time", "s", "several electrical turns at low speed"),
        ),
        (
            Expectation("dead_time_min", 3e-7, 3e-6, "MOSFET bridges of light vehicles", basis="practice"),
            Expectation("overlap_count", 0.0, 0.0, "both switches of a leg must never be on together"),
            Expectation("pwm_frequency", 8e3, 25e3, "usual", basis="practice"),
        ),
        {},
        (
            ("Any overlap", "shoot-through: do not raise voltage or current; reject or repair"),
            ("Missing pulses", "a probe's threshold: set it to half the logic level"),
        ),
        "Dead time and order of the gates do not depend on the supply: a low voltage shows them as well"
        + ("; this supply stays below the pack." if reaches is False else "."),
        {
            1: "High-side gates float at motor voltage: never clip a grounded probe to them.",
            2: "The wheel turns: guard it.",
        },
        (
            "A capture need not hold all channels: both gates of a leg show its dead time and overlaps, any gate the "
            "switching frequency and the shortest pulse, the sensors alone their disturbances, sensors with two "
            "legs the commutation. What no capture holds is named in the report; its quantities are not measured, and "
            "while a leg is lacking, no dead time or count passes for the bridge.",
            "All six gates with one sensor, and the three sensors in a capture of their own: run the wheel the same "
            "way in both and state the 'driven_direction' of each, else there is no commutation table.",
        ),
    )
