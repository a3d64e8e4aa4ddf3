"""The electrical angle of a rotating machine from its back-EMF, while the speed drifts and the voltages are noisy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..errors import FitError

#: Windows in which the angle is corrected; the speed may change freely over a few of them.
_MOST_WINDOWS = 2000
_FEWEST_TURNS = 3.0


@dataclass(frozen=True)
class Track:
    """Electrical angle ``(n,)`` in rad and electrical speed ``(n,)`` in rad/s at each reading, always increasing.

    The fundamental of the first line voltage is ``sin(angle)``. ``sequence`` is +1 if the second line lags the
    first by a third of a turn (A-B-C), -1 if it leads, 0 if only one line was measured. ``at`` gives the angle
    at any time within the record.
    """

    angle: np.ndarray
    speed: np.ndarray
    sequence: int
    at: Callable[[np.ndarray], np.ndarray]

    @property
    def turns(self) -> float:
        """Return the number of electrical turns on record."""
        return float(self.angle[-1] - self.angle[0]) / (2 * np.pi)


def space_vector(lines: np.ndarray) -> np.ndarray:
    """Return the complex space vector ``(n,)`` of line voltages ``(k, n)``, k from 1 to 3, means removed.

    With two lines the third is minus their sum; one line alone is returned as it is (a real signal).
    """
    centred = lines - lines.mean(axis=1, keepdims=True)
    if len(centred) == 1:
        return centred[0].astype(complex)
    third = centred[2] if len(centred) == 3 else -(centred[0] + centred[1])
    a = np.exp(2j * np.pi / 3)
    return (2.0 / 3.0) * (centred[0] + a * centred[1] + a**2 * third)


def track(time: np.ndarray, lines: np.ndarray, *, turns_per_window: float = 1.0) -> Track:
    """Follow the electrical angle through a record: ``time`` ``(n,)`` in s, ``lines`` ``(k, n)`` in V.

    A first estimate comes from the angle of the smoothed space vector (or, with one line, of the analytic
    signal); it is then corrected window by window: in each window of one or more turns every line is fitted by
    offset, cosine and sine of the angle, and the common phase of these amplitudes is the correction. A cubic
    spline through the windows makes angle and speed smooth. Longer windows (``turns_per_window``) follow the speed
    less closely, and the jitter of single edges not at all. Raises ``FitError`` if there is no rotation to see.
    """
    vector = space_vector(lines)
    if float(np.max(np.abs(vector))) == 0:
        raise FitError("the voltages are constant; turn the rotor while recording")
    rough, sense = _rough_angle(time, vector)
    turns = float(rough[-1] - rough[0]) / (2 * np.pi)
    if turns < _FEWEST_TURNS:
        raise FitError(
            f"only {max(turns, 0):.1f} electrical turns can be seen; record at least {_FEWEST_TURNS:.0f}, better one "
            "full turn of the wheel"
        )
    windows = int(np.clip(np.floor((turns + 1e-6) / turns_per_window), 3, _MOST_WINDOWS))
    curve = _smooth(time, rough, windows)
    angle = curve(time)
    for _ in range(3):
        centre, correction, reference = _corrections(time, angle, lines, windows)
        curve = _curve(centre, curve(centre) + correction)
        angle = curve(time)
    shift = float(np.angle(reference[0])) + np.pi / 2
    slope = curve.derivative()
    speed = slope(time)
    if not np.all(speed > 0):
        raise FitError(
            "the rotation cannot be followed through the whole record (it stops, reverses or drowns in noise); "
            "cut the log to the part in which the rotor turns steadily"
        )
    sequence = 0 if len(lines) == 1 else sense
    return Track(angle + shift, speed, sequence, lambda t: curve(t) + shift)


def shifted(
    at: Callable[[np.ndarray], np.ndarray], centre: np.ndarray, correction: np.ndarray
) -> Callable[[np.ndarray], np.ndarray]:
    """Return the angle ``at`` with corrections ``(m,)`` added that hold at the times ``centre`` ``(m,)``."""
    curve = _curve(centre, correction)
    return lambda time: at(time) + curve(time)


def _rough_angle(time: np.ndarray, vector: np.ndarray) -> tuple[np.ndarray, int]:
    """Return a first, increasing estimate of the angle ``(n,)`` and the sense of rotation of the vector."""
    n = time.size
    step = (time[-1] - time[0]) / (n - 1)
    spacing = np.diff(time)
    even = time if np.max(np.abs(spacing - step)) <= 0.02 * step else np.linspace(time[0], time[-1], n)
    z = vector if even is time else np.interp(even, time, vector.real) + 1j * np.interp(even, time, vector.imag)
    size = _fast_length(n)
    spectrum = np.fft.fft(z, size)
    half = size // 2
    single = not np.any(vector.imag)
    sides = {1: np.abs(spectrum[:half]) ** 2, -1: np.abs(np.roll(spectrum[::-1], 1)[:half]) ** 2}
    # Power within +/- 20 % of each frequency: a drifting speed spreads its line, noise does not gather.
    lowest = max(2, int(np.ceil(2.0 * size / n)))
    index = np.arange(lowest, half)
    gathered = {}
    for sense, power in sides.items():
        total = np.concatenate([[0.0], np.cumsum(power)])
        high = np.minimum((index * 1.2).astype(int) + 1, half)
        low = np.maximum((index / 1.2).astype(int), 1)
        gathered[sense] = total[high] - total[low]
    if index.size == 0:
        raise FitError("the record is too short to see a rotation; record more readings")
    sense = 1 if single or gathered[1].max() >= gathered[-1].max() else -1
    power = gathered[sense]
    best = int(index[int(np.argmax(power))])
    fastest = int(index[np.flatnonzero(power > 0.1 * power.max())[-1]])
    if single:
        keep = np.zeros(size)
        keep[int(0.45 * best) : int(1.8 * best) + 2] = 1.0
        smooth = np.fft.ifft(spectrum * keep)[:n]
    else:
        box = max(1, int(size / fastest / 6))
        z = z if sense == 1 else np.conj(z)
        total = np.concatenate([[0.0], np.cumsum(z)])
        edge = np.arange(n)
        high, low = np.minimum(edge + box // 2 + 1, n), np.maximum(edge - (box - 1) // 2, 0)
        smooth = (total[high] - total[low]) / (high - low)
    angle = np.unwrap(np.angle(smooth))
    return (angle if even is time else np.interp(time, even, angle)), (sense if not single else 1)


def _fast_length(n: int) -> int:
    """Return a length of at least ``n`` without large prime factors."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(n))


