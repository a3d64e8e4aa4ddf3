"""A motor on its real battery, in a vehicle on a road: speeds, torques, grades and energy in steady state.

How motor and bridge turn volts and amperes into torque is a ``Drive`` (``drives``); here it meets the pack, its limits,
the controller's loss, the motor's drag and the road. Below full duty the bridge is a chopper that lets a limit on the
pack's current act as a limit on power. All values may be arrays ``(n,)``; what cannot be has no value (NaN) there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from ..errors import FitError
from .block_commutation import Values
from .drives import Drive, Point

#: Standard acceleration of free fall in m/s^2 (3rd CGPM, 1901).
GRAVITY = 9.80665
_ROUNDS = 40
_NUDGE = 1e-6
#: How far both conditions of a steady state may be missed, over their sizes.
_LEFT = 1e-9
#: Where a search in a bracket begins and ends, over the ideal speed: a limit may hold a vehicle to a crawl.
_SLOWEST, _FASTEST = 1e-5, 1.3
#: Rounds of Newton's method, and the nudge by which it takes a slope, for the EMF that a current leaves.
_BENT_ROUNDS, _BENT_NUDGE = 4, 1e-5
#: The place itself and a nudge along each unknown.
_PROBES = _NUDGE * np.array([[[0.0], [1.0], [0.0]], [[0.0], [0.0], [1.0]]])


@dataclass(frozen=True)
class Machine:
    """A motor at its output shaft: how it is fed, and its drag torque c + b w + d w^2 (N m).

    ``torque_left`` gives torque per ampere over its value at small current (saturation), for the direct current in A
    through two phases that makes the same field; one that holds arrays is a dataclass of them, since they are solved
    a part at a time. A gear passes on the share ``passed`` of the torque.
    Above ``reach`` (rad/s), the highest speed at which it was measured, the part of the drag that grows with speed
    grows ``1 + beyond`` times as fast.
    """

    drive: Drive
    coulomb: Values
    viscous: Values = 0.0
    windage: Values = 0.0
    torque_left: Callable[[Values], Values] = np.ones_like
    passed: Values = 1.0
    reach: float = math.inf
    beyond: Values = 0.0

    def drag_torque(self, speed: Values) -> Values:
        """Return friction and iron-loss torque in N m at ``speed`` >= 0 rad/s."""
        drag = self.coulomb + self.viscous * speed + self.windage * speed * speed
        if np.isfinite(self.reach):
            over = np.maximum(speed - self.reach, 0.0)
            drag = drag + self.beyond * over * (self.viscous + self.windage * (speed + self.reach))
        return drag

    def point(self, speed: Values, coordinate: Values) -> Point:
        """Return the operating point at ``speed`` (rad/s) and this coordinate of the drive, as saturation leaves it."""
        return self._bent(self.drive.point(speed, coordinate))

    def where(self, speed: Values, of: Callable[[Point], Values], target: Values) -> Point:
        """Return the operating point at ``speed`` in which ``of`` it, growing with the load, is ``target``."""
        return self._bent(self.drive.where(speed, lambda point: of(self._bent(point)), target))

    def torque(self, point: Point) -> Values:
        """Return the torque of an operating point in N m, before drag."""
        return point.torque * self.passed

    def standing_torque(self, current: Values) -> Values:
        """Return the torque in N m at standstill with this limited ``current`` (A), before drag."""
        drive = self.drive
        return drive.standing_torque(current) * self.torque_left(drive.direct(current)) * self.passed

    def _bent(self, point: Point) -> Point:
        """Return a point of the unsaturated machine as it is with the EMF that its own current leaves.

        What torque loses EMF loses too, since their powers are the same (power balance). With a smaller EMF voltages
        and currents of a point are smaller alike, and torque by the square. The share s left by the current s i is
        sought in its logarithm, where the equation is all but a straight line.
        """
        current = self.drive.direct(point.limited)
        log = np.log(self.torque_left(current))
        if not np.any(log):
            return point
        for _ in range(_BENT_ROUNDS):
            smaller = current * np.exp(log)
            left, beyond = np.log(self.torque_left(smaller)), np.log(self.torque_left(smaller * (1 + _BENT_NUDGE)))
            log = log - (log - left) / (1 - (beyond - left) / _BENT_NUDGE)
        share = np.exp(log)
        return Point(
            point.voltage * share,
            point.current * share,
            point.torque * share**2,
            point.limited * share,
            point.heating * share,
        )


@dataclass(frozen=True)
class Controller:
    """Loss of a controller at the motor-side current I: standing + (drop + edges) I + resistance I^2 (W, V, ohm).

    The parts are those of a bridge: supply of its own circuits, voltage lost in diodes and at switching edges, and
    resistance of channels and leads. ``edges`` (V) is what chopping adds: below full duty only, since at full duty
    no leg switches but from sector to sector.
    """

    standing: Values = 0.0
    drop: Values = 0.0
    resistance: Values = 0.0
    edges: Values = 0.0

    @property
    def chopped_drop(self) -> Values:
        """Return the voltage in V lost below full duty, whatever the current."""
        return self.drop + self.edges

    def loss(self, current: Values) -> Values:
        """Return the loss in W below full duty at a motor-side ``current`` >= 0 in A."""
        return self.standing + self.chopped_drop * current + self.resistance * current * current


@dataclass(frozen=True)
class Source:
    """A pack at one state of charge (V, ohm), the limits on currents (A; infinite: none) and the controller.

    ``limit_by_heat`` says what of a current with ripple the limit on the motor's current acts on: 0 its mean, 1 the
    direct current that heats as much (``Point.heating``), a share of the way between.
    """

    voltage: Values
    resistance: Values = 0.0
    pack_current_limit: Values = math.inf
    motor_current_limit: Values = math.inf
    controller: Controller = Controller()
    limit_by_heat: Values = 0.0

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
        power = point.current * (point.voltage + lost.chopped_drop + lost.resistance * point.current)
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
    return _settled(_Sought(machine, source, _voltage, source.voltage))[0]


def road_speed(machine: Machine, source: Source, load: Load, grade: Values = 0.0) -> Values:
    """Return the steady speed in m/s on ``grade``; NaN where none was found.

    There is none where the drive cannot hold the vehicle, which ``holds`` tells.
    """
    sought = _Sought(machine, source, _voltage, source.voltage, load, grade)
    shape = np.broadcast_shapes(*{np.shape(array) for array in _arrays(sought)})
    held = np.broadcast_to(holds(machine, source, load, grade), shape)
    found = np.full(shape, np.nan)
    # A search for what is not there takes longest of all.
    if held.any():
        those = sought if held.all() else _chosen(sought, np.flatnonzero(held))
        found[held] = _held_speed(those) * _chosen(load, np.flatnonzero(held)).radius
    return found[()]


def _held_speed(sought: _Sought) -> Values:
    """Return the speed in rad/s of ``road_speed`` where the drive holds the vehicle."""
    machine, source = sought.machine, sought.source
    speed, point = _settled(sought)
    # Each limit leaves less torque the faster it goes, so the slowest of the speeds they allow is the one.
    for of, most in _limits(machine, source):
        limited = replace(sought, of=of, most=most)
        over = ~(limited.reached(point) <= most)
        slower = np.full(np.shape(speed), np.nan)
        if np.any(over):
            slower[over] = _settled(_chosen(limited, np.flatnonzero(over)))[0]
        # Where a limit binds, a speed without it is none: better no value than one the drive never reaches.
        speed = np.where(over & np.isnan(slower), np.nan, np.fmin(speed, slower))
    return speed


def holds(machine: Machine, source: Source, load: Load, grade: Values = 0.0) -> Values:
    """Return whether the greatest torque moves the vehicle on ``grade`` at all."""
    return output_torque(machine, source, 0.0) > load.force(0.0, grade) * load.radius


def _limits(machine: Machine, source: Source) -> list[tuple[Of, Values]]:
    """Return what the limits on currents act on and leave, where there are any."""
    found: list[tuple[Of, Values]] = []
    if np.any(np.isfinite(source.motor_current_limit)):
        found.append((motor_current, source.motor_current_limit))
    if np.any(np.isfinite(source.pack_current_limit)):
        found.append((_root_power, np.sqrt(source.most_power())))
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
            r, drop = drive.standing_resistance() + lost.resistance, lost.chopped_drop
            by_power = (np.sqrt(drop**2 + 4 * r * source.most_power()) - drop) / (2 * r)
            current = np.minimum(current, by_power)
        return machine.standing_torque(current) - machine.drag_torque(0.0)
    torque = machine.torque(machine.where(speed, source.asked, source.voltage))
    for of, most in _limits(machine, source):
        limited = machine.where(speed, partial(of, machine, source), most)
        torque = np.minimum(torque, machine.torque(limited))
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
    """Return the operating point that holds ``velocity`` v (m/s) on ``grade``.

    It is that at the speed v/r (rad/s) with the torque F(v, grade) r + drag(v/r) (N m); F is the road's
    (``Load.force``).
    """
    speed = velocity / load.radius
    torque = load.force(velocity, grade) * load.radius + machine.drag_torque(speed)
    return machine.where(speed, machine.torque, torque)


def supply_power(
    machine: Machine, load: Load, velocity: Values, grade: Values, controller: Controller | None = None
) -> Values:
    """Return the power in W drawn from the pack's terminals to hold ``velocity`` (m/s) on ``grade``.

    Copper, friction and iron losses of the motor are included, and those of a ``controller``: V I + loss(I) with V and
    I of ``holding_point``; for the loss inside the pack see ``pack_power``.
    """
    point = holding_point(machine, load, velocity, grade)
    return point.voltage * point.current + (controller.loss(point.current) if controller else 0.0)


def through(power: Values, efficiency: Values) -> Values:
    """Return the power in W before what passes on this share of it: on a descent, where it flows back, less comes."""
    return np.where(np.asarray(power) > 0, power / efficiency, power * efficiency)[()]


def pack_power(delivered: Values, source: Source) -> Values:
    """Return the power in W taken from the cells so that ``delivered`` reaches the terminals.

    Solves V I - R I^2 = P for the smaller current: I = 2 P / (V + sqrt(V^2 - 4 R P)). NaN beyond the pack's greatest
    power.
    """
    root = source.voltage**2 - 4 * source.resistance * delivered
    with np.errstate(invalid="ignore"):
        return 2 * source.voltage * delivered / (source.voltage + np.sqrt(root))


Of = Callable[[Machine, Source, Point], Values]
"""What of an operating point a limit acts on; it grows with the load."""


def _voltage(machine: Machine, source: Source, point: Point) -> Values:
    del machine
    return source.asked(point)


def motor_current(machine: Machine, source: Source, point: Point) -> Values:
    """Return the current of the motor in A that its limit acts on, from the mean to what heats as much."""
    heating = np.copysign(machine.drive.from_direct(point.heating), point.limited)
    return point.limited + source.limit_by_heat * (heating - point.limited)


def _root_power(machine: Machine, source: Source, point: Point) -> Values:
    del machine
    return source.root_power(point)


@dataclass(frozen=True)
class _Sought:
    """A steady state in which ``of`` the operating point is ``most`` and its torque what resists.

    Without a ``load`` the motor carries its own drag alone.
    """

    machine: Machine
    source: Source
    of: Of
    most: Values
    load: Load | None = None
    grade: Values = 0.0

    def resisting(self, speed: Values) -> Values:
        """Return the torque in N m that the road asks for at ``speed`` (rad/s of the shaft)."""
        if self.load is None:
            return 0.0 * speed
        return self.load.force(speed * self.load.radius, self.grade) * self.load.radius

    def reached(self, point: Point) -> Values:
        """Return what the limit acts on."""
        return self.of(self.machine, self.source, point)

    def surplus(self, speed: Values, point: Point) -> Values:
        """Return the torque in N m that is left to accelerate."""
        return self.machine.torque(point) - self.machine.drag_torque(speed) - self.resisting(speed)


def _settled(sought: _Sought) -> tuple[Values, Point]:
    """Return speed (rad/s) and operating point of the steady state sought; NaN where there is none.

    Newton's method in speed and the drive's coordinate of load, begun where a machine without ripple and commutation
    would be; many at once, which no solver of SciPy does for two unknowns.
    """
    shape = np.broadcast_shapes(*{np.shape(array) for array in _arrays(sought)})
    with np.errstate(all="ignore"):
        scale, size = _sizes(sought, shape or (1,))
        place = _newton(sought, scale, size)
        speed, coordinate = place * scale
        point = sought.machine.point(speed, coordinate)
        left = np.stack([sought.reached(point) - sought.most, sought.surplus(speed, point)]) / size
        lost = np.flatnonzero(~((np.abs(left).max(axis=0) < _LEFT) & (place[0] > 0)))
        speed[lost] = np.nan
        if lost.size:
            those = _chosen(sought, lost)
            speed[lost], found = _bracketed(those, np.broadcast_to(_ideal(those), lost.shape))
            parts = tuple(np.broadcast_to(part, speed.shape).copy() for part in point)
            for part, again in zip(parts, found, strict=True):
                part[lost] = again
            point = Point(*parts)
    return speed.reshape(shape)[()], Point(*(np.asarray(part).reshape(shape)[()] for part in point))


def _ideal(sought: _Sought) -> Values:
    """Return the speed (rad/s) of a machine without drag and commutation."""
    return sought.source.voltage / sought.machine.drive.emf_dc()


def _sizes(sought: _Sought, shape: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return where a search begins, in speed and coordinate, and the sizes of what is to be met, each ``(2, n)``."""
    drive, near = sought.machine.drive, 0.7 * _ideal(sought)
    # Some current is needed for a scale, even where nothing resists.
    stalled = sought.source.voltage / drive.line_resistance()
    current = (sought.machine.drag_torque(near) + sought.resisting(near)) / drive.emf_dc() + 1e-3 * stalled
    begin = (near, drive.coordinate(near, current))
    size = (np.abs(sought.most), np.abs(drive.emf_dc() * current))
    first, second = (np.stack([np.broadcast_to(x, shape) for x in pair]) for pair in (begin, size))
    return first, second


