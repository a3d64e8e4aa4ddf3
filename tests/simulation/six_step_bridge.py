"""A six-step bridge stepped through time: switches, diodes, dead time and edges with their losses, on R, L and EMF.

Each leg is a state: its high or low switch conducts, a diode conducts because current must flow, or nothing does.
The losses are counted where they arise, so input less output is known apart from any averaging.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

#: Leg at plus, leg at minus for each sixth of an electrical turn, the field ahead of the rotor.
_STEPS = ((0, 1), (0, 2), (1, 2), (1, 0), (2, 0), (2, 1))


@dataclass(frozen=True)
class Waveforms:
    """Sampled waveforms ``(n,)`` and the true mean powers over the same span, W."""

    columns: dict[str, np.ndarray]
    input_power: float
    output_power: float
    conduction: float
    switching: float


@dataclass(frozen=True)
class Bridge:
    """Values of an invented 36 V, 250 W drive. ``edge_time`` is rise plus fall time; ``idle`` the current of its "
    "logic."""

    voltage: float = 36.0
    on_resistance: float = 0.012
    diode_voltage: float = 0.85
    edge_time: float = 120e-9
    dead_time: float = 800e-9
    idle: float = 0.06
    pwm_frequency: float = 15_700.0
    resistance: float = 0.13
    inductance: float = 180e-6
    emf_peak: float = 10.0
    electrical_frequency: float = 190.0

    def run(self, duty: float, *, seconds: float = 0.045, step: float = 0.25e-6, sample: float = 1e-6) -> Waveforms:
        """Step through time and sample; the first part, until the currents have settled, is left out."""
        n, every = int(seconds / step), round(sample / step)
        settle = int(0.3 * n)
        i, state = [0.0, 0.0, 0.0], [0, 0, 0]
        rows: list[tuple[float, ...]] = []
        link = energy_in = energy_out = energy_switch = 0.0
        for k in range(n):
            t = k * step
            theta = 2 * math.pi * self.electrical_frequency * t
            # Trapezoidal EMF of 120 degrees, rounded as real ones are.
            e = [self.emf_peak * _trapezium(theta - leg * 2 * math.pi / 3) for leg in range(3)]
            wanted = self._wanted(t, theta, duty)
            # Voltage and current overlap while a switch of the upper or lower side takes over.
            edge = sum(
                0.25 * self.voltage * abs(i[leg]) * self.edge_time
                for leg in range(3)
                if wanted[leg] != state[leg] and 1 in (wanted[leg], state[leg])
            )
            state = wanted
            v, carrying, neutral = self._terminals(state, i, e)
            into = sum(i[leg] for leg in carrying if state[leg] == 1 or (state[leg] == 0 and i[leg] < 0))
            out = sum(v[leg] * i[leg] for leg in carrying)
            self._advance(state, i, [v[leg] - neutral - e[leg] for leg in range(3)], carrying, step)
            supply = into + self.idle + edge / step / self.voltage
            # The link capacitor smooths what the supply gives; it conserves charge.
            link += (supply - link) * step / 2e-3
            if k < settle:
                continue
            energy_in += self.voltage * supply * step
            energy_out += out * step
            energy_switch += edge
            if (k - settle) % every == 0:
                rows.append((t, link, v[0] - v[1], v[1] - v[2], i[0], i[1], i[2]))
        data, span = np.array(rows), (n - settle) * step
        names = ("time", "supply_current", "voltage_ab", "voltage_bc", "current_a", "current_b", "current_c")
        columns = {name: data[:, place] for place, name in enumerate(names)}
        columns["supply_voltage"] = np.full(len(data), self.voltage)
        switching = energy_switch / span
        conduction = (energy_in - energy_out) / span - switching - self.voltage * self.idle
        return Waveforms(columns, energy_in / span, energy_out / span, conduction, switching)

    def _wanted(self, t: float, theta: float, duty: float) -> list[int]:
        """Return the commanded state of each leg: 1 high switch on, -1 low switch on, 0 both off."""
        plus, minus = _STEPS[int(((theta - math.pi / 6) / (2 * math.pi) * 6) % 6)]
        phase = (t * self.pwm_frequency) % 1.0
        dead = self.dead_time * self.pwm_frequency
        wanted = [0, 0, 0]
        wanted[minus] = -1
        if phase < duty:
            wanted[plus] = 1 if phase > dead else 0
        else:
            wanted[plus] = -1 if phase > duty + dead else 0
        return wanted

    def _terminals(self, state: list[int], i: list[float], e: list[float]) -> tuple[list[float], list[int], float]:
        """Return terminal voltages, the legs that carry current, and the voltage of the star point."""
        v, carrying = [0.0, 0.0, 0.0], []
        for leg in range(3):
            if state[leg] == 0 and i[leg] == 0:
                continue
            carrying.append(leg)
            if state[leg] == 0:
                v[leg] = -self.diode_voltage if i[leg] > 0 else self.voltage + self.diode_voltage
            else:
                v[leg] = (self.voltage if state[leg] == 1 else 0.0) - self.on_resistance * i[leg]
        neutral = sum(v[leg] - e[leg] for leg in carrying) / max(len(carrying), 1)
        for leg in range(3):
            if leg not in carrying:
                v[leg] = neutral + e[leg]
                # An EMF beyond a rail makes a diode conduct from the next step on.
                if v[leg] > self.voltage + self.diode_voltage:
                    i[leg] = -1e-9
                elif v[leg] < -self.diode_voltage:
                    i[leg] = 1e-9
        return v, carrying, neutral

    def _advance(self, state: list[int], i: list[float], drive: list[float], carrying: list[int], step: float) -> None:
        """Advance the currents by one step; a diode lets go when its current would turn."""
        for leg in carrying:
            before = i[leg]
            i[leg] += step * (drive[leg] - self.resistance * before) / self.inductance
            if state[leg] == 0 and before * i[leg] < 0:
                i[leg] = 0.0
        live = [leg for leg in carrying if i[leg] != 0.0] or carrying
        rest = sum(i)
        for leg in live:
            i[leg] -= rest / len(live)


def _trapezium(angle: float) -> float:
    """Return a trapezoid of unit height, flat for about 120 degrees, its corners rounded."""
    x = math.asin(max(-1.0, min(1.0, math.sin(angle)))) / (math.pi / 6)
    return math.tanh(1.6 * x) / math.tanh(1.6 * 3) if abs(x) < 3 else math.copysign(1.0, x)


@dataclass(frozen=True)
class LossTable:
    """Readings of a power analyser over loads: loss = standing + diode-like + resistive part of the phase current."""

    standing: float = 3.2
    linear: float = 0.22
    square: float = 0.035
    voltage: float = 36.0

    def truth(self, output: np.ndarray, motor_voltage: float = 26.0) -> np.ndarray:
        """Return the loss in W at ``output`` ``(n,)`` in W: the phase current follows from the motor's voltage."""
        current = output / motor_voltage
        return self.standing + self.linear * current + self.square * current**2

    def readings(self, rng: np.random.Generator, output: np.ndarray, noise: float = 3e-4) -> dict[str, np.ndarray]:
        """Return supply voltage, supply current and phase power at loads ``(n,)``, with scatter alone."""
        into = output + self.truth(output)
        volts = self.voltage * (1 + rng.normal(0, 2e-4, output.size))
        return {
            "supply_voltage": volts,
            "supply_current": into / volts * (1 + rng.normal(0, noise, output.size)),
            "phase_power": output * (1 + rng.normal(0, noise, output.size)),
        }
