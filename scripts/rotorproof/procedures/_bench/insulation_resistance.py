"""Bench sheet: insulation resistance."""

from __future__ import annotations

from ..bench import BenchSheet, Effect, Element, Expectation, SetValue, Situation, Wire, Wiring


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    rated = situation.get("nameplate_rated_voltage")
    low = rated is not None and rated <= 60
    return BenchSheet(
        Wiring(
            (
                Element("tester", "Insulation tester", 0, 0),
                Element("motor", "Motor, all three lines joined", 2, 0, "machine"),
                Element("frame", "Axle or hub: bare metal", 2, 1),
            ),
            (Wire("tester", "motor", "line"), Wire("tester", "frame", "earth")),
        ),
        (
            "Unplug the motor from everything: controller, Hall sensors, temperature sensor.",
            "Join the three lines with one clip; put the other clip on bare metal of axle or hub.",
            "Write down winding temperature and test voltage.",
            "Apply the voltage; write down the reading at 15, 30, 45 and 60 s, then each minute up to 10 minutes.",
            "Switch off, let the tester discharge the winding, and check that no voltage is left.",
        ),
        (
            SetValue(
                "Test voltage, DC",
                250.0 if low else 500.0,
                "voltage",
                "V",
                "250 V for extra-low voltage is common practice; 500 V below 1000 V after IEEE 43 (from memory); the "
                "maker's figure comes first",
            ),
            SetValue("Time", 600.0, "time", "s", "1 min for the resistance, 10 min for the polarization index"),
        ),
        (
            Expectation(
                "insulation_resistance", 5e6, 1e12, "IEEE 43, random-wound below 1 kV: at least 5 MΩ", basis="memory"
            ),
            Expectation(
                "polarization_index",
                1.0,
                8.0,
                "of little meaning where the reading is above 5 GΩ (IEEE 43)",
                basis="memory",
            ),
        ),
        {
            name: (Effect("insulation_resistance", 5e6),)
            for name in ("insulation_resistance", "insulation_resistance_at_least")
        },
        (
            ("Reading falls with time", "moisture or dirt: dry the motor warm and measure again"),
            ("Reading near zero", "a line touches the frame, or a sensor was left connected"),
            ("Reading jumps", "a poor clip, or the insulation begins to break down: stop"),
        ),
        "Needs no supply: the tester makes its own voltage.",
        {4: "Hundreds of volts are on the leads from here on. Nobody touches motor or frame."},
    )
