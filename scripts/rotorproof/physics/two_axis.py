"""The two-axis equations of a permanent-magnet machine, and of its rotor, as averages over short windows of a record.

In the rotor frame, amplitude-invariant, with the electrical speed w_e and the EMF k w of the mechanical speed w
(two-axis theory; Fitzgerald, Kingsley and Umans, Electric Machinery, from memory):

    v_q = R i_q + L_q di_q/dt + w_e L_d i_d + k w
    v_d = R i_d + L_d di_d/dt - w_e L_q i_q + k_d w
    3/2 k i_q = J dw/dt + T_c sign(w) + b w

``k_d`` is what a rotor angle that is a little off puts into the d axis. Nothing is differentiated: each equation is
multiplied by a window that vanishes at both ends and integrated by parts, so that a derivative falls on the window
(modulating functions; Shinbrot, Trans. ASME 79 (1957) 447, from memory). The voltage that a record holds may act a
little later than its time stamp says; the lag is fitted beside the rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..errors import FitError
from .regression import Estimates, linear_fit

#: A step of time this many times the usual one parts a record.
_GAP = 2.5
#: Of the largest current: below it what the bridge takes off the voltage fades, since ripple turns the current's sign.
SMALL = 0.05
#: Of the highest speed: below it the rotor counts as standing. Windows that a fit of the rotor needs.
_STANDING, _FEWEST = 0.02, 8
#: Share of the inertia up to which its standard uncertainty may reach.
_SURE = 0.3


@dataclass(frozen=True)
class Windows:
    """Windows of a record: the places ``(W, M+1)`` of their readings, and the weights of means and of derivatives."""

    places: np.ndarray
    mean: np.ndarray
    derivative: np.ndarray

    def means(self, values: np.ndarray) -> np.ndarray:
        """Return the weighted mean ``(W,)`` of readings ``(n,)`` in each window."""
        return np.asarray(np.einsum("wm,wm->w", self.mean, values[self.places]))

    def slopes(self, values: np.ndarray) -> np.ndarray:
        """Return the weighted mean ``(W,)`` of the time derivative of readings ``(n,)`` in each window."""
        return np.asarray(np.einsum("wm,wm->w", self.derivative, values[self.places]))

    def kept(self, which: np.ndarray) -> Windows:
        """Return those of the windows that ``which`` ``(W,)`` names."""
        return Windows(self.places[which], self.mean[which], self.derivative[which])

    @property
    def count(self) -> int:
        """Return how many windows there are."""
        return len(self.places)


def windows(time: np.ndarray, length: int) -> Windows:
    """Return the windows of ``length`` steps of ``time`` ``(n,)`` s, side by side, none across a gap.

    The window is sin^2, whose ends and slopes vanish. Raises ``FitError`` where the record holds none.
    """
    steps = np.diff(time)
    usual = float(np.median(steps))
    edges = [0, *(np.flatnonzero(steps > _GAP * usual) + 1), time.size]
    starts = [np.arange(a, b - length, length) for a, b in pairwise(edges)]
    first = np.concatenate(starts)
    if first.size == 0:
        raise FitError("the record is too short for its rate of readings; record longer")
    places = first[:, None] + np.arange(length + 1)
    t = time[places]
    span = t[:, -1:] - t[:, :1]
    phase = (t - t[:, :1]) / span
    # Between two readings a quantity is taken to go straight: then both sums are exact, and agree with each other.
    share = np.diff(phase / 2.0 - np.sin(2.0 * np.pi * phase) / (4.0 * np.pi), axis=1) * 2.0
    rate = share / np.diff(t, axis=1)
    mean, derivative = np.zeros_like(t), np.zeros_like(t)
    mean[:, :-1] += 0.5 * share
    mean[:, 1:] += 0.5 * share
    derivative[:, :-1] -= rate
    derivative[:, 1:] += rate
    return Windows(places, mean, derivative)


def scatter(values: np.ndarray) -> float:
    """Return the variance of the scatter from reading to reading ``(n,)``, whatever varies slowly left out.

    From second differences, whose variance is six times that of white noise; by their median, so that steps do not
    count.
    """
    if values.size < 8:
        return 0.0
    second = np.diff(values, 2)
    return float((np.median(np.abs(second)) / 0.6745) ** 2 / 6.0)


@dataclass(frozen=True)
class Record:
    """Readings ``(n,)`` in SI, amplitude-invariant: time, voltages, currents, mechanical and electrical speed.

    Without a d axis its voltage is ``None`` and its current is taken for zero.
    """

    time: np.ndarray
    voltage_q: np.ndarray
    current_q: np.ndarray
    speed: np.ndarray
    turns: float
    voltage_d: np.ndarray | None = None
    current_d: np.ndarray | None = None

    @property
    def step(self) -> float:
        """Return the usual step of time in s."""
        return float(np.median(np.diff(self.time)))


@dataclass(frozen=True)
class Terms:
    """Which unknowns the electrical equations are fitted for, beside R, L_q and the EMF, and over which windows.

    ``both`` tells L_d from L_q, else they are one; ``bridge`` is what the bridge takes off the voltage.
    """

    length: int
    turning: bool
    d_axis: bool
    both: bool = False
    bridge: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the unknowns in their order."""
        found = ["resistance", "inductance_q"]
        found += ["inductance_d"] if self.both else []
        found += ["emf", *(["emf_d"] if self.d_axis else [])] if self.turning else []
        return (*found, "lag", *(["bridge"] if self.bridge else []))


