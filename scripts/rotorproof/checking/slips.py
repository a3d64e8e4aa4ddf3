"""Slips of the hand that leave a log readable: a wrong unit, exchanged columns, rows of padding."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from ..columns import COLUMNS
from ..procedures._heat_course import COLDER
from ..signs import number_text
from .finding import Finding
from .survey import KEPT_ROWS, Survey

#: In degC: what a workshop can have. Common practice, no source.
_COLDEST_ROOM, _HOTTEST_ROOM = 0.0, 45.0
#: K: how near a winding at rest is to its room, and how far from it a wrong unit puts it (common practice, no source).
_AT_REST, _ELSEWHERE = 12.0, 25.0
#: Standard acceleration of free fall, which a force in kg lacks to be in N (CGPM 1901; ISO 80000-3).
GRAVITY = 9.80665
#: A record of so many rows is looked through for single readings off by ten, within this share of ten; where more than
#: a few are, it is the record that jumps (common practice, no source).
_FEWEST_ROWS, _MOST_ROWS, _TEN, _FEW_SPIKES = 12, 20_000, 0.08, 3
#: So many standard deviations of a record's noise a reading lies off that slipped (common practice, no source).
_BEYOND_NOISE = 8.0
#: Rows of zeros in every column from which on they are no readings (common practice, no source).
_PADDING_ROWS = 3


def slips(
    survey: Survey, known: Mapping[str, float], conditions: Mapping[str, float], *, whole: bool
) -> Iterator[Finding]:
    """Yield what looks like a slip. ``known`` is the nameplate and ``ambient_temperature``, SI and degC.

    ``whole`` tells that no column of the log was left out.
    """
    yield from _fahrenheit(survey, known, conditions)
    yield from _exchanged(survey, known)
    yield from _kilograms(survey, known, conditions)
    if whole:  # what is zero in the columns that remain may hold readings in the others
        yield from _padding(survey)
    yield from _spike(survey)


#: What slipped, in words for the line beside the verdict and for a finding.
_WARM, _COLD = "a temperature in °F written as °C", "a temperature in °C written as °F"
_COLD_SAID = "are °C written as °F? Then the unit is [degC]"


def _celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def _fahrenheit(survey: Survey, known: Mapping[str, float], conditions: Mapping[str, float]) -> Iterator[Finding]:
    """Tell temperatures of a room, or of a winding at rest in it, that make sense only with °F and °C exchanged."""
    room = known.get("ambient_temperature")
    said = "are °F written as °C? Then the unit is [degF]"

    if room is not None and _room_in_fahrenheit(room):
        yield Finding(f"the ambient temperature is stated as {number_text(room, '.4g')} °C: {said}", None, unit=True)
        room = _celsius(room)
    air = survey.columns.get("temperature_ambient")
    if air is not None:
        run = f"the air has {number_text(air.low, '.4g')} to {number_text(air.high, '.4g')} °C"
        if _room_in_fahrenheit(air.low) and _room_in_fahrenheit(air.high):
            yield Finding(f"{run}: {said}", "temperature_ambient", unit=True, slip=_WARM)
        elif room is not None and _taken_for_fahrenheit(air.low, room) and _taken_for_fahrenheit(air.high, room):
            yield Finding(
                f"{run} where {number_text(room, '.4g')} °C is stated as ambient: {_COLD_SAID}",
                "temperature_ambient",
                unit=True,
                slip=_COLD,
            )
    if room is None:
        return
    at_rest = {"winding_temperature": conditions.get("winding_temperature")}
    winding = survey.start.get("temperature_winding")
    if winding is not None and winding.size:
        at_rest["temperature_winding"] = float(winding[0])
    for name, value in at_rest.items():
        if value is None:
            continue
        begins = f"the winding begins at {number_text(value, '.4g')} °C in a room at {number_text(room, '.4g')} °C"
        column = name if name in COLUMNS else None
        if value - room > _ELSEWHERE and abs(_celsius(value) - room) < _AT_REST:
            yield Finding(f"{begins}: {said}", column, unit=True, slip=_WARM)
        elif _taken_for_fahrenheit(value, room):
            yield Finding(f"{begins}: {_COLD_SAID}", column, unit=True, slip=_COLD)


def _room_in_fahrenheit(value: float) -> bool:
    return value > _HOTTEST_ROOM and _COLDEST_ROOM <= _celsius(value) <= _HOTTEST_ROOM


def _taken_for_fahrenheit(value: float, room: float) -> bool:
    """Tell whether a temperature far below its room is that of the room if degC stood under the unit degF."""
    return room - value > COLDER and abs(1.8 * value + 32.0 - room) < _AT_REST


def _exchanged(survey: Survey, known: Mapping[str, float]) -> Iterator[Finding]:
    """Tell voltage and current of a winding that make sense only with the two columns exchanged, as V or as mV."""
    voltage, power = known.get("rated_voltage"), known.get("rated_power")
    current = known.get("rated_current") or (power / voltage / 0.8 if power and voltage else None)
    if not voltage or not current:
        return
    expected = 0.12 * voltage / current
    for pair in ("ab", "bc", "ca"):
        u, i = survey.start.get(f"voltage_{pair}"), survey.start.get(f"current_{pair}")
        if u is None or i is None or not np.any(i) or not np.any(u):
            continue
        found = abs(float(i @ u) / float(i @ i))
        if abs(math.log(found / expected)) < math.log(5.0):
            continue
        for swapped, units in ((1.0 / found, "V"), (1e-6 / found, "mV")):
            if abs(math.log(swapped / expected)) < math.log(3.0):
                yield Finding(
                    f"V/I of {pair.upper()} is {number_text(found, '.3g')} Ω, but {number_text(swapped, '.3g')} Ω, as "
                    "the nameplate lets expect, with voltage and current exchanged: does the voltage column hold A and "
                    f"the current column {units}?",
                    f"voltage_{pair}",
                    unit=True,
                )
                break


def _kilograms(survey: Survey, known: Mapping[str, float], conditions: Mapping[str, float]) -> Iterator[Finding]:
    """Compare torque per ampere with rated voltage over rated speed, which it is near: 9.81 and 10 are slips."""
    voltage, speed = known.get("rated_voltage"), known.get("rated_speed")
    name = "torque" if "torque" in survey.start else "force"
    pull = survey.start.get(name)
    if not voltage or not speed or pull is None:
        return
    if name == "force":
        pull = pull * conditions.get("lever_arm", 0.0)
    names = ("current_q", "supply_current", "current_ab")
    ampere = next((survey.start[column] for column in names if column in survey.start), None)
    if ampere is None or not np.any(ampere) or not np.any(pull) or "supply_voltage" in survey.start:
        return  # with a duty ratio the supply's current is not the motor's
    # Rated speed is that under load: at no load the same voltage turns the rotor about a seventh faster.
    ratio = abs(float(ampere @ pull) / float(ampere @ ampere)) / (0.87 * voltage / speed)
    for near, does in ((ratio * GRAVITY, "a tenth of"), (ratio / GRAVITY, "ten times")):
        if 0.55 < near < 1.8:
            yield Finding(
                f"torque per ampere is about {does} rated voltage over rated speed: is a force in kg written as N "
                "(9.81), or is a lever, a shunt or a decimal off by ten?",
                name,
                unit=True,
            )


def _padding(survey: Survey) -> Iterator[Finding]:
    """Tell rows of zeros in every column but time: a logger that filled its file, not readings."""
    columns = {n: v for n, v in survey.start.items() if n != "time" and COLUMNS[n].kind != "logic" and np.any(v)}
    if len(columns) < (1 if "time" in survey.start else 2) or survey.rows > KEPT_ROWS:
        return
    zero = ~np.any([v != 0 for v in columns.values()], axis=0)
    before = int(np.argmin(zero))
    after = int(np.argmin(zero[::-1]))
    where = " and ".join(
        f"the {side} {rows} rows" for side, rows in (("first", before), ("last", after)) if rows >= _PADDING_ROWS
    )
    if len(columns) > 1 and where:
        yield Finding(
            f"{where} are zero in every column: did the logger fill up its file? Take them off, or give the log a "
            "'window' that leaves them out",
            None,
            unit=True,
            slip="rows of zeros that a logger filled in",
        )


def _spike(survey: Survey) -> Iterator[Finding]:
    """Tell a reading of a smooth record that is ten times, or a tenth of, what its neighbours are."""
    if "time" not in survey.start or not _FEWEST_ROWS <= survey.rows <= _MOST_ROWS:
        return
    for name, values in survey.start.items():
        if COLUMNS[name].kind in ("time", "logic", "ratio") or not np.any(values):
            continue
        padded = np.pad(values, 2, mode="reflect")
        middle = np.sort(np.column_stack([padded[k : k + values.size] for k in (0, 1, 3, 4)]), axis=1)
        # Of four neighbours the two in the middle: another spike among them does not count.
        around, apart = 0.5 * (middle[:, 1] + middle[:, 2]), np.ptp(middle, axis=1)
        step = float(np.min(np.diff(np.unique(values)), initial=np.inf))
        told = np.abs(around) > max(10.0 * step, 0.02 * float(np.median(np.abs(values))))
        # Four readings of noise about a small level may agree by chance, and the one among them be anything.
        noise = float(np.median(np.abs(np.diff(values)))) / (0.6745 * math.sqrt(2.0))
        calm = told & (apart < 0.1 * np.abs(around)) & (np.abs(values - around) > _BEYOND_NOISE * noise)
        ratio = np.divide(values, around, out=np.ones_like(values), where=calm)
        rows = np.flatnonzero(calm & ((np.abs(ratio / 10 - 1) < _TEN) | (np.abs(ratio * 10 - 1) < _TEN)))
        if 1 <= rows.size <= _FEW_SPIKES:
            row = int(rows[0])
            side = "ten times" if ratio[row] > 1 else "a tenth of"
            title = COLUMNS[name].title
            yield Finding(
                f"reading {row + 1} of {title} is {side} its neighbours: a decimal that slipped, or a range that the "
                "meter changed? Correct it at its source, or leave it out with a 'window'",
                name,
                unit=True,
                slip=f"reading {row + 1} of {title} off by ten",
            )
