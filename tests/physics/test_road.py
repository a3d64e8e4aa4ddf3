"""Road load and steady states against published worked examples and independent simulators.

Sources
- NPTEL, Fundamentals of Electric Vehicles: Technology and Economics, week 2 assignment solutions, Q 2.1: drag, rolling
  and gradient forces of a two-, three- and four-wheeler on 8 degrees (the solutions use g = 9.81 m/s^2).
- gym-electric-motor 3.0.3 (MIT): permanently excited DC machine and polynomial load as an independent ODE.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from rotorproof.physics import road
from rotorproof.physics.block_commutation import Winding, from_dc
from rotorproof.physics.drives import FieldOriented, SixStep, Smooth
from tests.outside import Outside
from tests.simulation.independent.draw import draw_controller, draw_motor
from tests.simulation.independent.field_oriented import limit_speed

NPTEL = "NPTEL, Fundamentals of Electric Vehicles, week 2 assignment solutions, Q 2.1"


def load(mass: float, cd: float, area: float, mu: float) -> road.Load:
    return road.Load(mass, mu, cd * area, 2.0, 1.2)


@pytest.mark.parametrize(
    ("mass", "cd", "area", "drag_30", "drag_80", "rolling", "gradient"),
    [
        (600, 0.45, 1.6, 30.0, 213.33, 87.43, 819.17),
        (1500, 0.30, 2.5, 31.25, 222.22, 218.57, 2047.93),
    ],
)
def test_forces_of_the_nptel_example(
    outside: Outside,
    mass: float,
    cd: float,
    area: float,
    drag_30: float,
    drag_80: float,
    rolling: float,
    gradient: float,
) -> None:
    vehicle = load(mass, cd, area, 0.015)
    slope = math.tan(math.radians(8))
    standing = vehicle.force(0.0, slope)
    to_published_g = 9.81 / road.GRAVITY
    for what, ours, published, allowance in (
        (f"weight and rolling force of {mass} kg on 8 degrees", standing * to_published_g, rolling + gradient, 0.02),
        (f"air drag of {mass} kg vehicle at 30 km/h", vehicle.force(30 / 3.6, slope) - standing, drag_30, 0.01),
        (f"air drag of {mass} kg vehicle at 80 km/h", vehicle.force(80 / 3.6, slope) - standing, drag_80, 0.01),
    ):
        for subject in ("pack_road_speed", "pack_max_grade", "energy_per_distance"):
            outside(subject, what, ours=ours, published=published, allowance=allowance, unit="N", source=NPTEL)


def test_two_wheeler_drag_of_the_nptel_example() -> None:
    vehicle = load(200, 0.9, 0.6, 0.015)
    assert vehicle.force(30 / 3.6, 0) - vehicle.force(0, 0) == pytest.approx(22.5, abs=0.01)
    assert vehicle.force(80 / 3.6, 0) - vehicle.force(0, 0) == pytest.approx(160.0, abs=0.01)
    assert vehicle.force(0, 0) == pytest.approx(29.4, abs=0.05)


@pytest.mark.parametrize("degrees", [0.0, 1.0, 8.0, 30.0, 60.0])
def test_grade_for_torque_undoes_the_force_on_that_grade(degrees: float) -> None:
    vehicle = load(120, 1.0, 0.5, 0.008)
    grade = math.tan(math.radians(degrees))
    torque = vehicle.force(0.0, grade) * vehicle.radius
    assert road.grade_for_torque(torque, vehicle) == pytest.approx(grade, rel=1e-9, abs=1e-12)


def test_torque_beyond_any_slope_and_below_rolling_resistance() -> None:
    vehicle = load(120, 1.0, 0.5, 0.008)
    assert math.isinf(road.grade_for_torque(10 * 120 * 9.81, vehicle))
    assert math.isnan(road.grade_for_torque(0.001, vehicle))


def test_no_load_speed_agrees_with_an_independent_dc_machine(outside: Outside) -> None:
    from gym_electric_motor.physical_systems.electric_motors import DcPermanentlyExcitedMotor
    from gym_electric_motor.physical_systems.mechanical_loads import PolynomialStaticLoad

    ke, resistance, coulomb, viscous, windage = 1.35, 0.26, 0.42, 0.012, 0.0003
    motor = DcPermanentlyExcitedMotor(motor_parameter={"r_a": resistance, "l_a": 3e-4, "psi_e": ke, "j_rotor": 0.1})
    drag = PolynomialStaticLoad(load_parameter={"a": coulomb, "b": viscous, "c": windage, "j_load": 1e-6})
    drag.set_j_rotor(0.1)

    def right_hand_side(_: float, state: np.ndarray) -> np.ndarray:
        speed, current = state
        torque = motor.torque([current])
        return np.array(
            [
                drag.mechanical_ode(0.0, [speed], torque)[0],
                np.ravel(motor.electrical_ode(np.array([current]), [36.0], speed))[0],
            ]
        )

    end = solve_ivp(right_hand_side, (0, 12), [0.0, 0.0], method="LSODA", rtol=1e-9, atol=1e-9).y[0, -1]
    machine = road.Machine(Smooth(ke, resistance), coulomb, viscous, windage)
    outside(
        "pack_no_load_speed",
        "no-load speed of a permanently excited DC machine with polynomial drag, integrated to rest",
        ours=road.no_load_speed(machine, road.Source(36.0)),
        published=end,
        allowance=1e-6 * end,
        unit="rad/s",
        source="gym-electric-motor 3.0.3, DcPermanentlyExcitedMotor with PolynomialStaticLoad",
    )


def test_road_speed_is_where_a_simulated_vehicle_settles() -> None:
    machine = road.Machine(Smooth(1.35, 0.30), 0.4, 0.01)
    source = road.Source(36.0, 0.12, pack_current_limit=12.0, motor_current_limit=25.0)
    vehicle = road.Load(110.0, 0.009, 0.55, 2.1, 1.2)
    radius = 2.1 / (2 * math.pi)
    grade = 0.02

    def acceleration(_: float, state: np.ndarray) -> list[float]:
        # Duty chosen by brute force: the largest that breaks no limit.
        w = state[0] / radius
        duty = np.linspace(0, 1, 4001)
        i_motor = (duty * 36.0 - 1.35 * w) / (0.30 + duty**2 * 0.12)
        allowed = (i_motor <= 25.0) & (duty * i_motor <= 12.0)
        current = i_motor[allowed].max()
        slope = math.atan(grade)
        drag = 110 * 9.80665 * (math.sin(slope) + 0.009 * math.cos(slope)) + 0.5 * 1.2 * 0.55 * state[0] ** 2
        return [((1.35 * current - 0.4 - 0.01 * w) / radius - drag) / 110.0]

    end = solve_ivp(acceleration, (0, 200), [0.0], max_step=0.5).y[0, -1]
    assert road.road_speed(machine, source, vehicle, grade) == pytest.approx(end, rel=2e-3)


def test_power_balance_at_the_road_speed() -> None:
    machine = road.Machine(Smooth(1.35, 0.30), 0.4, 0.01)
    source = road.Source(36.0)
    vehicle = road.Load(110.0, 0.009, 0.55, 2.1, 1.2)
    speed = road.road_speed(machine, source, vehicle)
    torque = road.output_torque(machine, source, speed / vehicle.radius) + machine.drag_torque(speed / vehicle.radius)
    assert road.supply_power(machine, vehicle, speed, 0.0) == pytest.approx(36.0 * torque / 1.35, rel=1e-9)


def test_pack_power_meets_the_terminals() -> None:
    source = road.Source(36.0, 0.15)
    power = road.pack_power(300.0, source)
    current = power / 36.0
    assert (36.0 - 0.15 * current) * current == pytest.approx(300.0, rel=1e-12)
    assert math.isnan(road.pack_power(36.0**2 / (4 * 0.15) + 1, source))


def test_a_vehicle_too_heavy_for_the_grade_is_said_so() -> None:
    assert math.isnan(
        road.road_speed(
            road.Machine(Smooth(1.35, 0.3), 0.4),
            road.Source(36.0, motor_current_limit=5.0),
            load(150, 1, 0.5, 0.01),
            0.3,
        )
    )


@pytest.mark.parametrize("seed", range(6))
def test_a_field_oriented_drive_runs_out_of_voltage_where_the_independent_bench_says(
    outside: Outside, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    motor = replace(draw_motor(rng), knee=1e9, mesh=1.0)  # without saturation or loss in a gear
    controller = replace(draw_controller(rng), switch=0.0, switching=0.0)
    standing = float(controller.standby(36.0))
    share = float(motor.magnets(50.0))
    resistance = float(motor.resistances(60.0).mean())
    end = limit_speed(
        motor, controller, voltage=36.0, source=0.1, load=2.0, load_square=0.003, winding=60.0, magnets=50.0
    )
    emf = np.sqrt(3) * motor.waveform.fundamental() * share * motor.ratio
    winding = Winding(resistance, motor.inductance_q, emf, motor.ratio)

    def drag(speed: float) -> float:
        own = motor.drag.torque(np.array(speed), 3600.0, share) + motor.circulating(np.array(speed), 60.0, share)
        return float(own) + 2.0 + 0.003 * speed**2

    # Drag is what it is at that speed; the slope of it does not move where voltage and torque meet.
    machine = road.Machine(FieldOriented(winding), drag(end))
    source = road.Source(36.0, 0.1, controller=road.Controller(standing))
    outside(
        "pack_no_load_speed",
        "speed at which a field-oriented drive on a sagging pack runs out of voltage",
        ours=road.no_load_speed(machine, source),
        published=end,
        allowance=2e-3 * end,
        unit="rad/s",
        source="independent bench of the tests (two-axis equations after Krause, limit of space-vector modulation)",
    )


def test_what_saturation_takes_from_torque_it_takes_from_the_emf(outside: Outside) -> None:
    """So no power vanishes; both conditions solved by SciPy for a DC machine whose flux its current weakens."""
    emf, ohms, speed, volts = 1.2, 0.4, 20.0, 30.0

    def left(current: float) -> float:
        return float(1 / np.sqrt(1 + (current / 40) ** 2))

    amperes = float(brentq(lambda i: emf * left(i) * speed + ohms * i - volts, 0.0, 60.0))
    machine = road.Machine(Smooth(emf, ohms), 0.0, torque_left=lambda i: 1 / np.sqrt(1 + (np.asarray(i) / 40) ** 2))
    outside(
        "pack_road_speed",
        "torque at a speed and a voltage of a DC machine that saturates",
        ours=road.output_torque(machine, road.Source(volts), np.array([speed]))[0],
        published=emf * left(amperes) * amperes,
        allowance=1e-8,
        unit="N m",
        source="V = K w + R I and T = K I with one K for both (power balance; any textbook), solved by SciPy",
    )


def test_late_switching_runs_at_a_speed_too() -> None:
    for degrees in (-12.0, -4.0):
        winding = from_dc(1.34, 0.137, 1e-4, 20.0, {5: 0.012}, math.radians(degrees))
        machine, source = road.Machine(SixStep(winding), 0.4, 0.01), road.Source(36.0, 0.12)
        speed = road.no_load_speed(machine, source)
        point = machine.drive.where(speed, source.asked, 36.0)
        assert machine.torque(point) == pytest.approx(0.4 + 0.01 * speed, rel=1e-6)
        many = road.no_load_speed(machine, road.Source(np.array([36.0, 30.0]), 0.12))
        assert many[0] == pytest.approx(speed, rel=1e-9)


def test_a_pack_gives_no_more_power_beyond_half_its_voltage() -> None:
    assert road.Source(36.0, 0.1, pack_current_limit=400.0).most_power() == pytest.approx(36.0**2 / 0.4)


def test_under_a_limit_of_power_standstill_is_the_end_of_slow_turning() -> None:
    winding = from_dc(1.5, 0.12, 2e-4, 20.0, {})
    for drive in (FieldOriented(winding, 0.95), SixStep(winding)):
        machine, source = road.Machine(drive, 0.0), road.Source(36.0, 0.1, pack_current_limit=15.0)
        slow = float(road.output_torque(machine, source, np.array([1e-3]))[0])
        assert road.output_torque(machine, source, 0.0) == pytest.approx(slow, rel=1e-2)


def test_one_that_cannot_be_leaves_the_others_what_they_are_alone() -> None:
    """The middle one's drag is beyond its torque; the last one's climb is, and the limits bind in some."""
    winding = from_dc(np.array([1.3, 1.25, 1.35, 1.3]), 0.03, 7e-5, 23.0, {5: -0.03, 7: 0.01}, -0.05)
    coulomb, mass = np.array([0.8, 900.0, 0.8, 0.7]), np.array([110.0, 110.0, 140.0, 2e4])
    vehicle = road.Load(mass, 0.01, 0.6, 2.0, 1.2)
    machine = road.Machine(SixStep(winding), coulomb, 0.02)
    source = road.Source(36.0, 0.1, pack_current_limit=20.0, motor_current_limit=np.array([40.0, 40.0, 25.0, 40.0]))
    speed = road.road_speed(machine, source, vehicle, 0.03)
    power = road.supply_power(machine, vehicle, 5.0, np.array([0.03, 0.03, 0.0, np.nan]))
    assert np.array_equal(np.isnan(speed), [False, True, False, True])
    assert np.array_equal(np.isnan(power), [False, False, False, True])
    for k in (0, 2):
        alone = replace(winding, emf=winding.emf[k])
        one = road.Machine(SixStep(alone), coulomb[k], 0.02)
        own = replace(source, motor_current_limit=source.motor_current_limit[k])
        assert road.road_speed(one, own, replace(vehicle, mass=mass[k]), 0.03) == pytest.approx(speed[k], rel=1e-9)
        drawn = road.supply_power(one, replace(vehicle, mass=mass[k]), 5.0, (0.03, 0.03, 0.0)[k])
        assert drawn == pytest.approx(power[k], rel=1e-9)
