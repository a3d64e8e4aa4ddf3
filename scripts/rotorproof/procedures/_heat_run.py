"""What a heat run's logs give beside the course: the cooling, power, current and limit (course: ``_heat_course``)."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import heating
from ..physics.regression import Estimates, correlation_time
from ..physics.thermal_class import REFERENCE_COOLANT
from . import _heat_resistance as by_resistance
from ._heat_resistance import NO_COLD_RESISTANCE
from .base import Lack, Log
from .fit import Fit

#: Where a temperature may be logged, the most telling place first.
SENSORS = ("temperature_winding", "temperature_controller", "temperature_case")
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
DIRECT = {"direct": 1.0, "rms": float(np.sqrt(3 / 2)), "peak": float(np.sqrt(3) / 2)}


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


def sorted_logs(logs: Sequence[Log], given: Mapping[str, float]) -> tuple[Log | None, Log | None]:
    """Return the log with the temperature course and that of the resistance after switch-off.

    A resistance that rises over the run is a course too.
    """
    logs = by_resistance.split(logs, given, _air_of)
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
    raise FitError(NO_AIR)


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


@dataclass(frozen=True)
class Cooling:
    """The winding after switch-off: time (s) and temperature by resistance (degC), and the curve through them."""

    time: np.ndarray
    temperature: np.ndarray
    found: Estimates
    curve: str


def cooling(log: Log, given: Mapping[str, float], near: np.ndarray | None) -> Cooling | None:
    """Extrapolate the resistance to switch-off; ``None`` where the cold resistance is not known."""
    time = log["time"] - log.conditions.get("switch_off_time", 0.0)
    keep = time >= 0
    # The temperature by resistance is a straight line of the resistance, so either may be extrapolated.
    found = by_resistance.temperatures(log, given)
    if found is None:
        return None
    temperature = found[keep]
    return Cooling(time[keep], temperature, *heating.at_switch_off(time[keep], temperature, near))


def add_cooling(
    log: Log, given: Mapping[str, float], near: np.ndarray | None, fit: Fit, *, alone: bool
) -> Cooling | None:
    """Add the winding temperature at switch-off."""
    made = cooling(log, given, near)
    if made is None:
        if alone:
            fit.missing["temperature_rise"] = NO_COLD_RESISTANCE
        return None
    names = _COOLING[: made.found.values.size]
    label = "scatter of the resistance after switch-off"
    fit.estimates(label, names, made.found)
    # Of many readings the first ones are fitted.
    time, temperature = (readings[: made.found.residuals.size] for readings in (made.time, made.temperature))
    fit.left("temperature after switch-off", "degC", temperature, made.found, {"time": time}, time, blocks=(label,))
    if alone:
        fit.exact("ambient", air_end=_air_of(log, given))
    return made


def _tail(run: Course, share: float) -> np.ndarray:
    """Return which readings of the log belong to the last ``share`` of the run, three at least."""
    time = run.log["time"]
    end = time[run.used][-1]
    late = run.used & (time >= end - share * (end - time[run.used][0]))
    if late.sum() < 3:
        late = run.used & (time >= time[run.used][-3])
    return late


def _mean(name: str, label: str, readings: np.ndarray, fit: Fit) -> None:
    scatter = float(np.var(readings, ddof=1)) * correlation_time(readings) / readings.size
    fit.block(label, {name: float(np.mean(readings))}, scatter, readings.size - 1.0)


#: The most of a turning motor's heat that is iron loss and friction: efficiency is greatest where losses that grow with
#: the square of the load equal those that do not (textbooks on electrical machines, from memory), and a motor is loaded
#: to that or beyond in a heat run.
MOST_FIXED = 0.5

NO_AIR = (
    "the ambient temperature is stated nowhere; log it as temperature_ambient, or state the condition "
    "'ambient_temperature'"
)
NO_POWER = (
    "the power that became heat is not known; state 'heat_power', or log supply_voltage and supply_current and state "
    "'output_power' (0 W at standstill)"
)
NO_CURRENT = "the current of the run is not known; state 'test_current' or log supply_current"
NO_LIMIT = "no temperature limit is known; state the nameplate's insulation_class or 'temperature_limit'"
NO_LIMIT_OF_PLACE = (
    "the winding or the power stage itself was not measured; state 'temperature_limit' for the place of the sensor, or "
    "measure the winding's resistance after switch-off"
)


def lacks(logs: Sequence[Log], known: Collection[str]) -> list[Lack]:
    """Return what needs air, a power, a current or a limit that neither a log of the run nor the unit's file states."""
    names = {name for log in logs for name in (*log.columns, *log.conditions)}
    if not {"temperature_ambient", "ambient_temperature"} & names and "ambient_temperature" not in known:
        return [Lack(NO_AIR)]
    found = []
    if "heat_power" not in names and not {"supply_voltage", "supply_current", "output_power"} <= names:
        found.append(Lack(NO_POWER, ("thermal_resistance", "thermal_capacity")))
    if not {"test_current", "supply_current"} & names:
        found.append(Lack(NO_CURRENT, ("continuous_current",)))
    elif "temperature_limit" not in names:
        winding = "temperature_winding" in names or any(name.startswith("resistance_") for name in names)
        if not winding or "nameplate_insulation_limit" not in known:
            found.append(Lack(NO_LIMIT if winding else NO_LIMIT_OF_PLACE, ("continuous_current",)))
    return found


