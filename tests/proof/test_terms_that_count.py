"""Cases in which every term of a formula weighs: errors put in on purpose had passed the plainer examples.

Sources: equations of heat and of a circuit integrated by SciPy or solved by linear algebra; IEC 60034-1, 8.6.2, from
memory; examples worked by hand, whose figures stand beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from rotorproof.derivations.pack_prediction import DERIVATION
from rotorproof.physics import coasting, friction, heating
from rotorproof.procedures import procedures
from tests.outside import Outside
from tests.procedures.runs import outcome

HAND = "worked by hand"


def values(name: str, logs: list, **given: float) -> dict[str, float]:
    return {key: form.value for key, form in outcome(procedures()[name], logs, **given).forms.items()}


# ----- Winding


@pytest.mark.parametrize("timed", [False, True])
def test_a_winding_that_warms_under_test(outside: Outside, timed: bool) -> None:
    """0.40, 0.41 and 0.42 ohm, one pair after the other; each joule raises the resistance by 0.001 %."""
    time = np.cumsum(np.where(np.arange(30) % 7 == 3, 4.0, 1.0)) if timed else np.arange(30.0)
    pace = np.diff(time, prepend=time[0] - 1.0)
    true = {"ab": 0.40, "bc": 0.41, "ca": 0.42}
    columns = {f"{kind}_{pair}": np.zeros(30) for kind in ("current", "voltage") for pair in true}
    heat = 0.0
    for row in range(30):
        pair = tuple(true)[row // 10]
        current = 2.0 + 0.5 * (row % 10)
        power = true[pair] * current**2
        # Half of the step's heat is in the copper when its middle is read.
        heat += 0.5 * power * pace[row]
        columns[f"current_{pair}"][row] = current
        columns[f"voltage_{pair}"][row] = true[pair] * (1 + 1e-5 * heat) * current
        heat += 0.5 * power * pace[row]
    if timed:
        columns["time"] = time
    found = values("winding-resistance", [(columns, {"winding_temperature": 20.0})])
    for pair, resistance in true.items():
        outside(
            f"resistance_{pair}",
            "at the start of a test that warms the copper by 0.6 %" + (", uneven pace" if timed else ""),
            ours=found[f"resistance_{pair}"],
            published=resistance,
            allowance=4e-6,
            unit="ohm",
            source="heat of the current summed step by step, " + HAND,
        )


# ----- Heat


def test_a_heat_run_with_everything_in_it(outside: Outside) -> None:
    # A winding that rises by 60 K with 1000 s, cut off after 3000 s: 60 exp(-3) = 2.9872 K to come. Its sensor reads
    # 0.9 of the rise. At switch-off 25 + 57.0128 = 82.0128 degC: 0.5 x (234.5 + 82.0128)/254.5 = 0.621833 ohm.
    time = np.arange(0.0, 3000.1, 10.0)
    noise = 0.002 * np.random.default_rng(3).standard_normal(time.size)
    course = {"time": time, "temperature_winding": 25 + 54 * (1 - np.exp(-time / 1000)) + noise}
    after = np.linspace(10.0, 300.0, 30)
    hot = 60.0 + 22.0128 * np.exp(-after / 300)
    cooling = {"time": after, "resistance_ab": 0.5 * (234.5 + hot) / 254.5}
    run = {"ambient_temperature": 25.0, "heat_power": 40.0, "fixed_loss": 10.0, "test_current": 10.0}
    run["surface_exponent"] = 0.0  # heat given off in proportion to the rise
    found = values(
        "heat-run",
        [(course, run), (cooling, {"cold_resistance": 0.5, "cold_temperature": 20.0})],
        nameplate_insulation_limit=155.0,
        nameplate_hot_spot_allowance=10.0,
    )
    # Copper's 30 W grow to 30 x (234.5 + 85)/(234.5 + 82.0128) = 30.2831 W: 40.2831 W at the end. To 145 degC in air of
    # 40 degC: 105/60 x 40.2831 = 70.4954 W, 60.4954 W of copper, over (234.5 + 145)/(234.5 + 85): 50.9310 W; current
    # 10 A x sqrt(50.9310/30.2831) = 12.9685 A.
    for name, published, allowance, unit in (
        ("temperature_rise", 60.0, 0.01, "K"),
        ("thermal_time_constant", 1000.0, 1.0, "s"),
        ("thermal_resistance", 60 / 40.2831, 0.0005, "K/W"),
        ("thermal_capacity", 1000 * 40.2831 / 60, 0.8, "J/K"),
        ("continuous_current", 12.9685, 0.002, "A"),
    ):
        outside(
            name,
            "winding of 60 K and 1000 s, cut off after 3000 s, sensor reading 0.9 of the rise, 10 W of 40 W fixed",
            ours=found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source="IEC 60034-1, 8.6.2, from memory; " + HAND,
        )


def test_two_bodies_by_linear_algebra(outside: Outside) -> None:
    # 200 J/K heated by 50 W, 0.3 K/W to 1500 J/K, 0.7 K/W to air: 50 K; time constants from the eigenvalues.
    matrix = np.array([[-1 / (0.3 * 200), 1 / (0.3 * 200)], [1 / (0.3 * 1500), -1 / (0.3 * 1500) - 1 / (0.7 * 1500)]])
    slowest = -1 / np.max(np.linalg.eigvals(matrix))
    time = np.linspace(0, 5 * slowest, 800)
    course = solve_ivp(
        lambda _, y: matrix @ y + [50 / 200, 0.0], (0, time[-1]), [0.0, 0.0], t_eval=time, rtol=1e-10, atol=1e-10
    ).y[0]
    noise = 0.01 * np.random.default_rng(4).standard_normal(time.size)
    run = {"ambient_temperature": 22.0, "heat_power": 50.0, "test_current": 8.0, "temperature_limit": 90.0}
    run["surface_exponent"] = 0.0
    found = values("heat-run", [({"time": time, "temperature_controller": 22 + course + noise}, run)])
    for name, published, relative, unit in (
        ("temperature_rise", 50.0, 1e-3, "K"),
        ("thermal_resistance", 1.0, 1e-3, "K/W"),
        ("thermal_time_constant", slowest, 0.01, "s"),
    ):
        outside(
            name,
            "two coupled bodies of 200 J/K and 1500 J/K, 50 W",
            ours=found[name],
            published=published,
            allowance=relative * published,
            unit=unit,
            source="heat equation by SciPy, time constants by eigenvalues",
        )


@pytest.mark.parametrize("moment", [600.0, 3000.0, 9000.0])
def test_a_body_in_drifting_air(outside: Outside, moment: float) -> None:
    course, tau, rise = np.array([20.0, 4e-4, -2e-8]), 1500.0, 50.0
    end = solve_ivp(
        lambda t, y: (course @ [1, t, t * t] + rise - y) / tau, (0, moment), [25.0], rtol=1e-11, atol=1e-11
    ).y[0, -1]
    outside(
        "temperature_rise",
        f"temperature after {moment:g} s of a body in air that drifts",
        ours=float(heating.one_body(np.array([moment]), course, np.array([25.0, rise, math.log(tau)]))[0]),
        published=end,
        allowance=1e-6,
        unit="degC",
        source="Newton's law of cooling, integrated by SciPy",
    )
    moved = heating.one_body(np.array([moment]), heating.later(course, 300.0), np.array([25.0, rise, math.log(tau)]))
    later = solve_ivp(
        lambda t, y: (course @ [1, t + 300, (t + 300) ** 2] + rise - y) / tau,
        (0, moment),
        [25.0],
        rtol=1e-11,
        atol=1e-11,
    ).y[0, -1]
    outside(
        "temperature_rise",
        f"the same {moment:g} s after a start 300 s later",
        ours=float(moved[0]),
        published=later,
        allowance=1e-6,
        unit="degC",
        source="Newton's law of cooling, integrated by SciPy",
    )


# ----- Mechanics


def test_winding_loss_with_current_on_both_axes(outside: Outside) -> None:
    # 3 A and 4 A on the axes are a peak of 5 A, an RMS of 3.5355 A: 3 x 0.1 ohm x 12.5 A^2.
    outside(
        "winding_loss",
        "3 A on the q axis and 4 A on the d axis in 0.1 ohm per phase",
        ours=float(friction.rotor_frame_winding_loss(0.1, np.array([3.0]), np.array([4.0]))[0]),
        published=3.75,
        allowance=1e-12,
        unit="W",
        source="3 R I^2 with the RMS of the phases, " + HAND,
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


# ----- Road

DRAGGED = {
    "winding_constant": 234.5,
    "emf_constant_dc": 1.2,
    "phase_resistance": 0.12,
    "coulomb_friction": 0.4,
    "viscous_friction": 0.02,
    "windage": 3e-4,
    "pack_voltage_full": 42.0,
    "pack_voltage_nominal": 36.0,
    "pack_voltage_empty": 30.0,
    "pack_internal_resistance": 0.06,
    "pack_motor_current_limit": 30.0,
    "vehicle_mass": 100.0,
    "vehicle_rolling_resistance": 0.3,
    "vehicle_drag_area": 0.5,
    "vehicle_rolling_circumference": 2 * math.pi * 0.35,
    "vehicle_air_density": 1.2,
    "drag_beyond_bench": 1.0,
    "bench_speed_max": 10.0,
    "continuous_current": 10.0,
}


def drag(speed: float) -> float:
    """Return the motor's drag, whose growth beyond 10 rad/s is twice what the bench fitted."""
    fitted = 0.4 + 0.02 * speed + 3e-4 * speed**2
    return fitted + max(0.0, 0.02 * (speed - 10) + 3e-4 * (speed**2 - 100))


