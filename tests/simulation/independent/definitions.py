"""True values of a motor's quantities, each by its definition, from what the motor is made of.

A definition is the sentence that the report's appendix prints for the quantity, in the words of the standard that it
names. Beside each truth stands how it follows from that sentence; where the sentence leaves room, what was chosen:

Winding (`winding`, `inductance`)
- `resistance_ab`, `_bc`, `_ca`: "between the lines A and B, at 20 degC": two phases of the star in series (a delta
counts as the star that cannot be told from it), at 20 degC whatever the day of the test was.
- `phase_resistance`: "half the mean line-to-line resistance"; `resistance_unbalance`: "largest deviation from the
mean of the three, over that mean".
- `inductance_d`, `inductance_q`: "star equivalent, current along / across the magnets' axis": what the phases have
more counts in their mean, since an axis belongs to no phase; iron unsaturated, as a meter's small current leaves it.
- `phase_inductance`: "half the mean line-to-line inductance" over a turn: the mean of both axes.
- `electrical_time_constant`, `saliency_ratio`: ratios of these, resistance at 20 degC.

EMF (`emf`)
- All constants are "with the magnets at 20 degC", the speed constant too, and not at the temperature of the test.
- `emf_constant_peak`: "half its height from trough to crest, mean of the three lines"; `emf_constant_rms`: RMS, mean
of the three; `emf_constant_dc`: "mean over one turn of the largest of the six line-to-line EMFs".
- `torque_constant`: "torque per ampere of DC current under six-step drive, unsaturated", which by the power balance
named beside it is the DC constant: phases changed where the largest EMF does. Late sensors are a property of the
drive.
- `speed_constant`: one over the DC constant.
- `emf_unbalance`: "largest deviation of a line's RMS from the mean of the three"; `emf_distortion`: "RMS of all
harmonics over that of the fundamental" (IEC 60050-551): both as means over the lines, which differ from the mean of
the ratios by the square of the unbalance.
- `emf_harmonic_5`, `_7`: "over the fundamental, as far as in phase with the fundamental's crest, mean of the lines".
- `pole_pairs`, `pole_pair_ratio`, `phase_sequence`: counted, not computed.

Position sensors (`sensors`)
- `hall_offset`: "late against the mean of the nearest zero crossings of all three line-to-line EMFs (fundamental)":
mean of the six edges less mean of the crossings.
- `hall_placement_a`, `_b`, `_c`: "late against the ideal set that fits best": the set of least squares is late by the
mean of all six edges, a sensor by the mean of its two; `hall_placement_error` is the largest of the three.
- `hall_duty_error`: "largest deviation of a share of high level from one half", edges of no jitter.
- `hall_jitter`: "standard deviation about the mean of that edge".

Friction (`friction`)
- `coulomb_friction`, `viscous_friction`: "straight line of least squares through friction torque over speed, evenly
over speeds from 15 percent of the highest on": the highest of that test's own run, and the state of that test
(grease, magnets, winding). Where the square of speed is told apart, constant and linear part of the parabola of least
squares over the same speeds, and `windage` its square part.
- In a no-load run friction torque is, by the power balance of IEC 60034-2-1 that the definition names, what the air
gap gives: with a gear it holds the loss of the mesh; nothing drives through the mesh while a rotor coasts.
- `coulomb_deceleration`, `viscous_decay_rate`: these over the moment of inertia "of everything that turns".
- `static_friction`: "half the mean difference between the two directions of slow rotation".

Torque at rest (`static_torque`)
- `saturation_current`: "torque per ampere, offset removed, has fallen by 10 % of its value at small current";
`saturation_sharpness`: "n of the bend (1 + (I/I_k)^n)^(-1/n)", of the one through the truth at that current and at half
of it; `torque_droop`: how far at the highest current of the test. Torque is the air gap's mean over one commutation
step, as the bench averages approaches from both sides, so that friction and mesh cancel.
- `cogging_torque`: "maximum less minimum over one turn"; `cogging_order`: the strongest order.

Heat (`thermal`)
- `temperature_rise`, `thermal_resistance`: "steady", so of the final state at the run's current and last air, of the
winding's mean (by resistance); `thermal_time_constant`: "slowest exponential of the approach": that about the final
state; `thermal_capacity`: their ratio.
- `continuous_current`: "direct current at which the place measured reaches its temperature limit in air of 40 degC":
at rest, so without iron loss; the limit is the rise of IEC 60034-1 by resistance for machines of 200 kW or less (a
machine without a fan, or below 600 W, may have 5 K more, from memory; the report states which it took).

Load (`motor_session`)
- `efficiency_max`: "greatest at a measured point: shaft power over DC supply power, controller included".
- `winding_loss`, `friction_iron_loss`, `additional_loss`: "at the measured point of greatest shaft power": the
phases' heat; the friction of turning without brake at that speed; and what these and standby leave of supply less
shaft power.
- `no_load_current`: "at rated voltage; at the highest of the run where it did not reach it".

Insulation: `insulation_resistance` is that at 40 degC and one minute, of the kind the winding really is, whether the
file says so or not; `polarization_index` ten minutes over one.

On the pack (`vehicle`): what the same bridge and machine do with the pack and vehicle as they really are. Torque "at
the output as it begins to turn" is the air gap's mean, less what stays in the mesh and the friction of slow turning.
Energy is "from the pack's cells": with the loss of pack and controller.

Controllers (`controller_session`) say theirs where they are written.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
        "emf_harmonic_5": 100 * _at_crest(lines, 5),
        "emf_harmonic_7": 100 * _at_crest(lines, 7),
        "emf_unbalance": float(100 * np.abs(root / root.mean() - 1).max()),
        "emf_distortion": float(100 * np.sqrt(np.maximum(root**2 - first**2, 0)).mean() / first.mean()),
    }


def _at_crest(lines: Floats, order: int) -> float:
    """Mean over the lines (3, n) of the amplitude of a harmonic over the fundamental's, in phase with its crest."""
    first, other = ((lines * np.exp(-1j * k * TURN)).mean(axis=1) for k in (1, order))
    # At the crest of the fundamental its phase is zero, and the harmonic's is its own less `order` times that.
    return float((np.abs(other) / np.abs(first) * np.cos(np.angle(other) - order * np.angle(first))).mean())