def add_power(run: Course, moved: str, fit: Fit) -> None:
    """Add the power that became heat, as stated or from the supply less the stated output, and what of it is fixed.

    ``moved`` is the ``movement`` of the run. A stated fixed loss needs that power beside it; without, and where a motor
    turned or nothing tells that it stood, any share up to ``MOST_FIXED`` may be fixed.
    """
    conditions = run.log.conditions
    _add_heat(run, fit)
    stated = conditions.get("fixed_loss")
    if stated is not None and "heat" in fit.parameters:
        fit.exact("fixed loss as stated", fixed_loss=stated)
    elif stated != 0 and moved != STOOD:
        half = 0.5 * MOST_FIXED
        fit.block(
            "iron loss and friction, not stated", {"fixed_share": half}, half**2 / 3.0, distribution="rectangular"
        )


def _add_heat(run: Course, fit: Fit) -> None:
    conditions = run.log.conditions
    if "heat_power" in conditions:
        fit.exact("heat as stated", heat=conditions["heat_power"], heat_age=0.0)
    elif "supply_voltage" in run.log and "supply_current" in run.log and "output_power" in conditions:
        late = _tail(run, 0.1)
        power = run.log["supply_voltage"][late] * run.log["supply_current"][late]
        _mean("heat", "scatter of the supply power", power - conditions["output_power"], fit)
        # The mean belongs to a moment before the end, when the winding was not quite as warm.
        age = float(run.log["time"][run.used][-1] - run.log["time"][late].mean())
        fit.exact("time of the supply power", heat_age=age)
    else:
        fit.missing["thermal_resistance"] = NO_POWER
        return
    if fit.parameters["heat"] <= 0:
        raise FitError("the power that became heat is not positive; check supply power and output power")


STOOD, TURNED, UNKNOWN = "stood", "turned", "unknown"
#: From this mean speed (rad/s) on a rotor turned: one turn a minute.
_TURNING = 0.1
#: Heat as stated, or supply power, over the heat of the winding: up to the first it is all copper but for leads and a
#: probe that is cooler than the winding, from the second on it is far more than copper takes (common practice, no
#: source).
_ALL_COPPER, _FAR_MORE = 1.3, 2.0


