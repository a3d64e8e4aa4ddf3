"""Bench sheet: load run."""

from __future__ import annotations

from ..bench import BenchSheet, Effect, Element, Expectation, SetValue, Situation, Wire, Wiring, fuse_value


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    voltage, current, torque = situation.voltage, situation.rated_current, situation.rated_torque
    speed = situation.get("nameplate_rated_speed")
    top = 1.5 * current if current else None
    effects: tuple[Effect, ...] = ()
    if voltage and current and torque and speed:
        effects = (
            Effect("torque", torque),
            Effect("speed", speed),
            Effect("supply_voltage", voltage, -1.0),
            Effect("supply_current", current, -1.0),
        )
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply or pack", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("power", "V, A", 2, 0, "meter"),
                Element("controller", "Controller", 3, 0),
                Element("motor", "Motor", 4, 0, "machine"),
                Element("brake", "Brake with torque sensor", 5, 0),
                Element("log", "Logger", 3, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "power", switch=True),
                Wire("power", "controller", "+"),
                Wire("controller", "motor", "A, B, C"),
                Wire("motor", "brake", "", "mechanical"),
                Wire("brake", "log", "torque, speed", "signal"),
                Wire("power", "log", "voltage, current", "signal"),
                Wire("controller", "supply", "−"),
            ),
        ),
        (
            "Bolt motor, coupling and brake in line; guard what turns; zero the torque sensor.",
            "Warm up ten minutes at a third of rated torque.",
            "At full throttle load in eight steps from none to 1.5 times rated torque; at each wait until it is "
            "steady.",
            "Write voltage, current, torque, speed and winding temperature at each point; pause when it gets warm.",
            "Repeat at two lower voltages or throttle settings for the map.",
        ),
        (
            SetValue(
                "Supply voltage",
                situation.supplied(voltage),
                "voltage",
                "V",
                "the pack's nominal voltage, or what the bench supply gives",
            ),
            SetValue("Highest supply current", top, "current", "A", "1.5 times rated, briefly"),
            fuse_value(top),
            SetValue(
                "Highest torque",
                1.5 * torque if torque else None,
                "torque",
                "N m",
                "1.5 times rated power over rated speed",
            ),
            SetValue(
                "Winding temperature, stop at",
                120.0,
                "temperature",
                "degC",
                "below thermal class B (130 °C, IEC 60085)",
            ),
        ),
        (Expectation("efficiency_max", 0.70, 0.92, "hub motors with their controller", basis="practice"),),
        {"efficiency_max": effects},
        (
            ("Efficiency above 95 %", "torque zero, lever arm or a current factor is wrong"),
            ("Efficiency falls from run to run", "the winding warms; correct or pause"),
            ("Torque steps at constant current", "the brake slips or the sensor binds"),
        ),
        "Below the pack's voltage the loss split still holds: copper loss follows torque, iron and friction follow "
        "speed; the top of the speed range is then a prediction.",
        {3: "Full power turns here: guards on, nobody in the plane of rotation."},
    )
