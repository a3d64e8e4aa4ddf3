"""The cogging of an invented motor: every magnet meets every slot opening, and a bench turns it slowly.

The torque is the sum over all pairs of a magnet edge passing a slot opening, each of its own strength and
place. The periods of an ideal machine, and the orders that its faults add, come out of that sum; no order is
put in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

_GRID = 32768


@dataclass(frozen=True)
class CoggingTruth:
    """A motor of ``slots`` and ``poles`` with ``pair_torque`` (N m) of one magnet at one slot.

    Faults: ``missing_magnets``, ``magnet_scatter`` and ``slot_scatter`` (relative standard deviations),
    ``eccentricity`` (relative change of the torque once a turn of the rotor), ``unbalance`` (N m once a
    turn, a bent shaft or a wheel that is not balanced), ``friction`` (N m).
    """

    slots: int = 12
    poles: int = 10
    pair_torque: float = 0.05
    width: float = 0.030
    friction: float = 0.12
    unbalance: float = 0.0
    eccentricity: float = 0.0
    magnet_scatter: float = 0.0
    slot_scatter: float = 0.0
    missing_magnets: int = 0
    seed: int = 0

    @cached_property
    def wave(self) -> np.ndarray:
        """Return the periodic torque (N m) at even angles of one turn, friction aside."""
        rng = np.random.default_rng(self.seed)
        strength = 1 + self.magnet_scatter * rng.standard_normal(self.poles)
        strength[: self.missing_magnets] = 0.0
        opening = 1 + self.slot_scatter * rng.standard_normal(self.slots)
        angle = 2 * np.pi * np.arange(_GRID) / _GRID
        reach = np.pi / self.poles
        total = np.zeros(_GRID)
        for magnet in range(self.poles):
            place = 2 * np.pi * magnet / self.poles
            # With the rotor at `angle` the magnet sits at angle + place; a bent shaft brings one side closer.
            closer = 1 + self.eccentricity * np.cos(place)
            for slot in range(self.slots):
                apart = angle + place - 2 * np.pi * slot / self.slots
                apart = (apart + np.pi) % (2 * np.pi) - np.pi
                for edge in (-0.72 * reach, 0.72 * reach):
                    x = (apart - edge) / self.width
                    total += np.sign(edge) * strength[magnet] ** 2 * opening[slot] * closer * np.exp(-x * x)
        return self.pair_torque * total + self.unbalance * np.sin(angle + 0.3)

    def peak_to_peak(self) -> float:
        """Return the true peak to peak (N m) of all orders from three per turn on."""
        coefficients = np.fft.rfft(self.wave)
        coefficients[:3] = 0
        return float(np.ptp(np.fft.irfft(coefficients, _GRID)))


def cogging_log(
    truth: CoggingTruth,
    rng: np.random.Generator,
    *,
    turns: float = 1.2,
    per_turn: int = 1500,
    noise: float = 0.01,
    drift: float = 0.005,
    step: float = 0.002,
    encoder: int = 4096,
    zero: float = 0.02,
    wrapped: bool = True,
) -> dict[str, np.ndarray]:
    """Return a log ``time``, ``angle`` (rad), ``torque`` (N m): forth by ``turns`` and back again.

    ``noise`` of the sensor, ``drift`` of its zero (a random walk that reaches about this value) and ``step``
    of its converter in N m; ``encoder`` counts a turn. Friction builds up over a degree after the reversal.
    """
    half = int(turns * per_turn)
    forth = np.linspace(0.0, 2 * np.pi * turns, half) + rng.uniform(0, 2 * np.pi)
    angle = np.concatenate([forth, forth[::-1]])
    since = np.concatenate([forth - forth[0] + 1.0, forth - forth[0]])
    friction = truth.friction * np.repeat([1.0, -1.0], half)
    friction[half:] += 2 * truth.friction * np.exp(-since[half:] / np.radians(1.0))
    cogging = np.interp(
        angle % (2 * np.pi), 2 * np.pi * np.arange(_GRID + 1) / _GRID, np.append(truth.wave, truth.wave[0])
    )
    walk = drift * np.cumsum(rng.standard_normal(angle.size)) / np.sqrt(angle.size)
    torque = zero + friction + cogging + walk + noise * rng.standard_normal(angle.size)
    shown = np.round(angle * encoder / (2 * np.pi)) * 2 * np.pi / encoder
    if wrapped:
        shown = shown % (2 * np.pi)
    return {"time": 0.02 * np.arange(angle.size), "angle": shown, "torque": np.round(torque / step) * step}
