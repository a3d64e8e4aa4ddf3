"""Heating and cooling: exponential approach in air that may drift, resistance extrapolated to switch-off."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from math import exp, log, sqrt

import numpy as np

from ..errors import FitError
from .regression import Estimates, jackknife_covariance, linear_fit, nonlinear_fit

#: Stretches of the run that are left out in turn to see how firm the course of the air is.
_AIR_BLOCKS = 10
#: Readings up to this moment (s) are enough to extrapolate to switch-off; later ones bend the slope.
_COOLING_WINDOW = 100.0


@dataclass(frozen=True)
class Approach:
    """A fitted heating curve: ``values`` ``(3,)`` or ``(5,)`` and what they mean.

    One body: ``[start, rise, ln tau]`` from the moment ``since`` on. Two bodies: ``[rise, slow part, fast
    part, ln tau_slow, ln tau_fast]``. Temperatures in degC and K, times in s; ``fitted`` is the curve at the
    readings used, ``bend`` how far the slow approach departs from an exponential (see ``bend_of``).
    """

    bodies: int
    since: float
    estimates: Estimates
    fitted: np.ndarray
    bend: float = 0.0


#: A time constant known worse than by this factor's logarithm is not known (a factor of two to either side).
_SURE_OF_LN_TAU = 0.7
#: Readings of a sparse course that one exponential is fitted to at least.
_FEWEST_LATE = 8


def reduced(time: np.ndarray, values: np.ndarray, most: int = 600) -> tuple[np.ndarray, np.ndarray]:
    """Return means over equal runs of readings so that at most about ``most`` points ``(m,)`` are left."""
    size = max(1, time.size // most)
    if size == 1:
        return time, values
    count = time.size // size
    return (
        time[: count * size].reshape(count, size).mean(axis=1),
        values[: count * size].reshape(count, size).mean(axis=1),
    )


def ambient_course(time: np.ndarray, ambient: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the parabola in time (s) that the ambient temperature follows, and its covariance ``(3, 3)``.

    The coefficients are ``(3,)``, in degC, degC/s and degC/s^2. The covariance is that of leaving out one stretch of
    the run after the other: a room's heating that comes and goes is not chance from reading to reading, but nearly
    cancels over a stretch.
    """
    if np.ptp(ambient) == 0 or time.size < 8:
        covariance = np.zeros((3, 3))
        covariance[0, 0] = float(np.var(ambient)) / time.size
        return np.array([float(np.mean(ambient)), 0.0, 0.0]), covariance
    scale = float(time[-1])
    x = time / scale
    design = np.column_stack([np.ones_like(x), x, x * x])
    values = linear_fit(design, ambient).values
    without = np.array(
        [
            linear_fit(np.delete(design, block, axis=0), np.delete(ambient, block)).values
            for block in np.array_split(np.arange(time.size), min(_AIR_BLOCKS, time.size // 2))
        ]
    )
    unit = np.array([1.0, scale, scale**2])
    return values / unit, jackknife_covariance(without) / np.outer(unit, unit)


def followed(time: np.ndarray, course: np.ndarray, tau: float) -> np.ndarray:
    """Return what a body with time constant ``tau`` makes of an ambient ``c0 + c1 t + c2 t^2``, without transient.

    The solution of ``tau dy/dt = ambient - y`` that is itself a parabola: a body lags behind its air.
    """
    c0, c1, c2 = course
    return np.asarray(c0 + c1 * (time - tau) + c2 * (time * time - 2 * tau * time + 2 * tau * tau))


def _exp(value: float) -> float:
    """Return the exponential, of the trial steps of a fit too, which may run off before it turns back."""
    return exp(min(max(value, -50.0), 50.0))


def heat_growth(rise: float, air: float, constant: float, variable_share: float = 1.0) -> float:
    """Return by how much of itself the heat grows over the whole ``rise`` (K): that of a constant current.

    The resistance, and with it ``variable_share`` of the heat, goes with ``constant + temperature``; ``air`` in degC.
    variable_share rise/(constant + air + rise).
    """
    return variable_share * rise / (constant + air + rise)


def exponent_of_whole(exponent: float, share: float) -> float:
    """Return the exponent of the whole rise, of which ``share`` at the surface has ``exponent`` and the rest none.

    For the steady rise near its value: the parts are in series, and ``d ln(rise)/d ln(heat)`` is the mean of theirs:
    1/(1 + whole) = 1 - share + share/(1 + exponent).
    """
    return 1 / (1 - share + share / (1 + exponent)) - 1


def bend_of(exponent: float, growth: float, share: float = 1.0) -> float:
    """Return how the approach bends where a surface gives off heat as ``rise^(1 + exponent)``.

    bend = exponent (1 + exponent)/(2 (1 + exponent - growth) share).
    With ``y`` the part of the rise still to come, the balance of heat of one body to second order in y is
    ``dy/dt = -(y - bend y^2)/tau``, and ``tau`` the time constant at the steady temperature: what is left shrinks
    faster near the end than early in the run. ``growth`` is that of the heat (see ``heat_growth``); ``share`` of the
    whole rise stands at the surface, so the surface is that much further from its end than the whole.
    """
    return 0.5 * exponent * (1 + exponent) / (1 + exponent - growth) / share


def in_warmer_air(course: np.ndarray, end: float, exponent: float, growth: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the ambient course ``(3,)`` as a winding follows it, and the matrix ``(3, 3)`` that makes it.

    A winding one kelvin warmer by its air takes more heat from the same current and so gets warmer by
    ``1/(1 - growth/(1 + exponent))`` kelvin. The rise is meant over the air at ``end`` (s), so the course turns about
    its value there.
    """
    gain = 1 / (1 - growth / (1 + exponent))
    matrix = gain * np.eye(3)
    matrix[0] += (1 - gain) * np.array([1.0, end, end * end])
    return matrix @ course, matrix


def _left(part: float, decay: np.ndarray | float, rise: float, bend: float) -> np.ndarray:
    """Return what is left of ``part`` (K) of a rise: the solution of the equation in ``bend_of``."""
    if bend == 0:
        return np.asarray(part * decay)
    lag = min(max(bend * part / rise, -0.5), 0.5) if rise else 0.0
    return np.asarray(part * decay / (1 - lag * (1 - decay)))


def one_body(time: np.ndarray, course: np.ndarray, values: np.ndarray, bend: float = 0.0) -> np.ndarray:
    """Return the temperature ``(n,)`` of one body that starts at ``start`` and rises by ``rise`` over its air.

    air(t) + rise - left exp(-t/tau) where there is no ``bend``, with left = rise + air(0) - start (K), tau (s) whose
    logarithm is the third of ``values``, and air(t) the ambient temperature as the body follows it (``followed``).
    """
    start, rise, tau = values[0], values[1], _exp(values[2])
    air = followed(time, course, tau)
    at_start = float(followed(np.zeros(1), course, tau)[0])
    return np.asarray(air + rise - _left(rise + at_start - start, np.exp(-time / tau), rise, bend))


def two_bodies(time: np.ndarray, course: np.ndarray, values: np.ndarray, bend: float = 0.0) -> np.ndarray:
    """Return the temperature ``(n,)`` of the hotter of two coupled bodies: two exponentials (see ``Approach``).

    air(t) + rise - slow exp(-t/tau_slow) - fast exp(-t/tau_fast) where there is no ``bend``; K and s, ``values`` in
    this order with the logarithms of both time constants.
    """
    rise, slow, fast, tau_slow, tau_fast = values[0], values[1], values[2], _exp(values[3]), _exp(values[4])
    late = _left(slow, np.exp(-time / tau_slow), rise, bend)
    return np.asarray(followed(time, course, tau_slow) + rise - late - fast * np.exp(-time / tau_fast))


def remaining(values: np.ndarray, moment: float, start_air: float, bend: float = 0.0) -> float:
    """Return how much of the rise is still to come at ``moment`` (s), in K."""
    if values.size == 3:
        return float(_left(values[1] + start_air - values[0], exp(-moment / exp(values[2])), values[1], bend))
    slow = _left(values[1], exp(-moment / exp(values[3])), values[0], bend)
    return float(slow + values[2] * exp(-moment / exp(values[4])))


def later(course: np.ndarray, moment: float) -> np.ndarray:
    """Return the coefficients of an ambient course with time counted from ``moment`` (s)."""
    c0, c1, c2 = course
    return np.array([c0 + c1 * moment + c2 * moment**2, c1 + 2 * c2 * moment, c2])


def fit_approach(
    time: np.ndarray,
    temperature: np.ndarray,
    course: np.ndarray,
    near: tuple[int, float, np.ndarray] | None = None,
    bend: float = 0.0,
) -> Approach:
    """Fit the approach to the steady temperature.

    ``time`` (s, from switch-on) and ``temperature`` (degC) are ``(n,)``; ``course`` is the ambient's. One
    body is fitted to the whole run, and two; two are taken where they cut the sum of squares with an F ratio
    above 15. A motor has more bodies than two, and what they do early in the run bends the late part of such
    a fit: so where two bodies show and the run is long enough, the end value is taken from the last
    exponential alone, after nine tenths of its time constant. ``near`` gives bodies, ``since`` and start
    instead, to be fitted with ``bend``. Raises ``FitError`` if the readings do not determine the curve.
    """
    if near is not None:
        bodies, since, start = near
        return _fitted(time, temperature, course, bodies, since, start, bend)
    span = float(time[-1])
    single = _fitted(time, temperature, course, 1, 0.0, _start_one(time, temperature, course, span))
    left, guess = _start_two(time, temperature, course, span)
    alone = single.estimates.residuals
    ratio = ((float(alone @ alone) - left) / 2) / max(left / max(time.size - 5, 1), 1e-300)
    if time.size < 20 or ratio < 15 or guess[1] <= 0:
        return single
    since = 0.9 * exp(guess[3])
    late = time >= since
    if late.sum() >= 20 and span - since > 0.9 * exp(guess[3]):
        begun = _start_one(time[late] - since, temperature[late], later(course, since), span - since)
        return _fitted(time, temperature, course, 1, since, begun)
    try:
        double = _fitted(time, temperature, course, 2, 0.0, guess)
    except FitError:
        double = None
    if double is None or sqrt(double.estimates.covariance[4, 4]) > _SURE_OF_LN_TAU:
        # Readings too far apart to follow the fast body: what it did early in the run is left out.
        since = min(since, float(time[-_FEWEST_LATE]))
        late = time >= since
        begun = _start_one(time[late] - since, temperature[late], later(course, since), span - since)
        return _fitted(time, temperature, course, 1, since, begun)
    return double if double.estimates.values[3] > double.estimates.values[4] + log(2.0) else single


def in_uncertain_air(
    time: np.ndarray, temperature: np.ndarray, course: np.ndarray, covariance: np.ndarray, found: Approach
) -> Approach:
    """Return the fit with the scatter of the ambient course, ``covariance`` ``(3, 3)``, carried into its own."""
    scale = np.sqrt(np.diag(covariance))
    if not np.any(scale > 0):
        return found
    scale = np.where(scale > 0, scale, 1.0)
    sizes, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    widened = found.estimates.covariance.copy()
    for size, vector in zip(sizes, vectors.T, strict=True):
        if size <= 0:
            continue
        moved = course + scale * vector * sqrt(size)
        try:
            again = _fitted(time, temperature, moved, found.bodies, found.since, found.estimates.values, found.bend)
        except FitError:
            continue
        difference = again.estimates.values - found.estimates.values
        widened += np.outer(difference, difference)
    return replace(found, estimates=replace(found.estimates, covariance=widened))


def with_shape(time: np.ndarray, temperature: np.ndarray, course: np.ndarray, late: Approach) -> Approach:
    """Return a fit of the last exponential alone with the doubt whether it is the last added to its covariance.

    A fit that starts later would give the same if the curve were one exponential. What it differs beyond its
    own scatter (the variance of the difference of nested fits is the difference of variances: J. A. Hausman,
    Econometrica 46 (1978) 1251) is added for rise and ln tau.
    """
    values, covariance = late.estimates.values, late.estimates.covariance
    since = late.since + 0.35 * exp(values[2])
    if late.bodies == 2 or late.since == 0 or (time >= since).sum() < 20:
        return late
    air = followed(np.array([since]), course, exp(values[2]))[0]
    begun = float(followed(np.zeros(1), later(course, late.since), exp(values[2]))[0])
    here = values[1] + air - remaining(values, since - late.since, begun, late.bend)
    try:
        again = _fitted(time, temperature, course, 1, since, np.array([here, values[1], values[2]]), late.bend)
    except FitError:
        return late
    difference = again.estimates.values[1:] - values[1:]
    doubt = difference**2 - np.diag(again.estimates.covariance - covariance)[1:]
    if not np.any(doubt > 0):
        return late
    # The doubt about rise and time constant is one: a longer time constant goes with a higher rise.
    spread = np.sign(difference) * np.sqrt(np.maximum(doubt, 0.0))
    widened = covariance.copy()
    widened[1:, 1:] += np.outer(spread, spread)
    return replace(late, estimates=replace(late.estimates, covariance=widened))


def _fitted(
    time: np.ndarray,
    temperature: np.ndarray,
    course: np.ndarray,
    bodies: int,
    since: float,
    start: np.ndarray,
    bend: float = 0.0,
) -> Approach:
    model = one_body if bodies == 1 else two_bodies
    used = time >= since
    moved, air = time[used] - since, later(course, since)
    estimates = nonlinear_fit(lambda values: model(moved, air, values, bend), temperature[used], start, ordered=True)
    return Approach(bodies, since, estimates, model(moved, air, estimates.values, bend), bend)


def _start_one(time: np.ndarray, temperature: np.ndarray, course: np.ndarray, span: float) -> np.ndarray:
    best = (np.inf, np.zeros(3))
    for tau in span * np.geomspace(0.05, 4.0, 14):
        decay = np.exp(-time / tau)
        target = temperature - followed(time, course, tau)
        level, part = np.linalg.lstsq(np.column_stack([np.ones_like(decay), decay]), target, rcond=None)[0]
        left = target - level - part * decay
        at_start = float(followed(np.zeros(1), course, tau)[0])
        best = min(best, (float(left @ left), np.array([at_start + level + part, level, log(tau)])), key=lambda b: b[0])
    return best[1]


def _start_two(time: np.ndarray, temperature: np.ndarray, course: np.ndarray, span: float) -> tuple[float, np.ndarray]:
    """Return the best of a grid of pairs of time constants: the sum of squares (K^2) and the values ``(5,)``."""
    best = (np.inf, np.zeros(5))
    for slow, ratio in product(span * np.geomspace(0.12, 1.5, 12), (0.03, 0.08, 0.2, 0.4)):
        fast = slow * ratio
        design = np.column_stack([np.ones_like(time), -np.exp(-time / slow), -np.exp(-time / fast)])
        target = temperature - followed(time, course, slow)
        parts = np.linalg.lstsq(design, target, rcond=None)[0]
        left = target - design @ parts
        best = min(best, (float(left @ left), np.array([*parts, log(slow), log(fast)])), key=lambda b: b[0])
    return best


def at_switch_off(time: np.ndarray, reading: np.ndarray, near: np.ndarray | None = None) -> tuple[Estimates, str]:
    """Return the value at time 0 by extrapolation of readings ``(n,)`` taken while the winding cools.

    A reading is a resistance (ohm) or the temperature that follows from it (degC); ``values[0]`` is the one
    at switch-off, the text names the curve. From eight readings on it is an exponential (the winding gives
    its heat to the iron) on a straight line (both cool down), which falls no faster than the last readings do; from
    six on an exponential; with fewer readings, or where no bend can be seen, a straight line (IEC 60034-1, 8.6.2.3.3
    extrapolates such a curve by eye).
    """
    if time.size < 3:
        raise FitError("at least 3 resistance readings after switch-off are needed to extrapolate to it")
    early = time <= _COOLING_WINDOW
    if early.sum() >= 8:
        time, reading = time[early], reading[early]
    line = linear_fit(np.column_stack([np.ones_like(time), time]), reading)
    if time.size < 6 or (near is not None and near.size == 2):
        return line, "straight line"
    span = float(time[-1] - time[0])
    level, top = float(reading[-1]), float(line.values[0])
    starts = [near] if near is not None else [np.array([top, level, log(span * part)]) for part in (0.3, 0.7)]
    if time.size >= 8 and (near is None or near.size == 4):
        found = _on_a_slope(time, reading, top, near)
        if found is not None:
            return found, "exponential on a slope"
    for start in starts:
        try:
            curve = nonlinear_fit(lambda values: cooling_curve(time, values), reading, start)
        except FitError:
            continue
        if near is not None or (curve.values[0] > curve.values[1] and sqrt(curve.covariance[2, 2]) < 0.7):
            return curve, "exponential" if curve.values.size == 3 else "exponential on a slope"
    return line, "straight line"


def _on_a_slope(time: np.ndarray, reading: np.ndarray, top: float, near: np.ndarray | None) -> Estimates | None:
    """Return the exponential on a straight line, ``None`` where the readings show none.

    The readings alone hardly tell a slope from a long time constant, and what they confuse shows at time 0. But the
    winding never cools slower than the iron, so the slope lies between that of the last readings and none: it enters
    as one more observation, with the variance of that rectangle against that of a reading about a smooth curve.
    """
    spread = linear_fit(np.vander(time / time[-1], 4), reading).residual_sd
    late = time >= time[-1] * (2 / 3)
    if late.sum() < 3 or spread == 0:
        return None
    fall = float(linear_fit(np.column_stack([np.ones(late.sum()), time[late]]), reading[late]).values[1])
    if fall >= 0:
        return None
    weight = spread / (abs(fall) / sqrt(12.0))
    span, level = float(time[-1] - time[0]), float(reading[-1])
    starts = [near] if near is not None else [
        np.array([top, level - 0.5 * fall * float(time[-1]), log(span * part), 0.5 * fall]) for part in (0.15, 0.3, 0.6)
    ]  # fmt: skip
    for start in starts:
        try:
            curve = nonlinear_fit(
                lambda values: np.append(cooling_curve(time, values), weight * values[3]),
                np.append(reading, weight * 0.5 * fall),
                start,
            )
        except FitError:
            continue
        if near is not None or (curve.values[0] > curve.values[1] and sqrt(curve.covariance[2, 2]) < 0.7):
            return curve
    return None


def cooling_curve(time: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return the curve of ``at_switch_off`` at ``time`` (s) for its ``values`` ``(2,)``, ``(3,)`` or ``(4,)``."""
    if values.size == 2:
        return np.asarray(values[0] + values[1] * time)
    slope = values[3] if values.size == 4 else 0.0
    return np.asarray(values[1] + slope * time + (values[0] - values[1]) * np.exp(-time / _exp(values[2])))


def temperature_by_resistance(hot: np.ndarray, cold: float, cold_temperature: float, constant: float) -> np.ndarray:
    """Return the winding temperature in degC from its resistances ``hot`` ``(n,)`` and ``cold`` (ohm).

    ``(hot/cold) (k + cold_temperature) - k``, IEC 60034-1, 8.6.2; k is 235 in that standard, 234.5 in the
    resistivity tables, 225 for aluminium.
    """
    return hot / cold * (constant + cold_temperature) - constant


def continuous_current(
    current: float,
    rise: float,
    allowed_rise: float,
    *,
    resistance_ratio: float = 1.0,
    fixed_share: float = 0.0,
    exponent: float = 0.0,
) -> float:
    """Return the current (A) that makes ``allowed_rise`` where ``current`` made ``rise`` (K).

    The heat is a fixed part (``fixed_share`` of that in the test) and one that goes with the square of the
    current and with the resistance; ``resistance_ratio`` is the resistance at the allowed temperature over
    that in the test. The heat given off grows as ``rise^(1 + exponent)``: 0 is Newton's law, 1/4 free
    convection of a laminar layer. So I_allowed = I sqrt(((allowed_rise/rise)^(1 + exponent) - fixed_share) / ((1 -
    fixed_share) resistance_ratio)). Raises ``FitError`` if the fixed part alone exceeds what is allowed, or if there is
    no rise.
    """
    if rise <= 0:
        raise FitError("the rise cannot be told from none, so no current can be told from it")
    allowed_heat = (allowed_rise / rise) ** (1 + exponent)
    variable = (allowed_heat - fixed_share) / ((1 - fixed_share) * resistance_ratio)
    if variable <= 0:
        raise FitError("the losses that do not depend on the current alone exceed what the temperature limit allows")
    return current * sqrt(variable)
