"""The parts of a heat run's fit: the logs, the cooling, power, current and limit (the course: ``_heat_course``)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..errors import FitError, Problem
from ..physics import heating
from ..physics.regression import correlation_time
from ..physics.thermal_class import REFERENCE_COOLANT
from .base import Axis, Log, Panel, Series, Table
from .fit import Block

#: Where a temperature may be logged, the most telling place first.
SENSORS = ("temperature_winding", "temperature_controller", "temperature_case")
_PAIRS = ("ab", "bc", "ca")
#: A surface gives off heat as rise^(1 + exponent): 0 for a fan, 1/4 for free convection (laminar layer), 0.2 at a
#: rise of 40 K to 0.38 at 80 K for radiation into a room (from T^4; any textbook on heat transfer). It lies between
#: nothing and the two together, and nothing says where (JCGM 100:2008, 4.3.7).
MOST_EXPONENT = 0.3
EXPONENT = MOST_EXPONENT / 2
#: Share of a place's steady rise that stands between surface and air; the rest stands over what conducts, in
#: proportion to the heat. Two thirds for a winding: common practice, no source.
AT_SURFACE = {"temperature_winding": 2 / 3}
WINDING_AT_SURFACE = AT_SURFACE["temperature_winding"]
_COOLING = ("hot", "cool_level", "ln_tau_cool", "cool_slope")


CURRENT_KINDS = ("direct", "rms", "peak")
#: Direct current through two lines that heats a winding like a sinusoidal phase current of 1 A: 2 R I^2 = 3 R I_rms^2.
_DIRECT = {"direct": 1.0, "rms": float(np.sqrt(3 / 2)), "peak": float(np.sqrt(3) / 2)}


@dataclass
class Made:
    """What the fit has gathered so far."""

    blocks: list[Block] = field(default_factory=list)
    panels: list[Panel] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    missing: dict[str, str] = field(default_factory=dict)

    @property
    def parameters(self) -> dict[str, float]:
        """Return all parameters by name."""
        return {name: value for block in self.blocks for name, value in block.values.items()}

    def exact(self, label: str, **values: float) -> None:
        """Add parameters that have no scatter."""
        self.blocks.append(Block(label, values, np.zeros((len(values), len(values))), np.inf))

    def warn(self, message: str, column: str | None = None) -> None:
        """Add a warning."""
        self.warnings.append(Problem(message, column=column, severity="warning", procedure="heat-run"))


@dataclass(frozen=True)
class Course:
    """The temperature course of the run, from switch-on to switch-off, and the air it ran in."""

    sensor: str
    time: np.ndarray
    temperature: np.ndarray
    air: np.ndarray
    air_covariance: np.ndarray
    log: Log
    used: np.ndarray


def sorted_logs(logs: Sequence[Log]) -> tuple[Log | None, Log | None]:
    """Return the log with the temperature course and that of the resistance after switch-off."""
    courses = [log for log in logs if any(sensor in log for sensor in SENSORS)]
    cooling = [log for log in logs if not any(sensor in log for sensor in SENSORS)]
    if len(courses) > 1 or len(cooling) > 1:
        raise FitError(
            f"{len(courses)} temperature courses and {len(cooling)} resistance logs stand together; give the "
            "logs of each run a 'label' of their own"
        )
    return (courses[0] if courses else None), (cooling[0] if cooling else None)


def _air_of(log: Log, given: Mapping[str, float]) -> float:
    if "temperature_ambient" in log:
        return float(np.mean(log["temperature_ambient"]))
    if "ambient_temperature" in log.conditions:
        return log.conditions["ambient_temperature"]
    if "ambient_temperature" in given:
        return given["ambient_temperature"]
    raise FitError(
        "the ambient temperature is stated nowhere; log it as temperature_ambient, or state the condition "
        "'ambient_temperature'"
    )


def course(log: Log, given: Mapping[str, float]) -> Course:
    """Return the heating part of a log. Raises ``FitError`` if it is too short or holds the cooling too."""
    sensor = next(name for name in SENSORS if name in log)
    start = log.conditions.get("start_time", float(log["time"][0]))
    stop = log.conditions.get("switch_off_time", float(log["time"][-1]))
    used = (log["time"] >= start) & (log["time"] <= stop)
    if used.sum() < 8:
        raise FitError("fewer than 8 readings lie between switch-on and switch-off; log the temperature more often")
    time, temperature = heating.reduced(log["time"][used] - start, log[sensor][used])
    top, last = float(np.max(temperature)), float(np.mean(temperature[-3:]))
    if top - last > 0.1 * (top - float(temperature[0])):
        raise FitError(
            "the temperature falls again at the end of the log, or never rises; state the condition "
            "'switch_off_time' so that only the heating is fitted"
        )
    if "temperature_ambient" in log:
        _, air = heating.reduced(log["time"][used] - start, log["temperature_ambient"][used])
        air_course, scatter = heating.ambient_course(time, air)
    else:
        air_course, scatter = np.array([_air_of(log, given), 0.0, 0.0]), np.zeros((3, 3))
    return Course(sensor, time, temperature, air_course, scatter, log, used)


def fit_cooling(
    log: Log, given: Mapping[str, float], past: Mapping[str, float] | None, made: Made, *, alone: bool
) -> None:
    """Extrapolate the resistance to switch-off and add the winding temperature there."""
    time = log["time"] - log.conditions.get("switch_off_time", 0.0)
    keep = time >= 0
    constant = given["winding_constant"]
    found_here: list[np.ndarray] = []
    for pair in _PAIRS:
        if f"resistance_{pair}" not in log:
            continue
        if "cold_resistance" in log.conditions and "cold_temperature" in log.conditions:
            cold, at = log.conditions["cold_resistance"], log.conditions["cold_temperature"]
        elif f"resistance_{pair}" in given:
            cold, at = given[f"resistance_{pair}"], 20.0
        else:
            continue
        hot = log[f"resistance_{pair}"][keep]
        found_here.append(heating.temperature_by_resistance(hot, cold, at, constant))
    if not found_here:
        reason = (
            "the cold resistance is not known, so the resistance after switch-off gives no temperature; "
            "state 'cold_resistance' and 'cold_temperature', or measure winding-resistance on the cold motor"
        )
        if alone:
            made.missing["temperature_rise"] = reason
        else:
            made.warn(reason)
        return
    # The temperature by resistance is a straight line of the resistance, so either may be extrapolated.
    temperature = np.mean(found_here, axis=0)
    start = None
    if past is not None and "hot" in past:
        start = np.array([past[name] for name in _COOLING if name in past])
    found, curve = heating.at_switch_off(time[keep], temperature, start)
    values = dict(zip(_COOLING, map(float, found.values), strict=False))
    made.blocks.append(
        Block("scatter of the resistance after switch-off", values, found.covariance, found.degrees_of_freedom)
    )
    if alone:
        made.exact("ambient", air_end=_air_of(log, given))
        made.notes.append("Without a course of temperature nothing shows that the rise at switch-off was steady.")
    fine = np.linspace(0.0, float(time[-1]), 60)
    made.panels.append(
        Panel(
            "cooling",
            "Winding temperature by resistance after switch-off",
            Axis("Time since switch-off", "time", "s"),
            Axis("Temperature by resistance", "temperature", "degC"),
            [
                Series("readings", time[keep], temperature),
                Series("fit", fine, heating.cooling_curve(fine, found.values), "fit"),
            ],
            "The value at time 0 is the winding temperature at switch-off.",
        )
    )
    made.notes.append(
        f"Winding at switch-off {values['hot']:.1f} degC by resistance, extrapolated over the first "
        f"{time[keep][0]:.0f} s by the {curve} through {int(keep.sum())} "
        f"readings; k = {constant:g} (IEC 60034-1 prints 235 for copper)."
    )
    if time[keep][0] > 60:
        made.warn(
            f"the first resistance was read {time[keep][0]:.0f} s after switch-off; within 30 s is asked for "
            "in machines of this size (IEC 60034-1, 8.6.2.3.3)",
            "time",
        )


def _tail(run: Course, share: float) -> np.ndarray:
    """Return which readings of the log belong to the last ``share`` of the run, three at least."""
    time = run.log["time"]
    end = time[run.used][-1]
    late = run.used & (time >= end - share * (end - time[run.used][0]))
    if late.sum() < 3:
        late = run.used & (time >= time[run.used][-3])
    return late


def _mean(name: str, label: str, readings: np.ndarray, made: Made) -> None:
    scatter = float(np.var(readings, ddof=1)) * correlation_time(readings) / readings.size
    made.blocks.append(Block(label, {name: float(np.mean(readings))}, np.array([[scatter]]), readings.size - 1.0))


def add_power(run: Course, made: Made) -> None:
    """Add the power that became heat, as stated or from the supply less the stated output."""
    conditions = run.log.conditions
    if "heat_power" in conditions:
        made.exact("heat as stated", heat=conditions["heat_power"], heat_age=0.0)
    elif "supply_voltage" in run.log and "supply_current" in run.log and "output_power" in conditions:
        late = _tail(run, 0.1)
        power = run.log["supply_voltage"][late] * run.log["supply_current"][late]
        _mean("heat", "scatter of the supply power", power - conditions["output_power"], made)
        # The mean belongs to a moment before the end, when the winding was not quite as warm.
        made.exact(
            "time of the supply power", heat_age=float(run.log["time"][run.used][-1] - run.log["time"][late].mean())
        )
        made.notes.append(
            f"Heat: supply power over the last tenth of the run less {conditions['output_power']:g} W of output."
        )
    else:
        made.missing["thermal_resistance"] = (
            "the power that became heat is not known; state 'heat_power', or log supply_voltage and "
            "supply_current and state 'output_power' (0 W at standstill)"
        )
        return
    if made.parameters["heat"] <= 0:
        raise FitError("the power that became heat is not positive; check supply power and output power")
    if "fixed_loss" in conditions:
        made.exact("fixed loss as stated", fixed_loss=conditions["fixed_loss"])


def add_current(run: Course, made: Made) -> None:
    """Add the current of the run, as stated or as logged."""
    if "test_current" in run.log.conditions:
        kind = run.log.conditions.get("current_kind")
        name = "direct" if kind is None else CURRENT_KINDS[int(kind)]
        made.exact("current as stated", current=run.log.conditions["test_current"] * _DIRECT[name])
        if kind is None:
            made.warn(
                "'test_current' is taken for the direct current through two lines; of a sinusoidal drive the RMS or "
                "peak of the phase current is another number: state 'current_kind' as direct, rms or peak"
            )
        elif name != "direct":
            made.notes.append(
                f"Current of the run: {name} of the phase current as stated, times {_DIRECT[name]:.4f} for the direct "
                "current through two lines that heats the winding alike (3 R I_rms^2 = 2 R I^2)."
            )
    elif run.log.conditions.get("output_power", 0.0) > 0 and "temperature_controller" not in run.log:
        # A motor that turned had a bridge before it, whose DC current is not that of the winding.
        made.missing["continuous_current"] = (
            "the motor gave power at its shaft, so a controller fed it and the DC supply current is not that through "
            "its lines; state 'test_current'"
        )
    elif "supply_current" in run.log:
        _mean("current", "scatter of the supply current", run.log["supply_current"][_tail(run, 0.25)], made)
        made.notes.append(
            "Current of the run: the DC supply current, and so is the continuous current. For a motor this holds where "
            "the supply feeds two of its lines directly; behind a controller state 'test_current'."
        )
    else:
        made.missing["continuous_current"] = (
            "the current of the run is not known; state 'test_current' or log supply_current"
        )


def add_limit(conditions: Sequence[Mapping[str, float]], given: Mapping[str, float], made: Made) -> None:
    """Add the temperature limit of the place that was measured, and the air it is to be held in."""
    if "continuous_current" in made.missing:
        return
    stated = {key: value for part in conditions for key, value in part.items()}
    design = stated.get("design_ambient", REFERENCE_COOLANT)
    parameters = made.parameters
    winding = "hot" in parameters or parameters.get("by_winding_sensor", 0.0) > 0
    if "temperature_limit" in stated:
        limit = stated["temperature_limit"]
        source = "as stated"
    elif winding and "nameplate_insulation_limit" in given:
        allowance = given["nameplate_hot_spot_allowance"]
        limit = given["nameplate_insulation_limit"] - allowance
        source = (
            f"thermal class of {given['nameplate_insulation_limit']:g} degC (IEC 60085) less {allowance:g} K "
            "for the hot spot (IEC 60034-1)"
        )
    else:
        made.missing["continuous_current"] = (
            "no temperature limit is known; state the nameplate's insulation_class or 'temperature_limit'"
            if winding
            else "the winding or the power stage itself was not measured; state 'temperature_limit' for the place of "
            "the sensor, or measure the winding's resistance after switch-off"
        )
        return
    if limit <= design:
        raise FitError(f"the temperature limit of {limit:g} degC leaves no rise in air of {design:g} degC")
    made.exact("limit", limit=limit, design_ambient=design)
    power = f"1 (a fan) to {1 + MOST_EXPONENT:g} (free convection and radiation)"
    if "surface_exponent" in stated:
        power = f"{1 + stated['surface_exponent']:g}"
    made.notes.append(
        f"Continuous current for {limit:g} degC ({source}) in air of {design:g} degC, with all heat in "
        f"proportion to the square of the current{' and to the resistance' if winding else ''}"
        f"{', but for the fixed loss' if 'fixed_loss' in parameters else ''}; the surface gives off heat as its rise "
        f"to the power of {power}."
    )
