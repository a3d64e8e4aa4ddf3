"""The same quantities along branches that the plainer examples do not take: another output, meter or law of cooling.

Sources: bodies and balances integrated by SciPy; examples worked by hand, whose figures stand beside them.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import approx_fprime, brentq

from rotorproof.physics import heating
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from tests.outside import Outside
from tests.procedures.controller_runs import case
from tests.procedures.controller_runs import outcome as controller_outcome
from tests.procedures.runs import fitted, outcome
from tests.proof.test_motor_turned import PSI, SPEED, P, driven, sensed

HAND = "worked by hand"


def values(name: str, logs: list, **given: float) -> dict[str, float]:
    return {key: form.value for key, form in outcome(procedures()[name], logs, **given).forms.items()}


# ----- Throttle


def swept(given: np.ndarray, speed: np.ndarray) -> dict[str, float]:
    log = Log("sweep", {"throttle": given, "speed": speed}, {"case": case("throttle", "sweep", "case")})
    return {name: form.value for name, form in controller_outcome("throttle", [log]).forms.items()}


@pytest.mark.parametrize("span", [25.0, 0.4])
def test_a_throttle_that_moves_a_speed(outside: Outside, span: float) -> None:
    """Shares of the output's span do not depend on its unit: speeds up to 25 rad/s and to 0.4 rad/s."""
    # Released at 0.80 V, from 1.20 V to 3.70 V; down, the same output at 0.05 V less.
    up = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    given = np.concatenate([up, up[::-1]])
    lag = np.where(np.arange(given.size) < up.size, 0.0, 0.05)
    share = np.clip((given + lag - 1.2) / 2.5, 0.0, 1.0)
    found = swept(given, span * share)
    for name, published, allowance, factor, unit in (
        ("throttle_deadband", 0.40, 0.003, 1.0, "V"),
        ("throttle_start", 1.20, 0.003, 1.0, "V"),
        ("throttle_full", 3.70, 0.003, 1.0, "V"),
        ("throttle_hysteresis", 2.0, 0.05, 100.0, "percent"),  # 0.05 V of 2.5 V
        ("throttle_step", 3.4, 0.15, 100.0, "percent"),  # a fortieth of 3.4 V is 0.085 V of 2.5 V
    ):
        outside(
            name,
            f"drawn sweep of a speed up to {span:g} rad/s: 1.20 V to 3.70 V, 0.05 V apart",
            ours=factor * found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source="terms as in IEC 61298-2, from memory; " + HAND,
        )
    rising = given[: up.size]
    # At 2.4 V the output falls by 6 % of its span; over the running mean of 21 readings it rises by 1.0 %.
    fallen = np.clip((rising - 1.2) / 2.5, 0.0, 1.0) * 1.06 - 0.06 * (rising > 2.4)
    outside(
        "throttle_reversal",
        f"speed up to {span:g} rad/s that falls by 6 % of its span while the signal rises",
        ours=100 * swept(rising, span * fallen)["throttle_reversal"],
        published=6.0,
        allowance=1.2,
        unit="percent",
        source=HAND,
    )
    # It bows: 4 x 4 % of the span above the straight line in the middle, in proportion to x (1 - x). The line of least
    # squares lies 2/3 of that up, so 1/3 of it is left in the middle and 2/3 at the ends.
    x = np.clip((rising - 1.2) / 2.5, 0.0, 1.0)
    outside(
        "throttle_linearity",
        f"speed up to {span:g} rad/s that bows by 4 % of its span in the middle",
        ours=100 * swept(rising, span * (x + 0.16 * x * (1 - x)))["throttle_linearity"],
        published=100 * 0.04 * 2 / 3,
        allowance=0.3,
        unit="percent",
        source="independent linearity as in IEC 61298-2, from memory; " + HAND,
    )


# ----- EMF and sensors


def test_meters_off_their_zero(outside: Outside) -> None:
    columns = driven()
    for line, offset in (("ab", 0.5), ("bc", -0.3), ("ca", 0.2)):
        columns[f"voltage_{line}"] = columns[f"voltage_{line}"] + offset
    found = values("open-circuit", [(columns, {"speed": SPEED})])
    for name, factor in (("peak", np.sqrt(3)), ("rms", np.sqrt(1.5)), ("dc", np.sqrt(3) * 3 / np.pi)):
        outside(
            f"emf_constant_{name}",
            f"{P} pole pairs of {1e3 * PSI:g} mV s, voltmeters off by 0.5, -0.3 and 0.2 V",
            ours=found[f"emf_constant_{name}"],
            published=factor * P * PSI,
            allowance=2e-5 * factor * P * PSI,
            unit="V s/rad",
            source="p psi omega per phase, identities of the sine; " + HAND,
        )