@dataclass(frozen=True)
class Electrical:
    """A fit of the voltages: the estimates, the rows' axis (True: q) and what the report and checks need of them."""

    terms: Terms
    estimates: Estimates
    is_q: np.ndarray
    observed: np.ndarray
    current: np.ndarray
    speed: np.ndarray
    time: np.ndarray

    def value(self, name: str) -> float:
        """Return a fitted unknown."""
        return float(self.estimates.values[self.terms.names.index(name)])

    def variance(self, name: str) -> float:
        """Return the variance of a fitted unknown from scatter."""
        place = self.terms.names.index(name)
        return float(self.estimates.covariance[place, place])


def fit_voltages(record: Record, terms: Terms, bridge: float = 0.0, small: float = SMALL) -> Electrical:
    """Fit the voltage equations by least squares, corrected for the scatter of currents and speed.

    ``bridge`` (V) is what the bridge takes off where it is not fitted; near no current, up to a share ``small`` of the
    largest, it fades. Scatter of a regressor would draw its
    coefficient towards zero; its known share is taken off the normal equations (Fuller, Measurement Error Models,
    1987, section 2.2, from memory). Raises ``FitError`` where the readings do not determine the unknowns.
    """
    found = windows(record.time, terms.length)
    zero = np.zeros(found.count)
    mean, slope = found.means, found.slopes
    i_q, i_d = record.current_q, record.current_d
    electrical = record.turns * record.speed
    size = np.abs(i_q) if i_d is None else np.hypot(i_q, i_d)
    smooth = np.hypot(size, small * float(size.max()))
    speed = mean(record.speed)
    # Column by column, q rows first and d rows below.
    q = {
        "resistance": mean(i_q),
        "inductance_q": slope(i_q),
        "inductance_d": zero if i_d is None else mean(electrical * i_d),
        "emf": speed,
        "emf_d": zero,
        "lag": slope(record.voltage_q),
        "bridge": mean(i_q / smooth),
    }
    rows, axis = [q], [np.ones(found.count, bool)]
    observed = [mean(record.voltage_q) - (0.0 if terms.bridge else bridge) * q["bridge"]]
    if terms.d_axis and record.voltage_d is not None and i_d is not None:
        d = {
            "resistance": mean(i_d),
            "inductance_q": -mean(electrical * i_q),
            "inductance_d": slope(i_d),
            "emf": zero,
            "emf_d": speed,
            "lag": slope(record.voltage_d),
            "bridge": mean(i_d / smooth),
        }
        rows.append(d)
        axis.append(np.zeros(found.count, bool))
        observed.append(mean(record.voltage_d) - (0.0 if terms.bridge else bridge) * d["bridge"])
    for row in rows:
        if not terms.both:
            row["inductance_q"] = row["inductance_q"] + row["inductance_d"]
    design = np.array([np.concatenate([row[name] for row in rows]) for name in terms.names]).T
    target = np.concatenate(observed)
    plain = linear_fit(design, target, ordered=True)
    noise = _scattered(record, found, terms, electrical)
    estimates = _corrected(plain, design, target, noise)
    return Electrical(
        terms,
        estimates,
        np.concatenate(axis),
        target,
        np.tile(mean(i_q), len(rows)),
        np.tile(speed, len(rows)),
        np.tile(mean(record.time), len(rows)),
    )


def _scattered(record: Record, found: Windows, terms: Terms, electrical: np.ndarray) -> np.ndarray:
    """Return the sums of squares ``(k,)`` that the scatter of currents and speed adds to the normal equations."""
    one, two = float(np.sum(found.mean**2)), float(np.sum(found.derivative**2))
    at_speed = float(np.sum(found.mean**2 * electrical[found.places] ** 2))
    var_q = scatter(record.current_q)
    var_d = 0.0 if record.current_d is None else scatter(record.current_d)
    axes = 1.0 if record.voltage_d is None or record.current_d is None else 2.0
    both = axes == 2.0
    added = {
        "resistance": var_q * one + (var_d * one if both else 0.0),
        "inductance_q": var_q * two + (var_q * at_speed if both else 0.0),
        "inductance_d": var_d * at_speed + (var_d * two if both else 0.0),
        "emf": scatter(record.speed) * one,
        "emf_d": scatter(record.speed) * one if both else 0.0,
    }
    if not terms.both:
        added["inductance_q"] += added["inductance_d"]
    return np.array([added.get(name, 0.0) for name in terms.names])


