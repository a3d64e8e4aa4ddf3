"""What is on the table, with errors within what each is stated to have.

An accuracy of p % of the reading and d digits is the half-width of the error (JCGM 100:2008, 4.3.7); share of the gain
and of the zero are drawn once per instrument and kind and stay for the session.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
RPM = np.pi / 30


@dataclass(frozen=True)
class Range:
    """One range: largest reading, percent of the reading, fixed part, step of the display, percent of a probe."""

    most: float
    percent: float
    fixed: float
    step: float
    probe: float = 0.0


def digits(most: float, percent: float, count: int, step: float) -> Range:
    """A range whose fixed part is said in digits."""
    return Range(most, percent, count * step, step)


HANDHELD = {
    "voltage": [digits(0.6, 0.8, 3, 1e-4), digits(6, 0.8, 3, 1e-3), digits(60, 0.8, 3, 1e-2)],
    "ac": [digits(6, 1.2, 5, 1e-3), digits(60, 1.2, 5, 1e-2)],
    "temperature": [Range(400, 1.0, 3.0, 0.1)],
}
"""As `config/instruments/handheld-multimeter.yaml` has it; AC volts are a line of its own in such a meter's manual."""

SUPPLY = {"voltage": [Range(30, 0.5, 0.02, 0.01)], "current": [Range(5, 0.5, 0.01, 0.001)]}
TACHOMETER = {"speed": [Range(999.9 * RPM, 0.05, 0.1 * RPM, 0.1 * RPM)]}
SCALE = {"force": [Range(50, 0.0, 0.5, 0.5)]}
SCOPE = {"voltage": [Range(8, 2.0, 0.08, 0.063, 2.0), Range(40, 2.0, 0.4, 0.313, 2.0)]}
"""Amplifier and probe each 2 %, and 1 % of the range, as `config/instruments/8-bit-oscilloscope.yaml` has it."""


@dataclass
class Instrument:
    """One instrument; `read` gives what it shows. A channel of its own has errors of its own."""

    rng: np.random.Generator
    ranges: dict[str, list[Range]]
    errors: dict[tuple[str, str], tuple[float, ...]] = field(default_factory=dict)

    def read(self, kind: str, truth: Floats, *, noise: float = 0.0, channel: str = "") -> Floats:
        """Readings (n,) of true values (n,) in SI, all in the one range that holds them."""
        span = next(r for r in self.ranges[kind] if np.abs(truth).max() <= r.most)
        key = (kind, channel)
        if key not in self.errors:
            self.errors[key] = tuple(self.rng.uniform(-1, 1, 3).tolist())
        gain, zero, probe = self.errors[key]
        value = np.asarray(truth) * (1 + (gain * span.percent + probe * span.probe) / 100) + zero * span.fixed
        value = value + self.rng.normal(0.0, noise, np.shape(value)) if noise else value
        return np.asarray(np.round(value / span.step) * span.step)
