"""A heat run followed by the winding's resistance alone, read every few minutes with a hand meter.

Each reading is the temperature of the winding after it cooled towards the iron for as long as reading takes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import exp

import numpy as np

from ..errors import FitError
from ..physics import heating
from .assumption import Assumption
from .base import Condition, Log

PAIRS = ("ab", "bc", "ca")
NO_COLD_RESISTANCE = (
    "the cold resistance is not known, so the resistance gives no temperature; state 'cold_resistance' and "
    "'cold_temperature', or measure winding-resistance on the cold motor"
)
#: A winding gives its heat to the iron with a time constant of half a minute or more (common practice, no source).
_TO_IRON = 30.0  # s
#: Of fewer readings after switch-off nothing can be extrapolated to it.
_FEWEST_AFTER = 3
DELAY = Condition(
    "reading_delay",
    "time",
    "time from taking the load off to reading each resistance of the course, as long as the winding cooled before it "
    "was read (0 s where it was read under load, from voltage over current)",
)
OVER_IRON = Assumption(
    "winding_over_iron",
    1 / 6,
    1 / 6,
    "of its rise the winding stands up to a third above the iron that it lies in, and loses that with a time constant "
    "of 30 s or more before its resistance is read (common practice, no source)",
    of_motor=True,
)


def temperatures(log: Log, given: Mapping[str, float]) -> np.ndarray | None:
    """Return the winding temperature (degC) at each row, the mean of the pairs read; ``None``: no cold resistance."""
    found = []
    for pair in PAIRS:
        if f"resistance_{pair}" not in log:
            continue
        if "cold_resistance" in log.conditions and "cold_temperature" in log.conditions:
            cold, at = log.conditions["cold_resistance"], log.conditions["cold_temperature"]
        elif f"resistance_{pair}" in given:
            cold, at = given[f"resistance_{pair}"], 20.0
        else:
            continue
        hot = log[f"resistance_{pair}"]
        found.append(heating.temperature_by_resistance(hot, cold, at, given["winding_constant"]))
    return np.asarray(np.mean(found, axis=0)) if found else None


def split(
    logs: Sequence[Log], given: Mapping[str, float], air_of: Callable[[Log, Mapping[str, float]], float]
) -> list[Log]:
    """Return the logs with each whose resistance rises turned into a course of the winding's temperature.

    What such a log holds after its condition 'switch_off_time' is a log of its own, that of the cooling. Raises
    ``FitError`` where cold resistance or delay of the readings are not known.
    """
    found = []
    for log in logs:
        if not rises(log):
            found.append(log)
            continue
        found.append(_course(log, given, air_of))
        off = log.conditions.get("switch_off_time")
        if off is not None and np.sum(log["time"] >= off) >= _FEWEST_AFTER:
            found.append(log)
    return found


def rises(log: Log) -> bool:
    """Tell whether a log follows the heating by resistance: it has no sensor, and its resistance rises."""
    names = [f"resistance_{pair}" for pair in PAIRS if f"resistance_{pair}" in log]
    if not names or any(name.startswith("temperature_") and name != "temperature_ambient" for name in log.columns):
        return False
    running = log["time"] <= log.conditions.get("switch_off_time", np.inf)
    third = max(1, int(running.sum()) // 3)
    if running.sum() < _FEWEST_AFTER:
        return False
    return all(float(log[n][running][-third:].mean()) > float(log[n][running][:third].mean()) for n in names)


def _course(log: Log, given: Mapping[str, float], air_of: Callable[[Log, Mapping[str, float]], float]) -> Log:
    found = temperatures(log, given)
    if found is None:
        raise FitError(NO_COLD_RESISTANCE)
    if DELAY.name not in log.conditions:
        raise FitError(
            "the resistance rises, so it follows the heating, but how long after the load was taken off each value was "
            "read is not known; state 'reading_delay' (0 s where it was read under load, from voltage over current)"
        )
    air = log["temperature_ambient"] if "temperature_ambient" in log else air_of(log, given)
    lost = given[OVER_IRON.name] * (1.0 - exp(-log.conditions[DELAY.name] / _TO_IRON))
    winding = found + (found - air) * lost / (1.0 - lost)
    kept = {name: values for name, values in log.columns.items() if not name.startswith("resistance_")}
    return replace(log, columns={**kept, "temperature_winding": winding})


def words(logs: Sequence[Log]) -> list[str]:
    """Say what the course rests on where it is that of a resistance."""
    notes = []
    for log in logs:
        if rises(log):
            delay = log.conditions[DELAY.name]
            how = f"{delay:.0f} s after the load was taken off" if delay else "under load"
            notes.append(
                f"The course is that of the winding by its resistance, read {how}: {log['time'].size} readings."
            )
    return notes
