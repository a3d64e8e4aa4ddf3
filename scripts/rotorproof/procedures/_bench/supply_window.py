"""Bench sheet: supply window."""

from __future__ import annotations

from ..bench import BenchSheet, Effect, Element, SetValue, Situation, Wire, Wiring, fuse_value


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    voltage, full = situation.voltage, situation.full_voltage
    reaches = situation.supply_reaches(full)
    supply = situation.get("supply_voltage")
    return BenchSheet(
        Wiring(
            (
                Element("supply", "Adjustable DC supply", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("power", "V, A", 2, 0, "meter"),
                Element("controller", "Controller", 3, 0),
                Element("motor", "Motor, wheel free", 4, 0, "machine"),
                Element("log", "Logger", 3, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "power", switch=True),
                Wire("power", "controller", "+"),
                Wire("controller", "motor", "A, B, C"),
                Wire("controller", "log", "voltage, current, speed", "signal"),
                Wire("controller", "supply", "−"),
            ),
        ),
        (
            "Set a low throttle so that the wheel turns as soon as the controller allows it.",
            "Raise the voltage slowly from zero; note where it starts; go on up to where it cuts off, or the "
            "highest voltage.",
            "Lower it slowly; note where it starts again and where it cuts off.",
            "Repeat three times; the record holds voltage, current and speed throughout.",
        ),
        (
            SetValue(
                "Lowest voltage of the sweep",
                situation.supplied(0.4 * voltage if voltage else None),
                "voltage",
                "V",
                "well below any cut-off",
            ),
            SetValue(
                "Highest voltage of the sweep",
                supply if reaches is False else None,
                "voltage",
                "V",
                "the bench supply's; never above what the controller's maker states"
                if reaches is False
                else "what the controller's maker states at most, above the full pack's "
                + (f"{full:.3g} V" if full else "voltage"),
            ),
            SetValue("Rate of the sweep, at most", 0.5, "voltage", "V", "in each second: thresholds act with delay"),
            SetValue("Current limit", 2.0, "current", "A", "a free wheel needs no more"),
            fuse_value(2.0),
            SetValue("Sample rate, at least", 20.0, "frequency", "Hz", "25 mV between readings at that rate"),
        ),
        (),
        {
            name: (Effect("supply_voltage", 0.8 * voltage),)
            for name in ("start_voltage", "cutoff_voltage", "overvoltage_cutoff")
        }
        if voltage
        else {},
        (
            ("Start and cut-off fall together", "no hysteresis: it will chatter on a weak pack"),
            ("It starts below the pack's empty voltage", "the controller does not protect the pack"),
        ),
        "Start and cut-off below the pack's voltage can be measured; the over-voltage cut-off needs a supply "
        "above the full "
        "pack" + (" and cannot be measured on this one." if reaches is False else "."),
        {2: "Above the stated limit capacitors burst: keep the cover on and do not exceed it."},
        unreached={"overvoltage_cutoff": f"the supply's {supply:.3g} V do not reach the full pack's {full:.3g} V"}
        if reaches is False and supply and full
        else {},
    )
