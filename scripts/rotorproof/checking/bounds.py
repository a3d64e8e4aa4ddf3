"""Results that no machine gives, seen in the readings alone: physics bounds them, whatever the motor.

Every bound is wide; beyond it a wrong unit is far more likely than such a motor.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from ..procedures import procedures
from .finding import Finding
from .survey import Survey

#: Shaft power over input power at the best point of a load run. Nothing gives out more than it takes in; a tenth is
#: left to the instruments. The lower end is common practice, no source.
_EFFICIENCY = (0.05, 1.10)
#: A point counts if it takes this share of the largest input of the run: below, offsets of the meters weigh.
_WEIGHTY = 0.1
#: The measuring current of an insulation tester is at most 15 mA (IEC 61557-2, from memory): it holds its voltage over
#: no smaller resistance than the quotient.
_TESTER_CURRENT = 15e-3
#: A leakage current below this is beyond a workshop's insulation tester (common practice, no source).
_LEAST_LEAKAGE = 1e-9


def bounds(
    procedure: str, survey: Survey, known: Mapping[str, float], conditions: Mapping[str, float]
) -> Iterator[Finding]:
    """Yield what lies beyond a bound. ``known`` is the nameplate, ``conditions`` those of the test, both in SI."""
    yield from _efficiency(survey)
    yield from _insulation(survey, conditions)
    yield from _braking_power(survey, known, conditions)
    duration = survey.duration
    low, high = procedures()[procedure].lasts
    if duration and not low <= duration <= high:
        which, end = ("less than", low) if duration < low else ("more than", high)
        yield Finding(
            f"the log lasts {duration:.3g} s, {which} the {end:g} s that a {procedure} of such a motor can take: is "
            "the unit of time right?",
            "time",
            unit=True,
        )


def _efficiency(survey: Survey) -> Iterator[Finding]:
    """Compare shaft power with what goes in, at the best point of the run."""
    start = survey.start
    if "torque" not in start or "speed" not in start:
        return
    shaft = start["torque"] * start["speed"]
    for names, power in _inputs(start):
        driven = power > _WEIGHTY * max(float(power.max()), 0.0)
        if not driven.any():
            continue
        best = float(np.max(np.abs(shaft[driven]) / power[driven]))
        if best < _EFFICIENCY[0] or best > _EFFICIENCY[1]:
            which = "only" if best < 1 else "more than goes in:"
            yield Finding(
                f"at the best point the shaft gives {which} {100 * best:.3g} % of the power that goes in by {names}: "
                "is the unit of torque or speed right (N cm and N m, rpm and rad/s)?",
                "torque",
                unit=True,
            )
            return


def _inputs(start: Mapping[str, np.ndarray]) -> Iterator[tuple[str, np.ndarray]]:
    if "supply_voltage" in start and "supply_current" in start:
        yield "supply_voltage and supply_current", start["supply_voltage"] * start["supply_current"]
    for names in (
        ("phase_power",),
        ("phase_power_a", "phase_power_b", "phase_power_c"),
        ("wattmeter_1", "wattmeter_2"),
    ):
        if all(name in start for name in names):
            yield " and ".join(names), np.sum([start[name] for name in names], axis=0)


def _insulation(survey: Survey, conditions: Mapping[str, float]) -> Iterator[Finding]:
    """Compare the highest reading with what a tester of this voltage can show."""
    column, voltage = survey.columns.get("insulation_resistance"), conditions.get("test_voltage")
    if column is None or not voltage or not column.largest:
        return
    highest, limit = column.largest, conditions.get("range_limit")
    current = abs(voltage) / highest
    said = f"the highest reading is {highest:.3g} Ω, {current:.2g} A at {abs(voltage):g} V: "
    if current > _TESTER_CURRENT:
        yield Finding(
            f"{said}more than an insulation tester gives (15 mA, IEC 61557-2). Is the unit right (kΩ, MΩ, GΩ)? "
            "If it is, the insulation has broken down",
            "insulation_resistance",
            unit=True,
        )
    elif limit and highest > 1.01 * limit:
        yield Finding(
            f"the highest reading is {highest:.3g} Ω, above the tester's 'range_limit' of {limit:.3g} Ω: is the "
            "unit right (MΩ and GΩ)?",
            "insulation_resistance",
            unit=True,
        )
    elif current < _LEAST_LEAKAGE and not limit:
        yield Finding(
            f"{said}less than a workshop's tester can tell from nothing. Is the unit right (MΩ and GΩ)? If it is, "
            "state the end of the tester's range as the condition 'range_limit'",
            "insulation_resistance",
            unit=True,
        )


def _braking_power(survey: Survey, known: Mapping[str, float], conditions: Mapping[str, float]) -> Iterator[Finding]:
    """Compare the power that brakes a known inertia with the rated one: J w (-dw/dt) is lost in idle drag alone."""
    stated = next((name for name in ("moment_of_inertia", "added_inertia") if conditions.get(name)), None)
    inertia = conditions[stated] if stated else None
    time, speed, rated = survey.start.get("time"), survey.start.get("speed"), known.get("rated_power")
    if not inertia or not rated or time is None or speed is None:
        return
    fast = float(np.max(np.abs(speed)))
    # From the highest speed down to half of it: energy over time needs no slope of noisy readings.
    top = int(np.argmax(np.abs(speed)))
    below = np.flatnonzero(np.abs(speed[top:]) <= 0.5 * fast)
    if not fast or not below.size:
        return
    lasted = float(time[top + below[0]] - time[top])
    if lasted <= 0:
        return
    power = 0.5 * inertia * 0.75 * fast**2 / lasted
    if power > rated:
        yield Finding(
            f"to stop {inertia:.3g} kg·m² so quickly takes {power:.3g} W, more than the rated {rated:.3g} W, and "
            # A value typed by hand slips sooner than a unit that the logger wrote.
            f"nothing but idle drag brakes here: is the {stated!r} stated in unit.yaml right? If it is, is the unit "
            "of time or speed (ms and s, rpm and rad/s)?",
            unit=True,
            slip=f"the stated {stated!r}, or the unit of time or speed",
        )
