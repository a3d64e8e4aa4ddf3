"""Readings that disagree with the nameplate by the factor between two units: 1000, or 60/(2 pi)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from ..columns import COLUMNS
from ..procedures.base import in_rpm
from .finding import Finding
from .survey import Survey

_RPM = in_rpm(1.0)

#: Over the rated current, and below it, no test of a light vehicle's bench comes near these ratios (common practice,
#: no source): a thousand between two prefixes does. Likewise the supply's share of the rated voltage, and the factor
#: by which V/I of a winding departs from 12 % copper loss.
_TOO_MUCH_CURRENT, _TOO_LITTLE_CURRENT = 30.0, 1 / 3000
_TOO_LITTLE_SUPPLY = 1 / 200
_FAR_RESISTANCE = 60.0


def thousands(survey: Survey, known: Mapping[str, float]) -> Iterator[Finding]:
    """Compare currents, the supply and V/I of a winding with the nameplate: a factor of 1000 is a wrong prefix."""
    voltage, power = known.get("rated_voltage"), known.get("rated_power")
    current = known.get("rated_current") or (power / voltage / 0.8 if power and voltage else None)
    for name, column in survey.columns.items():
        if COLUMNS[name].kind != "current" or not current or not column.largest:
            continue
        ratio = column.largest / current
        if ratio > _TOO_MUCH_CURRENT:
            yield Finding(
                f"the current reaches {ratio:.3g} times the rated {current:.3g} A: are mA written as A? Then its unit "
                "is [mA]",
                name,
                unit=True,
            )
        elif ratio < _TOO_LITTLE_CURRENT:
            yield Finding(
                f"the largest current is {column.largest:.3g} A, next to nothing beside the rated {current:.3g} A: are "
                "A written as mA? Then its unit is [A]",
                name,
                unit=True,
                small=True,
            )
    supply = survey.columns.get("supply_voltage")
    if supply and voltage and supply.largest and supply.largest / voltage < _TOO_LITTLE_SUPPLY:
        yield Finding(
            f"the supply reaches {supply.largest:.3g} V of {voltage:.3g} V rated: are V written as mV?",
            "supply_voltage",
            unit=True,
        )
    if not (voltage and current):
        return
    expected = 0.12 * voltage / current
    for pair in ("ab", "bc", "ca"):
        u, i = survey.start.get(f"voltage_{pair}"), survey.start.get(f"current_{pair}")
        if u is None or i is None or not np.any(i):
            continue
        ratio = abs(float(i @ u) / float(i @ i)) / expected
        if not 1 / _FAR_RESISTANCE < ratio < _FAR_RESISTANCE:
            much = "above" if ratio > 1 else "below"
            yield Finding(
                f"V/I is {ratio * expected:.3g} Ω, far {much} the {expected:.2g} Ω that the nameplate lets "
                "expect: is one of the two units wrong by 1000 (mV and V, mA and A)?",
                f"voltage_{pair}",
                unit=True,
            )


def speed_for_its_voltage(survey: Survey, known: Mapping[str, float]) -> Iterator[Finding]:
    """Compare speed over supply voltage with the nameplate: a motor turns no faster than its supply lets it."""
    speed, supply = survey.start.get("speed"), survey.start.get("supply_voltage")
    rated_speed, rated_voltage = known.get("rated_speed"), known.get("rated_voltage")
    if speed is None or supply is None or not (rated_speed and rated_voltage):
        return
    turning = (np.abs(supply) > 0.02 * rated_voltage) & (np.abs(speed) > 0)
    if not turning.any():
        return
    per_volt = float(np.median(np.abs(speed[turning]) / np.abs(supply[turning]))) * rated_voltage / rated_speed
    # At no load it is 1/0.85 of the nameplate's; under load less. The supply itself must be in reach of the rated one.
    if 0.75 * _RPM < per_volt < 1.7 * _RPM and survey.columns["supply_voltage"].largest > 0.3 * rated_voltage:
        yield Finding(
            f"the speed per volt of supply is {per_volt:.3g} times the nameplate's, near 60/(2 pi): are rpm written as "
            "rad/s?",
            "speed",
            unit=True,
        )


def emf_for_its_speed(survey: Survey, known: Mapping[str, float], conditions: Mapping[str, float]) -> Iterator[Finding]:
    """Compare the EMF per speed with rated voltage over rated speed: a factor of ten is a probe, 1000 a prefix.

    Extremes are enough, so a capture that was reduced while it was read is looked at too.
    """
    rated_voltage, rated_speed = known.get("rated_voltage"), known.get("rated_speed")
    column = survey.columns.get("speed")
    speed = column.largest if column else abs(conditions.get("speed", 0.0))
    if not speed or not rated_voltage or not rated_speed:
        return
    for name in ("voltage_ab", "voltage_bc", "voltage_ca"):
        if name not in survey.columns:
            continue
        line = survey.columns[name]
        ratio = 0.5 * (line.high - line.low) / speed / (rated_voltage / rated_speed)
        for factor, one, other, cause in (
            (10.0, "ten times", "a tenth of", "a ×10 probe?"),
            (1000.0, "1000 times", "a 1000th of", "is a unit wrong by 1000 (mV and V)?"),
        ):
            for near, side in ((ratio / factor, one), (ratio * factor, other)):
                if 0.4 < near < 2.5:
                    yield Finding(
                        f"the EMF per speed is about {side} rated voltage over rated speed: {cause}", name, unit=True
                    )
