"""True values of a motor's quantities, each by its definition, from what the motor is made of.

Definitions are those of the reports' appendix and of IEC 60050-411; where one leaves room, what was chosen stands here:

- EMF constants are those of the magnets' temperature at the open-circuit test; peak (half the height from trough to
crest) and RMS are means over the three lines.
- Friction with iron loss is the straight line of least squares through the drag torque, evenly over the speeds of the
run from 15 % of its highest on, with warm grease; where air drag is told apart, the constant and linear part of the
parabola.
- Offset and placement of sensors: the set's offset is the mean lateness of its six edges against the zero crossings
of the fundamentals of all three line voltages; a sensor's placement is the mean of its two edges less that of all six.
- Resistance and inductance are those between lines (a delta counts as the star that cannot be told from it).
- Static torque in a locked-rotor test is the air gap's, the mean over one commutation step: friction and a gear's mesh
help or hinder as one turns. The greatest and the lasting torque on the pack are what the output gives as it begins to
turn, the friction of slow turning taken off.
- Temperature rise, thermal resistance and time constant are those of the run's current and of steady air; the time
constant is that of the slowest exponential about the final state. The continuous current heats the winding to the
limit of its class (IEC 60085) in air of 40 degC.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from tests.simulation.independent.bridge import SECTORS
from tests.simulation.independent.machine import SENSOR_EDGES, Controller, Motor
from tests.simulation.independent.operating import Request, points_for
from tests.simulation.independent.waveform import PHASES

Floats = NDArray[np.float64]

REFERENCE_AIR = 40.0
RISE_LIMIT = {"A": 60.0, "E": 75.0, "B": 80.0, "F": 105.0, "H": 125.0}
"""Rise of the winding's mean temperature in K by thermal class, in air of 40 degC (IEC 60034-1, table of limits by
resistance; from memory)."""

TURN = 2 * np.pi * np.arange(7200) / 7200

COMMUTATION_TABLE = 645213.0
"""Six-step states for the sensor states 1 to 6 of a motor whose wires are marked as its EMF is."""

_IDLE = Controller(0.0, 0.8, 0.0, 0.0, 0.0, 0.0, 0.0, 16e3)


def winding(motor: Motor) -> dict[str, float]:
    """Resistances at 20 degC in ohm, unbalance in percent."""
    a, b, c = motor.resistance
    lines = np.array([a + b, b + c, c + a])
    return {
        "resistance_ab": lines[0],
        "resistance_bc": lines[1],
        "resistance_ca": lines[2],
        "phase_resistance": lines.mean() / 2,
        "resistance_unbalance": float(100 * np.abs(lines / lines.mean() - 1).max()),
    }


def inductance(motor: Motor) -> dict[str, float]:
    """Inductances in mH (what the phases have more counted in their mean), time constant in ms."""
    more = float(motor.spread.mean())
    d, q = motor.inductance_d + more, motor.inductance_q + more
    return {
        "inductance_d": 1e3 * d,
        "inductance_q": 1e3 * q,
        "phase_inductance": 500 * (d + q),
        "saliency_ratio": q / d,
        "electrical_time_constant": 500 * (d + q) / float(motor.resistance.mean()),
    }


def line_inductance(motor: Motor, angle: Floats) -> Floats:
    """Inductance between lines AB, BC, CA at electrical rotor angles (n,), (3, n) H.

    (L_d + L_q) + (L_d - L_q) cos 2 gamma, gamma from the d axis to the axis of the current (two-axis theory, Krause).
    """
    axis = np.radians([-30.0, 90.0, 210.0])[:, None] - angle[None, :] - np.pi
    more = motor.spread + np.roll(motor.spread, -1)
    return np.asarray(
        motor.inductance_d
        + motor.inductance_q
        + (motor.inductance_d - motor.inductance_q) * np.cos(2 * axis)
        + more[:, None]
    )


def emf(motor: Motor, magnets: float) -> dict[str, float]:
    """EMF constants in V s/rad of the output with magnets at a temperature in degC, and what follows from the wave."""
    lines = motor.waveform.lines(TURN) * motor.ratio * float(motor.magnets(magnets))
    root = np.sqrt((lines**2).mean(axis=1))
    first = np.abs((lines * np.exp(-1j * TURN)).mean(axis=1)) * np.sqrt(2)
    direct = float(np.abs(lines).max(axis=0).mean())
    return {
        "pole_pairs": float(motor.pole_pairs),
        "pole_pair_ratio": motor.ratio,
        "phase_sequence": 1.0,
        "emf_constant_peak": float(np.ptp(lines, axis=1).mean() / 2),
        "emf_constant_rms": float(root.mean()),
        "emf_constant_dc": direct,
        "torque_constant": direct,
        "speed_constant": 30 / np.pi / direct,
        "emf_unbalance": float(100 * np.abs(root / root.mean() - 1).max()),
        "emf_distortion": float(100 * np.sqrt(np.maximum(root**2 - first**2, 0)).mean() / first.mean()),
    }


MAGNETIC = ("emf_constant_peak", "emf_constant_rms", "emf_constant_dc", "torque_constant")
"""Quantities in proportion to the magnets' flux."""


