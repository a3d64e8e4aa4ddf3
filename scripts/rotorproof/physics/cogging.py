"""Torque over angle: directions, the spectrum on the mechanical order axis, cogging and static friction.

The torque of a slowly turned rotor is ``zero + direction * friction + sum of harmonics of the angle``.
Cogging repeats lcm(slots, poles) times a turn in an ideal machine; orders beside that name the imperfection.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import lcm, log, sqrt

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ..errors import FitError

#: Orders below this are no cogging: one per turn is eccentricity or unbalance, two per turn an oval part.
LOWEST_ORDER = 3
_MOST_ORDERS = 60
_SHAFT = {
    1: "one per turn: eccentric or bent shaft, or an unbalanced wheel or lever",
    2: "two per turn: oval rotor or stator, or a bent coupling",
}
_PARTS = 6
#: Waves of so many orders are kept to make all others from.
_FINE = 16


@dataclass(frozen=True)
class Sweep:
    """Readings to be fitted together: ``angle`` (rad, unwrapped), ``torque`` (N m), ``direction`` +1 or -1, ``(n,)``.

    ``step`` is the angle (rad) over which each reading is a mean, 0 where it is a single reading; ``size`` is how many
    single readings it is the mean of.
    """

    angle: np.ndarray
    torque: np.ndarray
    direction: np.ndarray
    step: float = 0.0
    size: int = 1


@dataclass(frozen=True)
class Harmonics:
    """Fitted sweep: ``orders`` ``(m,)``, ``cosines`` and ``sines`` ``(m,)`` in N m with one ``(2 m, 2 m)`` covariance.

    ``zero`` and ``friction`` in N m; ``low`` is the covariance ``(1, 1)`` of the friction, whose noise is
    the slow one. ``friction`` is ``None`` for a sweep of one direction.
    """

    orders: np.ndarray
    cosines: np.ndarray
    sines: np.ndarray
    covariance: np.ndarray
    degrees_of_freedom: float
    zero: float
    friction: float | None
    low: float
    low_degrees_of_freedom: float
    residuals: np.ndarray

    @property
    def amplitudes(self) -> np.ndarray:
        """Return the amplitude ``(m,)`` of each order in N m."""
        return np.hypot(self.cosines, self.sines)


def ideal_order(slots: int, poles: int, gear: float = 1.0) -> int:
    """Return the cogging periods per output turn of an ideal machine: the least common multiple of slots and poles.

    Behind a ``gear`` (turns of the motor in one of the output) it is the whole number nearest to that times the gear.
    """
    return round(lcm(slots, poles) * gear)


def directions(angle: np.ndarray) -> np.ndarray:
    """Return +1, -1 or 0 (turning round) for each reading of an unwrapped angle ``(n,)``.

    The angle is compared over a hundredth of the log, so that the steps and the noise of an encoder do not
    pass for a change of direction. Readings around a reversal, where friction has not built up, get 0.
    """
    reach = max(1, angle.size // 100)
    before = np.concatenate([np.full(reach, angle[0]), angle[:-reach]])
    after = np.concatenate([angle[reach:], np.full(reach, angle[-1])])
    moved = after - before
    typical = float(np.median(np.abs(moved)))
    if typical == 0:
        raise FitError("the angle stands still through most of the log; turn the rotor slowly and evenly")
    return np.where(np.abs(moved) < 0.4 * typical, 0.0, np.sign(moved))


def turns(angle: np.ndarray) -> float:
    """Return how many turns a set of readings covers, the last step included (0 to 350 deg by 10 is a whole turn)."""
    ordered = np.sort(angle)
    return float((ordered[-1] - ordered[0] + np.median(np.diff(ordered))) / (2 * np.pi))


def reduced(sweep: Sweep, per_turn: float) -> Sweep:
    """Return means over runs of readings of one direction so that about ``per_turn`` readings a turn are left."""
    rate = min(
        np.sum(sweep.direction == sign) / turns(sweep.angle[sweep.direction == sign])
        for sign in np.unique(sweep.direction)
    )
    size = int(rate // per_turn)
    if size < 2:
        return sweep
    angle, torque, direction = [], [], []
    ends = np.flatnonzero(np.diff(sweep.direction) != 0) + 1
    for part in np.split(np.arange(sweep.angle.size), ends):
        count = part.size // size
        rows = part[: count * size].reshape(count, size)
        angle.append(sweep.angle[rows].mean(axis=1))
        torque.append(sweep.torque[rows].mean(axis=1))
        direction.append(sweep.direction[rows][:, 0])
    return Sweep(
        np.concatenate(angle), np.concatenate(torque), np.concatenate(direction), 2 * np.pi * size / rate, size
    )


def spectrum(sweep: Sweep, highest: int) -> np.ndarray:
    """Return the amplitude (N m) of the orders 0 to ``highest``, mean of both directions: ``(highest + 1,)``.

    Whole turns are laid over an even grid by straight lines between readings: good enough to see which orders
    are there, not to measure them.
    """
    total = np.zeros(highest + 1, complex)
    signs = np.unique(sweep.direction)
    for sign in signs:
        here = sweep.direction == sign
        place = np.argsort(sweep.angle[here], kind="stable")
        angle, torque = sweep.angle[here][place], sweep.torque[here][place]
        whole = max(1, int(turns(angle) + 0.01))
        points = max(4 * highest, angle.size // whole)
        grid = angle[0] + 2 * np.pi * np.arange(points * whole) / points
        laid = np.interp(grid, angle, torque)
        found = np.fft.rfft(laid - laid.mean()) * 2 / laid.size
        orders = np.arange(highest + 1)
        total += found[: highest * whole + 1 : whole] * np.exp(-1j * orders * angle[0]) / signs.size
    return np.abs(total)


def standing_out(amplitude: np.ndarray) -> list[int]:
    """Return the orders whose amplitude noise does not explain, lowest first.

    The noise at an order is told from the median of its neighbours (an amplitude of Gaussian noise is
    Rayleigh distributed). An order stands out if noise would reach it in one log of a thousand.
    """
    highest = amplitude.size - 1
    chosen: list[int] = []
    for _ in range(4):
        free = np.ones(amplitude.size, bool)
        free[[0, *chosen]] = False
        limit = _floor(amplitude, free) * sqrt(2 * log(max(highest, 10) / 1e-3))
        found = [int(k) for k in np.flatnonzero(amplitude[1:] > limit[1:]) + 1]
        if found == chosen:
            break
        chosen = found
    ranked = sorted(chosen, key=lambda k: -amplitude[k])[:_MOST_ORDERS]
    return sorted(ranked)


def design_orders(slots: int, poles: int, highest: int, gear: float = 1.0) -> list[int]:
    """Return the orders where slots and poles, each with tolerances, make torque: multiples of either.

    Orders count per turn of the output, that of the motor times ``gear`` to the next whole number.
    """
    top = int((highest + 0.5) / gear)
    reach = min(top, max(2 * lcm(slots, poles), 8 * max(slots, poles)))
    multiples = {m for base in (slots, poles) for m in range(base, reach + 1, base)}
    multiples |= set(range(lcm(slots, poles), top + 1, lcm(slots, poles)))
    return sorted({min(round(m * gear), highest) for m in sorted(multiples)[:_MOST_ORDERS]})


def shrinkage(found: Harmonics) -> np.ndarray:
    """Return the factor ``(m,)`` that leaves of each harmonic what noise does not explain.

    The square of an amplitude holds twice the variance of its components as noise; a sum of many weak
    harmonics taken as read would make peaks out of it. Amplitudes that noise reaches in one case of twenty
    are left out, of the others stays ``1 - noise/power`` (the estimator of James and Stein, 1961).
    """
    noise = np.diag(found.covariance).reshape(-1, 2).sum(axis=1)
    power = np.maximum(found.amplitudes**2, 1e-300)
    return np.where(power > log(20) * noise, 1.0 - noise / power, 0.0)


def _floor(amplitude: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Return the standard deviation of noise in each component ``(m,)``, from the median of free neighbours."""
    places = np.flatnonzero(free)
    if places.size < 4:
        raise FitError("too few readings a turn to tell cogging from noise; read the torque at least 36 times a turn")
    orders = np.arange(amplitude.size)
    # The drift of a sensor falls with the order: the neighbours of a low order must be near.
    reaches, middle = np.clip(orders // 2, 4, 30), np.searchsorted(places, orders)
    floor = np.empty(amplitude.size)
    for reach in np.unique(reaches):
        here = reaches == reach
        near = sliding_window_view(amplitude[places], min(2 * reach, places.size))
        low = np.clip(middle[here] - reach, 0, len(near) - 1)
        floor[here] = np.median(near[low], axis=1) / sqrt(2 * log(2))
    return floor


def fit_harmonics(sweep: Sweep, orders: np.ndarray, *, scatter: bool = True) -> Harmonics:
    """Fit zero, friction and the harmonics of ``orders`` ``(m,)`` at once to all readings.

    The covariance of the harmonics comes from the residuals at neighbouring orders: only noise near an order
    disturbs it, while the slow drift of a sensor's zero disturbs the friction. ``scatter=False`` leaves that
    out.
    """
    both = np.unique(sweep.direction).size == 2
    head = [np.ones_like(sweep.angle)] + ([sweep.direction] if both else [])
    first = len(head)
    design = np.empty((sweep.angle.size, first + 2 * orders.size), order="F")
    design[:, :first] = np.column_stack(head)
    for place, wave in zip(range(first, design.shape[1], 2), _waves(sweep.angle, orders), strict=True):
        design[:, place], design[:, place + 1] = wave.real, wave.imag
    values, covariance, residuals = _solved(design, sweep.torque)
    # A mean of readings over a step has the harmonic weakened (Dirichlet's kernel); undo it.
    gain = np.sinc(orders * sweep.step / (2 * np.pi * sweep.size)) / np.sinc(orders * sweep.step / (2 * np.pi))
    cosines, sines = values[first::2] * gain, values[first + 1 :: 2] * gain
    covariance = covariance[first:, first:]
    freedom = float(residuals.size - values.size)
    if scatter and orders.size:
        covariance, freedom = _local_scatter(sweep, orders, residuals, covariance, freedom)
    covariance = covariance * np.outer(np.repeat(gain, 2), np.repeat(gain, 2))
    return Harmonics(
        orders,
        cosines,
        sines,
        covariance,
        freedom,
        float(values[0]),
        float(values[1]) if both else None,
        _slow_variance(sweep.angle, sweep.direction, residuals) if both and scatter else 0.0,
        _PARTS - 1.0,
        residuals,
    )


def _waves(angle: np.ndarray, orders: np.ndarray) -> Iterator[np.ndarray]:
    """Yield ``exp(j k a)`` ``(n,)`` of ``angle`` ``(n,)`` for each of the ``orders``, which grow.

    All are products of one exponential, since each of its own would cost ten times as much.
    """
    fine = np.empty((_FINE + 1, angle.size), complex)
    fine[0], fine[1] = 1.0, np.exp(1j * angle)
    for k in range(2, _FINE + 1):
        np.multiply(fine[k // 2], fine[k - k // 2], out=fine[k])
    begun, coarse = 0, fine[0]
    for order in orders.tolist():
        block, rest = divmod(order, _FINE)
        while begun < block:
            begun, coarse = begun + 1, coarse * fine[_FINE]
        yield coarse * fine[rest]


def _solved(design: np.ndarray, observed: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return values, covariance and residuals of a linear fit by its normal equations.

    Harmonics over whole turns are nearly orthogonal, so that these are as good as a QR decomposition of the
    many columns, and far faster. Raises ``FitError`` where they are not.
    """
    n, k = design.shape
    if n <= k:
        raise FitError(f"{n} readings cannot determine {k} parameters; read the torque more often")
    normal = design.T @ design
    sizes = np.linalg.eigvalsh(normal)
    if sizes[0] < 1e-6 * sizes[-1]:
        raise FitError("the angles are spread too unevenly over the turn to tell the orders apart; turn evenly")
    inverse = np.linalg.inv(normal)
    values = inverse @ (design.T @ observed)
    values = values + inverse @ (design.T @ (observed - design @ values))
    residuals = observed - design @ values
    return values, inverse * float(residuals @ residuals) / (n - k), residuals


def _slow_variance(angle: np.ndarray, direction: np.ndarray, residuals: np.ndarray) -> float:
    """Return the variance of half the difference of the two directions' means, with a drifting zero (N^2 m^2).

    White noise and what the zero wandered are told apart by means over parts of the run: in time, from part
    to part of one direction, and in angle, from part to part of the turn between the directions, where
    harmonics cancel. If the zero walks at random over one run forth and one back, differences of variance
    ``v`` between the parts in time put ``v * parts / 4`` into the friction, those in angle ``v * parts /
    2``. The larger is
    taken.
    """
    white = float(np.mean(np.diff(residuals) ** 2)) / 2
    steps, sizes = [], []
    for sign in (1.0, -1.0):
        here = residuals[direction == sign]
        size = here.size // _PARTS
        steps.extend(np.diff(here[: size * _PARTS].reshape(_PARTS, size).mean(axis=1)) ** 2)
        sizes.append(1 / size)
    in_time = _excess(steps, 2 * white * float(np.mean(sizes))) * _PARTS / 4
    part = np.floor((angle % (2 * np.pi)) / (2 * np.pi) * _PARTS).astype(int) % _PARTS
    means, sizes = [], []
    for k in range(_PARTS):
        one, other = residuals[(direction > 0) & (part == k)], residuals[(direction < 0) & (part == k)]
        if one.size and other.size:
            means.append(0.5 * (one.mean() - other.mean()))
            sizes.append(0.25 * (1 / one.size + 1 / other.size))
    in_angle = 0.0
    if len(means) > 2:
        in_angle = _excess(list(np.diff(means) ** 2), 2 * white * float(np.mean(sizes))) * len(means) / 2
    return white / residuals.size + max(in_time, in_angle)


def _excess(squares: list[float], white: float) -> float:
    """Return the mean square beyond ``white``, one standard deviation of it up: a few steps tell little of a walk."""
    return max(0.0, float(np.mean(squares)) * (1 + sqrt(2 / len(squares))) - white)


def _local_scatter(
    sweep: Sweep, orders: np.ndarray, residuals: np.ndarray, covariance: np.ndarray, freedom: float
) -> tuple[np.ndarray, float]:
    """Return the covariance scaled order by order to the residuals' power at the neighbouring orders."""
    taken = set(orders.tolist())
    reach, wanted = 12, 8
    highest = int(sweep.angle.size / turns(sweep.angle) / 2.5)
    white = float(residuals @ residuals) / freedom
    near = [
        [k for k in range(max(LOWEST_ORDER, order - reach), min(highest, order + reach) + 1) if k not in taken]
        for order in orders.tolist()
    ]
    every = sorted({k for some in near for k in some})
    # Mean of |sum r exp|^2 is n sigma^2 for white noise of the same power.
    power = np.array([abs(wave @ residuals) ** 2 for wave in _waves(sweep.angle, np.array(every))]) / residuals.size
    factors, counts = [], []
    for some in near:
        enough = len(some) >= wanted
        factors.append(sqrt(float(np.mean(power[np.searchsorted(every, some)])) / white) if enough else 1.0)
        counts.append(2.0 * len(some) if enough else freedom)
    scale = np.repeat(factors, 2)
    return covariance * np.outer(scale, scale), min(freedom, *counts)


def curve(orders: np.ndarray, cosines: np.ndarray, sines: np.ndarray, points: int) -> np.ndarray:
    """Return the sum of harmonics (N m) at ``points`` even angles x of one turn: sum_n a_n cos(n x) + b_n sin(n x)."""
    coefficients = np.zeros(points // 2 + 1, complex)
    coefficients[orders] = (cosines - 1j * sines) * points / 2
    return np.asarray(np.fft.irfft(coefficients, points))


def peak_to_peak(orders: np.ndarray, cosines: np.ndarray, sines: np.ndarray) -> tuple[float, np.ndarray]:
    """Return maximum less minimum of the sum of harmonics over one turn (N m), and its derivative ``(2 m,)``.

    The derivative is by ``cosine, sine`` of each order in turn. The sum holds no noise but that of its
    coefficients, so that the result does not grow with the number of readings as a plain maximum would.
    """
    points = 1 << int(16 * orders.max()).bit_length()
    values = curve(orders, cosines, sines, points)
    total, slope = 0.0, np.zeros(2 * orders.size)
    for sign in (1.0, -1.0):
        place = _top(sign * values) * 2 * np.pi / points
        wave = np.column_stack([np.cos(orders * place), np.sin(orders * place)]).ravel()
        total += sign * float(wave @ np.column_stack([cosines, sines]).ravel())
        slope += sign * wave
    return total, slope


def _top(values: np.ndarray) -> float:
    """Return where the largest value lies, between grid points by a parabola through three of them."""
    k = int(np.argmax(values))
    left, middle, right = values[k - 1], values[k], values[(k + 1) % values.size]
    bend = left - 2 * middle + right
    return k if bend == 0 else float(k - 0.5 * (right - left) / bend)


def cause(order: int, slots: int | None, poles: int | None, gear: float = 1.0) -> str:
    """Return what an order of the torque over one turn of the output points to, behind a ``gear`` too.

    Rotor faults repeat with the slots and stator faults with the poles: L. Gasparin et al., IEEE Trans.
    Magn. 45 (2009) 1210 (from memory). One and two per turn: common practice, no source.
    """
    if order in _SHAFT:
        return _SHAFT[order]
    if gear != 1.0 and (turns := _times(order, gear)) in (1, 2):
        return f"{turns} per turn of the motor before the gear: its shaft, its rotor or the first wheel of the gear"
    if slots is None or poles is None:
        return "slots and poles are not known"
    named = [
        (lcm(slots, poles), "cogging of the design: slots against poles"),
        (slots, "slot order: the magnets differ (scatter, a weak, missing or displaced magnet)"),
        (poles, "pole order: the teeth differ (slot openings, tooth tips, joints of the laminations)"),
    ]
    for base, meaning in named:
        if times := _times(order, base * gear):
            return meaning if times == 1 else f"{meaning}; multiple {times}"
    for base, _ in named:
        for side in (1, 2):
            middle = next((m for m in (order - side * gear, order + side * gear) if _times(m, base * gear)), 0.0)
            if middle:
                return f"sideband of order {round(middle)}: eccentricity"
    return "neither slots nor poles explain it: gear, bearing or the bench"


def _times(order: float, base: float) -> int:
    """Return which multiple of ``base`` the order is, to half an order, since orders are whole; 0 if none."""
    times = round(order / base)
    return times if abs(order - times * base) <= 0.5 * (base % 1 > 0) + 1e-9 else 0
