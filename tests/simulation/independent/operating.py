"""Steady operating points of motor, six-step controller and supply: where torque and voltage balance.

Nothing here knows a formula for torque or speed: each point is found by a root search in which every trial solves the
bridge in time (`bridge.periodic`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.simulation.independent.bridge import Points, Turn, periodic
from tests.simulation.independent.machine import SENSOR_EDGES, Controller, Motor

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Request:
    """One operating point asked for.

    voltage: V of the source with no current; source: ohm, its resistance (0: `voltage` is that at the controller's
    terminals); load: N m and load_square: N m s^2, torque of the load at speed w: load + load_square w^2; duty: share
    of the bus; winding, magnets: degC; running_time: s, for the grease.
    """

    motor: Motor
    controller: Controller
    voltage: float
    source: float = 0.0
    load: float = 0.0
    load_square: float = 0.0
    duty: float = 1.0
    winding: float = 25.0
    magnets: float = 22.0
    running_time: float = 900.0


@dataclass(frozen=True)
class Steady:
    """Operating points found, (n,) each unless said: output speed rad/s, terminal voltage V, supply current A
    (standby and switching loss included), output torque N m, squares (n, 3) A^2 of the phase currents, copper W, drag
    W (all that turning takes, gear included), controller W, residual: what is left of the torque balance, N m.
    """

    speed: Floats
    voltage: Floats
    current: Floats
    torque: Floats
    squares: Floats
    copper: Floats
    drag: Floats
    controller: Floats
    residual: Floats


def sector_edges(motor: Motor, controller: Controller, speed: float) -> Floats:
    """Electrical angles (6,) at which the controller switches at an output speed in rad/s, rising."""
    late = SENSOR_EDGES + motor.sensors + controller.delay * speed * motor.ratio
    order = [late[0, 0], late[2, 1], late[1, 0], late[0, 1], late[2, 0], late[1, 1]]
    return np.array(order)


def points_for(requests: Sequence[Request], speed: Floats, voltage: Floats) -> Points:
    """What the bridge's solver needs, at these output speeds and bus voltages."""
    rows = list(zip(requests, speed, strict=True))
    magnets = np.array([float(r.motor.magnets(r.magnets)) for r in requests])
    column = {
        name: np.array([getattr(r.controller, name) for r in requests]) for name in ("switch", "diode_drop", "diode")
    }
    return Points(
        edges=np.array([sector_edges(r.motor, r.controller, w) for r, w in rows]),
        speed=speed * np.array([r.motor.ratio for r in requests]),
        voltage=np.array(voltage),
        duty=np.array([r.duty for r in requests]),
        resistance=np.array([r.motor.resistances(r.winding) for r in requests]),
        **column,
        shape=magnets[:, None] * np.array([r.motor.waveform.vector for r in requests]),
        inductance_d=np.array([r.motor.inductance_d for r in requests]),
        inductance_q=np.array([r.motor.inductance_q for r in requests]),
        spread=np.array([r.motor.spread for r in requests]),
        knee=np.array([r.motor.knee for r in requests]),
    )


def _evaluate(
    requests: Sequence[Request], speed: Floats, voltage: Floats, guess: NDArray[np.complex128] | None, tolerance: float
) -> tuple[Steady, Turn]:
    turn = periodic(points_for(requests, speed, voltage), guess, tolerance=tolerance)
    ratio = np.array([r.motor.ratio for r in requests])
    mesh = np.array([r.motor.mesh for r in requests])
    air_gap = turn.torque * ratio
    drag = np.array(
        [
            float(r.motor.drag.torque(w, r.running_time, r.motor.magnets(r.magnets)))
            + float(r.motor.circulating(np.array(w), r.winding, float(r.motor.magnets(r.magnets))))
            for r, w in zip(requests, speed, strict=True)
        ]
    )
    shaft = air_gap * np.where(air_gap > 0, mesh, 1 / mesh) - drag
    load = np.array([r.load + r.load_square * w * w for r, w in zip(requests, speed, strict=True)])
    # Chopping: one leg switches the current at the controller's frequency, and the current's triangle heats the
    # winding.
    duty = np.array([r.duty for r in requests])
    standby = np.array([float(r.controller.standby(v)) for r, v in zip(requests, voltage, strict=True)])
    switching = np.array([r.controller.switching * r.controller.frequency for r in requests])
    conducted = np.sqrt(turn.squares.sum(axis=1) / 2)
    extra = np.where(duty < 1, switching * voltage * conducted + _chopping_heat(requests, voltage), 0.0)
    current = turn.dc_current + (standby + extra) / voltage
    steady = Steady(
        speed,
        voltage,
        current,
        shaft,
        turn.squares,
        turn.copper,
        air_gap * speed - shaft * speed,
        standby + extra + turn.switch_loss,
        shaft - load,
    )
    return steady, turn