@pytest.mark.parametrize("lines", [("ab", "bc", "ca"), ("ab", "bc"), ("bc", "ca"), ("ca", "ab")])
def test_table_from_fewer_lines(outside: Outside, lines: tuple[str, ...]) -> None:
    # Sensors rise 0, 120 and 240 degrees after the EMF A-B. At 30 degrees A and C are high, and B-C is at its trough:
    # 101 asks for C-B. So on every 60 degrees: 100 A-B, 110 A-C, 010 B-C, 011 B-A, 001 C-A.
    columns = {
        name: column
        for name, column in sensed((0.0, 120.0, 240.0)).items()
        if not name.startswith("voltage") or name[-2:] in lines
    }
    found = values("hall-sensors", [(columns, {})])
    outside(
        "commutation_table",
        f"sensors in step with the zero crossings, lines {', '.join(lines).upper()}",
        ours=found["commutation_table"],
        published=534162,
        allowance=0,
        source="largest line EMF in each sector, " + HAND,
    )


def test_sensors_alone(outside: Outside) -> None:
    """No voltage is read, and the speed swings by 3 % once a turn of the rotor."""
    time = np.arange(40_000) / 20_000.0
    turns = P * (SPEED * time + 0.03 * np.sin(SPEED * time)) / (2 * np.pi) + 0.1
    columns = {"time": time}
    for k, (name, high) in enumerate(zip("abc", (198.0, 180.0, 180.0), strict=True)):
        # Both edges of A lie 9 degrees out, so that its middle does not move.
        rise = (120 * k - (high - 180) / 2) / 360
        columns[f"hall_{name}"] = (np.mod(turns - rise, 1.0) < high / 360).astype(float)
    found = values("hall-sensors", [(columns, {})])
    for name, published, allowance, factor, unit in (
        ("hall_spacing", 120.0, 1e-9, 180 / np.pi, "deg"),
        ("hall_sequence", 1.0, 0.0, 1.0, "1"),
        ("hall_duty_error", 5.0, 0.3, 100.0, "percent"),
        ("hall_placement_a", 0.0, 0.3, 180 / np.pi, "deg"),
        ("hall_placement_b", 0.0, 0.3, 180 / np.pi, "deg"),
    ):
        outside(
            name,
            "sensors without a voltage, A high for 198 of 360 degrees, speed that swings by 3 %",
            ours=factor * found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source="drawn and worked by hand in electrical degrees",
        )


# ----- Heat


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
    conditions = {"heat_power": 40.0 * (234.5 + last) / (234.5 + end + rise), "surface_exponent": 0.0}
    found = values("heat-run", [(columns, conditions)])
    # With the heat growing as it warms a winding is slower: 1/tau = (1/1.25 - 40/(234.5 + 75.4))/700.
    for name, published, allowance, unit in (
        ("temperature_rise", rise, 0.1, "K"),
        ("thermal_time_constant", 700 / (1 / 1.25 - 40 / (234.5 + end + rise)), 6.0, "s"),
        ("thermal_resistance", 1.25, 0.0025, "K/W"),
    ):
        outside(
            name,
            "winding on 1.25 K/W at constant current, in air that warms by 1 K in 1000 s",
            ours=found[name],
            published=published,
            allowance=allowance,
            unit=unit,
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
    for name, published, relative, unit in (
        ("temperature_rise", 60.0, 2e-3, "K"),
        ("thermal_resistance", 1.5, 2e-3, "K/W"),
        ("continuous_current", current, 2e-3, "A"),
    ):
        outside(
            name,
            f"winding of 60 K, 40 K of it at a surface with exponent {exponent:g}, constant current",
            ours=found[name],
            published=published,
            allowance=relative * published,
            unit=unit,
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
    for name, published, relative, unit in (
        ("temperature_rise", 40.0, 1.5e-3, "K"),
        ("thermal_time_constant", 600 * 2 / 1.28, 0.03, "s"),
    ):
        outside(
            name,
            "600 J/K, 20 W given off at 40 K with exponent 0.28, fitted with 0.15",
            ours=found[name],
            published=published,
            allowance=relative * published,
            unit=unit,
            source="heat equation integrated by SciPy",
        )