def test_a_motor_with_drag_on_its_pack(outside: Outside) -> None:
    found = DERIVATION.derive(DRAGGED)
    free = brentq(lambda w: 1.2 * w + 0.3 * drag(w) / 1.2 - 36.0, 1, 30)
    torque = 30 * 1.2 - 0.4
    for name, what, ours, published, allowance, unit in (
        (
            "pack_no_load_speed",
            "36 V, drag beyond the bench twice as fitted",
            found["pack_no_load_speed"],
            free,
            2e-3,
            "rad/s",
        ),
        ("pack_top_torque", "30 A, 1.2 N m/A, 0.4 N m of friction", found["pack_top_torque"], torque, 1e-9, "N m"),
        (
            "pack_continuous_torque",
            "10 A, 1.2 N m/A, 0.4 N m of friction",
            found["pack_continuous_torque"],
            11.6,
            1e-9,
            "N m",
        ),
    ):
        outside(name, what, ours=ours, published=published, allowance=allowance, unit=unit, source=HAND)


def test_a_soft_ground_and_a_steep_grade(outside: Outside) -> None:
    given = {
        **DRAGGED,
        "vehicle_rolling_resistance": 0.05,
        "pack_motor_current_limit": math.inf,
        "phase_resistance": 0.03,
    }
    torque = DERIVATION.derive(given)["pack_top_torque"]
    assert torque == pytest.approx(36 / 0.12 * 1.2 - 0.4)
    given["pack_motor_current_limit"] = 250.4 / 1.2
    share = 250.0 / 0.35 / 980.665
    grade = brentq(lambda a: math.sin(a) + 0.05 * math.cos(a) - share, 0, 1.5)
    outside(
        "pack_max_grade",
        "250 N m on a wheel of 0.35 m, 100 kg, rolling resistance of 0.05",
        ours=100 * DERIVATION.derive(given)["pack_max_grade"],
        published=100 * math.tan(grade),
        allowance=1e-6,
        unit="percent",
        source="balance of forces on a slope, solved by SciPy",
    )


def test_energy_with_drag(outside: Outside) -> None:
    given = {**DRAGGED, "vehicle_rolling_resistance": 0.01, "vehicle_cruise_speed": 5.0, "vehicle_grade": 0.02}
    found = DERIVATION.derive(given)
    speed, slope = 5 / 0.35, math.atan(0.02)
    force = 980.665 * (math.sin(slope) + 0.01 * math.cos(slope)) + 0.5 * 1.2 * 0.5 * 25
    current = (force * 0.35 + drag(speed)) / 1.2
    terminals = 1.2 * speed * current + 0.24 * current**2
    cells = brentq(lambda i: (36 - 0.06 * i) * i - terminals, 0, 100) * 36.0
    outside(
        "energy_per_distance",
        "100 kg at 5 m/s on 2 % with drag of the motor, drag beyond the bench twice as fitted",
        ours=found["energy_per_distance"],
        published=cells / 5,
        allowance=1e-6 * cells,
        unit="J/m",
        source="power balance, solved by SciPy; " + HAND,
    )
