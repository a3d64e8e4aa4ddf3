"""The electrical angle of a rotating machine from its back-EMF, while the speed drifts and the voltages are noisy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..errors import FitError

#: Windows in which the angle is corrected; the speed may change freely over a few of them.
_MOST_WINDOWS = 2000
_FEWEST_TURNS = 3.0
#: Readings of which cosine, sine and products are held at once.
_PIECE = 1 << 15


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

    (2/3) (u_1 + u_2 exp(2 pi j/3) + u_3 exp(-2 pi j/3)), so its length is the amplitude of a balanced sine.
    With two lines the third is minus their sum; one line alone is returned as it is (a real signal).
    """
    centred = lines - lines.mean(axis=1, keepdims=True)
    if len(centred) == 1:
        return centred[0].astype(complex)
    third = centred[2] if len(centred) == 3 else -(centred[0] + centred[1])
    vector = np.empty(third.size, complex)
    vector.real = (2.0 / 3.0) * centred[0] - (1.0 / 3.0) * (centred[1] + third)
    vector.imag = (centred[1] - third) / np.sqrt(3.0)
    return vector


def track(time: np.ndarray, lines: np.ndarray, *, turns_per_window: float = 1.0) -> Track:
    """Follow the electrical angle through a record: ``time`` ``(n,)`` in s, ``lines`` ``(k, n)`` in V.

    A first estimate comes from the angle of the smoothed space vector (or, with one line, of the analytic
    signal); it is then corrected window by window: in each window of one or more turns every line is fitted by
    offset, cosine and sine of the angle, and the common phase of these amplitudes is the correction. A cubic
    spline through the windows makes angle and speed smooth. Longer windows (``turns_per_window``) follow the speed
    less closely, and the jitter of single edges not at all. Raises ``FitError`` if there is no rotation to see.
    """
    vector = space_vector(lines)
    # A constant leaves what rounding its mean leaves.
    if not np.abs(vector).max() > 1e-12 * np.abs(lines).max():
        raise FitError("the voltages are constant; turn the rotor while recording")
    rough, sense = _rough_angle(time, vector, single=len(lines) == 1)
    turns = float(rough[-1] - rough[0]) / (2 * np.pi)
    if turns + 1e-6 < _FEWEST_TURNS:
        raise FitError(
            f"only {max(turns, 0):.1f} electrical turns can be seen; record at least {_FEWEST_TURNS:.0f}, better one "
            "full turn of the wheel"
        )
    windows = int(np.clip(np.floor((turns + 1e-6) / turns_per_window), 3, _MOST_WINDOWS))
    curve = _smooth(time, rough, windows)
    fit = _Windows(time, lines, windows)
    for _ in range(3):
        centre, correction, reference = fit.corrections(curve(time))
        curve = _curve(centre, curve(centre) + correction)
    shift = float(np.angle(reference[0])) + np.pi / 2
    angle, speed = curve.with_slope(time)
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


def _rough_angle(time: np.ndarray, vector: np.ndarray, *, single: bool) -> tuple[np.ndarray, int]:
    """Return a first, increasing estimate of the angle ``(n,)`` and the sense of rotation of the vector.

    ``single``: it is one line only, which has no sense.
    """
    n = time.size
    step = (time[-1] - time[0]) / (n - 1)
    spacing = np.diff(time)
    uneven = max(float(spacing.max()) - step, step - float(spacing.min()))
    even = time if uneven <= 0.02 * step else np.linspace(time[0], time[-1], n)
    z = vector if even is time else np.interp(even, time, vector.real) + 1j * np.interp(even, time, vector.imag)
    size = _fast_length(n)
    spectrum = np.fft.fft(z, size)
    half = size // 2
    power = spectrum.real**2 + spectrum.imag**2
    sides = {1: power[:half], -1: np.concatenate([power[:1], power[:-half:-1]])}
    # Power within +/- 20 % of each frequency: a drifting speed spreads its line, noise does not gather.
    lowest = max(2, int(np.ceil(2.0 * size / n)))
    index = np.arange(lowest, half)
    low, high = np.maximum((index / 1.2).astype(int), 1), np.minimum((index * 1.2).astype(int) + 1, half)
    gathered = {}
    for sense, power in sides.items():
        total = np.concatenate([[0.0], np.cumsum(power)])
        gathered[sense] = total[high] - total[low]
    if low.size == 0:
        raise FitError("the record is too short to see a rotation; record more readings")
    sense = 1 if single or gathered[1].max() >= gathered[-1].max() else -1
    power = gathered[sense]
    best = lowest + int(np.argmax(power))
    fastest = lowest + int(np.flatnonzero(power > 0.1 * power.max())[-1])
    if single:
        keep = np.zeros(size)
        keep[int(0.45 * best) : int(1.8 * best) + 2] = 1.0
        smooth = np.fft.ifft(spectrum * keep)[:n]
    else:
        box = max(1, int(size / fastest / 6))
        z = z if sense == 1 else np.conj(z)
        # The sum over a box around each reading, cut at the ends; its size does not change its angle.
        total = np.cumsum(z)
        ahead, behind = box // 2, (box - 1) // 2
        total = np.concatenate([np.zeros(behind + 1), total, np.full(ahead, total[-1])])
        smooth = total[box:] - total[:-box]
    angle = np.unwrap(np.angle(smooth))
    return (angle if even is time else np.interp(time, even, angle)), (sense if not single else 1)


