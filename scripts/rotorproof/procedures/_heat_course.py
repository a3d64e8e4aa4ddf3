"""The course of temperature over a heat run: which curve is fitted to it, and what is assumed of its shape."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp

import numpy as np

from ..errors import FitError
from ..physics import heating
from ..signs import number_text
from ._heat_run import AT_SURFACE, EXPONENT, MOST_EXPONENT, SENSORS, Course
from .base import Axis, Panel, Report, Series
from .fit import Fit

_PLACE = dict(zip(SENSORS, ("winding", "controller", "case"), strict=True))
#: From this share of the rise on, what lies beyond the run is said beside the value (common practice, no source).
_LEFT = 0.01
#: More of the rise than this may not be left to extrapolation.
_MOST_EXTRAPOLATED = 0.35
#: A run shorter than this many time constants does not tell the slow body from the fast ones: its end value
#: comes out too low.
_LEAST_OF_TWO_BODIES = 1.6
#: K below the air that nothing at rest in it has, and a wrong unit gives: degC taken for degF makes a room of 0 to 45
#: degC colder by 18 to 38 K (common practice, no source).
COLDER = 15.0
_ONE_BODY = ("start", "rise", "ln_tau")
_TWO_BODIES = ("rise", "slow", "fast", "ln_tau", "ln_tau_fast")


@dataclass(frozen=True)
class Shape:
    """What is assumed of a course of temperature: how it bends, and the air as the measured place follows it."""

    bend: float
    air: np.ndarray
    air_covariance: np.ndarray

    @classmethod
    def of(cls, run: Course, rise: float, constant: float, variable_share: float, exponent: float) -> Shape:
        """Return the shape for a ``rise`` (K) whose heat is given off as ``rise^(1 + exponent)``."""
        end = float(run.time[-1])
        air = float(np.polynomial.polynomial.polyval(end, run.air))
        growth = heating.heat_growth(rise, air, constant, variable_share)
        share = AT_SURFACE.get(run.sensor, 1.0)
        moved, matrix = heating.in_warmer_air(run.air, end, heating.exponent_of_whole(exponent, share), growth)
        return cls(heating.bend_of(exponent, growth, share), moved, matrix @ run.air_covariance @ matrix.T)


@dataclass(frozen=True)
class Curve:
    """Which curve is fitted to a course: bodies, the moment it begins and where its values start, and its shape.

    The shape is that for ``first_rise`` (K) and ``exponent``; with another exponent, rise and ln tau differ by a slope
    each.
    """

    near: tuple[int, float, np.ndarray]
    first_rise: float
    exponent: float
    rise_slope: float
    ln_tau_slope: float

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the curve's values."""
        return _ONE_BODY if self.near[0] == 1 else _TWO_BODIES


@dataclass(frozen=True)
class Fitted:
    """The curve through the course of a run: what the report shows of it."""

    run: Course
    approach: heating.Approach
    tau: float
    left: float
    rise: float

    @property
    def place(self) -> str:
        """Return where the temperature was read."""
        return _PLACE[self.run.sensor]


def _variable_share(run: Course, fit: Fit) -> float:
    """Return the share of the heat that grows with the winding's resistance."""
    known = fit.parameters
    share = 1.0 - known.get("fixed_share", known.get("fixed_loss", 0.0) / known.get("heat", np.inf))
    return share * (run.sensor != "temperature_controller")


def choose_curve(run: Course, given: Mapping[str, float], fit: Fit) -> Curve:
    """Decide how many bodies the course shows, and from when on; ``fit`` holds the power that became heat."""
    share, constant = _variable_share(run, fit), given["winding_constant"]
    centre = run.log.conditions.get("surface_exponent", EXPONENT)
    first = heating.fit_approach(run.time, run.temperature, run.air)
    one = first.bodies == 1
    rise = float(first.estimates.values[1 if one else 0])
    near = (first.bodies, first.since, first.estimates.values)
    found = []
    for exponent in (centre, 0.0, MOST_EXPONENT):
        shape = Shape.of(run, rise, constant, share, exponent)
        approach = heating.fit_approach(run.time, run.temperature, shape.air, near, shape.bend)
        found.append(approach.estimates.values)
    slopes = (found[2] - found[1]) / MOST_EXPONENT
    near = (first.bodies, first.since, found[0])
    return Curve(near, rise, centre, float(slopes[1 if one else 0]), float(slopes[2 if one else 3]))