def _newton(sought: _Sought, scale: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Return the place ``(2, n)`` in units of ``scale`` where Newton's method ends; it may be no solution, or NaN.

    ``size`` ``(2, n)`` is that of both conditions. Those that have arrived are followed no further.
    """
    place, going, those = np.ones_like(scale), np.arange(scale.shape[1]), sought
    for _ in range(_ROUNDS):
        probes = place[:, None, going] + _PROBES
        speed, coordinate = probes * scale[:, None, going]
        point = those.machine.point(speed, coordinate)
        at = np.stack([those.reached(point) - those.most, those.surplus(speed, point)]) / size[:, None, going]
        (a, b), (c, d) = (at[:, 1:] - at[:, :1]) / _NUDGE
        first, second = at[:, 0]
        step = np.stack([d * first - b * second, a * second - c * first]) / (a * d - b * c)
        place[:, going] -= np.clip(step, -0.4, 0.4)
        left = np.any(np.abs(step) > 1e-12, axis=0)
        if not left.any():
            break
        if not left.all():
            going = going[left]
            those = _chosen(sought, going)
    return place


def _bracketed(sought: _Sought, ideal: np.ndarray) -> tuple[np.ndarray, Point]:
    """Return speeds ``(n,)`` and points of ``_settled`` where Newton's method went astray, each sought in a bracket.

    Late switching at small load makes the current's way to the next phase no smooth function of the load.
    """
    from scipy.optimize.elementwise import find_root

    def point(those: _Sought, speed: np.ndarray) -> Point:
        try:
            return those.machine.where(speed, those.reached, those.most)
        except FitError:  # at none of these speeds an operating point fits: the speeds stay unknown
            return Point(*(np.full(speed.shape, np.nan) for _ in Point._fields))

    def surplus(speed: np.ndarray, places: np.ndarray) -> np.ndarray:
        those = _chosen(sought, places)
        return np.asarray(those.surplus(speed, point(those, speed)))

    places = np.arange(ideal.size)
    found = find_root(surplus, (_SLOWEST * ideal, _FASTEST * ideal), args=(places,), tolerances={"xrtol": 1e-12})
    there = np.where(found.success, found.x, np.nan)
    return there, point(sought, np.where(found.success, found.x, 0.5 * ideal))


def _arrays(tree: Any) -> Iterator[np.ndarray]:
    """Return all arrays in a tree of dataclasses and mappings."""
    if isinstance(tree, np.ndarray):
        yield tree
    elif isinstance(tree, Mapping):
        for value in tree.values():
            yield from _arrays(value)
    elif is_dataclass(tree):
        for part in fields(tree):
            yield from _arrays(getattr(tree, part.name))


def _chosen(tree: Any, places: np.ndarray) -> Any:
    """Return a tree of dataclasses and mappings with the arrays ``(n,)`` in it cut down to ``places``."""
    if isinstance(tree, np.ndarray):
        return tree[places] if tree.size > 1 else tree
    if isinstance(tree, Mapping):
        return {key: _chosen(value, places) for key, value in tree.items()}
    if is_dataclass(tree) and not isinstance(tree, type):
        return replace(tree, **{part.name: _chosen(getattr(tree, part.name), places) for part in fields(tree)})
    return tree
