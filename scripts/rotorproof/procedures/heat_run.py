"""Heat run: end temperature rise, thermal resistance and time constant, and the current that can be carried."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import exp

import numpy as np

from ..errors import FitError
from ..physics import heating
from ..signs import value_text
from . import _heat_resistance as resistance
from . import _heat_run as parts
from . import _heat_words as words
from ._heat_course import Curve, Fitted, add_course, choose_curve, show_course
from .base import Condition, Lack, Log, Need, Procedure, Quantity, Report, stated
from .fit import Fit


@dataclass(frozen=True)
class Choice:
    """The curve that the course follows, where the fit of the cooling starts, and whether the motor turned."""

    curve: Curve | None
    cooling: np.ndarray | None
    moved: str


@dataclass(frozen=True)
class Seen:
    """What the report shows."""

    course: Fitted | None
    cooling: parts.Cooling | None


class HeatRun(Procedure):
    """A run at constant load until the temperature is steady, then the resistance while the winding cools."""

    name = "heat-run"
    title = "Heat run"
    purpose = "Find how hot the unit gets, how fast, and which current it carries without end."
    unit_kinds = ("motor", "controller", "drive")
    required_columns = ("time", (*parts.SENSORS, *(f"resistance_{pair}" for pair in resistance.PAIRS)))
    optional_columns = ("temperature_ambient", "supply_voltage", "supply_current", "speed")
    conditions = (
        Condition("ambient_temperature", "temperature", "air temperature during the run, if no column holds it"),
        Condition("heat_power", "power", "power that became heat at the end of the run: input less output"),
        Condition("fixed_loss", "power", "part of that heat which does not grow with the current (iron, friction)"),
        Condition(
            "output_power",
            "power",
            "shaft or output power, to be taken from the supply power (0 W at rest)",
            none_at_zero=True,
        ),
        Condition("test_current", "current", "current of the run, of the kind that 'current_kind' says"),
        Condition(
            "current_kind",
            "number",
            "what test_current is: 'direct' (through two lines, or of the supply of a controller), or of a sinusoidal "
            "phase current its 'rms' or its 'peak'",
            choices=parts.CURRENT_KINDS,
        ),
        Condition("start_time", "time", "time in the log at which the load was switched on (first reading otherwise)"),
        Condition("switch_off_time", "time", "time in the log at which the load was switched off"),
        resistance.DELAY,
        Condition("cold_resistance", "resistance", "line-to-line resistance before the run"),
        Condition("cold_temperature", "temperature", "winding temperature at the cold resistance"),
        Condition("temperature_limit", "temperature", "highest lasting temperature of the place that was measured"),
        Condition(
            "surface_exponent",
            "number",
            "the surface gives off heat as its rise to the power of 1 and this: 0 before a fan, 0.25 in still air "
            "(anything from 0 to 0.3 otherwise)",
        ),
        Condition("design_ambient", "temperature", "air temperature for the continuous current (40 °C otherwise)"),
    )
    needs = tuple(
        Need(f"resistance_{pair}", "the cold resistance for the rise by resistance") for pair in resistance.PAIRS
    )
    assumptions = (resistance.OVER_IRON,)
    gives = (
        "temperature_rise",
        "thermal_resistance",
        "thermal_time_constant",
        "thermal_capacity",
        "continuous_current",
    )
    # fmt: off
    quantities = (
        Quantity(
            "temperature_rise", "Temperature rise", "dT", "temperature_difference", "K",
            "steady rise over the ambient air at the load of the run: of the winding by resistance where "
            "that was measured, else of the sensor in the log",
            "IEC 60034-1, clause 8 (resistance method 8.6.2)",
            least=0.0,
            impossible="columns of winding and ambient temperature exchanged, or a sensor of the air beside the motor",
        ),
        Quantity(
            "thermal_resistance", "Thermal resistance", "R_th", "thermal_resistance", "K/W",
            "steady temperature rise over the power that became heat",
            "definition",
            least=0.0,
        ),
        Quantity(
            "thermal_time_constant", "Thermal time constant", "tau_th", "duration", "s",
            "time constant of the slowest exponential of the approach to the steady temperature",
            "in the manner of IEC 60034-1 (thermal equivalent time constant)",
            least=0.0,
        ),
        Quantity(
            "thermal_capacity", "Thermal capacity", "C_th", "heat_capacity", "J/K",
            "thermal time constant over thermal resistance",
            "definition",
            least=0.0,
        ),
        Quantity(
            "continuous_current", "Continuous current", "I_cont", "current", "A",
            "direct current (for sinusoidal phase currents, that of the same heat in the winding) at which the place "
            "measured reaches its temperature limit in air of 40 °C (or of the condition design_ambient)",
            "IEC 60034-1 and IEC 60085; heat in proportion to current squared and resistance",
            least=0.0,
        ),
    )
    # fmt: on
    not_covered = (
        "Temperature sensors are not read: the logger's temperature is taken as it is. Thermocouple tables (type "
        "K) and the Pt100 curve are therefore not checked, since nothing here uses them.",
        "Bodies beyond two and copper loss that grows with temperature are compared with a simulation only.",
    )
    cautions = (
        "Windings, hubs and controllers get hot enough to burn skin: do not touch, keep what burns away, "
        "and never leave the run alone. Stop at the temperature limit.",
        "A loaded wheel turns: guard it. With direct current at standstill the wheel may jerk when switched on.",
        "Charge and load a lithium pack only within its maker's limits; a bench supply is the safer source.",
        "Switch off and discharge before the resistance is measured; the meter does not stand the drive's voltage.",
    )
    minimum_rows = 4
    combines = True
    combines_by_label = True
    order = 70
    minutes = 240
    lasts = (0.0, 48 * 3600.0)  # a motor of this size is warm after hours

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what needs air, a power, a current or a limit that is stated nowhere."""
        return [*super().lacks(logs, known), *parts.lacks(logs, known)]

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Find which log is which, and which curves the temperature follows."""
        course_log, cooling_log = parts.sorted_logs(logs, given)
        curve = cooling = None
        moved = parts.UNKNOWN
        if course_log is not None:
            run, fit = parts.course(course_log, given), Fit()
            moved = parts.movement(run, given)
            parts.add_power(run, moved, fit)
            if fit.parameters.get("fixed_loss", 0.0) > fit.parameters.get("heat", np.inf):
                raise FitError("the stated fixed loss is more than the whole heat; correct 'fixed_loss' or the power")
            curve = choose_curve(run, given, fit)
        if cooling_log is not None and (found := parts.cooling(cooling_log, given, None)):
            cooling = found.found.values
        return Choice(curve, cooling, moved)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Fit the approach to the steady state and the resistance at switch-off."""
        course_log, cooling_log = parts.sorted_logs(logs, given)
        fit = Fit()
        course = cooling = None
        if course_log is not None and choice.curve is not None:
            run = parts.course(course_log, given)
            parts.add_power(run, choice.moved, fit)
            course = add_course(run, given, choice.curve, fit)
            parts.add_current(run, choice.moved, fit)
        else:
            fit.lacking(
                ("thermal_time_constant", "thermal_resistance", "continuous_current"),
                "no course of a temperature over the run is among the logs",
            )
        if cooling_log is not None:
            cooling = parts.add_cooling(cooling_log, given, choice.cooling, fit, alone=course is None)
        if course is None and cooling is None:
            raise FitError(fit.missing["temperature_rise"])
        parts.add_limit(stated(logs), given, fit)
        if "thermal_resistance" in fit.missing or "thermal_time_constant" in fit.missing:
            fit.missing["thermal_capacity"] = "it follows from thermal resistance and time constant"
        fit.seen = Seen(course, cooling)
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Show the course and the cooling, and say what power, current and limit are."""
        course_log, cooling_log = parts.sorted_logs(logs, given)
        report, seen = Report(), fit.seen
        report.notes += resistance.words(logs)
        if course_log is not None:
            words.power_words(course_log, fit, report)
            show_course(seen.course, report)
            words.current_words(course_log, fit, report)
        if cooling_log is not None:
            words.show_cooling(seen.cooling, given, report, alone=course_log is None)
        words.limit_words(logs, given, choice.moved, fit, report)
        if "continuous_current" not in fit.missing and "current" in fit.parameters:
            report.extrapolated["continuous_current"] = (
                f"from {value_text(fit.parameters['current'], 'A', '.3g')} to the temperature limit of "
                f"{value_text(fit.parameters['limit'], 'degC', '.0f')}"
            )
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return rise, thermal resistance, time constant, capacity and continuous current."""
        p = parameters
        result: dict[str, float] = {}
        left = left_then = fitted = ln_tau = 0.0
        if "rise" in p:
            names = ("rise", "slow", "fast", "ln_tau", "ln_tau_fast") if "slow" in p else ("start", "rise", "ln_tau")
            values = np.array([p[name] for name in names])
            # Another exponent than assumed in the fit moves the part that is extrapolated.
            other = p["exponent"] - p["fitted_exponent"]
            moved = p["rise_slope"] * other
            left, left_then = (
                heating.remaining(values, p["run_length"] - age, p["start_air"], p["bend"]) + moved
                for age in (0.0, p.get("heat_age", 0.0))
            )
            fitted = p["rise"] + moved
            ln_tau = p["ln_tau"] + p["ln_tau_slope"] * other
            result["thermal_time_constant"] = exp(ln_tau)
        air = p["air_end"] + p.get("air_error", 0.0)
        if "hot" in p:
            at_end = p["hot"] - air
            if p.get("by_winding_sensor", 0.0):
                left, left_then = (part * at_end / (fitted - left) for part in (left, left_then))
            rise = at_end + left
        else:
            rise = fitted
        result["temperature_rise"] = rise
        constant = given["winding_constant"]
        # The rise is over the air at the end; what the readings then were over is the air as the body follows it.
        steady = p.get("air_now", p["air_end"]) + p.get("air_error", 0.0) + rise
        share = p.get("fixed_share", 0.0)
        if "heat" in p:
            # At constant current the copper loss grows over the part of the rise that was still to come, and with
            # the air, when it was measured.
            then = constant + air + rise - left_then + p["heat_air"]
            grown = (constant + steady) / then if p["copper"] else 1.0
            fixed = p.get("fixed_loss", share * p["heat"])
            heat = fixed + (p["heat"] - fixed) * grown
            share = fixed / heat
            result["thermal_resistance"] = rise / heat
            result["thermal_capacity"] = exp(ln_tau) * heat / rise
        if "limit" in p:
            winding = "hot" in p or p["by_winding_sensor"]
            result["continuous_current"] = heating.continuous_current(
                p["current"],
                rise,
                p["limit"] - p["design_ambient"],
                resistance_ratio=(constant + p["limit"]) / (constant + steady) if winding else 1.0,
                fixed_share=share,
                exponent=heating.exponent_of_whole(p["exponent"], parts.WINDING_AT_SURFACE if winding else 1.0),
            )
        return result


PROCEDURE = HeatRun()
