"""A motor on its real battery, in a vehicle on a road: speeds, torques, grades and energy in steady state.

How motor and bridge turn volts and amperes into torque is a ``Drive`` (``drives``); here it meets the pack, its limits,
the controller's loss, the motor's drag and the road. Below full duty the bridge is a chopper that lets a limit on the
pack's current act as a limit on power. All values may be arrays ``(n,)``; what cannot be has no value (NaN) there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from .block_commutation import Values
from .drives import Drive, Point

#: Standard acceleration of free fall in m/s^2 (3rd CGPM, 1901).
GRAVITY = 9.80665
_ROUNDS = 40
_NUDGE = 1e-6
#: The place itself and a nudge along each unknown.
_PROBES = _NUDGE * np.array([[[0.0], [1.0], [0.0]], [[0.0], [0.0], [1.0]]])


@dataclass(frozen=True)
class Machine:
    """A motor at its output shaft: how it is fed, and its drag torque c + b w + d w^2 (N m).

    ``torque_left`` gives torque per ampere over its value at small current (saturation), for the direct current in A
    through two phases that makes the same field.
    Above ``reach`` (rad/s), the highest speed at which it was measured, the part of the drag that grows with speed
    grows ``1 + beyond`` times as fast.
    """

    drive: Drive
    coulomb: Values
    viscous: Values = 0.0
    windage: Values = 0.0
    torque_left: Callable[[Values], Values] = np.ones_like
    reach: float = math.inf
    beyond: Values = 0.0

    def drag_torque(self, speed: Values) -> Values:
        """Return friction and iron-loss torque in N m at ``speed`` >= 0 rad/s."""
        drag = self.coulomb + self.viscous * speed + self.windage * speed * speed
        if np.isfinite(self.reach):
            over = np.maximum(speed - self.reach, 0.0)
            drag = drag + self.beyond * over * (self.viscous + self.windage * (speed + self.reach))
        return drag

    def torque(self, point: Point) -> Values:
        """Return the torque of an operating point in N m, before drag."""
        return point.torque * self.torque_left(self.drive.direct(self.drive.limited(point)))


@dataclass(frozen=True)
class Controller:
    """Loss of a controller at the motor-side current I: standing + drop I + resistance I^2 (W, V, ohm).

    The three parts are those of a bridge: supply of its own circuits, voltage lost in diodes and at switching edges,
    and resistance of channels and leads.
    """

    standing: Values = 0.0
    drop: Values = 0.0
    resistance: Values = 0.0

    def loss(self, current: Values) -> Values:
        """Return the loss in W at a motor-side ``current`` >= 0 in A."""
        return self.standing + self.drop * current + self.resistance * current * current


@dataclass(frozen=True)
class Source:
    """A pack at one state of charge (V, ohm), the limits on currents (A; infinite: none) and the controller."""

    voltage: Values
    resistance: Values = 0.0
    pack_current_limit: Values = math.inf
    motor_current_limit: Values = math.inf
    controller: Controller = Controller()

    def asked(self, point: Point) -> Values:
        """Return the voltage in V that the cells must have for a point at full duty."""
        lost = self.controller
        # What the controller takes for itself comes through the pack's resistance too.
        through = point.current + lost.standing / self.voltage
        return point.voltage + lost.drop + lost.resistance * point.current + self.resistance * through

    def most_power(self) -> Values:
        """Return the power in W at the bridge that the limit on the pack's current leaves."""
        # Beyond half its voltage a pack gives less power with more current.
        with np.errstate(divide="ignore"):
            current = np.minimum(self.pack_current_limit, self.voltage / (2 * np.asarray(self.resistance, dtype=float)))
        return np.maximum((self.voltage - current * self.resistance) * current - self.controller.standing, 0.0)

    def root_power(self, point: Point) -> Values:
        """Return the root of the power at the bridge in sqrt(W), signed as the current: it grows with the load."""
        lost = self.controller
        power = point.current * (point.voltage + lost.drop + lost.resistance * point.current)
        return np.copysign(np.sqrt(np.abs(power)), point.current)


@dataclass(frozen=True)
class Load:
    """A vehicle: mass (kg), rolling resistance coefficient, drag area (m^2), rolling circumference (m)."""

    mass: Values
    rolling_resistance: Values
    drag_area: Values
    circumference: Values
    air_density: Values

    @property
    def radius(self) -> Values:
        """Return the effective rolling radius in m."""
        return self.circumference / (2 * math.pi)

    def force(self, velocity: Values, grade: Values) -> Values:
        """Return the resisting force in N at ``velocity`` (m/s) on ``grade`` (rise over run)."""
        angle = np.arctan(grade)
        rolling = self.mass * GRAVITY * self.rolling_resistance * np.cos(angle)
        climbing = self.mass * GRAVITY * np.sin(angle)
        return rolling + climbing + 0.5 * self.air_density * self.drag_area * velocity * velocity


