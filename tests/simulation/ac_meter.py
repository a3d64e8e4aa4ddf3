"""AC volts of a driven machine as a hand meter shows them: the wave is drawn point by point, the meter works on it.

Phase EMFs are trapezoids with rounded corners; the lines are their differences. What the meter shows, and the constants
by their definitions, are sums over the drawn points, so nothing of the program's harmonics is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulation.instruments import BenchInstrument

_POINTS = 7200


@dataclass(frozen=True)
class Wave:
    """A machine: ``linkage`` in V s/rad of a phase's flat top of ``flat`` degrees, corners rounded over ``round_``."""

    linkage: float = 0.5
    flat: float = 120.0
    round_: float = 20.0
    unlike: tuple[float, float, float] = (1.0, 1.0, 1.0)

    def lines(self) -> np.ndarray:
        """Return the three line EMFs over speed ``(3, n)`` for one electrical turn."""
        angle = np.arange(_POINTS) * (360.0 / _POINTS)
        ramp = (180.0 - self.flat) / 2
        phase = np.interp(angle, [0, ramp, 180 - ramp, 180 + ramp, 360 - ramp, 360], [0, 1, 1, -1, -1, 0])
        width = max(1, round(self.round_ / 360 * _POINTS))
        kernel = np.ones(width) / width
        phase = np.real(np.fft.ifft(np.fft.fft(phase) * np.fft.fft(kernel, _POINTS)))
        each = [self.linkage * k * np.roll(phase, s * _POINTS // 3) for s, k in enumerate(self.unlike)]
        return np.array([each[0] - each[1], each[1] - each[2], each[2] - each[0]])

    def truth(self) -> dict[str, float]:
        """Return the constants by their definitions."""
        lines = self.lines()
        dc = float(np.mean(np.max(np.abs(lines), axis=0)))
        rms = np.sqrt(np.mean(lines**2, axis=1))
        return {
            "emf_constant_dc": dc,
            "torque_constant": dc,
            "speed_constant": 1.0 / dc,
            "emf_constant_rms": float(rms.mean()),
            "emf_constant_peak": float(np.abs(lines).max(axis=1).mean()),
            "emf_unbalance": float(np.max(np.abs(rms / rms.mean() - 1.0))),
        }

    def shown(self, *, mean_responding: bool) -> np.ndarray:
        """Return what a perfect meter shows of each line over speed ``(3,)``."""
        lines = self.lines()
        if mean_responding:
            return 1.1107 * np.mean(np.abs(lines), axis=1)
        return np.sqrt(np.mean(lines**2, axis=1))


def meter_log(
    wave: Wave,
    rng: np.random.Generator,
    meter: BenchInstrument,
    tachometer: BenchInstrument,
    *,
    mean_responding: bool,
    speeds: np.ndarray,
) -> dict[str, np.ndarray]:
    """Return what is written down at these speeds (rad/s), line after line."""
    columns = {"speed": tachometer.read(speeds, rng)}
    for pair, volts in zip(("ab", "bc", "ca"), wave.shown(mean_responding=mean_responding), strict=True):
        columns[f"ac_voltage_{pair}"] = meter.read(volts * speeds, rng)
    return columns