def movement(run: Course, given: Mapping[str, float]) -> str:
    """Tell whether a motor ``TURNED`` in the run, ``STOOD``, or nothing says so (``UNKNOWN``).

    By its logged speed, else by its stated output (0 W is at rest), else by the stated heat, or what the supply gave,
    beside what the current makes in the winding. What has its temperature read at a controller has no iron that turns.
    """
    log = run.log
    if run.sensor == "temperature_controller":
        return STOOD
    if "speed" in log:
        return TURNED if float(np.mean(np.abs(log["speed"][run.used]))) > _TURNING else STOOD
    if "output_power" in log.conditions:
        return TURNED if log.conditions["output_power"] > 0 else STOOD
    ratio = _over_copper(run, given)
    if ratio is None or _ALL_COPPER < ratio < _FAR_MORE:
        return UNKNOWN
    return STOOD if ratio <= _ALL_COPPER else TURNED


def _over_copper(run: Course, given: Mapping[str, float]) -> float | None:
    """Return the stated heat, or the supply's power late in the run, over R I^2 of two lines; ``None`` if not known."""
    log, late = run.log, _tail(run, 0.1)
    cold = [given[name] for name in (f"resistance_{pair}" for pair in by_resistance.PAIRS) if name in given]
    ohms = float(np.mean(cold)) if cold else log.conditions.get("cold_resistance")
    if "heat_power" in log.conditions:
        power = log.conditions["heat_power"]
    elif "supply_voltage" in log and "supply_current" in log:
        power = float(np.mean(log["supply_voltage"][late] * log["supply_current"][late]))
    else:
        return None
    if "test_current" in log.conditions:
        square = (log.conditions["test_current"] * DIRECT[current_kind(log)]) ** 2
    elif "supply_current" in log:
        square = float(np.mean(log["supply_current"][late] ** 2))
    else:
        return None
    if ohms is None:
        return None
    constant, cool = given["winding_constant"], log.conditions.get("cold_temperature", 20.0)
    copper = ohms * square * (constant + float(np.mean(log[run.sensor][late]))) / (constant + cool)
    return power / copper if copper > 0 else None


def current_kind(log: Log) -> str:
    """Return which current the condition 'test_current' is."""
    return CURRENT_KINDS[int(log.conditions.get("current_kind", 0))]


def add_current(run: Course, moved: str, fit: Fit) -> None:
    """Add the current of the run, as stated or as logged."""
    if "test_current" in run.log.conditions:
        direct = run.log.conditions["test_current"] * DIRECT[current_kind(run.log)]
        fit.exact("current as stated", current=direct)
    elif moved == TURNED and "temperature_controller" not in run.log:
        # A motor that turned had a bridge before it, whose DC current is not that of the winding.
        fit.missing["continuous_current"] = (
            "the motor turned, so a controller fed it and the DC supply current is not that through its lines; state "
            "'test_current'"
        )
    elif "supply_current" in run.log:
        _mean("current", "scatter of the supply current", run.log["supply_current"][_tail(run, 0.25)], fit)
    else:
        fit.missing["continuous_current"] = NO_CURRENT


def add_limit(conditions: Mapping[str, float], given: Mapping[str, float], fit: Fit) -> None:
    """Add the temperature limit of the place that was measured, and the air it is to be held in."""
    if "continuous_current" in fit.missing:
        return
    design = conditions.get("design_ambient", REFERENCE_COOLANT)
    winding = by_winding(fit)
    if "temperature_limit" in conditions:
        limit = conditions["temperature_limit"]
    elif winding and "nameplate_insulation_limit" in given:
        limit = given["nameplate_insulation_limit"] - given["nameplate_hot_spot_allowance"]
    else:
        fit.missing["continuous_current"] = NO_LIMIT if winding else NO_LIMIT_OF_PLACE
        return
    if limit <= design:
        raise FitError(f"the temperature limit of {limit:g} °C leaves no rise in air of {design:g} °C")
    fit.exact("limit", limit=limit, design_ambient=design)


def by_winding(fit: Fit) -> bool:
    """Tell whether the winding itself was measured, by its resistance or a sensor in it."""
    return "hot" in fit.parameters or fit.parameters.get("by_winding_sensor", 0.0) > 0