def _chopping_heat(requests: Sequence[Request], voltage: Floats) -> Floats:
    """Copper loss (n,) in W of the triangle that chopping puts on the current of two phases in series.

    Peak to peak V D (1 - D)/(f L), its square over 12 the mean square (Mohan, Undeland, Robbins, step-down converter).
    """
    duty = np.array([r.duty for r in requests])
    inductance = np.array([r.motor.inductance_d + r.motor.inductance_q for r in requests])
    frequency = np.array([r.controller.frequency for r in requests])
    resistance = np.array([2 * float(r.motor.resistances(r.winding).mean()) for r in requests])
    peak = voltage * duty * (1 - duty) / (frequency * inductance)
    return np.asarray(resistance * peak**2 / 12)


def steady(requests: Sequence[Request], tolerance: float = 1e-6, most: int = 24) -> Steady:
    """Find all operating points together. Raises ArithmeticError where one is not found (the load is too great).

    Newton's method with differences for speed and, where the source has a resistance, terminal voltage; the slopes are
    taken once and again whenever the balance does not close.
    """
    n = len(requests)
    source = np.array([r.source for r in requests])
    opened = np.array([r.voltage for r in requests])
    constant, ohms = (np.array(column) for column in zip(*(_rough(r) for r in requests), strict=True))
    drag = np.array([float(r.motor.drag.torque(np.array(5.0), r.running_time, 1.0)) + r.load for r in requests])
    duty = np.array([r.duty for r in requests])
    amperes = drag / constant
    voltage = opened - source * amperes * duty
    speed = np.maximum((duty * voltage - ohms * amperes) / constant * 0.97, 0.5)
    for _ in range(3):
        load = drag + np.array([r.load_square for r in requests]) * speed**2
        speed = 0.5 * speed + 0.5 * np.maximum((duty * voltage - ohms * load / constant) / constant * 0.97, 0.5)
    guess: NDArray[np.complex128] | None = None
    jacobian = np.zeros((n, 2, 2))
    for round_ in range(most):
        if round_ % 4 == 0:
            found, guess = _slopes(requests, speed, voltage, guess, jacobian, source)
            balance, dc = found.residual[:n], found.current[:n]
        else:
            single, turn = _evaluate(requests, speed, voltage, guess, 1e-6)
            balance, dc, guess = single.residual, single.current, turn.current
            scale = np.array([abs(r.load) for r in requests]) + drag
            if np.all(np.abs(balance) < tolerance * scale) and np.all(
                np.abs(voltage + source * dc - opened) < tolerance * opened
            ):
                return single
        move = np.linalg.solve(jacobian, np.stack([balance, voltage + source * dc - opened], axis=1)[..., None])[..., 0]
        speed = np.clip(speed - move[:, 0], 0.5 * speed, 1.5 * speed)
        voltage = np.clip(voltage - move[:, 1], 0.8 * voltage, 1.2 * voltage)
    worst = int(np.argmax(np.abs(balance)))
    raise ArithmeticError(
        f"no balance: point {worst} is left with {balance[worst]:.3g} N m at {speed[worst]:.3g} rad/s"
    )


def _slopes(
    requests: Sequence[Request],
    speed: Floats,
    voltage: Floats,
    guess: NDArray[np.complex128] | None,
    jacobian: Floats,
    source: Floats,
) -> tuple[Steady, NDArray[np.complex128]]:
    """Fill the slopes (n, 2, 2) by differences; gives the points (first n) and the current vectors there."""
    n = len(requests)
    sagging = np.flatnonzero(source > 0)
    step = 1e-3
    tried = [*requests, *requests, *(requests[k] for k in sagging)]
    start = None if guess is None else np.concatenate([guess, guess, guess[sagging]])
    speeds = np.concatenate([speed, speed * (1 + step), speed[sagging]])
    volts = np.concatenate([voltage, voltage, voltage[sagging] * (1 + step)])
    found, turn = _evaluate(tried, speeds, volts, start, 1e-5)
    torque, current = found.residual, found.current
    jacobian[:, 0, 0] = (torque[n : 2 * n] - torque[:n]) / (step * speed)
    jacobian[:, 1, 0] = source * (current[n : 2 * n] - current[:n]) / (step * speed)
    jacobian[:, 0, 1], jacobian[:, 1, 1] = 0.0, 1.0
    jacobian[sagging, 0, 1] = (torque[2 * n :] - torque[sagging]) / (step * voltage[sagging])
    jacobian[sagging, 1, 1] += source[sagging] * (current[2 * n :] - current[sagging]) / (step * voltage[sagging])
    return found, turn.current[:n]


def _rough(request: Request) -> tuple[float, float]:
    """Coarse volts per rad/s and ohms in series, to start the search from; no result rests on them."""
    motor = request.motor
    constant = 1.65 * motor.waveform.fundamental() * motor.ratio * float(motor.magnets(request.magnets))
    reactance = 0.9 * motor.inductance_q * motor.ratio * request.voltage * request.duty / constant
    return constant, 2 * float(motor.resistances(request.winding).mean()) + reactance + 2 * request.controller.switch


def at_speed(request: Request, speeds: Floats) -> Steady:
    """The drive held at given output speeds, whatever torque that gives (`load` and `source` have no part in it)."""
    requests = [replace(request, source=0.0)] * len(speeds)
    return _evaluate(requests, np.asarray(speeds, dtype=float), np.full(len(speeds), request.voltage), None, 1e-6)[0]