def sensors(motor: Motor) -> dict[str, float]:
    """Angles in electrical degrees, late is positive."""
    late = np.degrees(motor.sensors)
    parts = motor.waveform.parts[:, 0] * np.exp(-2j * np.pi / 3 * np.arange(3))
    lines = np.angle(parts - np.roll(parts, -1)) - np.radians([30.0, -90.0, 150.0])
    crossings = -np.degrees((lines + np.pi) % (2 * np.pi) - np.pi)
    placement = late.mean(axis=1) - late.mean()
    high = (SENSOR_EDGES[:, 1] + motor.sensors[:, 1] - SENSOR_EDGES[:, 0] - motor.sensors[:, 0]) % (2 * np.pi)
    return {
        "hall_spacing": 120.0,
        "hall_sequence": 1.0,
        "commutation_table": COMMUTATION_TABLE,
        "hall_duty_error": float(100 * np.abs(high / (2 * np.pi) - 0.5).max()),
        "hall_placement_a": placement[0],
        "hall_placement_b": placement[1],
        "hall_placement_c": placement[2],
        "hall_placement_error": float(np.abs(placement).max()),
        "hall_jitter": float(np.degrees(motor.jitter)),
        "hall_offset": float(late.mean() - crossings.mean()),
    }


def friction(
    motor: Motor, highest: float, magnets: float, running_time: float, *, air_told_apart: bool
) -> dict[str, tuple[float, float]]:
    """Friction with iron loss over output speeds up to `highest` rad/s: N m, N m s/rad, N m s^2/rad^2.

    Each is a value and the definition's own doubt: half of what it changes by as the line begins at 5 % to 40 % of the
    highest speed instead of 15 %.
    """
    fits = [
        _drag_line(motor, begin * highest, highest, magnets, running_time, air_told_apart)
        for begin in (0.15, 0.05, 0.4)
    ]
    return {name: (fits[0][name], (max(f[name] for f in fits) - min(f[name] for f in fits)) / 2) for name in fits[0]}


def _drag_line(
    motor: Motor, lowest: float, highest: float, magnets: float, running_time: float, air_told_apart: bool
) -> dict[str, float]:
    speed = np.linspace(lowest, highest, 400)
    share = float(motor.magnets(magnets))
    torque = motor.drag.torque(speed, running_time, share) + motor.circulating(speed, magnets, share)
    coefficients = np.polyfit(speed, torque, 2 if air_told_apart else 1)
    c, b = float(coefficients[-1]), float(coefficients[-2])
    out = {
        "coulomb_friction": c,
        "viscous_friction": b,
        "coulomb_deceleration": c / motor.inertia,
        "viscous_decay_rate": b / motor.inertia,
    }
    return {**out, "windage": float(coefficients[0])} if air_told_apart else out


def static_torque(motor: Motor, currents: Sequence[float] | Floats, magnets: float) -> Floats:
    """Mean torque over the commutation steps, as the sensors make them, with a direct current through two lines, (n,)
    N m."""
    request = Request(motor, _IDLE, 1.0, magnets=magnets)
    edges = points_for([request], np.array([1e-3]), np.array([1.0])).edges[0]
    widths = np.diff(np.append(edges, edges[0] + 2 * np.pi))
    share = (np.arange(60) + 0.5) / 60
    one = points_for([request] * 60, np.full(60, 1e-3), np.ones(60))
    out = np.zeros(len(currents))
    for k, (high, low, _) in enumerate(SECTORS):
        angle = edges[k] + widths[k] * share
        shape = one.emf_shape(angle)
        for j, amperes in enumerate(currents):
            vector = np.full(60, 2 / 3 * amperes * (PHASES[high] - PHASES[low]))
            out[j] += motor.ratio * one.torque(vector, angle, shape).mean() * widths[k] / (2 * np.pi)
    return out


def saturation_current(motor: Motor, magnets: float) -> float:
    """Direct current in A at which torque per ampere has fallen by a tenth."""
    small = float(static_torque(motor, [1e-3], magnets)[0]) / 1e-3
    return float(brentq(lambda i: float(static_torque(motor, [i], magnets)[0]) / i / small - 0.9, 0.01, 5 * motor.knee))


def slow_friction(motor: Motor, magnets: float) -> float:
    """Half the difference of the torque between the two directions of turning at 1 rpm, N m."""
    return float(motor.drag.torque(np.array([np.pi / 30]), 900.0, float(motor.magnets(magnets)))[0])


def cogging(motor: Motor) -> dict[str, float]:
    """Peak to peak in N m and the strongest order, over one turn of the output."""
    angle = 2 * np.pi * np.arange(200_000) / 200_000
    strongest = max(motor.cogging, key=lambda part: part[1])
    torque = cogging_torque(motor, angle)
    return {"cogging_torque": float(torque.max() - torque.min()), "cogging_order": float(strongest[0])}


def cogging_torque(motor: Motor, angle: Floats) -> Floats:
    """Cogging torque at output angles (n,), N m."""
    return np.asarray(sum(size * np.sin(order * angle + phase) for order, size, phase in motor.cogging))
