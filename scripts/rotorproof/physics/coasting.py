"""A rotor slowing down by itself: the equation of motion in closed form, fitted without knowing the inertia.

The torque of friction is ``T = c + b w + d w^2``, with w the speed in rad/s: c (N m) the Coulomb friction, b (N m
s/rad) the viscous friction, d (N m s^2/rad^2) the windage, or air drag. With the moment of inertia J (kg m^2) the speed
obeys ``J dw/dt = -T``, or ``dw/dt = -(alpha + beta w + delta w^2)`` with alpha = c/J (rad/s^2), beta = b/J (1/s) and
delta = d/J (1/rad): only these ratios can be read off a coast-down (the retardation method, IEC 60034-2-2).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from .regression import Estimates, linear_fit, nonlinear_fit

_START = 0.97  # of the speed before the power is cut: above it the machine may still be driven
#: Stretches of a coast-down that are left out in turn: more would be shorter than the slow errors of a tachometer.
_BLOCKS = 9
#: Share of the highest speed from which on a straight line describes the friction.
LOWEST = 0.15
#: A record of fewer readings was written down by hand, one reading after the other.
_FEW = 20
#: Of these so many must lie in the stretch: three unknowns and what is left for their scatter.
_FEWEST = 5
_STOP = LOWEST  # of the same: friction is defined from here on
_STICKS = 0.08  # of the same: below it cogging and sticking take over; a few readings can spare none above it


def speed_after(times: np.ndarray, start: float, alpha: float, beta: float, delta: float) -> np.ndarray:
    """Return the speed (rad/s) at ``times`` ``(n,)`` (s) after it was ``start`` (rad/s).

    The solution of ``dw/dt = -(alpha + beta w + delta w^2)`` with ``alpha`` (rad/s^2, Coulomb friction over inertia),
    ``beta`` (1/s, viscous friction over inertia) and ``delta`` (1/rad, windage over inertia): with D = beta^2/4 - alpha
    delta, C = cosh(t sqrt(D)) and S = sinh(t sqrt(D))/sqrt(D) it is

        w(t) = ((C - beta S/2) w0 - alpha S) / (delta S w0 + C + beta S/2).

    The flow of a Riccati equation with constant coefficients is a Moebius map whose matrix is the exponential of
    ``[[-beta/2, -alpha], [delta, beta/2]] t``; its square is ``(beta^2/4 - alpha delta)`` times the unit matrix, which
    gives one expression for all signs of D and in the limits beta = 0 and delta = 0 (worked out here, no source).
    """
    t = np.asarray(times, dtype=float)
    even, odd = _even_odd((0.25 * beta**2 - alpha * delta) * t**2)
    odd = odd * t
    return ((even - 0.5 * beta * odd) * start - alpha * odd) / (delta * odd * start + even + 0.5 * beta * odd)


def _even_odd(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return cosh(sqrt(x)) and sinh(sqrt(x))/sqrt(x), continued to negative x as cos and sin."""
    root = np.sqrt(np.abs(x))
    small = root < 1e-4
    safe = np.where(small, 1.0, root)
    even = np.where(x >= 0, np.cosh(np.minimum(root, 300.0)), np.cos(root))
    odd = np.where(x >= 0, np.sinh(np.minimum(safe, 300.0)), np.sin(safe)) / safe
    return even, np.where(small, 1.0 + x / 6, odd)