def add_course(run: Course, given: Mapping[str, float], curve: Curve, fit: Fit) -> Fitted:
    """Fit the approach and add its block and what the formula needs of the end of the run."""
    shape = Shape.of(run, curve.first_rise, given["winding_constant"], _variable_share(run, fit), curve.exponent)
    approach = heating.fit_approach(run.time, run.temperature, shape.air, curve.near, shape.bend)
    values = dict(zip(curve.names, map(float, approach.estimates.values), strict=True))
    tau = exp(values["ln_tau"])
    begun = float(heating.followed(np.zeros(1), heating.later(shape.air, approach.since), tau)[0])
    length = float(run.time[-1]) - approach.since
    left = heating.remaining(approach.estimates.values, length, begun, approach.bend)
    if values["rise"] <= 0:
        raise FitError(f"the temperature does not rise over that of the air; {_why_colder(run)}")
    too_short = approach.bodies == 2 and length < _LEAST_OF_TWO_BODIES * tau
    if left > _MOST_EXTRAPOLATED * values["rise"] or too_short:
        raise FitError(
            f"the run ended with {100 * left / values['rise']:.0f} % of the rise still to come, too much to "
            f"extrapolate; run for at least {2.5 * tau / 60:.0f} min (two and a half time constants)"
        )
    fitted = Fitted(run, approach, tau, left, values["rise"])

    def spread() -> np.ndarray:
        late = heating.with_shape(run.time, run.temperature, shape.air, approach)
        return heating.in_uncertain_air(
            run.time, run.temperature, shape.air, shape.air_covariance, late
        ).estimates.covariance

    freedom = approach.estimates.degrees_of_freedom
    label = f"scatter of the {fitted.place} temperature"
    fit.block(label, values, spread, freedom)
    late = run.time >= approach.since
    regressors = {"time": run.time[late]}
    name = f"{fitted.place} temperature over the run"
    fit.left(name, "degC", run.temperature[late], approach.estimates, regressors, run.time[late], blocks=(label,))
    moments = run.time[-1] - np.array([0.0, fit.parameters.get("heat_age", 0.0)])
    at_end, at_heat = heating.followed(moments, shape.air, tau)
    fit.exact(
        "end of the run",
        run_length=length,
        start_air=begun,
        air_end=float(at_end),
        air_now=float(np.polynomial.polynomial.polyval(run.time[-1], run.air)),
        heat_air=float(at_heat - at_end),
        bend=approach.bend,
        by_winding_sensor=float(run.sensor == "temperature_winding"),
        copper=float(run.sensor != "temperature_controller"),
        fitted_exponent=curve.exponent,
        rise_slope=curve.rise_slope,
        ln_tau_slope=curve.ln_tau_slope,
    )
    if "surface_exponent" in run.log.conditions:
        fit.exact("surface exponent as stated", exponent=run.log.conditions["surface_exponent"])
    else:
        words = "heat given off faster than in proportion to the rise"
        fit.block(words, {"exponent": EXPONENT}, EXPONENT**2 / 3, distribution="rectangular")
    end = np.array([1.0, run.time[-1], run.time[-1] ** 2])
    fit.block("scatter of the air temperature", {"air_error": 0.0}, float(end @ run.air_covariance @ end))
    return fitted


def _why_colder(run: Course) -> str:
    """Return what to check where the place stayed colder than the air: its unit, if it began far below."""
    began, air = float(run.temperature[0]), float(run.air[0])
    if air - began < COLDER:
        return "check the load and the sensors"
    return (
        f"the column {run.sensor} begins at {number_text(began, '.4g')} °C in air at {number_text(air, '.4g')} °C, "
        "which nothing at rest does: check the units of both columns ([degF] written for readings in [degC], or the "
        "reverse)"
    )


def show_course(fitted: Fitted, report: Report) -> None:
    """Show the course with its curve, and say what was fitted and how much of the rise it extrapolates."""
    run, approach, place = fitted.run, fitted.approach, fitted.place
    late = run.time >= approach.since
    report.panels.append(
        Panel(
            "heating",
            "Temperature over the run",
            Axis("Time since switch-on", "time", "min"),
            Axis("Temperature", "temperature", "degC"),
            [
                Series(place, run.time, run.temperature),
                Series("fit", run.time[late], approach.fitted, "fit"),
                Series("air", run.time, np.polynomial.polynomial.polyval(run.time, run.air), "model"),
            ],
            "The curve flattens at the steady temperature; waves in the residuals mean a load or an air that changed.",
            residuals=[Series(place, run.time[late], run.temperature[late] - approach.fitted)],
            residual_axis=Axis("Residual", "temperature_difference", "K"),
        )
    )
    if approach.bodies == 2:
        kind = f"two bodies (fast part {exp(approach.estimates.values[4]) / 60:.1f} min)"
    elif approach.since > 0:
        kind = f"the last of several exponentials, from {approach.since / 60:.0f} min on"
    else:
        kind = "one body"
    report.notes.append(
        f"Approach of the {place} temperature fitted as {kind}, in the air as it was; time constant "
        f"{fitted.tau / 60:.1f} min. The run lasted {run.time[-1] / 60:.0f} min and "
        f"{100 * fitted.left / fitted.rise:.1f} % of the rise is extrapolated."
    )
    if (share := fitted.left / fitted.rise) > _LEFT:
        report.extrapolated["temperature_rise"] = f"{100 * share:.0f} % of the rise lies beyond the run"
    if fitted.left > 0.05 * fitted.rise:
        report.warn(
            f"the run was cut short: {100 * fitted.left / fitted.rise:.0f} % of the rise is extrapolated; run on "
            "until the temperature changes by less than 1 K in half an hour (IEC 60034-1) for a firmer value"
        )