def _window_of(angle: np.ndarray, windows: int) -> np.ndarray:
    span = angle[-1] - angle[0]
    return np.clip(((angle - angle[0]) * (windows / span)).astype(int), 0, windows - 1)


def _smooth(time: np.ndarray, angle: np.ndarray, windows: int) -> _Curve:
    # Noise may let the rough angle step back, so windows are of equal time here.
    part = np.minimum((np.arange(time.size) * windows) // time.size, windows - 1)
    count = np.bincount(part, minlength=windows)
    centre = np.bincount(part, time, windows) / count
    return _curve(centre, np.bincount(part, angle, windows) / count)


def _corrections(
    time: np.ndarray, angle: np.ndarray, lines: np.ndarray, windows: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return centre times and phase corrections of the windows, and each line's amplitude ``(k,)``."""
    part = _window_of(angle, windows)
    cosine, sine = np.cos(angle), np.sin(angle)

    def gather(values: np.ndarray) -> np.ndarray:
        return np.bincount(part, values, windows)

    count = np.bincount(part, minlength=windows).astype(float)
    if count.min() < 4:
        raise FitError("there are fewer than 4 readings per electrical turn; sample faster or turn more slowly")
    normal = np.empty((windows, 3, 3))
    normal[:, 0, 0] = count
    normal[:, 0, 1] = normal[:, 1, 0] = gather(cosine)
    normal[:, 0, 2] = normal[:, 2, 0] = gather(sine)
    normal[:, 1, 1] = gather(cosine * cosine)
    normal[:, 1, 2] = normal[:, 2, 1] = gather(cosine * sine)
    normal[:, 2, 2] = count - normal[:, 1, 1]
    normal += 1e-9 * count[:, None, None] * np.eye(3)
    amplitude = np.empty((len(lines), windows), complex)
    for row, line in enumerate(lines):
        right = np.stack([gather(line), gather(line * cosine), gather(line * sine)], axis=1)
        solved = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        amplitude[row] = solved[:, 1] - 1j * solved[:, 2]
    reference = amplitude[:, windows // 2]
    correction = np.zeros(windows)
    for _ in range(3):
        correction = np.angle(np.sum(np.conj(reference)[:, None] * amplitude, axis=0))
        reference = np.mean(amplitude * np.exp(-1j * correction), axis=1)
    return gather(time) / count, np.unwrap(correction), reference


class _Curve:
    """A smooth function of time through, or near, points: a spline, or a parabola where there are few."""

    def __init__(self, value: Callable[[np.ndarray], np.ndarray], slope: Callable[[np.ndarray], np.ndarray]) -> None:
        self._value, self._slope = value, slope

    def __call__(self, time: np.ndarray) -> np.ndarray:
        return np.asarray(self._value(time))

    def derivative(self) -> Callable[[np.ndarray], np.ndarray]:
        return self._slope


def _curve(time: np.ndarray, values: np.ndarray) -> _Curve:
    if time.size < 8:
        middle, scale = 0.5 * (time[0] + time[-1]), 0.5 * (time[-1] - time[0])
        polynomial = np.polynomial.Polynomial(np.polynomial.polynomial.polyfit((time - middle) / scale, values, 2))
        steepness = polynomial.deriv()
        return _Curve(
            lambda t: polynomial((np.asarray(t) - middle) / scale),
            lambda t: steepness((np.asarray(t) - middle) / scale) / scale,
        )
    from scipy.interpolate import CubicSpline

    spline = CubicSpline(time, values)
    return _Curve(spline, spline.derivative())
