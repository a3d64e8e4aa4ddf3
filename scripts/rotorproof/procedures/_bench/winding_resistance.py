"""Bench sheet: winding resistance."""

from __future__ import annotations

import numpy as np

from ..base import Log
from ..bench import (
    HEATING_LIMIT,
    BenchSheet,
    Effect,
    Element,
    Expectation,
    Machine,
    SetValue,
    Situation,
    Wire,
    Wiring,
    fuse_value,
    span,
)


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    current, resistance = situation.cool_current(), situation.line_resistance
    drop = current * resistance if current and resistance else None
    effects = (Effect("voltage_ab", drop), Effect("current_ab", current)) if drop and current else ()
    low, high = span(resistance, 0.3, 3.0)
    half = span(resistance, 0.15, 1.5)
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply, current limit", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("amperes", "A", 2, 0, "meter"),
                Element("motor", "Motor, two lines", 3, 0, "machine"),
                Element("volts", "V", 3, 1, "meter"),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "amperes", switch=True),
                Wire("amperes", "motor", "A / B / C"),
                Wire("motor", "volts", "on the plug's pins", "signal"),
                Wire("motor", "supply", "return"),
            ),
        ),
        (
            "Let the motor stand in the room until winding and air agree; write down the winding temperature.",
            "Connect the supply to lines A and B, the voltmeter to the same pins inside the current leads (four "
            "wires).",
            "Set the voltage limit, turn the current limit to zero, switch on.",
            "Raise the current in ten equal steps up to the test current; write voltage and current at each, quickly.",
            "Lower the current to zero before you disconnect. Repeat for B-C and C-A.",
            "Write down the winding temperature again.",
        ),
        (
            SetValue(
                "Highest test current",
                current,
                "current",
                "A",
                f"warms the winding by at most {HEATING_LIMIT:g} K even if it flows for good: rated current times the "
                "root of that rise over the rise of the insulation class (IEC 60034-1)",
            ),
            SetValue(
                "Voltage limit of the supply",
                None if drop is None else max(2.0, 3 * drop),
                "voltage",
                "V",
                "three times the expected drop, at least 2 V: keeps the peak low when a clip comes off",
            ),
            fuse_value(current),
            SetValue(
                "Voltage at the highest current, about", drop, "voltage", "V", "12 % copper loss", basis="practice"
            ),
        ),
        (
            Expectation("resistance_ab", low, high, "12 % of rated power lost in copper", basis="practice"),
            Expectation("phase_resistance", *half, "half of the line-to-line value"),
            Expectation("resistance_unbalance", 0.0, 0.03, "three equal coils; a few percent are leads and plug"),
        ),
        {"phase_resistance": effects, "resistance_ab": effects, "resistance_bc": effects, "resistance_ca": effects},
        (
            ("One pair reads higher", "a poor crimp, plug or joint in the line that two high pairs share"),
            ("One pair reads far lower", "shorted turns"),
            ("The points bend upwards", "the winding warms: less current, or faster"),
            ("Voltage at zero current", "thermal EMF or meter zero; the fit takes it out"),
        ),
        "Any supply of a few volts is enough: this test does not need the pack's voltage.",
        {
            4: "The rotor may jerk: hands off wheel and spokes.",
            5: "Current through a winding that is cut gives a voltage peak.",
        },
    )


def ideal_logs(machine: Machine) -> list[Log]:
    """Return steps of current far below the rated one through each pair of lines."""
    current = np.linspace(0.02, 0.12, 8) * machine.current
    columns: dict[str, np.ndarray] = {}
    for pair in ("ab", "bc", "ca"):
        columns |= {f"current_{pair}": current, f"voltage_{pair}": machine.resistance * current}
    return [Log("winding-resistance", columns, {"winding_temperature": 20.0})]