MAGNETIC = ("emf_constant_peak", "emf_constant_rms", "emf_constant_dc", "torque_constant", "speed_constant")
"""Quantities that change with the magnets' flux."""


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


@dataclass(frozen=True)
class Turning:
    """The state of a turning motor: temperatures in degC, running time in s, share of torque that the mesh passes."""

    winding: float
    magnets: float
    running_time: float
    mesh: float = 1.0


def friction_torque(motor: Motor, speed: Floats, state: Turning) -> Floats:
    """Friction torque with iron loss at output speeds (n,) in rad/s, N m."""
    share = float(motor.magnets(state.magnets))
    drag = motor.drag.torque(speed, state.running_time, share) + motor.circulating(speed, state.winding, share)
    return np.asarray(drag / state.mesh)


def friction(motor: Motor, highest: float, state: Turning, *, air_told_apart: bool) -> dict[str, float]:
    """Friction with iron loss over output speeds from 15 % of the `highest` rad/s on: N m, N m s/rad, N m s^2/rad^2."""
    speed = np.linspace(0.15 * highest, highest, 400)
    torque = friction_torque(motor, speed, state)
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


def saturation_sharpness(motor: Motor, magnets: float) -> float:
    """Exponent of the bend that falls by a tenth at the saturation current and is right at half of it too."""
    mark = saturation_current(motor, magnets)
    small, half = (float(static_torque(motor, [i], magnets)[0]) / i for i in (1e-3, mark / 2))

    def gap(n: float) -> float:
        return float((1 + (0.9**-n - 1) * 0.5**n) ** (-1 / n)) - half / small

    return float(brentq(gap, 0.5, 12.0))


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
