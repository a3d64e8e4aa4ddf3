"""Is a log plausible? Every finding says what looks wrong, why, and which slip of the bench would explain it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from ..columns import COLUMNS
from ..procedures.base import in_rpm
from ..signs import number_text, value_text
from ..units import SI_UNIT
from ..witness.expected import line_inductance
from . import nameplate, waveform
from .finding import Finding
from .slips import slips
from .survey import Survey

_RPM = in_rpm(1.0)

#: What the largest reading of a column lies between on a light vehicle's bench, in SI. Common practice, no source;
#: wide on purpose: outside, a prefix of the unit is the likely cause.
RANGES: dict[str, tuple[float, float]] = {
    "voltage": (1e-3, 1000.0),
    "current": (1e-3, 1000.0),
    "speed": (0.05, 2500.0),
    "torque": (1e-3, 2000.0),
    "force": (0.01, 20e3),
    "resistance": (1e-3, 1e3),
    "inductance": (1e-6, 0.1),
    "power": (0.1, 50e3),
    "temperature": (1.0, 250.0),
    "ratio": (1e-3, 1.05),
}
#: Columns whose range differs from that of their kind.
_COLUMN_RANGES = {"insulation_resistance": (1e3, 1e13), "throttle": (0.1, 60.0), "brake": (0.1, 100.0)}


def findings(
    survey: Survey,
    known: Mapping[str, float],
    *,
    waveforms: bool,
    conditions: Mapping[str, float] | None = None,
    whole: bool = True,
) -> list[Finding]:
    """Return everything that looks wrong.

    ``known`` holds nameplate values in SI (``rated_voltage``, ``rated_speed``, ``pole_pairs``, ...); ``waveforms``
    tells whether the rows are samples of waveforms in time (not a hand-written table, not logic transitions);
    ``conditions`` are those of the test in SI; ``whole`` that no column of the log was left out as unknown.
    """
    if (conditions or {}).get("speed_kind"):
        # An electrical speed is pole pairs times that of the nameplate.
        known = {name: value for name, value in known.items() if name != "rated_speed"}
    found = [*_prefixes(survey, known), *_rated(survey, known), *_resistances(survey)]
    if (conditions or {}).get("output_power") != 0.0:  # at rest a small voltage drives any current
        found += _swapped_supply(survey, known)
    found += nameplate.thousands(survey, known)
    found += nameplate.emf_for_its_speed(survey, known, conditions or {})
    found += _angle(survey)
    found += slips(survey, known, conditions or {}, whole=whole)
    if waveforms:
        found += [*_sampling(survey), *_sums(survey)]
        for name, wave in survey.start.items():
            # What stands in the rotor's frame does not alternate with it: it has no turns, and its mean is no offset.
            quantity, _, where = name.partition("_")
            if COLUMNS[name].kind == quantity and quantity in ("voltage", "current") and where not in ("d", "q"):
                found += _wave(name, wave, survey, known)
    return found


def _prefixes(survey: Survey, known: Mapping[str, float]) -> Iterator[Finding]:
    for name, column in survey.columns.items():
        kind = COLUMNS[name].kind
        limits = _COLUMN_RANGES.get(name) or RANGES.get(kind)
        if kind == "inductance":
            limits = line_inductance(known) or limits
        if kind == "logic" and not (column.low >= -1e-9 and column.high <= 1 + 1e-9):
            yield Finding(f"a logic level is 0 or 1, but this runs from {column.low:.3g} to {column.high:.3g}", name)
        if limits is None or column.largest == 0:
            if column.largest == 0 and kind not in ("logic", "time"):
                yield Finding("every reading is zero; is the channel connected?", name, small=True)
            continue
        low, high = limits
        unit = SI_UNIT[kind]
        if kind == "temperature" and (slip := _kelvin(column.low, column.high)):
            yield Finding(slip, name)
            continue
        if column.largest > high:
            what = (
                _prefix_slip(column.largest, limits, large=True)
                or "far above anything on this bench; check unit and scale"
            )
            yield Finding(f"the largest reading is {value_text(column.largest, unit, '.4g')}, {what}", name, unit=True)
        elif column.largest < low:
            what = (
                _prefix_slip(column.largest, limits, large=False)
                or "far below anything on this bench; check unit and scale"
            )
            yield Finding(
                f"the largest reading is {value_text(column.largest, unit, '.4g')}, {what}", name, unit=True, small=True
            )
        elif (
            survey.rows > 100
            and column.low == column.high
            and kind in ("voltage", "current", "torque", "speed")
            and name != "supply_voltage"
        ):
            yield Finding(f"every reading is {value_text(column.low, unit, '.6g')}; is the channel alive?", name)


#: Power of ten by which a prefix that is left out, or one too much, moves a reading: its size in words, and the prefix.
_PREFIX_SLIPS = ((1e3, "1000", "m for milli"), (1e6, "10⁶", "u for micro"), (1e9, "10⁹", "n for nano"))


def _prefix_slip(reading: float, limits: tuple[float, float], *, large: bool) -> str | None:
    """Say which prefix, left out of a ``large`` reading or one too much of a small one, brings it into its range."""
    for size, words, prefix in _PREFIX_SLIPS:
        if limits[0] <= (reading / size if large else reading * size) <= limits[1]:
            way, slip = ("large", "left out") if large else ("small", "too much")
            return f"{words} times too {way}: is the unit written for the wrong prefix ({prefix} {slip})?"
    return None


#: In degC: what a bench can have. Common practice, no source; in kelvin the same readings lie far outside.
_COLDEST, _HOTTEST = -40.0, 200.0


def _kelvin(low: float, high: float) -> str | None:
    """Say where the readings, in degC, make sense only with K and degC exchanged."""
    run = f"the readings run from {number_text(low, '.4g')} to {number_text(high, '.4g')} °C"
    if high < _COLDEST <= low + 273.15 and high + 273.15 <= _HOTTEST:
        return f"{run}: are °C written as K? Then the unit is [degC]"
    if low > _HOTTEST and high - 273.15 <= _HOTTEST:
        return f"{run}: are K written as °C? Then the unit is [K]"
    return None


def _rated(survey: Survey, known: Mapping[str, float]) -> Iterator[Finding]:
    speed = survey.columns.get("speed")
    rated = known.get("rated_speed")
    if speed and rated and speed.largest:
        ratio = speed.largest / rated
        if 0.6 * _RPM < ratio < 1.7 * _RPM:
            yield Finding(
                f"the speed reaches {ratio:.3g} times the rated speed, near 60/(2 pi): are rpm written as rad/s?",
                "speed",
                unit=True,
            )
        elif 0.6 / _RPM < ratio < 1.7 / _RPM and speed.low > 0.5 * speed.high:
            yield Finding(
                f"the speed is {ratio:.3g} of the rated speed, near 2 pi/60: are rad/s written as rpm?",
                "speed",
                unit=True,
            )
        else:
            yield from nameplate.speed_for_its_voltage(survey, known)
    voltage = survey.columns.get("supply_voltage")
    rated = known.get("rated_voltage")
    if voltage and rated and voltage.largest:
        ratio = voltage.largest / rated
        if ratio > 5:
            yield Finding(
                f"the supply reaches {ratio:.3g} times rated voltage; check its unit", "supply_voltage", unit=True
            )
        elif (
            ratio < 0.3
            and speed
            and known.get("rated_speed")
            and 4 * ratio < speed.largest / known["rated_speed"] < 25 * ratio
        ):
            # A motor turns no faster than its supply lets it: the speed says what the voltage must have been.
            yield Finding(
                f"the speed belongs to about ten times the supply's {voltage.largest:.3g} V; is a ×10 probe not in the "
                "layout?",
                "supply_voltage",
                unit=True,
            )


def _swapped_supply(survey: Survey, known: Mapping[str, float]) -> Iterator[Finding]:
    rated = known.get("rated_voltage")
    # A winding at rest that direct current warms takes such a current at such a voltage.
    warmed = "temperature_winding" in survey.columns and "speed" not in survey.columns
    if rated and not warmed and {"supply_voltage", "supply_current"} <= set(survey.columns):
        voltage, current = survey.mean("supply_voltage"), survey.mean("supply_current")
        if 0.6 < current / rated < 1.6 and abs(voltage) < 0.3 * rated:
            yield Finding(
                f"the mean current is {current:.3g} A and the mean voltage {voltage:.3g} V at {rated:.3g} V rated: are "
                "the two columns exchanged?",
                "supply_voltage",
                unit=True,
            )


def _resistances(survey: Survey) -> Iterator[Finding]:
    """Compare voltage over current of the three line pairs; a factor of ten or a thousand is a range or a probe."""
    slopes = {}
    for pair in ("ab", "bc", "ca"):
        voltage, current = survey.start.get(f"voltage_{pair}"), survey.start.get(f"current_{pair}")
        if voltage is not None and current is not None and np.any(current):
            product, power = float(current @ voltage), float(current @ current)
            slopes[pair] = abs(product / power)
            if product < -0.9 * math.sqrt(power * float(voltage @ voltage)):
                yield Finding(f"the resistance {pair.upper()} is negative: are the leads of one meter exchanged? Then "
                              "exchange them, or invert the column in the layout", f"voltage_{pair}")  # fmt: skip
    if len(slopes) < 2:
        return
    middle = sorted(slopes.values())[len(slopes) // 2] if len(slopes) == 3 else max(slopes.values())
    for pair, slope in slopes.items():
        for factor in (10.0, 1000.0):
            if middle and 0.6 < slope / middle / factor < 1.7:
                yield Finding(f"the resistance {pair.upper()} is {factor:g} times that of the others; check the "
                              "range of meter or shunt", f"voltage_{pair}", unit=True)  # fmt: skip
            if slope and 0.6 < middle / slope / factor < 1.7:
                yield Finding(f"the resistance {pair.upper()} is a {factor:g}th of the others; check the range of "
                              "meter or shunt", f"voltage_{pair}", unit=True)  # fmt: skip


def _angle(survey: Survey) -> Iterator[Finding]:
    angle = survey.start.get("angle")
    if angle is None or len(angle) < 3:
        return
    jumps = np.abs(np.diff(angle))
    span = float(np.ptp(angle))
    jump = float(jumps.max())
    if span and jump > 0.8 * span:  # the angle starts anew after each turn
        for turn, words in ((360.0, "degrees written as rad"), (math.radians(2 * math.pi), "radians written as deg")):
            if abs(span - turn) < 0.05 * turn:
                yield Finding(
                    f"the angle starts anew after {span:.4g} rad, not after 2 pi: are these {words}?",
                    "angle",
                    unit=True,
                )
    time, speed = survey.start.get("time"), survey.start.get("speed")
    if time is not None and speed is not None and jump < 0.5 * span and np.any(speed):
        turned = float(angle[-1] - angle[0])
        expected = float(np.sum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time)))
        if expected and turned:
            ratio = abs(turned / expected)
            for factor, words in (
                (math.degrees(1), "degrees written as rad"),
                (math.radians(1), "radians written as deg"),
                (_RPM, "the speed rpm written as rad/s the other way round"),
            ):
                if 0.8 < ratio / factor < 1.25:
                    yield Finding(
                        f"the angle turns {ratio:.3g} times what the speed gives: are {words}?", "angle", unit=True
                    )


def _sampling(survey: Survey) -> Iterator[Finding]:
    step = survey.step
    if step and survey.longest_step > 5 * step:
        yield Finding(
            f"the record has a gap of {survey.longest_step:.4g} s where the step is {step:.4g} s; samples were lost",
            "time",
        )


def _sums(survey: Survey) -> Iterator[Finding]:
    groups = (
        ("voltage_ab", "voltage_bc", "voltage_ca"),
        ("current_a", "current_b", "current_c"),
    )
    for names in groups:
        if all(name in survey.start for name in names):
            slip = waveform.odd_one({name: survey.start[name] for name in names})
            if slip:
                kind = COLUMNS[names[0]].kind
                yield Finding(f"the three {kind}s do not sum to zero: {slip}", names[0], unit="ten times" in slip)


def _wave(name: str, wave: np.ndarray, survey: Survey, known: Mapping[str, float]) -> Iterator[Finding]:
    if len(wave) < 16 or np.ptp(wave) == 0:
        return
    share = waveform.clipped_share(wave)
    if share:
        yield Finding(
            f"{100 * share:.0f} % of the samples sit flat at one extreme: clipped? Choose a larger range (or the wave "
            "is truly flat-topped)",
            name,
        )
    per_turn = waveform.samples_per_turn(wave)
    step = survey.step
    # No procedure follows a current over the electrical turn: magnitudes of phase currents need no dense samples.
    if per_turn is None or step is None or COLUMNS[name].kind != "voltage":
        return
    if per_turn < waveform.FEWEST_SAMPLES_PER_TURN:
        yield Finding(
            f"only {per_turn:.3g} samples per electrical turn; sample at least {waveform.FEWEST_SAMPLES_PER_TURN}, "
            f"that is faster than {value_text(waveform.FEWEST_SAMPLES_PER_TURN / per_turn / step, 'Hz')}",
            name,
        )
    elif waveform.share_near_half_rate(wave) > 0.1:
        yield Finding("much of the signal lies near half the sample rate: aliasing? Sample faster or filter", name)
    if survey.rows / per_turn < waveform.FEWEST_TURNS:
        yield Finding(f"the record holds only {survey.rows / per_turn:.2g} electrical turns; record longer", name)
    offset = waveform.offset_share(wave)
    if offset is not None and abs(offset) > 0.05:
        yield Finding(
            f"the mean is {100 * offset:.0f} % of the RMS: an offset of the channel? Zero the input or note "
            "the offset in the layout",
            name,
        )
    yield from _against_speed(name, wave, per_turn, step, survey, known)


def _against_speed(
    name: str, wave: np.ndarray, per_turn: float, step: float, survey: Survey, known: Mapping[str, float]
) -> Iterator[Finding]:
    """Compare the electrical frequency with the speed column."""
    speed = survey.start.get("speed")
    mechanical = float(np.median(np.abs(speed))) if speed is not None else 0.0
    pairs, gear = known.get("pole_pairs"), known.get("gear_ratio", 1.0)
    electrical = 2 * math.pi / (per_turn * step)
    if mechanical and pairs:
        turns = pairs * gear  # the column holds the speed of the output
        ratio = electrical / (turns * mechanical)
        causes = {
            1 / _RPM: "are rpm written as rad/s?",
            _RPM: "are rad/s written as rpm?",
            1 / turns: "is the speed electrical, or are the pole pairs wrong?",
            gear: "is there a second gear, or is the stated gear ratio too small?",
            1 / gear: "is the speed that of the motor before its gear, or the stated gear ratio wrong?",
        }
        factor = min(causes, key=lambda cause: abs(math.log(ratio / cause)))
        if factor != 1.0 and abs(ratio / factor - 1) < 0.1 and abs(ratio - 1) > 0.2:
            yield Finding(
                f"the electrical frequency is {ratio:.3g} times what the speed gives: {causes[factor]}",
                "speed",
                unit=True,
            )
        elif ratio < 0.9 and turns * mechanical > math.pi / step:
            yield Finding("the electrical frequency exceeds half the sample rate: aliased; sample faster", name)
