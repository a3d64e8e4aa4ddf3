"""The course of temperature over a heat run: which curve is fitted to it, and what is assumed of its shape."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp

import numpy as np

from ..errors import FitError
from ..physics import heating
from ._heat_run import AT_SURFACE, EXPONENT, MOST_EXPONENT, SENSORS, Course, Made
from .base import Axis, Panel, Series
from .fit import Block

_PLACE = dict(zip(SENSORS, ("winding", "controller", "case"), strict=True))
#: More of the rise than this may not be left to extrapolation.
_MOST_EXTRAPOLATED = 0.35
#: A run shorter than this many time constants does not tell the slow body from the fast ones: its end value
#: comes out too low.
_LEAST_OF_TWO_BODIES = 1.6
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


def _approach(
    run: Course, given: Mapping[str, float], past: Mapping[str, float] | None, made: Made
) -> tuple[heating.Approach, Shape, dict[str, float]]:
    """Return the fit, the shape assumed in it, and what it moves by per unit of the exponent assumed."""
    share = 1.0 - made.parameters.get("fixed_loss", 0.0) / made.parameters.get("heat", np.inf)
    share *= run.sensor != "temperature_controller"
    constant = given["winding_constant"]
    centre = run.log.conditions.get("surface_exponent", EXPONENT)
    if past is not None:
        names = _TWO_BODIES if "slow" in past else _ONE_BODY
        shape = Shape.of(run, past["first_rise"], constant, share, past["fitted_exponent"])
        near = (len(names) // 2, past["since"], np.array([past[name] for name in names]))
        kept = {name: past[name] for name in ("first_rise", "fitted_exponent", "rise_slope", "ln_tau_slope")}
        return heating.fit_approach(run.time, run.temperature, shape.air, near, shape.bend), shape, kept
    first = heating.fit_approach(run.time, run.temperature, run.air)
    one = first.bodies == 1
    rise = float(first.estimates.values[1 if one else 0])
    near = (first.bodies, first.since, first.estimates.values)
    found = []
    for exponent in (centre, 0.0, MOST_EXPONENT):
        shape = Shape.of(run, rise, constant, share, exponent)
        found.append((heating.fit_approach(run.time, run.temperature, shape.air, near, shape.bend), shape))
    slopes = (found[2][0].estimates.values - found[1][0].estimates.values) / MOST_EXPONENT
    best, shape = found[0]
    best = heating.with_shape(run.time, run.temperature, shape.air, best)
    best = heating.in_uncertain_air(run.time, run.temperature, shape.air, shape.air_covariance, best)
    return best, shape, {
        "first_rise": rise,
        "fitted_exponent": centre,
        "rise_slope": float(slopes[1 if one else 0]),
        "ln_tau_slope": float(slopes[2 if one else 3]),
    }  # fmt: skip


def fit_course(run: Course, given: Mapping[str, float], past: Mapping[str, float] | None, made: Made) -> None:
    """Fit the approach and add its block, panel, table and notes."""
    approach, shape, kept = _approach(run, given, past, made)
    names = _ONE_BODY if approach.bodies == 1 else _TWO_BODIES
    values = dict(zip(names, map(float, approach.estimates.values), strict=True))
    place = _PLACE[run.sensor]
    tau = exp(values["ln_tau"])
    begun = float(heating.followed(np.zeros(1), heating.later(shape.air, approach.since), tau)[0])
    length = float(run.time[-1]) - approach.since
    left = heating.remaining(approach.estimates.values, length, begun, approach.bend)
    if values["rise"] <= 0:
        raise FitError("the temperature does not rise over that of the air; check the load and the sensors")
    too_short = approach.bodies == 2 and length < _LEAST_OF_TWO_BODIES * tau
    if left > _MOST_EXTRAPOLATED * values["rise"] or too_short:
        raise FitError(
            f"the run ended with {100 * left / values['rise']:.0f} % of the rise still to come, too much to "
            f"extrapolate; run for at least {2.5 * tau / 60:.0f} min (two and a half time constants)"
        )
    made.blocks.append(
        Block(
            f"scatter of the {place} temperature",
            values,
            approach.estimates.covariance,
            approach.estimates.degrees_of_freedom,
        )
    )
    moments = run.time[-1] - np.array([0.0, made.parameters.get("heat_age", 0.0)])
    at_end, at_heat = heating.followed(moments, shape.air, tau)
    made.exact(
        "end of the run",
        run_length=length,
        since=approach.since,
        start_air=begun,
        air_end=float(at_end),
        air_now=float(np.polynomial.polynomial.polyval(run.time[-1], run.air)),
        heat_air=float(at_heat - at_end),
        bend=approach.bend,
        by_winding_sensor=float(run.sensor == "temperature_winding"),
        copper=float(run.sensor != "temperature_controller"),
        **kept,
    )
    if "surface_exponent" in run.log.conditions:
        made.exact("surface exponent as stated", exponent=run.log.conditions["surface_exponent"])
    else:
        made.blocks.append(
            Block(
                "heat given off faster than in proportion to the rise",
                {"exponent": EXPONENT},
                np.array([[EXPONENT**2 / 3]]),
                np.inf,
                "rectangular",
            )
        )
    end = np.array([1.0, run.time[-1], run.time[-1] ** 2])
    made.blocks.append(
        Block(
            "scatter of the air temperature", {"air_error": 0.0}, np.array([[end @ run.air_covariance @ end]]), np.inf
        )
    )
    late = run.time[run.time >= approach.since]
    shown = run.temperature[run.time >= approach.since] - approach.fitted
    made.panels.append(
        Panel(
            "heating",
            "Temperature over the run",
            Axis("Time since switch-on", "time", "min"),
            Axis("Temperature", "temperature", "degC"),
            [
                Series(place, run.time, run.temperature),
                Series("fit", late, approach.fitted, "fit"),
                Series("air", run.time, np.polynomial.polynomial.polyval(run.time, run.air), "model"),
            ],
            "The curve flattens at the steady temperature; waves in the residuals mean a load or an air that changed.",
            residuals=[Series(place, late, shown)],
            residual_axis=Axis("Residual", "temperature_difference", "K"),
        )
    )
    if approach.bodies == 2:
        kind = f"two bodies (fast part {exp(values['ln_tau_fast']) / 60:.1f} min)"
    elif approach.since > 0:
        kind = f"the last of several exponentials, from {approach.since / 60:.0f} min on"
    else:
        kind = "one body"
    made.notes.append(
        f"Approach of the {place} temperature fitted as {kind}, in the air as it was; time constant "
        f"{tau / 60:.1f} min. The run lasted {run.time[-1] / 60:.0f} min and "
        f"{100 * left / values['rise']:.1f} % of the rise is extrapolated."
    )
    if left > 0.05 * values["rise"]:
        made.warn(
            f"the run was cut short: {100 * left / values['rise']:.0f} % of the rise is extrapolated; run on "
            "until the temperature changes by less than 1 K in half an hour (IEC 60034-1) for a firmer value"
        )
