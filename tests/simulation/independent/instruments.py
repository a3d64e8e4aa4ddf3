"""Instruments that are wrong by anything within their stated accuracy, and read in steps.

An accuracy "percent of reading + fixed part" is the half-width of the error (JCGM 100:2008, 4.3.7): gain and offset
of an instrument are drawn once, each uniform within its part, and stay for the session. A channel with an input of
its own draws its own. Noise and steps of the display come with each reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass
class Instrument:
    """One instrument: its words in unit.yaml and its errors.

    model: what it is called; accuracy: by kind of quantity, (percent, fixed part, unit); own_inputs: whether each
    column has an input of its own (errors drawn per column, said so in unit.yaml where `says_so`).
    """

    model: str
    serial: str
    accuracy: dict[str, tuple[float, float, str]]
    own_inputs: bool = False
    says_so: bool = True
    scale: dict[str, float] = field(default_factory=dict)
    _errors: dict[tuple[str, str], tuple[float, float]] = field(default_factory=dict)

    def errors(self, rng: np.random.Generator, kind: str, column: str) -> tuple[float, float]:
        """Gain error (share) and offset (in SI) of this kind of quantity; those of the column where inputs are its
        own."""
        key = (kind, column if self.own_inputs else "")
        if key not in self._errors:
            percent, fixed, unit = self.accuracy[kind]
            self._errors[key] = (percent / 100 * rng.uniform(-1, 1), fixed * SI[unit] * rng.uniform(-1, 1))
        return self._errors[key]

    def read(
        self, rng: np.random.Generator, kind: str, column: str, truth: Floats, *, noise: float = 0.0, step: float = 0.0
    ) -> Floats:
        """Readings (n,) of true values (n,), both in SI; noise: standard deviation, step: of the display."""
        gain, offset = self.errors(rng, kind, column)
        value = np.asarray(truth, dtype=float) * (1 + gain) + offset
        if noise:
            value = value + rng.normal(0.0, noise, value.shape)
        return np.asarray(np.round(value / step) * step if step else value)

    def stated(self) -> dict[str, object]:
        """The instrument as unit.yaml has it."""
        lines = {}
        for kind, (percent, fixed, unit) in self.accuracy.items():
            parts = ([f"{percent:g} %"] if percent else []) + ([f"{fixed:g} {unit}"] if fixed else [])
            lines[kind] = " + ".join(parts)
        said: dict[str, object] = {"model": f"{self.model} (invented)", "serial": self.serial, "accuracy": lines}
        if self.own_inputs and self.says_so:
            said["channels"] = "independent"
        return said


SI = {
    "V": 1.0,
    "mV": 1e-3,
    "A": 1.0,
    "mA": 1e-3,
    "ohm": 1.0,
    "mohm": 1e-3,
    "rpm": np.pi / 30,
    "degC": 1.0,
    "N m": 1.0,
    "N": 1.0,
    "deg": np.pi / 180,
    "s": 1.0,
    "uH": 1e-6,
    "W": 1.0,
    "Mohm": 1e6,
    "": 1.0,
}
"""Size of the units that accuracies are stated in."""


def hum(rng: np.random.Generator, time: Floats, amplitude: float) -> Floats:
    """Mains hum of 50 Hz with a share of 150 Hz, (n,)."""
    phase = rng.uniform(0, 2 * np.pi, 2)
    return np.asarray(amplitude * (np.sin(100 * np.pi * time + phase[0]) + 0.3 * np.sin(300 * np.pi * time + phase[1])))


def scope(
    rng: np.random.Generator,
    instrument: Instrument,
    column: str,
    truth: Floats,
    *,
    bits: int,
    full_scale: float,
    noise: float,
    added: Floats | float = 0.0,
) -> Floats:
    """What an oscilloscope of so many bits makes of a voltage, over a range of +- `full_scale` V; it clips beyond."""
    step = 2 * full_scale / 2**bits
    value = instrument.read(rng, "voltage", column, truth + added, noise=noise, step=step)
    return np.clip(value, -full_scale, full_scale - step)