def no_load_speed(machine: Machine, source: Source) -> Values:
    """Return the speed in rad/s at which the motor, fed at full duty, carries its own drag alone."""
    return _settled(machine, source, lambda w: 0.0 * w, source.asked, source.voltage)[0]


def road_speed(machine: Machine, source: Source, load: Load, grade: Values = 0.0) -> Values:
    """Return the steady speed in m/s on ``grade``; NaN where the drive cannot hold the vehicle there."""
    radius = load.radius

    def resisting(speed: Values) -> Values:
        return load.force(speed * radius, grade) * radius

    # Each limit leaves less torque the faster it goes, so the slowest of the speeds they allow is the one.
    speed, point = _settled(machine, source, resisting, source.asked, source.voltage)
    for of, most in _limits(machine, source):
        if np.all(of(point) <= most):
            continue
        limited = _settled(machine, source, resisting, of, most)[0]
        speed = np.where(np.isnan(limited), speed, np.fmin(speed, limited))
    holds = output_torque(machine, source, 0.0) > resisting(0.0)
    return np.where(holds, speed * radius, np.nan)[()]


def _limits(machine: Machine, source: Source) -> list[tuple[Callable[[Point], Values], Values]]:
    """Return what the limits on currents act on and leave, where there are any."""
    found: list[tuple[Callable[[Point], Values], Values]] = []
    if np.any(np.isfinite(source.motor_current_limit)):
        found.append((machine.drive.limited, source.motor_current_limit))
    if np.any(np.isfinite(source.pack_current_limit)):
        found.append((source.root_power, np.sqrt(source.most_power())))
    return found


def output_torque(machine: Machine, source: Source, speed: Values) -> Values:
    """Return the greatest torque in N m at the output at ``speed`` (rad/s), the mean over positions at standstill."""
    drive = machine.drive
    if np.ndim(speed) == 0 and speed == 0:
        lost = source.controller
        full = drive.standing_current(source.voltage - lost.drop, source.resistance + lost.resistance)
        current = np.minimum(full, source.motor_current_limit)
        if np.any(np.isfinite(source.pack_current_limit)):
            # Chopped down to what the winding's resistance asks for, the pack gives power, not voltage.
            r = drive.standing_resistance() + lost.resistance
            by_power = (np.sqrt(lost.drop**2 + 4 * r * source.most_power()) - lost.drop) / (2 * r)
            current = np.minimum(current, by_power)
        left = machine.torque_left(drive.direct(current))
        return drive.standing_torque(current) * left - machine.drag_torque(0.0)
    torque = machine.torque(drive.where(speed, source.asked, source.voltage))
    for of, most in _limits(machine, source):
        torque = np.minimum(torque, machine.torque(drive.where(speed, of, most)))
    return torque - machine.drag_torque(speed)


def grade_for_torque(torque: Values, load: Load) -> Values:
    """Return the grade (rise over run) on which ``torque`` (N m) just holds the vehicle at crawling speed.

    Weight and rolling resistance only: F = m g (sin a + c cos a). Infinite if the torque exceeds what any slope
    asks, NaN if it does not even overcome the rolling resistance on the level.
    """
    share = torque / (load.radius * load.mass * GRAVITY)
    c = load.rolling_resistance
    # sin a + c cos a = sqrt(1 + c^2) sin(a + atan c)
    sine = share / np.sqrt(1 + c * c)
    grade = np.tan(np.arcsin(np.clip(sine, -1.0, 1.0)) - np.arctan(c))
    return np.where(share < c, np.nan, np.where(sine >= 1, np.inf, grade))[()]


def holding_point(machine: Machine, load: Load, velocity: Values, grade: Values) -> Point:
    """Return the operating point that holds ``velocity`` (m/s) on ``grade``."""
    speed = velocity / load.radius
    torque = load.force(velocity, grade) * load.radius + machine.drag_torque(speed)
    return machine.drive.where(speed, machine.torque, torque)


def supply_power(
    machine: Machine, load: Load, velocity: Values, grade: Values, controller: Controller | None = None
) -> Values:
    """Return the power in W drawn from the pack's terminals to hold ``velocity`` (m/s) on ``grade``.

    Copper, friction and iron losses of the motor are included, and those of a ``controller``; for the loss inside
    the pack see ``pack_power``.
    """
    point = holding_point(machine, load, velocity, grade)
    return point.voltage * point.current + (controller.loss(point.current) if controller else 0.0)


