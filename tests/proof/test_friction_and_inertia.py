"""Outside values for friction, windage and inertia: no-load runs and coast-downs.

Sources: gym-electric-motor 3.0.3 (equations of motion and of the machine, integrated by SciPy); the equation of motion
integrated by SciPy or solved in closed form; examples worked by hand, whose figures stand beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from gym_electric_motor.physical_systems.mechanical_loads import PolynomialStaticLoad
from scipy.integrate import solve_ivp

from rotorproof.physics import coasting
from tests.outside import Outside
from tests.proof.cases import COULOMB, DRAWN, GYM, HAND, KE, R_LINE, VISCOUS, steady, values


def test_no_load_run_of_a_simulated_machine(outside: Outside) -> None:
    voltage = np.linspace(10.0, 36.0, 7)
    speed, current = np.array([steady(v) for v in voltage]).T
    found = values(
        "no-load",
        [
            (
                {"supply_voltage": voltage, "supply_current": current, "speed": speed},
                {"winding_temperature": 20.0, "standby_power": 0.0},
            )
        ],
        phase_resistance=R_LINE / 2,
        nameplate_rated_voltage=36.0,
    )
    outside.each(
        found,
        (
            ("coulomb_friction", COULOMB, 1e-5 * COULOMB, "N m"),
            ("viscous_friction", VISCOUS, 1e-5 * VISCOUS, "N m s/rad"),
            ("emf_constant_dc", KE, 1e-5 * KE, "V s/rad"),
            ("no_load_current", steady(36.0)[1], 1e-5 * (steady(36.0)[1]), "A"),
        ),
        what="steady states of a machine turning freely at 10 V to 36 V",
        source=f"{GYM}, DcPermanentlyExcitedMotor with PolynomialStaticLoad",
    )


def coasting_log(inertia: float) -> dict[str, np.ndarray]:
    load = PolynomialStaticLoad(load_parameter={"a": COULOMB, "b": VISCOUS, "c": 0.0, "j_load": 1e-9})
    load.set_j_rotor(inertia)
    times = np.arange(0.0, 1.6, 2e-3)
    done = solve_ivp(
        lambda t, w: load.mechanical_ode(t, [w[0]], 0.0), (0, 1.6), [30.0], t_eval=times, rtol=1e-9, atol=1e-9
    )
    return {"time": times, "speed": np.maximum(done.y[0], 0.0)}


def test_inertia_from_two_simulated_coast_downs(outside: Outside) -> None:
    inertia, added = 0.020, 0.030
    logs = [(coasting_log(inertia), {}), (coasting_log(inertia + added), {"added_inertia": added})]
    found = values("coast-down", logs)
    outside.each(
        found,
        (
            ("moment_of_inertia", inertia, 5e-3 * inertia, "kg m^2"),
            ("coulomb_friction", COULOMB, 5e-3 * COULOMB, "N m"),
            ("viscous_friction", VISCOUS, 5e-3 * VISCOUS, "N m s/rad"),
            ("coulomb_deceleration", COULOMB / inertia, 5e-3 * (COULOMB / inertia), "rad/s^2"),
            ("viscous_decay_rate", VISCOUS / inertia, 5e-3 * (VISCOUS / inertia), "1/s"),
        ),
        what="two simulated coast-downs, one with 0.030 kg m^2 added to 0.020 kg m^2",
        source=f"{GYM}, PolynomialStaticLoad",
    )


def test_two_coast_downs_in_one_record(outside: Outside) -> None:
    # From 40 rad/s by 8 rad/s each second, driven up again, from 36 rad/s by the same.
    step = 2e-3
    first, second = np.arange(0, 5.0, step), np.arange(0, 4.5, step)
    speed = np.concatenate(
        [
            np.full(500, 40.0),
            40 - 8 * first,
            np.zeros(500),
            np.linspace(0, 36, 1500),
            np.full(500, 36.0),
            36 - 8 * second,
            np.zeros(500),
        ]
    )
    noise = 1e-3 * np.random.default_rng(7).standard_normal(speed.size)
    columns = {"time": 1000 + step * np.arange(speed.size), "speed": speed + noise * (speed > 0)}
    found = values("coast-down", [(columns, {})])
    outside.each(
        found,
        (
            ("coulomb_deceleration", 8.0, 0.004, "rad/s^2"),
            ("viscous_decay_rate", 0.0, 2e-4, "1/s"),
        ),
        what="two coast-downs in one record that begins at 1000 s, 8 rad/s each second",
        source="uniform deceleration, " + DRAWN,
    )


def test_no_load_record_with_steady_stretches(outside: Outside) -> None:
    rng = np.random.default_rng(8)
    columns: dict[str, list[np.ndarray]] = {"time": [], "supply_voltage": [], "supply_current": [], "speed": []}
    for number, voltage in enumerate(np.linspace(12.0, 36.0, 7)):
        speed, current = steady(float(voltage))
        n = 300
        settle = np.exp(-np.arange(n) / 15.0)
        columns["time"].append((np.arange(n) + n * number) * 0.01)
        columns["supply_voltage"].append(np.full(n, voltage))
        columns["supply_current"].append(current + 0.3 * settle + 1e-5 * rng.standard_normal(n))
        columns["speed"].append(speed - 4.0 * settle + 1e-4 * rng.standard_normal(n))
    joined = {name: np.concatenate(parts) for name, parts in columns.items()}
    found = values(
        "no-load",
        [(joined, {"winding_temperature": 20.0, "standby_power": 0.0})],
        phase_resistance=R_LINE / 2,
        nameplate_rated_voltage=36.0,
    )
    outside.each(
        found,
        (
            ("coulomb_friction", COULOMB, 5e-3 * COULOMB, "N m"),
            ("viscous_friction", VISCOUS, 1e-2 * VISCOUS, "N m s/rad"),
            ("emf_constant_dc", KE, 1e-3 * KE, "V s/rad"),
            ("no_load_current", steady(36.0)[1], 5e-3 * (steady(36.0)[1]), "A"),
        ),
        what="record of seven voltages, each settling within half a second",
        source=f"{GYM}, DcPermanentlyExcitedMotor with PolynomialStaticLoad",
    )


@pytest.mark.parametrize("rate", [700.0, 5000.0])
def test_coasting_voltage_sampled_coarsely(outside: Outside, rate: float) -> None:
    time = np.arange(0.0, 4.0, 1 / rate) + 2.0
    since = time - 2.0
    voltage = 0.4 * (40 - 8 * since) * np.sin(11 * (40 * since - 4 * since**2) + 0.4)
    found = values("coast-down", [({"time": time, "voltage_ab": voltage}, {})], pole_pairs=11.0)
    outside(
        "coulomb_deceleration",
        f"voltage of 11 pole pairs that slow down by 8 rad/s each second, {rate:g} readings a second",
        ours=found["coulomb_deceleration"],
        published=8.0,
        allowance=0.03,
        unit="rad/s^2",
        source="uniform deceleration, " + HAND,
    )


@pytest.mark.parametrize("decay", [1e-5, 7e-5, 1.3e-4])
def test_a_coast_down_so_short_that_the_series_is_used(outside: Outside, decay: float) -> None:
    """Without windage the equation has the exponential for its solution; 1 s of it, of which every digit counts."""
    alpha, start = 6.0, 40.0
    outside(
        "coulomb_deceleration",
        f"fall of the speed after 1 s by 6 rad/s^2 and {decay:g}/s",
        ours=start - float(coasting.speed_after(np.array([1.0]), start, alpha, decay, 0.0)[0]),
        published=-math.expm1(-decay) * (start + alpha / decay),
        allowance=2e-12,
        unit="rad/s",
        source="linear differential equation of first order, mathematics",
    )


@pytest.mark.parametrize("ratios", [(3.0, 0.5, 0.02), (5.0, -0.05, 0.01), (0.1, 0.5, 0.001)])
def test_coasting_against_its_equation(outside: Outside, ratios: tuple[float, float, float]) -> None:
    alpha, beta, delta = ratios
    end = solve_ivp(lambda _, w: -(alpha + beta * w + delta * w**2), (0, 2.5), [40.0], rtol=1e-11, atol=1e-11).y[0, -1]
    outside(
        "windage",
        f"speed after 2.5 s of deceleration {alpha:g} + {beta:g} w + {delta:g} w^2",
        ours=float(coasting.speed_after(np.array([2.5]), 40.0, *ratios)[0]),
        published=end,
        allowance=1e-7,
        unit="rad/s",
        source="equation of motion, integrated by SciPy",
    )


def test_speed_of_a_coasting_machine_from_its_voltage(outside: Outside) -> None:
    # 11 pole pairs; 40 rad/s falling by 8 rad/s each second: the angle is 40 t - 4 t^2.
    time = np.arange(0.0, 4.0, 1e-4)
    angle = 40 * time - 4 * time**2
    speed = 40 - 8 * time
    columns = {"time": time, "voltage_ab": 0.4 * speed * np.sin(11 * angle + 0.4)}
    found = values("coast-down", [(columns, {})], pole_pairs=11.0)
    outside(
        "coulomb_deceleration",
        "voltage of 11 pole pairs that slow down by 8 rad/s each second",
        ours=found["coulomb_deceleration"],
        published=8.0,
        allowance=0.02,
        unit="rad/s^2",
        source="uniform deceleration, " + HAND,
    )
