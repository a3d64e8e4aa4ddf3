"""Scalars that stand in where nobody measured or stated them, each with a half-width and a reason."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Assumption:
    """A scalar used where nobody stated it: never silently, always with a half-width and a reason.

    ``half_width`` is that of a rectangular distribution (JCGM 100:2008, 4.3.7), in SI like ``value``. Where ``when``
    names a scalar, it is made only if that one is there and not zero. One ``of_motor`` is a property of the motor: its
    error is the same in every test of it and in all that is derived from them. One ``of_unit`` is the same in every
    test of one unit. One ``of_all`` is the same for all units: of something that any of them might be used with. One
    that ``stands_for`` something, in words, takes the place of a measurement that nobody made:
    what moves with it is called stated, and no criterion on that is decided.
    """

    name: str
    value: float
    half_width: float
    why: str
    when: str = ""
    of_motor: bool = False
    of_unit: bool = False
    of_all: bool = False
    stands_for: str = ""


MAGNET_COEFFICIENT = Assumption(
    "magnet_coefficient",
    -0.0010,
    0.0003,
    "the EMF falls by 0.07 to 0.13 percent per kelvin of the magnets (makers give 0.09 to 0.12 for sintered NdFeB; "
    "ferrite falls by about 0.2, which this does not cover)",
    of_motor=True,
)

GEAR_LOSS = Assumption(
    "gear_loss",
    0.025,
    0.025,
    "up to 5 percent of the torque stays in the teeth of the gear (common practice, no source)",
    when="nameplate_gear_ratio",
    of_motor=True,
)

#: The shape of the EMF, where no test has told it.
EMF_SHAPE = (
    Assumption(
        "emf_harmonic_5",
        0.0,
        0.05,
        "the shape of the EMF lies between a sine and a trapezoid: fifth harmonic of at most 5 percent (from the "
        "Fourier series of a trapezoid), since no open-circuit test gave it",
        of_motor=True,
    ),
    Assumption(
        "emf_harmonic_7",
        0.0,
        0.025,
        "seventh harmonic of the EMF of at most 2.5 percent, for the same reason",
        of_motor=True,
    ),
)

COMMUTATION_LEAD = Assumption(
    "commutation_lead",
    0.0,
    math.radians(4.0),
    "the controller changes from phase to phase within 4 electrical degrees of the best angle (common practice, no "
    "source)",
    of_motor=True,
)

#: What a six-step bridge makes of a winding, where no test has told it.
SIX_STEP = (
    Assumption(
        "electrical_time_constant",
        1.7e-3,
        1.3e-3,
        "the winding's inductance over its resistance lies between 0.4 ms and 3 ms, as in most hub motors (common "
        "practice, no source), since no test of the inductance is among the logs",
        of_motor=True,
    ),
    *EMF_SHAPE,
    Assumption(
        "commutation_model",
        1.0,
        0.2,
        "what commutation costs is known to 20 percent: the d- and q-axis inductances differ, saturate, and diodes "
        "take a voltage of their own (common practice, no source)",
        of_motor=True,
    ),
    COMMUTATION_LEAD,
)

STANDBY_GROWTH = Assumption(
    "standby_growth",
    0.5,
    0.5,
    "the standby power of the controller lies between constant and proportional to the supply voltage, since it was "
    "not read at several voltages",
    of_unit=True,  # the bench feeds all tests of a unit from one controller
)