def _corrected(plain: Estimates, design: np.ndarray, target: np.ndarray, noise: np.ndarray) -> Estimates:
    """Return estimates with the scatter of the regressors, ``noise`` ``(k,)`` on the diagonal, taken off.

    Raises ``FitError`` where as much scatter as signal stands in a regressor.
    """
    power = np.sum(design**2, axis=0)
    if np.any(noise > 0.5 * power):
        raise FitError(
            "the readings scatter as much as they vary; change current and speed by more: step the current between two "
            "levels or more, and let the speed follow"
        )
    scale = np.sqrt(power)
    normal = (design / scale).T @ (design / scale)
    left = normal - np.diag(noise / power)
    if float(np.linalg.eigvalsh(left)[0]) < 1e-9:
        raise FitError("the readings do not vary enough beyond their scatter to tell the parameters apart")
    inverse = np.linalg.inv(left)
    values = plain.values + (inverse @ (noise / power * (plain.values * scale))) / scale
    residuals = target - design @ values
    variance = float(residuals @ residuals) / (target.size - values.size)
    alike = inverse @ normal @ inverse * variance
    # Windows in which current or speed changes fast leave more than the others, and they weigh most: residuals are
    # counted where they are, each as if it had not been fitted to (MacKinnon and White, J. Econometrics 29 (1985) 305,
    # from memory), where that gives more.
    rows = (design / scale) @ inverse
    weight = np.clip(1.0 - np.sum(rows * (design / scale), axis=1), 0.05, 1.0)
    counted = (rows * (residuals / weight)[:, None] ** 2).T @ rows
    wider = np.sqrt(np.maximum(1.0, np.diag(counted) / np.diag(alike)))
    covariance = alike * np.outer(wider, wider) / np.outer(scale, scale) * plain.inflation
    freedom = plain.degrees_of_freedom
    return Estimates(values, covariance, residuals, float(np.sqrt(variance)), freedom, plain.inflation)


@dataclass(frozen=True)
class Mechanical:
    """A fit of the rotor and its rows ``(W,)``.

    The unknowns are inertia, Coulomb and viscous friction over torque per ampere (A s^2/rad, A, A s/rad), and by how
    much the speed's reading lags that of the current (s). ``square`` is the speed times its size (rad^2/s^2),
    ``design`` ``(W, 4)`` and ``noise`` ``(4,)`` are those of the fit.
    """

    estimates: Estimates
    observed: np.ndarray
    speed: np.ndarray
    slope: np.ndarray
    time: np.ndarray
    square: np.ndarray
    design: np.ndarray
    noise: np.ndarray

    def of_square(self) -> tuple[float, float]:
        """Return what Coulomb (rad^2/s^2) and viscous term (rad/s) take up of a torque that is the square of speed."""
        plain = linear_fit(self.design, self.square, ordered=True)
        values = _corrected(plain, self.design, self.square, self.noise).values
        return float(values[1]), float(values[2])


def turning_windows(time: np.ndarray, speed: np.ndarray, length: int) -> Windows:
    """Return the windows in which the rotor turns in one direction: near standstill friction has no one value.

    Raises ``FitError`` where they are too few for inertia and friction.
    """
    found = windows(time, length)
    inside = speed[found.places]
    standing = _STANDING * float(np.abs(speed).max())
    found = found.kept((inside.min(axis=1) > standing) | (inside.max(axis=1) < -standing))
    if found.count < _FEWEST:
        raise FitError("the rotor turns in too few readings; let it turn longer in one direction")
    return found


def fit_rotor(found: Windows, time: np.ndarray, torque_current: np.ndarray, speed: np.ndarray) -> Mechanical:
    """Fit the current that makes torque, ``(n,)`` A, by the speed in rad/s and its slope over windows of a record.

    Raises ``FitError`` where the readings do not determine inertia and friction.
    """
    mean, slope = found.means(speed), found.slopes(speed)
    design = np.array([slope, np.sign(mean), mean, found.slopes(torque_current)]).T
    target = found.means(torque_current)
    plain = linear_fit(design, target, ordered=True)
    var, of_current = scatter(speed), scatter(torque_current)
    steep = float(np.sum(found.derivative**2))
    noise = np.array([var * steep, 0.0, var * float(np.sum(found.mean**2)), of_current * steep])
    estimates, square = _corrected(plain, design, target, noise), found.means(speed * np.abs(speed))
    return Mechanical(estimates, target, mean, slope, found.means(time), square, design, noise)


def chosen_windows(
    time: np.ndarray, torque_current: np.ndarray, speed: np.ndarray, lengths: Sequence[int]
) -> tuple[Windows | None, str]:
    """Return the windows of the first of these lengths that gives the inertia; ``None`` and why if none does.

    They are not those by which it comes out most certain: the luckiest of several fits is too sure of itself.
    """
    why = ""
    for length in lengths:
        try:
            found = turning_windows(time, speed, length)
            fitted = fit_rotor(found, time, torque_current, speed).estimates
        except FitError as error:
            why = why or str(error)
            continue
        if fitted.values[0] > 0 and fitted.covariance[0, 0] < (_SURE * fitted.values[0]) ** 2:
            return found, ""
    return None, why or "the speed hardly changes: step the current, so that the rotor gains and loses speed"
