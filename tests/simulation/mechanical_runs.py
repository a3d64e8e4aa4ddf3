"""Logs of no-load runs, coast-downs and locked rotors of the bench motor, read by imperfect instruments.

``ACCURACY`` is what the instruments of these runs state, by column; each specimen lies somewhere within it.
"""

from __future__ import annotations

import numpy as np

from .instruments import BenchInstrument
from .mechanics import BenchMotor

ACCURACY = {
    "supply_voltage": "0.05 % + 2 mV",
    "supply_current": "0.2 % + 3 mA",
    "speed": "0.1 %",
    "time": "50 ppm",
    "torque": "0.3 % + 0.02 N m",
    "current_ab": "0.3 % + 0.02 A",
}


def drawn_motor(rng: np.random.Generator, **fixed: float) -> BenchMotor:
    """Draw a motor; ``fixed`` sets what is not left to chance."""
    chosen = {
        "resistance": rng.uniform(0.08, 0.20),
        "emf": rng.uniform(0.7, 1.3),
        "coulomb": rng.uniform(0.2, 0.5),
        "viscous": rng.uniform(0.003, 0.012),
        "eddy": rng.uniform(0.002, 0.010),
        "hysteresis": rng.uniform(0.05, 0.20),
        "inertia": rng.uniform(0.03, 0.08),
    }
    return BenchMotor(**{**chosen, **fixed})


def no_load_table(
    motor: BenchMotor, rng: np.random.Generator, *, standstill: bool, repeats: int = 2
) -> dict[str, np.ndarray]:
    """Return a table of readings at seven voltages, each repeated, the winding warming by 4 K on the way."""
    voltage = np.repeat(np.linspace(12, 42, 7), repeats)
    temperature = np.linspace(25, 29, voltage.size)
    points = [motor.steady(v, t) for v, t in zip(voltage, temperature, strict=True)]
    power = [motor.supply_power(w, i, t) for (w, i), t in zip(points, temperature, strict=True)]
    speed, current = np.array([w for w, _ in points]), np.array(power) / voltage
    volts = BenchInstrument.drawn(rng, 5e-4, 2e-3, noise=0.01, step=1e-3)
    amperes = BenchInstrument.drawn(rng, 2e-3, 3e-3, noise=0.004, step=1e-3)
    turns = BenchInstrument.drawn(rng, 1e-3, 0.0, noise=0.02)
    if standstill:
        voltage, speed = np.append(voltage, 36.0), np.append(speed, 0.0)
        current = np.append(current, motor.standby / 36.0)
    shown = np.where(speed > 0, turns.read(speed, rng), 0.0)
    return {"supply_voltage": volts.read(voltage, rng), "supply_current": amperes.read(current, rng), "speed": shown}


def no_load_record(motor: BenchMotor, rng: np.random.Generator, rate: float = 20.0) -> dict[str, np.ndarray]:
    """Return a record in time: the supply is stepped up and down again, the rotor follows with its inertia."""
    steps = np.array([0.0, 12, 18, 24, 30, 36, 36, 27, 15])
    hold = 12.0
    times = np.arange(0.0, hold * steps.size, 1 / rate)

    def voltage(t: float) -> float:
        return float(steps[min(int(t / hold), steps.size - 1)])

    speed, current = motor.spin(voltage, times, 25.0)
    supply = np.array([voltage(t) for t in times])
    power = np.array([motor.supply_power(w, i, 25.0) for w, i in zip(speed, current, strict=True)])
    # Where the supply is off the controller takes nothing.
    amperes = np.where(supply > 0, power / np.where(supply > 0, supply, 1.0), 0.0)
    reading = BenchInstrument.drawn(rng, 2e-3, 3e-3, noise=0.01, step=2e-3)
    return {
        "time": times,
        "supply_voltage": BenchInstrument.drawn(rng, 5e-4, 2e-3, noise=0.01).read(supply, rng),
        "supply_current": reading.read(amperes, rng),
        "speed": BenchInstrument.drawn(rng, 1e-3, 0.0, noise=0.05).read(speed, rng),
    }


def coast_down_record(
    motor: BenchMotor,
    rng: np.random.Generator,
    *,
    start: float,
    added: float = 0.0,
    noise: float = 0.05,
    step: float = 0.0,
    wander: float = 0.0,
    specimens: tuple[BenchInstrument, BenchInstrument] | None = None,
) -> dict[str, np.ndarray]:
    """Return 100 readings a second from 1.5 s before the cut until after standstill, with the supply current.

    ``wander`` (rad/s) is a speed error that lasts a tenth of a second (a tachometer's eccentricity); ``specimens`` are
    tachometer and clock, where several records share them.
    """
    tacho, clock = specimens or coast_down_instruments(rng, noise, step)
    time = np.arange(0.0, 30.0, 0.01)
    speed = motor.coast(start, np.maximum(time - 1.5, 0.0), added)
    if wander:
        keep = np.exp(-0.01 / 0.1)
        drift, noises = 0.0, rng.normal(0, wander * np.sqrt(1 - keep**2), time.size)
        error = np.empty_like(time)
        for k, kick in enumerate(noises):
            drift = keep * drift + kick
            error[k] = drift
        speed = np.where(speed > 0, speed + error, 0.0)
    current = np.where(time < 1.5, 1.2, 0.03) + rng.normal(0, 0.005, time.size)
    return {"time": clock.read(time, rng), "speed": tacho.read(speed, rng), "supply_current": current}


def coast_down_instruments(
    rng: np.random.Generator, noise: float = 0.05, step: float = 0.0
) -> tuple[BenchInstrument, BenchInstrument]:
    """Draw a tachometer and a clock."""
    return BenchInstrument.drawn(rng, 1e-3, 0.0, noise=noise, step=step), BenchInstrument.drawn(rng, 5e-5, 0.0)


def knee_torque(current: np.ndarray, slope: float, knee: float, rest: float, width: float) -> np.ndarray:
    """Return torque (N m) that rises with ``slope`` and, beyond a knee (A), with ``rest`` times it."""

    def bend(x: np.ndarray | float) -> np.ndarray:
        return width * np.logaddexp(0.0, np.asarray(x) / width)

    return slope * (current - (1 - rest) * (bend(current - knee) - bend(-knee)))


def stall_table(
    rng: np.random.Generator, torque: np.ndarray, current: np.ndarray, offset: float
) -> dict[str, np.ndarray]:
    """Return torque and current readings at standstill; ``offset`` (N m) is cogging and the weight of the lever."""
    cell = BenchInstrument.drawn(rng, 3e-3, 0.02, noise=0.03)
    shunt = BenchInstrument.drawn(rng, 3e-3, 0.02, noise=0.02)
    return {"torque": cell.read(torque + offset, rng), "current_ab": shunt.read(current, rng)}
