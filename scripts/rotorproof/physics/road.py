"""A motor on its real battery, in a vehicle on a road: speeds, torques, grades and energy in steady state.

The drive is a six-step bridge seen from its DC side: at full duty the pack feeds two phases in series, so
``V = Ke w + I (R_line + R_pack)`` with ``Ke`` the DC EMF constant and ``T = Ke I`` (power balance); below full duty
the bridge is a chopper that lets a limit on the pack's current act as a limit on power. It is lossless unless a
``Controller`` says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from ..errors import FitError

#: Standard acceleration of free fall in m/s^2 (3rd CGPM, 1901).
GRAVITY = 9.80665


@dataclass(frozen=True)
class Machine:
    """A motor at its output shaft: EMF constant (V s/rad), line resistance (ohm), drag torque c + b w + d w^2."""

    emf_constant: float
    line_resistance: float
    coulomb: float
    viscous: float = 0.0
    windage: float = 0.0

    def drag_torque(self, speed: float) -> float:
        """Return friction and iron-loss torque in N m at ``speed`` >= 0 rad/s."""
        return self.coulomb + self.viscous * speed + self.windage * speed * speed


@dataclass(frozen=True)
class Controller:
    """Loss of a controller at the motor-side current I: standing + drop I + resistance I^2 (W, V, ohm).

    The three parts are those of a bridge: supply of its own circuits, voltage lost in diodes and at switching edges,
    and resistance of channels and leads.
    """

    standing: float = 0.0
    drop: float = 0.0
    resistance: float = 0.0

    def loss(self, current: float) -> float:
        """Return the loss in W at a motor-side ``current`` >= 0 in A."""
        return self.standing + self.drop * current + self.resistance * current * current


@dataclass(frozen=True)
class Source:
    """A pack at one state of charge (V, ohm), the limits on currents (A; infinite: none) and the controller."""

    voltage: float
    resistance: float = 0.0
    pack_current_limit: float = math.inf
    motor_current_limit: float = math.inf
    controller: Controller = Controller()


@dataclass(frozen=True)
class Load:
    """A vehicle: mass (kg), rolling resistance coefficient, drag area (m^2), rolling circumference (m)."""

    mass: float
    rolling_resistance: float
    drag_area: float
    circumference: float
    air_density: float

    @property
    def radius(self) -> float:
        """Return the effective rolling radius in m."""
        return self.circumference / (2 * math.pi)

    def force(self, velocity: float, grade: float) -> float:
        """Return the resisting force in N at ``velocity`` (m/s) on ``grade`` (rise over run)."""
        angle = math.atan(grade)
        rolling = self.mass * GRAVITY * self.rolling_resistance * math.cos(angle)
        climbing = self.mass * GRAVITY * math.sin(angle)
        return rolling + climbing + 0.5 * self.air_density * self.drag_area * velocity * velocity


def no_load_speed(machine: Machine, source: Source) -> float:
    """Return the speed in rad/s at which the motor, fed at full duty, carries its own drag alone."""
    return _crossing(
        lambda w: voltage_limited_current(machine, source, w) * machine.emf_constant - machine.drag_torque(w),
        0.0,
        source.voltage / machine.emf_constant,
        "the pack cannot turn the motor against its own friction",
    )


def voltage_limited_current(machine: Machine, source: Source, speed: float) -> float:
    """Return the motor current in A at full duty (negative above the speed where the EMF exceeds the pack)."""
    lost = source.controller
    # What the controller takes for itself comes through the pack's resistance too.
    voltage = source.voltage - source.resistance * lost.standing / source.voltage - lost.drop
    resistance = machine.line_resistance + source.resistance + lost.resistance
    return (voltage - machine.emf_constant * speed) / resistance


def available_current(machine: Machine, source: Source, speed: float) -> float:
    """Return the largest motor current in A that voltage, pack current limit and motor current limit allow."""
    current = min(voltage_limited_current(machine, source, speed), source.motor_current_limit)
    if math.isfinite(source.pack_current_limit) and current > 0:
        terminal = source.voltage - source.pack_current_limit * source.resistance
        lost = source.controller
        power = max(max(terminal, 0.0) * source.pack_current_limit - lost.standing, 0.0)
        emf = machine.emf_constant * speed + lost.drop
        resistance = machine.line_resistance + lost.resistance
        # Chopper: motor and controller take R I^2 + E I = P; the positive root.
        by_power = (math.sqrt(emf * emf + 4 * resistance * power) - emf) / (2 * resistance)
        # Below full duty the supply current is the duty times the motor current: the limit binds only if reached.
        current = min(current, by_power)
    return current


def output_torque(machine: Machine, source: Source, speed: float) -> float:
    """Return the greatest torque in N m at the output at ``speed`` (rad/s)."""
    return machine.emf_constant * available_current(machine, source, speed) - machine.drag_torque(speed)


def road_speed(machine: Machine, source: Source, load: Load, grade: float = 0.0) -> float:
    """Return the steady speed in m/s on ``grade``.

    Raises ``FitError`` if the drive cannot hold the vehicle there.
    """
    radius = load.radius

    def surplus(velocity: float) -> float:
        return output_torque(machine, source, velocity / radius) - load.force(velocity, grade) * radius

    return _crossing(
        surplus,
        0.0,
        no_load_speed(machine, source) * radius,
        f"the drive cannot hold this vehicle on a grade of {100 * grade:.3g} %",
    )


def grade_for_torque(torque: float, load: Load) -> float:
    """Return the grade (rise over run) on which ``torque`` (N m) just holds the vehicle at crawling speed.

    Weight and rolling resistance only: F = m g (sin a + c cos a). Infinite if the torque exceeds what any slope
    asks. Raises ``FitError`` if it does not even overcome the rolling resistance on the level.
    """
    share = torque / (load.radius * load.mass * GRAVITY)
    c = load.rolling_resistance
    if share < c:
        raise FitError("the torque does not overcome the rolling resistance on the level")
    # sin a + c cos a = sqrt(1 + c^2) sin(a + atan c)
    sine = share / math.sqrt(1 + c * c)
    if sine >= 1:
        return math.inf
    return math.tan(math.asin(sine) - math.atan(c))


def holding_current(machine: Machine, load: Load, velocity: float, grade: float) -> float:
    """Return the motor current in A that holds ``velocity`` (m/s) on ``grade``."""
    torque = load.force(velocity, grade) * load.radius + machine.drag_torque(velocity / load.radius)
    return torque / machine.emf_constant


def supply_power(
    machine: Machine, load: Load, velocity: float, grade: float, controller: Controller | None = None
) -> float:
    """Return the power in W drawn from the pack's terminals to hold ``velocity`` (m/s) on ``grade``.

    Copper, friction and iron losses of the motor are included, and those of a ``controller``; for the loss inside
    the pack see ``pack_power``.
    """
    current = holding_current(machine, load, velocity, grade)
    emf = machine.emf_constant * velocity / load.radius
    own = emf * current + machine.line_resistance * current * current
    return own + (controller.loss(current) if controller else 0.0)


def pack_power(delivered: float, source: Source) -> float:
    """Return the power in W taken from the cells so that ``delivered`` reaches the terminals.

    Solves V I - R I^2 = P for the smaller current. Raises ``FitError`` beyond the pack's greatest power.
    """
    if source.resistance == 0:
        return delivered
    root = source.voltage**2 - 4 * source.resistance * delivered
    if root < 0:
        raise FitError("the pack cannot deliver this power")
    return source.voltage * (source.voltage - math.sqrt(root)) / (2 * source.resistance)


def _crossing(surplus: Callable[[float], float], low: float, high: float, failure: str) -> float:
    """Return where a falling function crosses zero between ``low`` and ``high``."""
    from scipy.optimize import brentq

    if surplus(low) <= 0:
        raise FitError(failure)
    return float(brentq(surplus, low, high, xtol=1e-12, rtol=1e-13))
