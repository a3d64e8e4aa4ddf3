"""Bench sheet: no-load run."""

from __future__ import annotations

import numpy as np

from ..base import Log
from ..bench import (
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
    voltage, current = situation.full_voltage, situation.rated_current
    supply = situation.get("supply_voltage")
    highest = min(voltage, supply) if voltage and supply else voltage
    idle = 0.1 * current if current else None
    speed = situation.no_load_speed
    if speed and highest and situation.get("nameplate_rated_voltage"):
        speed *= highest / situation.known["nameplate_rated_voltage"]
    limit = 0.5 * current if current else None
    reaches = situation.supply_reaches(voltage)
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply, current limit", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("amperes", "A", 2, 0, "meter"),
                Element("controller", "Controller", 3, 0),
                Element("motor", "Motor, wheel free", 4, 0, "machine"),
                Element("volts", "V", 2, 1, "meter"),
                Element("tacho", "Tachometer", 4, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "amperes", switch=True),
                Wire("amperes", "controller", "+"),
                Wire("controller", "motor", "A, B, C"),
                Wire("volts", "controller", "at its terminals", "signal"),
                Wire("motor", "tacho", "speed", "signal"),
                Wire("controller", "supply", "−"),
            ),
        ),
        (
            "Clamp the axle with its torque arms; the wheel turns free in the air, tyre off if possible.",
            "Set the lowest voltage at which the controller starts; full throttle.",
            "Run in for ten minutes so that grease and bearing are warm.",
            "At each of six voltages or more wait until speed and current stand still; write voltage, current, speed.",
            "Go up and down again, to see warming.",
        ),
        (
            SetValue(
                "Highest supply voltage",
                highest,
                "voltage",
                "V",
                "the full pack's voltage, or what the bench supply gives",
            ),
            SetValue("Current limit of the supply", limit, "current", "A", "half of rated current starts the wheel"),
            fuse_value(limit),
            SetValue(
                "Speed at that voltage, about", speed, "speed", "rpm", "rated speed / 0.85 in proportion to the voltage"
            ),
            SetValue("Current, about", idle, "current", "A", "a tenth of rated current", basis="practice"),
        ),
        (Expectation("no_load_current", *span(idle, 0.3, 3.0), "a tenth of rated current", basis="practice"),),
        {"no_load_current": (Effect("supply_current", idle),)} if idle else {},
        (
            ("Current pulses with each turn", "a rubbing seal, magnet or bearing"),
            ("Current grows strongly with voltage", "iron loss: thick sheets or a strong magnet ring"),
            ("Speed hunts", "supply in current limit, or the controller's field weakening"),
        ),
        "Speed and current follow the voltage in a straight line: six points below what the supply gives fix the "
        "friction as well; only iron loss at full speed is then extrapolated"
        + ("; this supply does not reach the full pack." if reaches is False else "."),
        {2: "The wheel runs up to full speed: stand out of its plane."},
    )


def ideal_logs(machine: Machine) -> list[Log]:
    """Return a table of voltages up to the rated one."""
    supply = np.linspace(0.25, 1.0, 10) * machine.voltage
    # k i = T_c + b w and u = k w + R i, solved for w.
    k, r = machine.constant, machine.resistance
    speed = (supply - r * machine.coulomb / k) / (k + r * machine.viscous / k)
    current = (machine.coulomb + machine.viscous * speed) / k
    columns = {"supply_voltage": supply, "supply_current": current, "speed": speed}
    return [Log("no-load", columns, {"winding_temperature": 20.0})]
