"""Bench sheet: locked rotor."""

from __future__ import annotations

from ..bench import BenchSheet, Effect, Element, Expectation, SetValue, Situation, Wire, Wiring, fuse_value, span


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    current, constant = situation.rated_current, situation.emf_constant
    top = 1.5 * current if current else None
    torque = top * constant if top and constant else None
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply, current limit", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("amperes", "A", 2, 0, "meter"),
                Element("motor", "Motor, two lines, wheel held by the lever", 3, 0, "machine"),
                Element("lever", "Lever on a scale", 3, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "amperes", switch=True),
                Wire("amperes", "motor", "A / B / C"),
                Wire("motor", "lever", "force at the arm", "mechanical"),
                Wire("motor", "supply", "return"),
            ),
        ),
        (
            "Bolt the lever to the wheel; measure the arm from the axle's centre to the point of contact, "
            "square to it.",
            "Feed a small current and turn the rotor to the angle of highest torque; set the lever level there.",
            "Raise the current in steps; at each write current and force within a few seconds; pause between.",
            "Go down again; write down the winding temperature.",
        ),
        (
            SetValue("Highest current", top, "current", "A", "1.5 times rated, a few seconds each: shows saturation"),
            SetValue("Time at that current, at most", 5.0, "time", "s", "the winding has no cooling at standstill"),
            fuse_value(top),
            SetValue("Torque there, about", torque, "torque", "N m", "sets lever length and the scale's range"),
        ),
        (Expectation("torque_constant", *span(constant, 0.7, 1.3), "equals the DC EMF constant (power balance)"),),
        {"torque_constant": (Effect("torque", torque), Effect("current_ab", top, -1.0))} if torque and top else {},
        (
            ("Torque bends off at high current", "saturation, or the lever gives way"),
            ("Torque at zero current", "cogging or friction: measure from both sides"),
        ),
        "A few volts at high current are enough: this test does not need the pack's voltage.",
        {3: "The lever carries the full torque: a stop on both sides, nobody within its reach. Windings heat fast."},
    )
