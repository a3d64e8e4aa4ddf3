"""Bench sheet: heat run."""

from __future__ import annotations

from ...physics.thermal_class import CLASS_TEMPERATURE, HOT_SPOT_ALLOWANCE
from ..bench import BenchSheet, Effect, Element, Expectation, SetValue, Situation, Wire, Wiring, fuse_value

_LIMIT_IS = "the insulation class's temperature less what the hottest spot exceeds the mean by (IEC 60085, 60034-1)"


def _limit(situation: Situation) -> float | None:
    letter = situation.insulation_class
    return CLASS_TEMPERATURE[letter] - HOT_SPOT_ALLOWANCE[letter] if letter else None


def bench(situation: Situation) -> BenchSheet:
    """Return the sheet."""
    current = situation.rated_current
    return BenchSheet(
        Wiring(
            (
                Element("supply", "DC supply, current limit", 0, 0),
                Element("fuse", "Fuse", 1, 0, "fuse"),
                Element("amperes", "A", 2, 0, "meter"),
                Element("unit", "Unit under test, loaded", 3, 0, "machine"),
                Element("log", "Logger: temperatures", 3, 1),
                Element("air", "Thermometer in the air, 1 m away", 1, 1),
            ),
            (
                Wire("supply", "fuse", "+"),
                Wire("fuse", "amperes", switch=True),
                Wire("amperes", "unit"),
                Wire("unit", "log", "winding, case", "signal"),
                Wire("air", "log", "ambient", "signal"),
                Wire("unit", "supply", "return"),
            ),
        ),
        (
            "Fix the sensors: winding or case, and the air at the unit's height, shielded from it.",
            "Measure the cold resistance and temperature first.",
            "Switch on at the test current, start the record, keep the current constant.",
            "Run until the temperature rises by less than 1 K in half an hour (IEC 60034-1: 1 K per half hour; "
            "from memory).",
            "Switch off; read the resistance within 30 s and then every 10 s for five minutes.",
            "With a hand meter and no logger: write down time and resistance every five minutes. Read it under load "
            "from voltage over current, or take the load off, read after the same time each time, and load again.",
        ),
        (
            SetValue("Test current", current, "current", "A", "rated current"),
            fuse_value(current),
            SetValue("Switch off at a winding temperature of", _limit(situation), "temperature", "degC", _LIMIT_IS),
            SetValue("Time, about", 7200.0, "time", "s", "four time constants; hub motors take one to three hours"),
            SetValue("Sample rate", 0.1, "frequency", "Hz", "one reading in ten seconds"),
        ),
        (Expectation("temperature_rise", 20.0, 80.0, "below the limit of class B by resistance (80 K, IEC 60034-1)"),),
        {"temperature_rise": (Effect("temperature_winding", 60.0),)},
        (
            ("The rise never ends", "the current is too high for the cooling: switch off at the limit above"),
            ("A step in the curve", "a sensor came loose or the air moved"),
        ),
        "A motor at standstill needs a few volts only; a turning run needs the speed of the real use, for its cooling.",
        {
            3: "Never leave the run alone. Hot parts burn skin; keep away what burns.",
            5: "Switch off and discharge before the meter is connected.",
            6: "An ohmmeter goes on only with the load off; a loaded wheel that coasts gives voltage.",
        },
        (
            "Needed is one course: of a sensor, or of the winding's resistance (then the cold resistance and "
            "'reading_delay' too). The readings after switch-off may be left out, and the air's course where its "
            "temperature is stated.",
        ),
    )
