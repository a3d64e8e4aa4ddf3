"""Thermal classes of insulation: the one place for their temperatures and hot-spot allowances."""

from __future__ import annotations

#: Thermal class (IEC 60085) -> highest lasting temperature of the insulation, in degC.
CLASS_TEMPERATURE = {"A": 105.0, "E": 120.0, "B": 130.0, "F": 155.0, "H": 180.0}
#: Thermal class -> what the hottest spot exceeds the mean winding temperature by, in K. It makes the limits
#: of temperature rise by resistance at 40 degC coolant in IEC 60034-1, table 8: 60, 75, 80, 105 and 125 K.
HOT_SPOT_ALLOWANCE = {"A": 5.0, "E": 5.0, "B": 10.0, "F": 10.0, "H": 15.0}
#: Coolant temperature that these limits assume (IEC 60034-1, 6.4), in degC.
REFERENCE_COOLANT = 40.0


def rise_limit(letter: str) -> float:
    """Return the limit of the mean winding temperature rise over a coolant of 40 degC, in K.

    The temperature of the class less the allowance for the hot spot (K) less 40 degC.
    """
    return CLASS_TEMPERATURE[letter] - HOT_SPOT_ALLOWANCE[letter] - REFERENCE_COOLANT
