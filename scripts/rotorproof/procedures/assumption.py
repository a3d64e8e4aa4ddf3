"""Scalars that stand in where nobody measured or stated them, each with a half-width and a reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Assumption:
    """A scalar used where nobody stated it: never silently, always with a half-width and a reason.

    ``half_width`` is that of a rectangular distribution (JCGM 100:2008, 4.3.7), in SI like ``value``. Where ``when``
    names a scalar, it is made only if that one is there and not zero. One ``of_motor`` is a property of the motor: its
    error is the same in every test of it and in all that is derived from them.
    """

    name: str
    value: float
    half_width: float
    why: str
    when: str = ""
    of_motor: bool = False


MAGNET_COEFFICIENT = Assumption(
    "magnet_coefficient",
    -0.0010,
    0.0003,
    "the EMF falls by 0.07 to 0.13 percent per kelvin of the magnets (common practice, no source: typical of sintered "
    "NdFeB)",
    of_motor=True,
)
