"""Outside values for heating: rise, resistance and time constant, by resistance, in drifting air, by other laws.

Sources: IEC 60034-1 (rise by resistance, from memory) and IEC 60085; bodies and balances of heat integrated or solved
by SciPy; examples worked by hand, whose figures stand beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import approx_fprime, brentq

from rotorproof.physics import heating
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from tests.outside import Outside
from tests.procedures.runs import fitted, outcome
from tests.proof.cases import HAND, values


def warming(tau: float, rise: float, *, air: float = 25.0) -> dict[str, np.ndarray]:
    time = np.arange(0.0, 6 * tau, tau / 60)
    noise = 0.01 * np.random.default_rng(6).standard_normal(time.size)
    return {"time": time, "temperature_controller": air + rise * (1 - np.exp(-time / tau)) + noise}


def test_one_body_by_hand(outside: Outside) -> None:
    # 20 W through 1.5 K/W: 30 K; 600 J/K x 1.5 K/W: 900 s. At 85 degC in air of 40 degC: 45 K, so sqrt(45/30) x 10 A.
    conditions = {"ambient_temperature": 25.0, "heat_power": 20.0, "test_current": 10.0, "temperature_limit": 85.0}
    conditions["surface_exponent"] = 0.0  # heat given off in proportion to the rise
    found = values("heat-run", [(warming(900.0, 30.0), conditions)])
    outside.each(
        found,
        (
            ("temperature_rise", 30.0, 0.02, "K"),
            ("thermal_resistance", 1.5, 0.002, "K/W"),
            ("thermal_time_constant", 900.0, 3.0, "s"),
            ("thermal_capacity", 600.0, 2.0, "J/K"),
            ("continuous_current", 12.247, 0.01, "A"),
        ),
        what="controller of 600 J/K on 1.5 K/W, heated by 20 W at 10 A, limit 85 degC",
        source="Newton's law of cooling, " + HAND,
    )


def test_rise_by_resistance_by_hand(outside: Outside) -> None:
    # 0.500 ohm at 20 degC. At switch-off 0.640 ohm, then falling: 0.640/0.500 x (235 + 20) - 235 = 91.4 degC, so
    # 66.4 K over air of 25 degC.
    time = np.linspace(10.0, 400.0, 40)
    columns = {"time": time, "resistance_ab": 0.545 + 0.095 * np.exp(-time / 300.0)}
    conditions = {"cold_resistance": 0.500, "cold_temperature": 20.0, "ambient_temperature": 25.0}
    found = values("heat-run", [(columns, conditions)], winding_constant=235.0)
    outside(
        "temperature_rise",
        "0.500 ohm at 20 degC, 0.640 ohm at switch-off, air of 25 degC",
        ours=found["temperature_rise"],
        published=66.4,
        allowance=0.05,
        unit="K",
        source="IEC 60034-1, 8.6.2, from memory; " + HAND,
    )


@pytest.mark.parametrize(("letter", "limit"), [("A", 60.0), ("E", 75.0), ("B", 80.0), ("F", 105.0), ("H", 125.0)])
def test_limits_of_the_rise(outside: Outside, letter: str, limit: float) -> None:
    from rotorproof.physics import thermal_class

    outside(
        "continuous_current",
        f"limit of the rise by resistance, thermal class {letter}, coolant of 40 degC",
        ours=thermal_class.rise_limit(letter),
        published=limit,
        allowance=0,
        unit="K",
        source="IEC 60034-1, table 8, as a secondary source prints it",
    )


@pytest.mark.parametrize(("exponent", "growth", "share"), [(0.25, 0.2, 1.0), (0.3, 0.0, 0.7), (0.15, 0.3, 2 / 3)])
def test_how_the_approach_bends(outside: Outside, exponent: float, growth: float, share: float) -> None:
    """The balance of heat of a body near its end, its derivatives taken numerically."""

    def surplus(rise: float) -> float:
        # Heat in grows by ``growth`` over the whole rise; what is given off goes with a power of it. Rise 1 at the end.
        return (1 + growth * (rise - 1)) - max(rise, 0.0) ** (1 + exponent)

    h = 1e-3
    first = (surplus(1 + h) - surplus(1 - h)) / (2 * h)
    second = (surplus(1 + h) - 2 * surplus(1.0) + surplus(1 - h)) / h**2
    # dy/dt in proportion to -(y - bend y^2), y = 1 - rise of the surface, which is ``share`` of the whole.
    outside(
        "temperature_rise",
        f"bend of the approach: exponent {exponent:g}, growth {growth:g}, {share:.2g} of the rise at the surface",
        ours=heating.bend_of(exponent, growth, share),
        published=0.5 * second / first / share,
        allowance=2e-5,
        source="second-order expansion of the heat balance, by finite differences",
    )

    def whole(heat: np.ndarray) -> float:
        return float(np.log(share * np.exp(heat[0]) ** (1 / (1 + exponent)) + (1 - share) * np.exp(heat[0])))

    slope = float(approx_fprime(np.zeros(1), whole, 1e-7)[0])
    outside(
        "continuous_current",
        f"exponent of a whole rise of which {share:.2g} has {exponent:g}",
        ours=heating.exponent_of_whole(exponent, share),
        published=1 / slope - 1,
        allowance=1e-5,
        source="logarithmic derivative of the rise by the heat, by finite differences",
    )


def test_a_winding_in_air_that_warms(outside: Outside) -> None:
    # Air from 20 degC at 1 K in 1000 s. At the end (5400 s, 25.4 degC) a constant current makes 50 K: 100 degC more of
    # copper would take (234.5 + 75.4 + 100)/(234.5 + 75.4) of the power. 1.25 K/W, 700 J/K.
    time = np.arange(0.0, 5400.1, 15.0)
    end, rise = 25.4, 50.0

    def slope(t: float, y: np.ndarray) -> list[float]:
        power = 40.0 * (234.5 + y[0]) / (234.5 + end + rise)
        return [(power - (y[0] - 20 - 1e-3 * t) / 1.25) / 700]

    body = solve_ivp(slope, (0, 5400), [20.0], t_eval=time, rtol=1e-10, atol=1e-10).y[0]
    rng = np.random.default_rng(15)
    columns = {
        "time": time,
        "temperature_winding": body + 0.003 * rng.standard_normal(time.size),
        "temperature_ambient": 20 + 1e-3 * time + 0.003 * rng.standard_normal(time.size),
    }
    last = body[-1]
    heat = 40.0 * (234.5 + last) / (234.5 + end + rise)
    conditions = {"heat_power": heat, "output_power": 0.0, "surface_exponent": 0.0}
    found = values("heat-run", [(columns, conditions)])
    # With the heat growing as it warms a winding is slower: 1/tau = (1/1.25 - 40/(234.5 + 75.4))/700.
    outside.each(
        found,
        (
            ("temperature_rise", rise, 0.1, "K"),
            ("thermal_time_constant", 700 / (1 / 1.25 - 40 / (234.5 + end + rise)), 6.0, "s"),
            ("thermal_resistance", 1.25, 0.0025, "K/W"),
        ),
        what="winding on 1.25 K/W at constant current, in air that warms by 1 K in 1000 s",
        source="heat equation integrated by SciPy",
    )


@pytest.mark.parametrize("exponent", [0.1, 0.25])
def test_a_winding_that_gives_off_heat_faster_than_it_warms(outside: Outside, exponent: float) -> None:
    # Of 60 K two thirds stand at the surface, in proportion to the heat to the power of 1/(1 + exponent), and 20 K over
    # the slot, in proportion to the heat; the copper's heat grows with its temperature.
    time = np.arange(0.0, 4500.0, 10.0)
    copper = 234.5 + 25 + 60

    def heat_of(surface: float) -> float:
        # q = (k + air + surface + 20 q)/(k + end): linear in q.
        return (234.5 + 25 + surface) / (copper - 20)

    def slope(_: float, y: np.ndarray) -> list[float]:
        return [40 * (heat_of(y[0]) - (max(y[0], 0.0) / 40) ** (1 + exponent)) / 900]

    surface = solve_ivp(slope, (0, time[-1]), [0.0], t_eval=time, rtol=1e-10, atol=1e-10).y[0]
    winding = 25 + surface + 20 * np.array([heat_of(s) for s in surface])
    noise = 0.003 * np.random.default_rng(16).standard_normal(time.size)
    late = time > 60  # the slot's 20 K come within the first minute
    conditions = {
        "ambient_temperature": 25.0,
        "heat_power": 40.0 * heat_of(float(surface[-1])),
        "output_power": 0.0,
        "test_current": 10.0,
        "temperature_limit": 105.0,
        "surface_exponent": exponent,
    }
    found = values(
        "heat-run", [({"time": time[late] - 60, "temperature_winding": (winding + noise)[late]}, conditions)]
    )

    def limit(heat: float) -> float:
        return 40 * heat ** (1 / (1 + exponent)) + 20 * heat - 65

    # Up to 105 degC in air of 40 degC the heat may grow until the rise is 65 K; the resistance is (k + 105)/(k + 85).
    allowed = brentq(limit, 0.5, 2.0)
    current = 10 * np.sqrt(allowed / ((234.5 + 105) / copper))
    outside.each(
        found,
        (
            ("temperature_rise", 60.0, 2e-3 * 60.0, "K"),
            ("thermal_resistance", 1.5, 2e-3 * 1.5, "K/W"),
            ("continuous_current", current, 2e-3 * current, "A"),
        ),
        what=f"winding of 60 K, 40 K of it at a surface with exponent {exponent:g}, constant current",
        source="heat equation integrated by SciPy; power balance solved by SciPy",
    )


def test_another_law_of_cooling_than_the_fit_assumed(outside: Outside) -> None:
    """The run is fitted with the usual exponent; told the true one afterwards, the formula must find the true rise."""
    time = np.arange(0.0, 6000.0, 10.0)
    course = solve_ivp(
        lambda _, y: [(20 - 20 * (max(y[0], 0.0) / 40) ** 1.28) / 600],
        (0, 6000),
        [0.0],
        t_eval=time,
        rtol=1e-10,
        atol=1e-10,
    ).y[0]
    noise = 0.002 * np.random.default_rng(18).standard_normal(time.size)
    procedure = procedures()["heat-run"]
    log = Log("run", {"time": time, "temperature_controller": 25 + course + noise}, {"ambient_temperature": 25.0})
    given = {"winding_constant": 234.5}
    parameters = {**fitted(procedure, [log], **given).parameters, "exponent": 0.28}
    found = procedure.derive(parameters, given)
    # At the steady temperature dy/dt = -1.28 x 20 W / 40 K / 600 J/K y.
    outside.each(
        found,
        (
            ("temperature_rise", 40.0, 1.5e-3 * 40.0, "K"),
            ("thermal_time_constant", 600 * 2 / 1.28, 0.03 * (600 * 2 / 1.28), "s"),
        ),
        what="600 J/K, 20 W given off at 40 K with exponent 0.28, fitted with 0.15",
        source="heat equation integrated by SciPy",
    )


def test_heat_run_in_air_that_warms(outside: Outside) -> None:
    # Air from 20 degC at 1 K in 1000 s; 1.5 K/W, 600 J/K, 20 W: 30 K over the air that the body follows, 0.9 K behind.
    time = np.arange(0.0, 5400.0, 15.0)
    air = 20 + 1e-3 * time
    body = solve_ivp(
        lambda t, y: [(20 + 1e-3 * t + 30 - y[0]) / 900], (0, 5400), [20.0], t_eval=time, rtol=1e-10, atol=1e-10
    ).y[0]
    rng = np.random.default_rng(5)
    columns = {
        "time": time,
        "temperature_controller": body + 0.005 * rng.standard_normal(time.size),
        "temperature_ambient": air + 0.005 * rng.standard_normal(time.size),
    }
    found = values("heat-run", [(columns, {"heat_power": 20.0, "surface_exponent": 0.0})])
    outside.each(
        found,
        (
            ("temperature_rise", 30.0, 0.03, "K"),
            ("thermal_resistance", 1.5, 0.002, "K/W"),
            ("thermal_time_constant", 900.0, 3.0, "s"),
        ),
        what="controller of 600 J/K on 1.5 K/W, 20 W, in air that warms by 1 K in 1000 s",
        source="heat equation integrated by SciPy",
    )


def test_two_bodies_and_what_is_still_to_come(outside: Outside) -> None:
    shape = np.array([50.0, 42.0, 8.0, math.log(1800.0), math.log(120.0)])
    exact = [22 + 50 - 42 * math.exp(-t / 1800) - 8 * math.exp(-t / 120) for t in (60.0, 900.0)]
    for moment, published in zip((60.0, 900.0), exact, strict=True):
        outside(
            "temperature_rise",
            f"two exponentials of 42 K and 8 K after {moment:g} s",
            ours=float(heating.two_bodies(np.array([moment]), np.array([22.0, 0.0, 0.0]), shape)[0]),
            published=published,
            allowance=1e-9,
            unit="degC",
            source="sum of exponentials, " + HAND,
        )
        outside(
            "temperature_rise",
            f"what is still to come of these after {moment:g} s",
            ours=heating.remaining(shape, moment, 22.0),
            published=72 - published,
            allowance=1e-9,
            unit="K",
            source="sum of exponentials, " + HAND,
        )


def test_a_run_of_two_bodies_cut_short(outside: Outside) -> None:
    time = np.arange(0.0, 4200.0, 10.0)
    noise = 0.003 * np.random.default_rng(9).standard_normal(time.size)
    course = 22 + 50 - 42 * np.exp(-time / 1800) - 8 * np.exp(-time / 120) + noise
    found = values(
        "heat-run",
        [
            (
                {"time": time, "temperature_controller": course},
                {"ambient_temperature": 22.0, "heat_power": 25.0, "surface_exponent": 0.0},
            )
        ],
    )
    outside.each(
        found,
        (
            ("temperature_rise", 50.0, 3e-3 * 50.0, "K"),
            ("thermal_resistance", 2.0, 3e-3 * 2.0, "K/W"),
            ("thermal_time_constant", 1800.0, 0.01 * 1800.0, "s"),
        ),
        what="two exponentials of 42 K in 1800 s and 8 K in 120 s, cut off after 4200 s",
        source="sum of exponentials, " + HAND,
    )


@pytest.mark.parametrize("readings", [3, 6, 40])
def test_resistance_after_switch_off(outside: Outside, readings: int) -> None:
    # 91.4 degC at switch-off by 0.640 ohm over 0.500 ohm at 20 degC; then falling by 0.05 K/s, or towards 60 degC.
    time = np.linspace(8.0, 8.0 + 4.0 * readings, max(readings, 4))
    hot = 91.4 - 0.05 * time if readings < 40 else 60 + 31.4 * np.exp(-time / 120)
    columns = {"time": time + 1000.0, "resistance_ab": 0.5 * (235 + hot) / 255}
    conditions = {
        "cold_resistance": 0.5,
        "cold_temperature": 20.0,
        "ambient_temperature": 25.0,
        "switch_off_time": 1000.0,
    }
    found = values("heat-run", [(columns, conditions)], winding_constant=235.0)
    outside(
        "temperature_rise",
        f"{time.size} resistances after switch-off from 91.4 degC",
        ours=found["temperature_rise"],
        published=66.4,
        allowance=0.02,
        unit="K",
        source="IEC 60034-1, 8.6.2, from memory; " + HAND,
    )


@pytest.mark.parametrize("exponent", [0.0, 0.25])
def test_a_body_that_gives_off_heat_faster_than_it_warms(outside: Outside, exponent: float) -> None:
    # Heat given off goes with the rise to the power of 1 + exponent: 20 W at 40 K; 600 J/K; cut off after 2700 s.
    time = np.arange(0.0, 2700.0, 10.0)
    course = solve_ivp(
        lambda _, y: [(20 - 20 * (max(y[0], 0.0) / 40) ** (1 + exponent)) / 600],
        (0, 2700),
        [0.0],
        t_eval=time,
        rtol=1e-10,
        atol=1e-10,
    ).y[0]
    noise = 0.003 * np.random.default_rng(12).standard_normal(time.size)
    conditions = {
        "ambient_temperature": 25.0,
        "heat_power": 20.0,
        "test_current": 10.0,
        "temperature_limit": 85.0,
        "surface_exponent": exponent,
    }
    found = values("heat-run", [({"time": time, "temperature_controller": 25 + course + noise}, conditions)])
    # Up to 85 degC in air of 40 degC, 45 K: the heat may grow by (45/40)^(1 + exponent).
    for name, published, relative, unit in (
        ("temperature_rise", 40.0, 2e-3, "K"),
        ("continuous_current", 10 * (45 / 40) ** ((1 + exponent) / 2), 2e-3, "A"),
    ):
        outside(
            name,
            f"600 J/K, 20 W given off at 40 K, in proportion to the rise to the power of {1 + exponent:g}",
            ours=found[name],
            published=published,
            allowance=relative * published,
            unit=unit,
            source="heat equation integrated by SciPy",
        )


def test_a_heat_run_of_many_readings(outside: Outside) -> None:
    time = np.arange(0.0, 5400.0, 0.2)
    noise = 0.3 * np.random.default_rng(21).standard_normal(time.size)
    course = 25 + 30 * (1 - np.exp(-time / 900)) + noise
    conditions = {"ambient_temperature": 25.0, "heat_power": 20.0, "surface_exponent": 0.0}
    found = outcome(procedures()["heat-run"], [({"time": time, "temperature_controller": course}, conditions)])
    for name, published, allowance, unit in (
        ("temperature_rise", 30.0, 0.02, "K"),
        ("thermal_time_constant", 900.0, 3.0, "s"),
        ("thermal_resistance", 1.5, 0.001, "K/W"),
    ):
        outside(
            name,
            "27 000 readings with noise of 0.3 K: 30 K and 900 s",
            ours=found.forms[name].value,
            published=published,
            allowance=allowance,
            unit=unit,
            source="Newton's law of cooling, " + HAND,
        )


@pytest.mark.parametrize("slope", [0.01, 0.02, 0.04])
def test_a_winding_that_cools_with_its_iron(outside: Outside, slope: float) -> None:
    time = np.linspace(10.0, 400.0, 40)
    noise = 0.002 * np.random.default_rng(22).standard_normal(40)
    hot = 60 - slope * time + 31.4 * np.exp(-time / 120) + noise
    conditions = {"cold_resistance": 0.5, "cold_temperature": 20.0, "ambient_temperature": 25.0}
    found = outcome(
        procedures()["heat-run"], [({"time": time, "resistance_ab": 0.5 * (234.5 + hot) / 254.5}, conditions)]
    )
    outside(
        "temperature_rise",
        f"91.4 degC at switch-off, towards an iron that cools by {slope:g} K/s",
        ours=found.forms["temperature_rise"].value,
        published=66.4,
        allowance=0.05,
        unit="K",
        source="IEC 60034-1, 8.6.2, from memory; " + HAND,
    )


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
    outside.each(
        found,
        (
            ("temperature_rise", 60.0, 0.01, "K"),
            ("thermal_time_constant", 1000.0, 1.0, "s"),
            ("thermal_resistance", 60 / 40.2831, 0.0005, "K/W"),
            ("thermal_capacity", 1000 * 40.2831 / 60, 0.8, "J/K"),
            ("continuous_current", 12.9685, 0.002, "A"),
        ),
        what="winding of 60 K and 1000 s, cut off after 3000 s, sensor reading 0.9 of the rise, 10 W of 40 W fixed",
        source="IEC 60034-1, 8.6.2, from memory; " + HAND,
    )


def test_two_bodies_by_linear_algebra(outside: Outside) -> None:
    # 200 J/K heated by 50 W, 0.3 K/W to 1500 J/K, 0.7 K/W to air: 50 K; time constants from the eigenvalues.
    matrix = np.array([[-1 / (0.3 * 200), 1 / (0.3 * 200)], [1 / (0.3 * 1500), -1 / (0.3 * 1500) - 1 / (0.7 * 1500)]])
    # The two are real: a newer NumPy gives them as complex numbers all the same.
    slowest = -1 / np.max(np.linalg.eigvals(matrix).real)
    time = np.linspace(0, 5 * slowest, 800)
    course = solve_ivp(
        lambda _, y: matrix @ y + [50 / 200, 0.0], (0, time[-1]), [0.0, 0.0], t_eval=time, rtol=1e-10, atol=1e-10
    ).y[0]
    noise = 0.01 * np.random.default_rng(4).standard_normal(time.size)
    run = {"ambient_temperature": 22.0, "heat_power": 50.0, "test_current": 8.0, "temperature_limit": 90.0}
    run["surface_exponent"] = 0.0
    found = values("heat-run", [({"time": time, "temperature_controller": 22 + course + noise}, run)])
    outside.each(
        found,
        (
            ("temperature_rise", 50.0, 1e-3 * 50.0, "K"),
            ("thermal_resistance", 1.0, 1e-3 * 1.0, "K/W"),
            ("thermal_time_constant", slowest, 0.01 * slowest, "s"),
        ),
        what="two coupled bodies of 200 J/K and 1500 J/K, 50 W",
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
