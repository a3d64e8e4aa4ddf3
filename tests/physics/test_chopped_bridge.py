"""A bridge below full duty and its limits, beside three phases behind a leg that chops, solved in time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rotorproof.physics import block_commutation, road
from rotorproof.physics.drives import SixStep
from tests.derivations.test_pack_prediction_of_a_bridge import BENCH, as_the_independent_bench_has_it
from tests.outside import Outside
from tests.simulation.independent import definitions
from tests.simulation.independent.bridge import Turn, periodic
from tests.simulation.independent.machine import Controller, Motor
from tests.simulation.independent.operating import Request, points_for

BUS, SPEED, PAIRS = 36.0, 6.0, 20.0
#: Switches and diodes that take next to nothing, so that what is compared is the winding.
IDEAL = Controller(1e-5, 1e-3, 1e-5, 0.0, 0.0, 0.0, 0.0, 16e3)


def with_equal_axes(share: float = 1.0, late: float = 0.0) -> Motor:
    """Return the demo's motor with this share of its inductance along d, changing from phase to phase late (rad)."""
    motor = as_the_independent_bench_has_it()
    inductance = share * motor.inductance_d
    return replace(motor, inductance_d=inductance, inductance_q=inductance, sensors=np.full((3, 2), late))


def solved(motor: Motor, duty: float) -> Turn:
    request = Request(motor, IDEAL, BUS, duty=duty, winding=20.0, magnets=20.0)
    return periodic(points_for([request], np.array([SPEED]), np.array([BUS])))


def machine(motor: Motor, late: float = 0.0) -> road.Machine:
    angle = 2 * np.pi * np.arange(3600) / 3600
    wave = np.fft.rfft(motor.waveform.lines(angle)[0])
    fifth = float((wave[5] * np.exp(-5j * np.angle(wave[1])) / np.abs(wave[1])).real)
    emf, ohms = definitions.emf(motor, 20.0)["emf_constant_dc"], definitions.winding(motor)["phase_resistance"]
    return road.Machine(
        SixStep(block_commutation.from_dc(emf, ohms, motor.inductance_d, PAIRS, {5: fifth}, -late)), 0.0
    )


def test_a_phase_that_is_switched_off_below_full_duty_meets_nearly_the_lowered_voltage(outside: Outside) -> None:
    # On the bench the current of a phase that is switched off ends against the whole bus, here against the mean of it.
    motor, duty = with_equal_axes(), 0.45
    turn, one = solved(motor, duty), machine(motor)
    torque = float(turn.torque[0]) * PAIRS
    point = one.where(SPEED, one.torque, torque)
    outside("energy_per_distance", f"power into a bridge at a duty ratio of {duty} and a held torque",
            ours=float(point.voltage * point.current), published=float(turn.input_power[0]),
            allowance=0.003 * float(turn.input_power[0]), source=BENCH, unit="W")  # fmt: skip


def test_a_limit_on_what_heats_is_met_by_the_heat_of_the_ripple_too(outside: Outside) -> None:
    # Little inductance and late sensors make much ripple: taken for one on the mean, the limit leaves 1.2 % more.
    late = 0.17
    motor = with_equal_axes(1 / 8, late)
    turn = solved(motor, 0.3)
    heating = float(np.sqrt(turn.squares[0].sum() / 2))
    source = road.Source(200.0, motor_current_limit=heating, limit_by_heat=1.0)
    torque = float(turn.torque[0]) * PAIRS
    outside("pack_road_speed", "torque where the motor's current is limited by what heats as much, chopped",
            ours=float(road.output_torque(machine(motor, late), source, SPEED)), published=torque,
            allowance=0.005 * torque,
            source=BENCH, unit="N m")  # fmt: skip
    on_the_mean = road.output_torque(machine(motor, late), replace(source, limit_by_heat=0.0), SPEED)
    assert on_the_mean > 1.01 * torque


def test_what_chopping_adds_is_lost_below_full_duty_only() -> None:
    one, load = machine(with_equal_axes()), road.Load(110.0, 0.008, 0.55, 2.1, 1.2)
    plain, chopping = road.Controller(2.0, 0.1, 0.01), road.Controller(2.0, 0.1, 0.01, 0.054)
    at_full = [road.road_speed(one, road.Source(36.0, 0.1, controller=lost), load) for lost in (plain, chopping)]
    assert at_full[1] == pytest.approx(at_full[0], rel=1e-9)
    current = float(road.holding_point(one, load, 4.0, 0.0).current)
    power = [road.supply_power(one, load, 4.0, 0.0, lost) for lost in (plain, chopping)]
    assert power[1] - power[0] == pytest.approx(0.054 * current, rel=1e-6)
    limited = [
        road.output_torque(one, road.Source(36.0, 0.1, 12.0, controller=lost), speed)
        for speed in (0.0, 8.0)
        for lost in (plain, chopping)
    ]
    assert limited[1] < limited[0]
    assert limited[3] < limited[2]
