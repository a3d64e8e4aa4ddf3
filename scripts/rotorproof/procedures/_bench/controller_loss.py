"""Bench sheet: controller loss."""

from __future__ import annotations

from ..bench import BenchSheet, Effect, Element, Expectation, SetValue, Situation, Wire, Wiring, fuse_value


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    voltage, current = situation.voltage, situation.rated_current
    effects: tuple[Effect, ...] = ()
    if voltage and current:
        effects = (
            Effect("phase_power", voltage * current),
            Effect("supply_voltage", voltage, -1.0),
            Effect("supply_current", current, -1.0),
        )
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply or pack", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("input", "V, A", 2, 0, "meter"),
                Element("controller", "Controller", 3, 0),
                Element("output", "Power analyser, 3 phases", 4, 0),
                Element("motor", "Motor and brake", 5, 0, "machine"),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "input", switch=True),
                Wire("input", "controller", "+"),
                Wire("controller", "output", "A, B, C"),
                Wire("output", "motor", "A, B, C"),
                Wire("controller", "supply", "−"),
            ),
        ),
        (
            "Write the standby current with the throttle at zero.",
            "Load in steps; at each read DC voltage and current and the power of the three phases over the same time.",
        ),
        (
            SetValue(
                "Supply voltage",
                situation.supplied(voltage),
                "voltage",
                "V",
                "the pack's nominal voltage, or what the bench supply gives",
            ),
            SetValue("Highest supply current", current, "current", "A", "rated current"),
            fuse_value(current),
            SetValue("Averaging, at least", 1.0, "time", "s", "whole turns on both sides"),
        ),
        (Expectation("controller_efficiency", 0.92, 0.99, "MOSFET bridges", basis="practice"),),
        {"controller_efficiency": effects},
        (
            (
                "Efficiency above 100 %",
                "bandwidth or phase error of the analyser: loss is a small difference of large numbers",
            ),
            ("Standby above 1 W", "drains a pack in storage"),
        ),
        "Losses depend on voltage: measure at the pack's, or state the voltage with the result.",
        {2: "Full power flows: guard the brake, mind hot parts."},
    )
