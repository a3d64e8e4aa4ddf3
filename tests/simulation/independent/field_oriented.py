"""The motor under a field-oriented drive: sinusoidal currents across the magnets, in the two axes, at steady state.

i_d is zero. Up to the voltage limit the current follows the torque; at the limit the torque is what the voltage
leaves (no field weakening). The limit of the phase voltage's amplitude is the bus over root 3 with space-vector
modulation and half the bus with plain sine modulation, less what the switches take. EMF harmonics drive currents that
the current controller is taken to suppress. Power is balanced: bus power = 3/2 (v_d i_d + v_q i_q) + conduction +
switching + standby.

    v_d = -w L_q i_q,   v_q = R i_q + w s psi,   T = 3/2 ratio s psi i_q,   s = (1 + (i/knee)^2)^(-1/2)

Sources, from memory: Krause, Wasynczuk, Sudhoff, "Analysis of Electric Machinery" (two axes, amplitudes kept); Mohan,
"Advanced Electric Drives" (limits of the modulations).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from tests.simulation.independent.machine import Controller, Motor

MODULATION = {"space-vector": 1 / np.sqrt(3), "sine": 0.5}
"""Greatest amplitude of the phase voltage over the bus voltage."""


@dataclass(frozen=True)
class Vector:
    """One steady state: output speed rad/s, output torque N m, current_q A (peak), voltages V (peak), bus power W."""

    speed: float
    torque: float
    current_q: float
    voltage_d: float
    voltage_q: float
    power: float
    copper: float

    @property
    def amplitude(self) -> float:
        """Amplitude of the phase voltage, V."""
        return float(np.hypot(self.voltage_d, self.voltage_q))


def torque_of(motor: Motor, current_q: float, magnets: float) -> float:
    """Air-gap torque at the output in N m under `current_q` A, magnets at a temperature in degC."""
    flux = motor.waveform.fundamental() * float(motor.magnets(magnets))
    return float(1.5 * motor.ratio * flux * current_q / np.hypot(1.0, current_q / motor.knee))


def at_torque(
    motor: Motor, controller: Controller, *, speed: float, torque: float, bus: float, winding: float, magnets: float
) -> Vector:
    """Steady state at an output speed and torque, were the voltage enough. Raises ArithmeticError where saturation
    forbids."""
    share = float(motor.magnets(magnets))
    drag = float(motor.drag.torque(np.array(speed), 3600.0, share))
    drag += float(motor.circulating(np.array(speed), winding, share))
    inner = (torque + drag) / motor.mesh
    most = 20 * motor.knee
    if torque_of(motor, most, magnets) < inner:
        raise ArithmeticError(f"{inner:.3g} N m is more than the motor gives at any current")
    current = float(brentq(lambda i: torque_of(motor, i, magnets) - inner, -1.0, most, xtol=1e-10))
    ohms = float(motor.resistances(winding).mean()) + controller.switch
    w = speed * motor.ratio
    emf = w * motor.waveform.fundamental() * share / np.hypot(1.0, current / motor.knee)
    v_d, v_q = -w * motor.inductance_q * current, ohms * current + emf
    # Each of three legs switches the mean of its rectified sine, 2/pi of the peak.
    switching = 3 * controller.switching * controller.frequency * bus * 2 / np.pi * abs(current)
    power = 1.5 * (v_q * current) + switching + float(controller.standby(bus))
    copper = 1.5 * current**2 * float(motor.resistances(winding).mean())
    return Vector(speed, torque, current, v_d, v_q, power, copper)


def limit_speed(
    motor: Motor,
    controller: Controller,
    *,
    voltage: float,
    source: float,
    load: float,
    load_square: float,
    winding: float,
    magnets: float,
    modulation: str = "space-vector",
    supply_limit: float = np.inf,
) -> float:
    """Highest output speed in rad/s on a source (V, ohm) with the load torque load + load_square speed^2.

    Where the voltage's or the supply current's limit is reached; the source sags by its resistance.
    """

    def room(speed: float) -> float:
        bus = voltage
        for _ in range(30):
            state = at_torque(
                motor,
                controller,
                speed=speed,
                torque=load + load_square * speed**2,
                bus=bus,
                winding=winding,
                magnets=magnets,
            )
            bus = voltage - source * state.power / bus
        return min(MODULATION[modulation] * bus - state.amplitude, (supply_limit - state.power / bus) * 0.1)

    top = 1.2 * voltage / (motor.waveform.fundamental() * motor.ratio)
    # The sag of the bus has no solution far above the limit: come from below.
    low, high = 0.05 * top, 0.05 * top
    while high < top and room(high) > 0:
        low, high = high, high * 1.05
    return float(brentq(room, low, high, xtol=1e-8))
