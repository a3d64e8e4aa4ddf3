"""The temperature of the magnets during a test: stated, or taken from other temperatures with a doubt of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .base import Condition, Log
from .fit import Fit

CONDITION = Condition("magnet_temperature", "temperature", "temperature of magnets, rotor or hub during the test")
#: Constants of the EMF and torque refer to magnets at this temperature.
REFERENCE = (("magnet_temperature", "20 degC"),)
AT_20 = "with the magnets at 20 °C"
_LABEL = "temperature of the magnets, not stated"
_LABEL_AIR = "temperature of the air about the magnets, not stated"
_NEAR_AIR = 5.0
_NOT_KNOWN = 10.0


@dataclass(frozen=True)
class Magnets:
    """Temperature of the magnets at each point ``(n,)`` in degC, its half-width (K), and where it comes from.

    ``of_air``: what is not known is the temperature of the air, which is about the same in all tests of a unit.
    """

    temperature: np.ndarray
    half_width: float
    words: str
    of_air: bool = False

    def doubt(self, fit: Fit) -> None:
        """Keep what may be added to the temperature of all points alike, as the parameter ``magnets/doubt``."""
        spread = self.half_width**2 / 3.0
        label = _LABEL_AIR if self.of_air else _LABEL
        fit.block(label, {"magnets/doubt": 0.0}, spread, distribution="rectangular", of_unit=self.of_air)


def magnets(
    log: Log,
    given: Mapping[str, float],
    winding: float | np.ndarray | None = None,
    count: int = 1,
    warmed: float = 0.0,
) -> Magnets:
    """Return the magnets' temperature at ``count`` points of a test.

    Where it is not stated they stand between the air and the ``winding`` (degC, each point or all), or near the air,
    ``warmed`` (K) by the test itself. All half-widths are common practice.
    """
    stated = log.conditions.get(CONDITION.name)
    if stated is not None:
        return Magnets(np.full(count, stated), 0.0, f"The magnets stood at {stated:.1f} °C, as stated.")
    air = given.get("ambient_temperature", 20.0)
    least = _NEAR_AIR if "ambient_temperature" in given else _NOT_KNOWN
    known = (
        f"the ambient temperature of {air:.1f} °C"
        if "ambient_temperature" in given
        else "20 °C, since no ambient temperature is stated either,"
    )
    if winding is None:
        found, half_width = np.full(count, air + warmed), least
        taken = f"{warmed:.1f} K above {known}" if warmed else known
    else:
        found = np.full(count, 0.5 * (air + winding))
        half_width = max(least, 0.5 * float(np.max(np.abs(np.asarray(winding) - air))))
        taken = f"the middle between that of the winding and {known}"
    return Magnets(
        found,
        half_width,
        f"The temperature of the magnets is not stated: {taken} is taken for it, within {half_width:.0f} K (common "
        "practice). State 'magnet_temperature' to narrow the interval.",
        winding is None and "ambient_temperature" not in given,
    )


def together(logs: Sequence[Log], given: Mapping[str, float], weights: Sequence[float]) -> Magnets:
    """Return the one temperature at which the EMF is the mean of those of the ``logs`` by their ``weights``."""
    each = [magnets(log, given) for log in logs]
    mean = float(np.average([float(one.temperature[0]) for one in each], weights=weights))
    widest = max(each, key=lambda one: one.half_width)
    words = widest.words if widest.half_width else f"The magnets stood at {mean:.1f} °C, as stated."
    return Magnets(np.array([mean]), widest.half_width, words, widest.of_air)
