"""An invented driven machine: EMF from magnets and winding, unlike magnets, drifting and rippling speed, real scopes.

The flux density under the magnets is a trapezoid (or a pure sine) in space; each pole has its own strength and
place; the winding sums coil sides in slots. The linkage is built sample by sample over the mechanical angle, which
is integrated from the speed: no harmonic series, no electrical angle, nothing of the fit under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

RPM = 2 * np.pi / 60


@dataclass(frozen=True)
class Machine:
    """A machine whose phase EMF over mechanical speed is ``linkage`` V s/rad at its crest before unlikeness.

    ``shape``: ``sine``, ``trapezoid`` (phase EMF flat over 120 electrical degrees) or the orders of ``harmonics``
    as ``{order: (share, phase)}`` of the phase EMF. ``phase_gain`` makes phases unlike, ``pole_spread`` magnets.
    """

    pole_pairs: int = 23
    linkage: float = 0.8
    shape: str = "sine"
    harmonics: dict[int, tuple[float, float]] = field(default_factory=dict)
    phase_gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    pole_spread: float = 0.0
    spread_seed: int = 1

    def phase_emf(self, angle: np.ndarray, phase: int) -> np.ndarray:
        """Return the EMF of a phase per mechanical rad/s at mechanical ``angle`` (rad)."""
        electrical = self.pole_pairs * angle - phase * 2 * np.pi / 3
        if self.shape == "trapezoid":
            x = np.mod(electrical, 2 * np.pi)
            half = np.mod(x, np.pi)
            wave = np.where(x < np.pi, 1, -1) * np.minimum((6 / np.pi) * np.minimum(half, np.pi - half), 1.0)
        else:
            wave = np.sin(electrical)
            for order, (share, shift) in self.harmonics.items():
                wave = wave + share * np.sin(order * electrical + shift)
        if self.pole_spread:
            draw = np.random.default_rng(self.spread_seed).standard_normal(2 * self.pole_pairs)
            strength = 1 + self.pole_spread * draw
            # Divided by the mean so that a whole turn keeps its constant.
            strength /= strength.mean()
            pole = np.floor(electrical / np.pi).astype(int) % (2 * self.pole_pairs)
            wave = wave * strength[pole]
        return self.linkage * self.phase_gain[phase] * wave

    def lines(self, angle: np.ndarray) -> np.ndarray:
        """Return the line-to-line EMFs ``(3, n)`` per mechanical rad/s."""
        a, b, c = (self.phase_emf(angle, k) for k in range(3))
        return np.stack([a - b, b - c, c - a])

    def truth(self) -> dict[str, float]:
        """Return the constants by brute force over one finely divided electrical turn of like magnets."""
        one = np.linspace(0, 2 * np.pi / self.pole_pairs, 14400, endpoint=False)
        even = Machine(self.pole_pairs, self.linkage, self.shape, self.harmonics, self.phase_gain)
        lines = even.lines(one)
        rms = np.sqrt(np.mean(lines**2, axis=1))
        waves = np.fft.rfft(lines, axis=1)
        spectrum = np.abs(waves) ** 2
        first = waves[:, 1]
        # The crest of the fundamental lies where its phase is zero; a harmonic turns so many times as far by then.
        about_crest = {h: (waves[:, h] * np.exp(-1j * h * np.angle(first))).real / np.abs(first) for h in (5, 7)}
        return {
            "emf_constant_peak": float(np.mean(lines.max(axis=1) - lines.min(axis=1)) / 2),
            "emf_constant_rms": float(rms.mean()),
            "emf_constant_dc": float(np.abs(lines).max(axis=0).mean()),
            "emf_unbalance": float(np.abs(rms / rms.mean() - 1).max()),
            "emf_distortion": float(np.sqrt(spectrum[:, 2:41].sum() / spectrum[:, 1].sum())),
            **{f"emf_harmonic_{h}": float(part.mean()) for h, part in about_crest.items()},
        }


@dataclass(frozen=True)
class Scope:
    """A recorder: ``rate`` in Hz, ``step`` of the converter and ``noise`` in V, gain and offset
    errors per channel; above ``clip`` its range ends, and its clock runs fast by ``clock``."""

    rate: float = 10_000.0
    step: float = 0.02
    noise: float = 0.05
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0)
    clip: float = np.inf
    clock: float = 1.0

    def read(self, lines: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Return what the scope stores of ``lines`` ``(3, n)``."""
        shown = lines * np.array(self.gain)[:, None] + np.array(self.offset)[:, None]
        shown = np.clip(shown + rng.normal(0, self.noise, lines.shape), -self.clip, self.clip)
        return np.round(shown / self.step) * self.step if self.step else shown


def record(
    machine: Machine,
    scope: Scope,
    rng: np.random.Generator,
    *,
    speed_rpm: float = 100.0,
    seconds: float = 1.0,
    drift: float = 0.0,
    ripple: float = 0.0,
    backward: bool = False,
    tacho_gain: float = 1.0,
    tacho_noise: float = 0.0,
) -> dict[str, np.ndarray]:
    """Return columns ``time, voltage_ab|bc|ca, speed`` in SI.

    ``drift``: relative change of speed over the record; ``ripple``: relative swing once per mechanical turn.
    """
    count = int(seconds * scope.rate)
    time = np.arange(count) / scope.rate
    fine = 8
    dense = np.arange(count * fine) / (scope.rate * fine)
    trend = speed_rpm * RPM * (1 + drift * (dense / seconds - 0.5))
    start = rng.uniform(0, 2 * np.pi)
    turn = np.cumsum(trend) / (scope.rate * fine)
    speed = trend * (1 + ripple * np.cos(turn + start))
    angle = start + np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))]) / (scope.rate * fine)
    speed, angle = speed[::fine], angle[::fine]
    if backward:
        speed, angle = -speed, -angle
    volts = scope.read(machine.lines(angle) * speed, rng)
    tacho = speed * tacho_gain + rng.normal(0, tacho_noise or 1e-12, count)
    return {
        "time": time * scope.clock,
        "voltage_ab": volts[0],
        "voltage_bc": volts[1],
        "voltage_ca": volts[2],
        "speed": tacho,
    }