def pack_power(delivered: Values, source: Source) -> Values:
    """Return the power in W taken from the cells so that ``delivered`` reaches the terminals.

    Solves V I - R I^2 = P for the smaller current: I = 2 P / (V + sqrt(V^2 - 4 R P)). NaN beyond the pack's greatest
    power.
    """
    root = source.voltage**2 - 4 * source.resistance * delivered
    with np.errstate(invalid="ignore"):
        return 2 * source.voltage * delivered / (source.voltage + np.sqrt(root))


def _settled(
    machine: Machine,
    source: Source,
    resisting: Callable[[Values], Values],
    of: Callable[[Point], Values],
    limit: Values,
) -> tuple[Values, Point]:
    """Return speed (rad/s) and operating point where ``of`` it is ``limit`` and its torque what resists; or NaN.

    Newton's method in speed and the drive's coordinate of load, begun where a machine without ripple and commutation
    would be; many at once, which no solver of SciPy does for two unknowns.
    """
    drive = machine.drive
    near = 0.7 * source.voltage / drive.emf_dc()
    stalled = source.voltage / drive.line_resistance()
    # Some current is needed for a scale, even where nothing resists.
    current = (machine.drag_torque(near) + resisting(near)) / drive.emf_dc() + 1e-3 * stalled
    shape = np.broadcast_shapes(np.shape(near), np.shape(current), np.shape(limit))
    flat = tuple(np.atleast_1d(np.broadcast_to(x, shape)) for x in (near, current, limit))
    scale = np.stack([flat[0], np.broadcast_to(drive.coordinate(flat[0], flat[1]), flat[0].shape)])
    size = np.stack([np.abs(flat[2]), np.broadcast_to(np.abs(drive.emf_dc() * flat[1]), flat[1].shape)])

    def missed(place: np.ndarray) -> np.ndarray:
        """Return how far both conditions are missed at ``place`` in units of ``scale``, both ``(2, 3, n)``."""
        speed, coordinate = place * scale[:, None]
        point = drive.point(speed, coordinate)
        torque = machine.torque(point) - machine.drag_torque(speed) - resisting(speed)
        return np.stack([of(point) - flat[2], torque]) / size[:, None]

    with np.errstate(all="ignore"):
        place = _newton(missed, np.ones_like(scale))
        speed, coordinate = (x.reshape(shape)[()] for x in place * scale)
        point = drive.point(speed, coordinate)
        if not np.any(np.isnan(speed)):
            return speed, point
        return _bracketed(machine, resisting, of, limit, speed, source.voltage / drive.emf_dc())


def _bracketed(
    machine: Machine,
    resisting: Callable[[Values], Values],
    of: Callable[[Point], Values],
    limit: Values,
    speed: Values,
    ideal: Values,
) -> tuple[Values, Point]:
    """Return the speeds of ``_settled`` where Newton's method went astray (NaN in ``speed``), each sought in a bracket.

    Late switching at small load makes the current's way to the next phase no smooth function of the load.
    """
    from scipy.optimize.elementwise import find_root

    at = np.atleast_1d(np.asarray(speed, dtype=float)).copy()
    lost = np.flatnonzero(np.isnan(at))
    top = np.broadcast_to(ideal, at.shape)
    tried = np.where(np.isnan(at), 0.5 * top, at)

    def surplus(places: np.ndarray, k: np.ndarray) -> np.ndarray:
        tried[k] = places
        point = machine.drive.where(tried, of, limit)
        return np.asarray(machine.torque(point) - machine.drag_torque(tried) - resisting(tried))[k]

    try:
        found = find_root(surplus, (0.05 * top[lost], 1.3 * top[lost]), args=(lost,), tolerances={"xrtol": 1e-12})
        at[lost] = np.where(found.success, found.x, np.nan)
        tried[lost] = np.where(found.success, found.x, 0.5 * top[lost])
        point = machine.drive.where(tried, of, limit)
    except FitError:  # at some speed no operating point fits: the speed stays unknown
        nothing = np.full(at.shape, np.nan)
        point = Point(nothing, nothing, nothing, nothing)
    return at.reshape(np.shape(speed))[()], point


def _newton(missed: Callable[[np.ndarray], np.ndarray], place: np.ndarray) -> np.ndarray:
    """Return where both of ``missed`` are zero, from ``place`` ``(2, n)``; NaN where that is not found above zero."""
    for _ in range(_ROUNDS):
        at = missed(place[:, None] + _PROBES)
        (a, b), (c, d) = (at[:, 1:] - at[:, :1]) / _NUDGE
        first, second = at[:, 0]
        step = np.stack([d * first - b * second, a * second - c * first]) / (a * d - b * c)
        place = place - np.clip(step, -0.4, 0.4)
        if not np.any(np.abs(step) > 1e-12):
            break
    left = np.abs(missed(place[:, None] + 0 * _PROBES)[:, 0]).max(axis=0)
    return np.where((left < 1e-9) & (place[0] > 0), place, np.nan)
