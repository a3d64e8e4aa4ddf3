"""Telemetry of an invented field-oriented drive: machine, bridge and sampled current control, solved in time.

Richer than what the program fits: dead time takes a voltage off along each phase's current, which fades where ripple
turns its sign; the voltage of a period is computed from the readings before it; readings scatter and are rounded; iron
loss and a bearing give the friction a bend. ``rates`` is held against a published machine model by a test.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

#: Steps of the solution in one period of the control.
_STEPS = 4
#: Levels of the q-axis current over the largest.
LEVELS = (0.25, 1.0, 0.4, 0.06, 0.75, 0.15, 0.5, -0.15)


@dataclass(frozen=True)
class Truth:
    """The machine, its load and its drive, in SI; the EMF constant is phase peak over mechanical speed."""

    pole_pairs: int = 10
    resistance: float = 0.15
    inductance_d: float = 0.25e-3
    inductance_q: float = 0.30e-3
    emf: float = 0.55
    inertia: float = 0.08
    coulomb: float = 0.35
    viscous: float = 0.012
    drag: float = 0.0
    #: Switches and leads between the bridge's voltage and the winding.
    switches: float = 0.005
    #: Voltage that dead time and drops take off along the current, and the current up to which ripple fades it.
    bridge: float = 0.0
    ripple: float = 0.3
    #: Periods of the control in a second, and how many of them the record takes together.
    rate: float = 2000.0
    every: int = 1
    current_noise: float = 0.05
    speed_noise: float = 0.05

    def rates(self, i_d: float, i_q: float, v_d: float, v_q: float, speed: float) -> tuple[float, float]:
        """Return the slopes of both currents in A/s."""
        electrical = self.pole_pairs * speed
        lost = self.bridge / math.sqrt(i_d * i_d + i_q * i_q + self.ripple**2)
        ohms = self.resistance + self.switches + lost
        slope_d = (v_d - ohms * i_d + electrical * self.inductance_q * i_q) / self.inductance_d
        slope_q = (v_q - ohms * i_q - electrical * self.inductance_d * i_d - self.emf * speed) / self.inductance_q
        return slope_d, slope_q

    def torque(self, i_d: float, i_q: float) -> float:
        """Return the torque in N m."""
        return 1.5 * (self.emf * i_q + self.pole_pairs * (self.inductance_d - self.inductance_q) * i_d * i_q)


Program = Callable[[float, float], tuple[float, float]]


def telemetry(
    truth: Truth, asked: Program, duration: float, rng: np.random.Generator, speed: float = 0.0
) -> dict[str, np.ndarray]:
    """Return the columns of a record, amplitude-invariant and mechanical; ``asked`` gives i_d, i_q by time, speed.

    The rotor begins at ``speed`` (rad/s).
    """
    period, band = 1.0 / truth.rate, 0.25 * truth.rate
    step, count = period / _STEPS, int(duration * truth.rate)
    noise = rng.standard_normal((count, 3)) * (truth.current_noise, truth.current_noise, truth.speed_noise)
    sum_d = sum_q = i_d = i_q = 0.0
    rows = []
    for k in range(count):
        read_d, read_q, read_speed = i_d + noise[k, 0], i_q + noise[k, 1], speed + noise[k, 2]
        want_d, want_q = asked(k * period, speed)
        sum_d += (want_d - read_d) * band * truth.resistance * period
        sum_q += (want_q - read_q) * band * truth.resistance * period
        electrical = truth.pole_pairs * read_speed
        v_d = band * truth.inductance_d * (want_d - read_d) + sum_d - electrical * truth.inductance_q * read_q
        v_q = band * truth.inductance_q * (want_q - read_q) + sum_q + truth.emf * read_speed
        if k % truth.every == 0:
            rows.append((k * period, v_d, v_q, read_d, read_q, read_speed))
        for _ in range(_STEPS):
            slope_d, slope_q = truth.rates(i_d, i_q, v_d, v_q, speed)
            slope_d, slope_q = truth.rates(i_d + 0.5 * step * slope_d, i_q + 0.5 * step * slope_q, v_d, v_q, speed)
            mid_d, mid_q = i_d + 0.5 * step * slope_d, i_q + 0.5 * step * slope_q
            i_d, i_q = i_d + step * slope_d, i_q + step * slope_q
            held = truth.coulomb * math.tanh(speed / 0.02) + truth.viscous * speed
            held += truth.drag * speed * abs(speed)
            speed += step * (truth.torque(mid_d, mid_q) - held) / truth.inertia
    names = ("time", "voltage_d", "voltage_q", "current_d", "current_q", "speed")
    return dict(zip(names, np.array(rows).T, strict=True))


def steps(levels: Sequence[float], every: float, reach: float = 60.0, d_axis: Sequence[float] = (0.0,)) -> Program:
    """Return a program of q-axis currents, each held for ``every`` s; cut where the speed would run away."""

    def asked(time: float, speed: float) -> tuple[float, float]:
        at = int(time / every)
        level = levels[min(at, len(levels) - 1)]
        return d_axis[at % len(d_axis)], 0.0 if speed > reach and level > 0 else level

    return asked
