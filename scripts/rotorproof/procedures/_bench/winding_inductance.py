"""Bench sheet: winding inductance."""

from __future__ import annotations

from ..bench import BenchSheet, Effect, Element, SetValue, Situation, Wire, Wiring, fuse_value


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    current = situation.rated_current
    step = 0.5 * current if current else None
    effects = (Effect("current_ab", step, -1.0), Effect("voltage_ab", 2.0), Effect("time", 1e-3)) if step else ()
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply, current limit", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("switch", "Switch with free-wheel diode", 2, 0),
                Element("probe", "A", 3, 0, "meter"),
                Element("motor", "Motor, two lines; rotor clamped", 4, 0, "machine"),
                Element("scope", "Oscilloscope", 4, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "switch"),
                Wire("switch", "probe"),
                Wire("probe", "motor", "A / B / C"),
                Wire("motor", "scope", "voltage, current", "signal"),
                Wire("motor", "supply", "return"),
            ),
        ),
        (
            "Turn the rotor to where a small direct current pulls it, and clamp it there.",
            "Set the scope to trigger on the rising current, with a quarter of the record before the step.",
            "Switch the voltage on; record until the current stands still; switch off through the diode.",
            "Repeat at several rotor angles over one electrical turn, or read an LCR meter at each angle instead.",
        ),
        (
            SetValue(
                "Current at the end of the step, about",
                step,
                "current",
                "A",
                "half of rated current: not yet saturated",
            ),
            SetValue("Time that it flows, at most", 0.5, "time", "s", "keeps the winding from warming"),
            fuse_value(step),
            SetValue("Sample rate, at least", 1e5, "frequency", "Hz", "a time constant of 1 ms is then 100 samples"),
            SetValue("Record", 0.02, "time", "s", "ten to twenty time constants"),
        ),
        (),
        {"phase_inductance": effects},
        (
            ("The current rises in two slopes", "saturation, or the rotor moved: clamp it and use less current"),
            ("All angles read alike", "no saliency: a surface-magnet rotor; d and q are equal"),
        ),
        "A supply of a few volts is enough.",
        {
            1: "The rotor turns when current flows: clamp before power.",
            3: "Opening an inductive circuit without the diode makes a peak that destroys probes and hurts.",
        },
    )
