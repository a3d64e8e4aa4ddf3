"""The winding's resistance during a run: known at 20 degC, wanted at the winding's temperature."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np

from ..physics import winding
from .base import Condition, Log, Need

CONDITIONS = (
    Condition("winding_temperature", "temperature", "winding temperature during the run"),
    Condition("line_resistance", "resistance", "line-to-line resistance at 20 °C, where no resistance test was made"),
)
NEED = Need("phase_resistance", "the winding loss")
_NO_RESISTANCE = "the winding resistance is not known; add a winding-resistance test or state 'line_resistance'"
_NO_TEMPERATURE = "the winding temperature is not stated; add the condition 'winding_temperature' or log it"


def unknown(log: Log, known: Collection[str]) -> str:
    """Return why ``resistance`` will find none, told from names alone, "" if it will; ``known`` as for ``lacks``."""
    if "phase_resistance" not in known and "line_resistance" not in log.conditions:
        return _NO_RESISTANCE
    return "" if "temperature_winding" in log or "winding_temperature" in log.conditions else _NO_TEMPERATURE


def resistance(
    log: Log, given: Mapping[str, float], temperature: np.ndarray | None, count: int
) -> tuple[np.ndarray | None, str]:
    """Return the phase resistance (ohm) of each of ``count`` points, or ``None`` and what is missing.

    ``temperature`` ``(count,)`` in degC, where it was logged; else the condition of the log.
    """
    at_20 = given.get("phase_resistance")
    if at_20 is None and "line_resistance" in log.conditions:
        at_20 = 0.5 * log.conditions["line_resistance"]
    if at_20 is None:
        return None, _NO_RESISTANCE
    if temperature is None:
        if "winding_temperature" not in log.conditions:
            return None, _NO_TEMPERATURE
        temperature = np.full(count, log.conditions["winding_temperature"])
    k = given["winding_constant"]
    return np.array([at_20 * winding.temperature_factor(float(t), k) for t in temperature]), ""