def _fast_length(n: int) -> int:
    """Return a length of at least ``n`` without large prime factors."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(n))


def _window_of(angle: np.ndarray, windows: int) -> np.ndarray:
    span = angle[-1] - angle[0]
    part = ((angle - angle[0]) * (windows / span)).astype(int)
    return np.minimum(np.maximum(part, 0, out=part), windows - 1, out=part)


def _smooth(time: np.ndarray, angle: np.ndarray, windows: int) -> _Spline | _Parabola:
    # Noise may let the rough angle step back, so windows are of equal time here.
    starts = -(-np.arange(windows) * time.size // windows)
    count = np.diff(starts, append=time.size)
    return _curve(np.add.reduceat(time, starts) / count, np.add.reduceat(angle, starts) / count)


class _Windows:
    """Fits every line by offset, cosine and sine of the angle, window by window of equal angle.

    What is summed up stands in one array, a row each, so that one pass sums each window's share of all of them.
    """

    def __init__(self, time: np.ndarray, lines: np.ndarray, windows: int) -> None:
        self._time, self._lines, self._windows = time, lines, windows
        # Ones, cosine, sine, cosine squared, cosine times sine, time, lines, lines times cosine, lines times sine.
        self._rows = np.empty((6 + 3 * len(lines), min(time.size, _PIECE)))
        self._rows[0] = 1.0

    def corrections(self, angle: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return centre times and phase corrections of the windows, and each line's amplitude ``(k,)``."""
        part = _window_of(angle, self._windows)
        sums = np.zeros((len(self._rows), self._windows))
        for start in range(0, angle.size, _PIECE):
            piece = slice(start, start + _PIECE)
            self._add(sums, part[piece], self._filled(piece, angle[piece]))
        count = sums[0]
        if count.min() < 4:
            raise FitError("there are fewer than 4 readings per electrical turn; sample faster or turn more slowly")
        return sums[5] / count, *_phases(count, sums[1:5], sums[6:].reshape(3, len(self._lines), -1))

    def _filled(self, piece: slice, angle: np.ndarray) -> np.ndarray:
        """Return the rows of some readings."""
        k, rows = len(self._lines), self._rows[:, : angle.size]
        # Written in place, since to make an array anew costs more than to multiply it.
        cosine, sine = np.cos(angle, out=rows[1]), np.sin(angle, out=rows[2])
        np.multiply(cosine, cosine, out=rows[3])
        np.multiply(cosine, sine, out=rows[4])
        rows[5], rows[6 : 6 + k] = self._time[piece], self._lines[:, piece]
        np.multiply(rows[6 : 6 + k], cosine, out=rows[6 + k : 6 + 2 * k])
        np.multiply(rows[6 : 6 + k], sine, out=rows[6 + 2 * k :])
        return rows

    def _add(self, sums: np.ndarray, part: np.ndarray, rows: np.ndarray) -> None:
        """Add the sums of ``rows`` over the windows ``part`` ``(n,)`` that they are of."""
        starts = np.concatenate([[0], np.flatnonzero(part[1:] != part[:-1]) + 1])
        found, where = np.add.reduceat(rows, starts, axis=1), part[starts]
        if np.all(where[1:] > where[:-1]):
            sums[:, where] += found
        else:
            # Noise may turn the angle back, and then readings of one window are not all neighbours.
            sums += np.stack([np.bincount(where, row, self._windows) for row in found])


def _phases(count: np.ndarray, own: np.ndarray, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Solve the normal equations of the windows; return their phases ``(w,)`` and each line's amplitude ``(k,)``.

    ``own`` ``(4, w)`` holds the sums of cosine, sine, cosine squared and cosine times sine, ``lines`` ``(3, k, w)``
    those of the lines and of their products with cosine and sine.
    """
    cosine, sine, cosine_squared, both = own
    normal = np.array(
        [[count, cosine, sine], [cosine, cosine_squared, both], [sine, both, count - cosine_squared]]
    ).transpose(2, 0, 1)
    # A little on the diagonal keeps it regular.
    normal = normal + 1e-9 * count[:, None, None] * np.eye(3)
    _, along, across = np.linalg.solve(normal, lines.transpose(2, 0, 1)).transpose(1, 2, 0)
    amplitude = along - 1j * across
    reference = amplitude[:, count.size // 2]
    for _ in range(3):
        common = reference.conj() @ amplitude
        back = common.conj() / np.maximum(np.abs(common), np.finfo(float).tiny)
        reference = amplitude @ back / count.size
    return np.unwrap(np.angle(common)), reference


class _Spline:
    """The cubic spline through points."""

    def __init__(self, x: np.ndarray, y: np.ndarray) -> None:
        from scipy.interpolate import CubicSpline

        self._value = CubicSpline(x, y)

    def __call__(self, points: np.ndarray) -> np.ndarray:
        return np.asarray(self._value(points))

    def with_slope(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return self(points), np.asarray(self._value(points, 1))


class _Parabola:
    """The parabola nearest to points."""

    def __init__(self, x: np.ndarray, y: np.ndarray) -> None:
        self._middle, self._scale = 0.5 * (x[0] + x[-1]), 0.5 * (x[-1] - x[0])
        fitted = np.polynomial.polynomial.polyfit((x - self._middle) / self._scale, y, 2)
        self._value = np.polynomial.Polynomial(fitted)

    def __call__(self, points: np.ndarray) -> np.ndarray:
        return np.asarray(self._value((points - self._middle) / self._scale))

    def with_slope(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        slope = self._value.deriv()((points - self._middle) / self._scale) / self._scale
        return self(points), np.asarray(slope)


def _curve(time: np.ndarray, values: np.ndarray) -> _Spline | _Parabola:
    """Return a smooth function of time through points, or near them where they are few."""
    return _Parabola(time, values) if time.size < 8 else _Spline(time, values)