def coasting_parts(speed: np.ndarray, powered: np.ndarray | None = None, window: int | None = None) -> list[slice]:
    """Return the stretches of a record ``speed`` ``(n,)`` (any sign) in which the rotor coasts.

    A stretch runs from where the smoothed speed falls below 97 % of its height before the cut to where it passes 15 %
    of it, without rising by more than 5 % in between. ``powered`` ``(n,)``, where known, tells which samples still draw
    power: these are never part of a stretch. Several runs in one record give several stretches. Raises
    ``FitError`` if there is none. A record of fewer than 20 readings is one stretch, written down while the rotor
    coasts.
    """
    magnitude = np.abs(np.asarray(speed, dtype=float))
    n = magnitude.size
    if n < _FEW:
        return [_few_points(magnitude)]
    width = window or max(1, min(n // 50, 201)) | 1
    smooth = _running_median(magnitude, width)
    free = np.ones(n, bool) if powered is None else ~powered
    parts: list[slice] = []
    at = 0
    highest = float(smooth.max())
    while at < n:
        # The next stop after this point, then the last full speed before it.
        rest = np.flatnonzero(smooth[at:] > 0.5 * highest)
        if rest.size == 0:
            break
        begin = at + int(rest[0])
        below = np.flatnonzero(smooth[begin:] < _STOP * highest)
        end = begin + int(below[0]) if below.size else n
        peak = float(smooth[begin:end].max())
        start = begin + int(np.flatnonzero(smooth[begin:end] >= _START * peak)[-1]) + 1
        while start < end and not free[start]:
            start += 1
        if end - start >= 8 and _falls(smooth[start:end], 0.05 * peak) and smooth[end - 1] < 0.7 * peak:
            parts.append(slice(start, end))
        at = end + 1 if below.size else n
    if not parts:
        raise FitError(
            "no coast-down is found in the record: the speed never falls by itself from full speed by a third or "
            "more; log from before the power is cut until the rotor stands"
        )
    return parts


def _few_points(magnitude: np.ndarray) -> slice:
    """Return the stretch of a few readings: from the last at full speed, but for one still driven, until it sticks."""
    peak = float(magnitude.max())
    full = np.flatnonzero(magnitude >= _START * peak)
    # One reading at full speed is the first of the stretch; of several the machine was driven in all.
    start = int(full[-1]) + (1 if full.size > 1 else 0)
    below = np.flatnonzero(magnitude[start:] < _STICKS * peak)
    end = start + int(below[0]) if below.size else magnitude.size
    part = magnitude[start:end]
    if part.size < _FEWEST or not _falls(part, 0.05 * peak) or part[-1] > 0.7 * peak:
        raise FitError(
            f"{part.size} readings lie between the cut of the power and standstill, or the speed does not fall by a "
            f"third: write down {_FEWEST} readings or more, spread over the whole run, from when the power is cut"
        )
    return slice(start, end)


def current_left(current: np.ndarray, part: slice) -> tuple[float, float]:
    """Return how far a current ``(n,)`` stands from its idle reading while a rotor slows down, and its standard error.

    The first quarter of the stretch ``part`` is compared with its last tenth, where a drive that gives power back has
    no voltage left to do so, and one that drives on has nothing left to drive. Medians, with the scatter of the
    readings taken as hanging together over ten of them.
    """
    readings = np.asarray(current, dtype=float)[part]
    early, late = readings[: max(4, readings.size // 4)], readings[-max(4, readings.size // 10) :]
    spread = [1.4826 * float(np.median(np.abs(np.diff(x)))) / np.sqrt(2.0) for x in (early, late)]
    error = np.sqrt(sum(s * s * 10.0 / x.size for s, x in zip(spread, (early, late), strict=True)))
    return float(np.median(early) - np.median(late)), float(error)


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    if width < 3:
        return values
    half = width // 2
    padded = np.concatenate([np.full(half, values[0]), values, np.full(half, values[-1])])
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)


def _falls(values: np.ndarray, slack: float) -> bool:
    return bool(np.all(values - np.minimum.accumulate(values) <= slack))


@dataclass(frozen=True)
class Coasted:
    """Ratios fitted to one record: ``values`` are alpha (rad/s^2), beta (1/s) and, where told apart, delta (1/rad).

    ``covariance`` is theirs, ``starts`` (rad/s) are the fitted speeds at the beginning of each stretch, ``residuals``
    and their ``residual_sd`` in what was fitted: rad/s, or s in ``fit_turns``.
    """

    values: np.ndarray
    covariance: np.ndarray
    starts: np.ndarray
    residuals: np.ndarray
    residual_sd: float
    degrees_of_freedom: float


def fit_coasting(
    times: Sequence[np.ndarray], speeds: Sequence[np.ndarray], *, windage: bool, near: np.ndarray | None = None
) -> Coasted:
    """Fit the stretches ``(times[i], speeds[i])`` of one record (s, rad/s, each ``(n_i,)``) with common ratios.

    Least squares, every reading alike: the least sum of ``(speeds[i] - w(times[i] - times[i][0]; w0_i, alpha, beta,
    delta))^2`` over alpha = c/J (rad/s^2, Coulomb friction), beta = b/J (1/s, viscous friction), delta = d/J (1/rad,
    windage) and a start speed w0_i (rad/s) for each stretch, with w of ``speed_after``. ``windage``: fit delta too,
    else it is 0. ``near`` are ratios to start from. The residuals' autocorrelation widens the covariance. The method is
    that of retardation (IEC 60034-2-2); the fit of the integrated equation is ours. Raises ``FitError`` if the fit does
    not converge or a stretch is too short.
    """
    count = 3 if windage else 2
    clocks = [np.asarray(t, dtype=float) - t[0] for t in times]
    observed = np.concatenate(speeds)
    ratios = _first_guess(clocks, speeds, count) if near is None else np.asarray(near, dtype=float)[:count]
    start = np.concatenate([ratios, [float(np.mean(w[: max(1, w.size // 100)])) for w in speeds]])

    def model(p: np.ndarray) -> np.ndarray:
        delta = p[2] if windage else 0.0
        return np.concatenate([speed_after(t, w0, p[0], p[1], delta) for t, w0 in zip(clocks, p[count:], strict=True)])

    fitted = nonlinear_fit(model, observed, start, ordered=True)
    covariance, freedom = fitted.covariance, fitted.degrees_of_freedom
    if fitted.inflation > 1.05:
        blocks = _block_covariance(model, fitted)
        if blocks is not None and blocks[0][0, 0] > covariance[0, 0]:
            covariance, freedom = blocks
        freedom = min(freedom, blocks[1]) if blocks is not None else freedom
    return Coasted(
        fitted.values[:count],
        covariance[:count, :count],
        fitted.values[count:],
        fitted.residuals,
        fitted.residual_sd,
        freedom,
    )


def angle_after(times: np.ndarray, start: float, alpha: float, beta: float) -> np.ndarray:
    """Return the angle (rad) turned through ``times`` ``(n,)`` (s) after the speed was ``start``, without air drag.

    The integral of ``speed_after`` with delta = 0, ``w0 (1 - e)/beta - alpha (t - (1 - e)/beta)/beta`` with e =
    exp(-beta t), in a form that holds in the limit beta = 0; ``start`` w0 in rad/s, ``alpha`` in rad/s^2, ``beta`` in
    1/s.
    """
    t = np.asarray(times, dtype=float)
    x = beta * t
    small = np.abs(x) < 1e-3
    safe = np.where(small, 1.0, x)
    first = np.where(small, 1 - x / 2 + x**2 / 6, -np.expm1(-safe) / safe)
    second = np.where(small, 0.5 - x / 6 + x**2 / 24, (safe + np.expm1(-safe)) / safe**2)
    return start * t * first - alpha * t**2 * second


def fit_turns(time: np.ndarray, angle: np.ndarray, near: np.ndarray | None = None) -> Coasted:
    """Fit alpha and beta to the moments ``time`` ``(n,)`` (s) at which a coasting rotor has turned by ``angle`` (rad).

    The angle is a count and exact; the error is that of the moments, so residuals are in s. Raises ``FitError`` with
    fewer than six moments.
    """
    if time.size < _FEWEST + 1:
        raise FitError(
            f"{time.size} moments of turns were noted while the rotor coasts; at least {_FEWEST + 1} are needed"
        )
    clock, turned = time - time[0], angle - angle[0]
    middle, speed = 0.5 * (clock[1:] + clock[:-1]), np.diff(turned) / np.diff(clock)
    ratios = _first_guess([middle], [speed], 2) if near is None else np.asarray(near, dtype=float)[:2]
    # An error of a moment is one of the angle over the speed there.
    weight = 1.0 / np.interp(clock, middle, speed)

    def model(p: np.ndarray) -> np.ndarray:
        return weight * (p[3] + angle_after(clock, p[2], p[0], p[1]))

    start = np.array([*ratios, speed[0] * 1.02, 0.0])
    fitted = nonlinear_fit(model, weight * turned, start, ordered=True)
    return Coasted(
        fitted.values[:2],
        fitted.covariance[:2, :2],
        fitted.values[2:3],
        fitted.residuals,
        fitted.residual_sd,
        fitted.degrees_of_freedom,
    )


def _block_covariance(model: Callable[[np.ndarray], np.ndarray], fitted: Estimates) -> tuple[np.ndarray, float] | None:
    """Return covariance and degrees of freedom from leaving out one block of the run after the other.

    The jackknife over blocks longer than the errors last (Kuensch, Ann. Statist. 17 (1989) 1217): what the values
    move by when a block is left out holds all correlation within it. A speed that wanders for a good part of the
    run must not outlast a block: so there are few, and few degrees of freedom. ``None`` with fewer blocks than
    parameters plus two.
    """
    values, n, k = fitted.values, fitted.residuals.size, fitted.values.size
    jacobian = np.empty((n, k))
    for i in range(k):
        step = np.zeros(k)
        step[i] = 1e-5 * max(abs(float(values[i])), float(np.sqrt(fitted.covariance[i, i])))
        jacobian[:, i] = (model(values + step) - model(values - step)) / (2 * step[i])
    if k + 2 > _BLOCKS:
        return None
    scale = np.linalg.norm(jacobian, axis=0)
    if not np.all(scale > 0):
        return None  # a parameter that these readings do not show at all
    jacobian = jacobian / scale
    normal = jacobian.T @ jacobian
    moved = np.empty((_BLOCKS, k))
    for block, rows in enumerate(np.array_split(np.arange(n), _BLOCKS)):
        part = jacobian[rows]
        moved[block] = np.linalg.solve(normal - part.T @ part, part.T @ fitted.residuals[rows]) / scale
    moved -= moved.mean(axis=0)
    return (_BLOCKS - 1) / _BLOCKS * (moved.T @ moved), float(_BLOCKS - k)


def _first_guess(clocks: Sequence[np.ndarray], speeds: Sequence[np.ndarray], count: int) -> np.ndarray:
    """Return ratios by linear regression on the integrated equation ``w0 - w = alpha t + beta angle + ...``."""
    designs, falls = [], []
    for i, (t, w) in enumerate(zip(clocks, speeds, strict=True)):
        terms = [t]
        for power in range(1, count):
            steps = 0.5 * (w[1:] ** power + w[:-1] ** power) * np.diff(t)
            terms.append(np.concatenate([[0.0], np.cumsum(steps)]))
        marks = [np.full(t.size, 1.0 if j == i else 0.0) for j in range(len(clocks))]
        designs.append(np.column_stack([*terms, *marks]))
        falls.append(-w)
    return linear_fit(np.concatenate(designs), np.concatenate(falls)).values[:count]


@dataclass(frozen=True)
class Torques:
    """Combined records: ``values`` (J,) c, b and, where told apart, d, with their covariance.

    J is the moment of inertia (kg m^2), c the Coulomb friction (N m), b the viscous friction (N m s/rad), d the windage
    (N m s^2/rad^2). Without inertias in play they stand for the ratios c/J, b/J, d/J.

    ``chi_squared`` is the misfit between the records over its degrees of freedom (0 where there is none).
    """

    values: np.ndarray
    covariance: np.ndarray
    degrees_of_freedom: float
    chi_squared: float


def pooled(records: Sequence[Coasted], scales: Sequence[float]) -> Torques:
    """Return the weighted mean of ``scale_i * ratios_i`` over repeated records; ``values`` are c, b(, d).

    With v_i = scale_i (alpha_i, beta_i(, delta_i)) and its covariance V_i the mean is ``V sum(V_i^-1 v_i)`` with
    covariance ``V = (sum V_i^-1)^-1`` (generalised least squares), and chi-squared ``sum (v_i - mean)' V_i^-1 (v_i -
    mean)`` over (records - 1) times the number of values. A scale of 1 gives the mean ratios (rad/s^2, 1/s, 1/rad), the
    moment of inertia J (kg m^2) the torques of friction: Coulomb c = J alpha (N m), viscous b = J beta (N m s/rad),
    windage d = J delta (N m s^2/rad^2). Degrees of freedom are the fewest of any record.
    """
    weights = [np.linalg.inv(r.covariance * s**2) for r, s in zip(records, scales, strict=True)]
    covariance = np.linalg.inv(np.sum(weights, axis=0))
    scaled = [r.values * s for r, s in zip(records, scales, strict=True)]
    mean = covariance @ np.sum([w @ v for w, v in zip(weights, scaled, strict=True)], axis=0)
    spare = (len(records) - 1) * mean.size
    misfit = sum(float((v - mean) @ w @ (v - mean)) for w, v in zip(weights, scaled, strict=True))
    freedom = min(record.degrees_of_freedom for record in records)
    return Torques(mean, covariance, freedom, misfit / spare if spare else 0.0)


def straight(found: Torques, highest: float) -> Torques:
    """Return the straight line through the parabola ``found`` (J,) c, b, d, and d, which stays beside it.

    The line is that of least squares, evenly over the speeds from ``LOWEST`` of the ``highest`` (rad/s) on. A straight
    line fitted to the run itself would weigh speeds by the time the rotor spends at them, and take a different slope
    from the same bearing at another speed.
    """
    turn = np.eye(found.values.size)
    turn[-3:-1, -1] = line_of_square(highest)
    return replace(found, values=turn @ found.values, covariance=turn @ found.covariance @ turn.T)


def line_of_square(highest: float) -> tuple[float, float]:
    """Return level (rad^2/s^2) and slope (rad/s) of the line through the square of speed, for ``straight``.

    Over w evenly spread from ``low`` to ``high`` the square w^2 is the line (low + high) w - (low^2 + 4 low high +
    high^2)/6 but for what is at right angles to any line.
    """
    low = LOWEST * highest
    return -(low * low + 4 * low * highest + highest * highest) / 6, low + highest


def from_added_inertia(records: Sequence[Coasted], added: Sequence[float]) -> Torques:
    """Return J, c, b(, d) from coast-downs with different known added inertias (kg m^2), by weighted least squares.

    Record i gives alpha_i = c/(J + added_i) (rad/s^2), beta_i = b/(J + added_i) (1/s) and delta_i = d/(J + added_i)
    (1/rad); sought are J (kg m^2), Coulomb friction c (N m), viscous friction b (N m s/rad) and windage d (N m
    s^2/rad^2), taken to be the same in all, that make ``sum r_i' V_i^-1 r_i`` least, with r_i the ratios less these and
    V_i their covariance. From one ratio of two records it starts at ``J = (added_2 alpha_2 - added_1 alpha_1)/(alpha_1
    - alpha_2)`` (elementary, from the two equations). ``chi_squared`` over its degrees of freedom tells whether the
    records agree. Raises ``FitError`` if the added inertias do not differ.
    """
    from scipy.optimize import least_squares

    if np.ptp(added) <= 0:
        raise FitError("the logs state the same added inertia; one without and one with it are needed")
    count = records[0].values.size
    roots = [np.linalg.inv(np.linalg.cholesky(record.covariance)) for record in records]
    low, high = int(np.argmin(added)), int(np.argmax(added))
    # The ratio that is best known gives the first inertia.
    z = np.abs(records[low].values) / np.sqrt(np.diag(records[low].covariance))
    k = int(np.argmax(z))
    slow, fast = records[high].values[k], records[low].values[k]
    if not 0 < slow / fast < 1:
        raise FitError(
            "the rotor does not slow down less with the added inertia than without it; check which log is which and "
            "that nothing else was changed"
        )
    inertia = (added[high] * slow - added[low] * fast) / (fast - slow)
    start = np.concatenate([[inertia], records[low].values * (inertia + added[low])])
    scale = np.where(start != 0, np.abs(start), 1.0)

    def misfit(p: np.ndarray) -> np.ndarray:
        p = p * scale
        return np.concatenate(
            [
                root @ (p[1:] / (p[0] + extra) - record.values)
                for root, record, extra in zip(roots, records, added, strict=True)
            ]
        )

    def slopes(p: np.ndarray) -> np.ndarray:
        # In closed form: differences would leave half the digits of the covariance to the processor.
        p = p * scale
        rows = []
        for root, extra in zip(roots, added, strict=True):
            total = p[0] + extra
            rows.append(root @ np.column_stack([-p[1:] / total**2, np.eye(count) / total]))
        return np.concatenate(rows) * scale

    solution = least_squares(misfit, start / scale, jac=slopes, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    # The solver stops where the misfit is flat to rounding, half the digits before the values are.
    found = solution.x
    for _ in range(3):
        found = found - np.linalg.lstsq(slopes(found), misfit(found), rcond=None)[0]
    jacobian = slopes(found)
    covariance = np.linalg.inv(jacobian.T @ jacobian) * np.outer(scale, scale)
    freedom = min(record.degrees_of_freedom for record in records)
    spare = count * len(records) - (count + 1)
    return Torques(found * scale, covariance, freedom, float(2 * solution.cost) / spare if spare else 0.0)


def speed_from_crossings(time: np.ndarray, voltage: np.ndarray, turns: float) -> tuple[np.ndarray, np.ndarray]:
    """Return instants (s) and speeds (rad/s) from the back-EMF ``voltage`` ``(n,)`` of a coasting machine.

    ``turns`` are the electrical turns in one turn of the output: pole pairs times the ratio of a gear.
    Each electrical turn between rising zero crossings t_k gives the mean speed over it, ``2 pi/(turns (t_{k+1} -
    t_k))``, placed at its middle. A crossing
    counts only after the voltage has been below minus a twentieth of its highest value, so noise makes none. Raises
    ``FitError`` with fewer than eight turns.
    """
    v = np.asarray(voltage, dtype=float)
    threshold = 0.05 * float(np.max(np.abs(v)))
    armed_at = np.flatnonzero(v < -threshold)
    high_at = np.flatnonzero(v > threshold)
    crossings: list[float] = []
    position = 0
    while True:
        i = np.searchsorted(armed_at, position)
        if i == armed_at.size:
            break
        j = np.searchsorted(high_at, armed_at[i])
        if j == high_at.size:
            break
        last_low = armed_at[np.searchsorted(armed_at, high_at[j]) - 1]
        crossings.append(_zero_between(time, v, int(last_low), int(high_at[j])))
        position = int(high_at[j])
    if len(crossings) < 9:
        raise FitError(
            f"the voltage shows {len(crossings)} electrical turns; log the coast-down at a rate of at least ten "
            "samples "
            "per electrical turn, from full speed until the rotor stands"
        )
    at = np.array(crossings)
    return 0.5 * (at[1:] + at[:-1]), 2 * np.pi / (turns * np.diff(at))


def _zero_between(time: np.ndarray, voltage: np.ndarray, low: int, high: int) -> float:
    """Return the instant of the zero between two samples of opposite sign, by a straight line through them all."""
    t, v = time[low : high + 1], voltage[low : high + 1]
    if t.size == 2:
        return float(t[0] - v[0] * (t[1] - t[0]) / (v[1] - v[0]))
    slope, offset = np.polyfit(t - t[0], v, 1)
    return float(t[0] - offset / slope)
