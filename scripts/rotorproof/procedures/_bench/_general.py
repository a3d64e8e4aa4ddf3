"""The sheet of a procedure that has none of its own yet: what follows from its columns alone."""

from __future__ import annotations

from ..bench import BenchSheet, Element, Situation, Wire, Wiring


def bench(situation: Situation) -> BenchSheet:
    """Return a sheet that holds for any test."""
    del situation
    return BenchSheet(
        Wiring(
            (
                Element("supply", "Supply", 0, 0),
                Element("unit", "Unit under test", 1, 0),
                Element("log", "Logger", 1, 1),
            ),
            (Wire("supply", "unit", "+ / −"), Wire("unit", "log", "columns below", "signal")),
        ),
        (
            "Connect as drawn, with the supply off.",
            "Start the record, then the test; keep the record running until everything stands still again.",
            "Save the log under the name given below and write down what the blanks ask for.",
        ),
    )
