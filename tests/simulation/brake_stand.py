"""An invented brake stand: the bench motor under load, fed by a field-oriented drive or by a six-step one.

The inverter loses power with its phase current (a voltage drop) and with its square (its resistance), the iron with
speed and its square, and the supply sags. Nothing here is what the fits assume, except that energy is conserved.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .instruments import BenchInstrument
from .mechanics import BenchMotor


@dataclass(frozen=True)
class Inverter:
    """What the drive takes beside what it passes on: W, V, ohm."""

    standby: float = 1.3
    drop: float = 0.25
    resistance: float = 0.02
    source_resistance: float = 0.08


@dataclass(frozen=True)
class Operating:
    """True values at the points of a run, each ``(n,)`` in SI."""

    speed: np.ndarray
    torque: np.ndarray
    current: np.ndarray
    phase_power: np.ndarray
    supply_power: np.ndarray
    supply_voltage: np.ndarray
    brake: np.ndarray

    def efficiency(self) -> np.ndarray:
        """Return shaft power over supply power."""
        return self.speed * self.torque / self.supply_power


def field_oriented(
    motor: BenchMotor,
    inverter: Inverter,
    speeds: np.ndarray,
    torques: np.ndarray,
    voltage: float,
    temperature: float,
) -> Operating:
    """Run a grid: at each speed (rad/s) the brake off, then at each shaft torque (N m) of ``torques``.

    ``motor.emf`` is taken as torque per ampere of q-axis current; copper loses 1.5 R iq^2.
    """
    rows = [(w, t) for w in speeds for t in (0.0, *torques)]
    speed, torque = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    air_gap = np.array([motor.friction(w) for w in speed]) + torque
    # The torque curve of the bench motor, turned round by its own definition.
    current = air_gap / motor.emf / (1 - (air_gap / (motor.emf * motor.saturation)) ** 3) ** (1 / 3)
    copper = 1.5 * motor.resistance_at(temperature) * current**2
    phases = air_gap * speed + copper
    supply = phases + inverter.standby + inverter.drop * current + inverter.resistance * current**2
    terminal = voltage - inverter.source_resistance * supply / voltage
    brake = np.tile([0.0, *np.linspace(5, 25, len(torques))], len(speeds))
    return Operating(speed, torque, current, phases, supply, terminal, brake)


def six_step(
    motor: BenchMotor, inverter: Inverter, torques: np.ndarray, voltage: float, temperature: float
) -> Operating:
    """Run one characteristic at full throttle and fixed voltage, from no load up to the last of ``torques``."""
    points = [motor.steady(voltage, temperature, t) for t in torques]
    speed, current = (np.array(column) for column in zip(*points, strict=True))
    silent = replace(motor, standby=0.0, ripple=0.0)
    phases = np.array([silent.supply_power(w, i, temperature) for w, i in points]) - motor.switch_drop * current
    supply = phases + inverter.standby + motor.switch_drop * current
    return Operating(
        speed, torques, current, phases, supply, np.full(speed.shape, voltage), (torques > 0).astype(float)
    )


def split_truth(run: Operating, motor: BenchMotor, inverter: Inverter, temperature: float) -> dict[str, float]:
    """Return what a field-oriented run truly holds: constants, friction without brake, and losses at the most power."""
    free = run.brake == 0
    bridge = inverter.drop * run.current + inverter.resistance * run.current**2
    drag = np.array([motor.friction(w) for w in run.speed]) + bridge / run.speed
    b, c = np.polyfit(run.speed[free], drag[free], 1)
    k = int(np.argmax(run.speed * run.torque))
    copper = 1.5 * motor.resistance_at(temperature) * run.current[k] ** 2
    iron = c * run.speed[k] + b * run.speed[k] ** 2
    total = run.supply_power[k] - run.speed[k] * run.torque[k]
    return {
        "efficiency_max": float(run.efficiency().max()),
        "torque_constant_q": motor.emf,
        "coulomb_friction": float(c),
        "viscous_friction": float(b),
        "winding_loss": float(copper),
        "friction_iron_loss": float(iron),
        "additional_loss": float(total - copper - iron - inverter.standby),
    }


@dataclass(frozen=True)
class Stand:
    """The instruments of a stand; readings of every column come with their own error, noise and steps."""

    voltage: BenchInstrument
    current: BenchInstrument
    torque: BenchInstrument
    speed: BenchInstrument
    current_q: BenchInstrument

    @classmethod
    def drawn(cls, rng: np.random.Generator, torque_range: float, current_range: float) -> Stand:
        """Draw a stand whose accuracies are those of ``ACCURACY``; noise follows the ranges (N m, A)."""
        return cls(
            BenchInstrument.drawn(rng, 5e-4, 0.01, noise=0.005, step=0.01),
            BenchInstrument.drawn(rng, 2e-3, 2e-4 * current_range, noise=5e-4 * current_range),
            BenchInstrument.drawn(rng, 2e-3, 2e-4 * torque_range, noise=1e-3 * torque_range),
            BenchInstrument.drawn(rng, 2e-4, 0.0, noise=0.01),
            BenchInstrument.drawn(rng, 2e-3, 2e-4 * current_range, noise=1e-3 * current_range),
        )

    def read(self, run: Operating, rng: np.random.Generator) -> dict[str, np.ndarray]:
        """Return the columns of a log of the run, in SI."""
        return {
            "speed": self.speed.read(run.speed, rng),
            "torque": self.torque.read(run.torque, rng),
            "current_q": self.current_q.read(run.current, rng),
            "supply_current": self.current.read(run.supply_power / run.supply_voltage, rng),
            "supply_voltage": self.voltage.read(run.supply_voltage, rng),
            "brake": run.brake,
        }
