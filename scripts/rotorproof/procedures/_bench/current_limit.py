"""Bench sheet: current limit."""

from __future__ import annotations

from ..bench import BenchSheet, Effect, Element, SetValue, Situation, Wire, Wiring, fuse_value


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    limit = situation.get("pack_current_limit") or (2 * situation.rated_current if situation.rated_current else None)
    supply = situation.get("supply_current")
    short = supply is not None and limit is not None and supply < limit
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply or pack", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("amperes", "A", 2, 0, "meter"),
                Element("controller", "Controller", 3, 0),
                Element("motor", "Motor", 4, 0, "machine"),
                Element("brake", "Brake", 5, 0),
                Element("log", "Logger: supply and phase current", 3, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "amperes", switch=True),
                Wire("amperes", "controller", "+"),
                Wire("controller", "motor", "A, B, C"),
                Wire("motor", "brake", "", "mechanical"),
                Wire("controller", "log", "currents", "signal"),
                Wire("controller", "supply", "−"),
            ),
        ),
        (
            "Full throttle at half speed; load slowly with the brake until the supply current rises no more.",
            "Hold ten seconds; go on loading down to standstill for the phase current.",
            "Release; let it cool; repeat three times.",
        ),
        (
            SetValue("Limit expected, about", limit, "current", "A", "the pack's limit, else twice rated current"),
            fuse_value(limit),
            SetValue(
                "Sample rate, at least", 1000.0, "frequency", "Hz", "for the mean; the phase current needs its waveform"
            ),
            SetValue("Time at the limit, at most", 10.0, "time", "s", "winding and switches heat fast"),
        ),
        (),
        {"supply_current_limit": (Effect("supply_current", limit),)} if limit else {},
        (
            ("The supply's own limit acts first", "its voltage falls: use the pack or a stronger supply"),
            ("No plateau", "the controller has no limit, or the voltage sags"),
        ),
        "The current limit can be found at a lower voltage, if the supply gives the current"
        + (": this one does not; use the fused pack." if short else "."),
        {2: "At standstill all power becomes heat in the winding: seconds only."},
    )
