"""The sheet of a procedure that has none of its own yet: what follows from its columns alone."""

from __future__ import annotations

from ..bench import Bench, Part, Situation, Wire, Wiring


def bench(situation: Situation) -> Bench:
    """Return a sheet that holds for any test."""
    del situation
    return Bench(
        Wiring(
            (Part("supply", "Supply", 0, 0), Part("unit", "Unit under test", 1, 0), Part("log", "Logger", 1, 1)),
            (Wire("supply", "unit", "+ / −"), Wire("unit", "log", "columns below", "signal")),
        ),
        (
            "Connect as drawn, with the supply off.",
            "Start the record, then the test; keep the record running until everything stands still again.",
            "Save the log under the name given below and write down what the blanks ask for.",
        ),
    )
