"""Bench sheet: throttle."""

from __future__ import annotations

from .._fault_limits import FAULT_LIMITS, of
from ..bench import BenchSheet, Element, SetValue, Situation, Wire, Wiring, fuse_value
from ..throttle import FAULTS


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet; the limits of the fault cases are those of the acceptance set."""
    limits = of(situation.known)
    ended, standby = (FAULT_LIMITS[name].said(limits[name]) for name in ("ended_share", "standby_share"))
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply, current limit", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("controller", "Controller", 2, 0),
                Element("motor", "Motor, wheel free", 3, 0, "machine"),
                Element("source", "0 to 5 V source, 1 kΩ in series", 1, 1),
                Element("log", "Logger", 3, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "controller", "+", switch=True),
                Wire("controller", "motor", "A, B, C"),
                Wire("source", "controller", "throttle signal", "signal"),
                Wire("controller", "log", "throttle, duty or speed, brake", "signal"),
                Wire("controller", "supply", "−"),
            ),
        ),
        (
            "Sweep the signal slowly from 0 to 5 V and back, twice; record signal and speed or duty.",
            *(f"Case '{case}', one record: {what}." for case, (_, _, what) in FAULTS.items()),
            "With the wheel at half speed pull the brake contact; record until the drive is off.",
        ),
        (
            SetValue("Time of one sweep, at least", 30.0, "time", "s", "the controller's own ramp must not enter"),
            SetValue(
                "Supply voltage",
                situation.supplied(situation.voltage),
                "voltage",
                "V",
                "the pack's nominal voltage, or lower",
            ),
            SetValue("Current limit", 2.0, "current", "A", "a free wheel needs no more"),
            fuse_value(2.0),
            SetValue(
                "Sample rate for the fault cases, at least",
                1000.0,
                "frequency",
                "Hz",
                "a response of 50 ms is 50 samples",
            ),
            SetValue(
                "Record after each fault, at least",
                limits["watched"],
                "time",
                "s",
                "an output that goes on for so long never ended",
            ),
        ),
        (),
        {},
        (
            ("The wheel runs with an open lead", "dangerous: reject"),
            (f"More than {ended} of the output is left after a fault, standby apart", "it did not end: reject"),
            (f"A current stays, up to {standby} of that before", "standby: measure it by itself, state it"),
            ("The start differs up and down", "hysteresis of the controller, or sweeps too fast"),
        ),
        "Works at any voltage at which the controller starts.",
        {2: "A faulty controller may go to full speed: hand on the switch of the supply, nobody near the wheel."},
    )
