"""A motor with its bearings, iron and winding on the invented bench: what spins, brakes and heats it.

Friction is Coulomb, Stribeck, viscous and air drag; iron loss is hysteresis (power over speed) and eddy current (power
over speed squared); the winding's resistance follows its temperature. Speeds come from integrating the equations of
motion, not from the formulas that the fits use.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq


@dataclass(frozen=True)
class BenchMotor:
    """An invented motor, SI: constants of the machine and of the bridge that feeds it.

    ``emf`` is the mean line-to-line back-EMF of the conducting pair over mechanical speed. ``ripple`` is the extra
    mean square of the current over its squared mean, from commutation.
    """

    resistance: float = 0.110  # phase, 20 degC
    emf: float = 0.95
    coulomb: float = 0.30
    hysteresis: float = 0.12
    viscous: float = 0.006
    eddy: float = 0.005
    drag: float = 0.0
    stribeck: float = 0.10
    stribeck_speed: float = 0.8
    inertia: float = 0.048
    standby: float = 1.1
    switch_drop: float = 0.02
    ripple: float = 0.02
    saturation: float = 400.0

    def resistance_at(self, temperature: float) -> float:
        """Return the phase resistance of copper at a temperature in degC."""
        return self.resistance * (1 + 0.00393 * (temperature - 20.0))

    def friction(self, speed: float) -> float:
        """Return the torque (N m) of bearings, air and iron at a positive speed (rad/s)."""
        sticking = self.stribeck * np.exp(-((speed / self.stribeck_speed) ** 2))
        mechanical = self.coulomb + sticking + self.viscous * speed + self.drag * speed**2
        return float(mechanical + self.hysteresis + self.eddy * speed)

    def torque(self, current: float) -> float:
        """Return the air-gap torque (N m) at a DC current (A): the iron saturates smoothly."""
        return float(self.emf * current / (1 + (abs(current) / self.saturation) ** 3) ** (1 / 3))

    def steady(self, voltage: float, temperature: float, load: float = 0.0) -> tuple[float, float]:
        """Return speed (rad/s) and motor current (A) at a voltage across the conducting pair and a load torque."""

        def current_for(speed: float) -> float:
            need = load + self.friction(speed)
            return float(brentq(lambda i: self.torque(i) - need, 0.0, 0.99 * self.saturation))

        def surplus(speed: float) -> float:
            drop = 2 * self.resistance_at(temperature) * current_for(speed) + self.switch_drop
            return voltage - drop - self.emf * speed

        speed = float(brentq(surplus, 1e-3, voltage / self.emf))
        return speed, current_for(speed)

    def supply_power(self, speed: float, current: float, temperature: float) -> float:
        """Return the DC power (W) taken at a steady point."""
        copper = 2 * self.resistance_at(temperature) * current**2 * (1 + self.ripple)
        return self.torque(current) * speed + copper + self.switch_drop * current + self.standby

    def coast(self, speed: float, times: np.ndarray, added_inertia: float = 0.0) -> np.ndarray:
        """Return the speed ``(n,)`` at ``times`` after the power is cut at ``speed``; it stays zero once stopped."""

        def slower(_: float, w: np.ndarray) -> list[float]:
            return [-self.friction(max(float(w[0]), 0.0)) / (self.inertia + added_inertia)]

        def stopped(_: float, w: np.ndarray) -> float:
            return float(w[0])

        stopped.terminal = True  # type: ignore[attr-defined]
        done = solve_ivp(
            slower, (times[0], times[-1]), [speed], dense_output=True, events=stopped, rtol=1e-9, atol=1e-9
        )
        still = times > done.t[-1]
        return np.where(still, 0.0, done.sol(np.minimum(times, done.t[-1]))[0])

    def spin(
        self, voltage: Callable[[float], float], times: np.ndarray, temperature: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return speed and motor current ``(n,)`` while the voltage follows ``voltage(t)``, from standstill.

        The current follows the voltage at once (its time constant is a millisecond) and never flows backwards.
        """
        r = 2 * self.resistance_at(temperature)

        def current(t: float, speed: float) -> float:
            return max(0.0, (voltage(t) - self.switch_drop - self.emf * speed) / r)

        def change(t: float, state: np.ndarray) -> list[float]:
            speed = float(state[0])
            friction = self.friction(abs(speed)) * np.tanh(speed / 0.05)
            return [(self.torque(current(t, speed)) - friction) / self.inertia]

        done = solve_ivp(
            change, (times[0], times[-1]), [0.0], t_eval=times, method="LSODA", rtol=1e-6, atol=1e-6, max_step=1.0
        )
        speed = done.y[0]
        return speed, np.array([current(t, w) for t, w in zip(times, speed, strict=True)])
