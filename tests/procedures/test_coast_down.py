"""Coast-downs of an invented rotor with richer friction, of an independent simulator, and of closed forms.

Sources: retardation method, IEC 60034-2-2; gym-electric-motor 3.0.3 (MIT): mechanical equation of its polynomial load;
the closed forms are solutions of the equation of motion found in any handbook of mechanics (Coulomb: a straight line;
Coulomb and viscous: an exponential; Coulomb and square: a tangent).
"""

from __future__ import annotations

import numpy as np
import pytest
from gym_electric_motor.physical_systems.mechanical_loads import PolynomialStaticLoad
from scipy.integrate import solve_ivp

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome
from rotorproof.physics import coasting
from rotorproof.procedures.coast_down import PROCEDURE
from tests.outside import Outside
from tests.procedures.runs import outcome
from tests.simulation.mechanical_runs import ACCURACY, coast_down_record
from tests.simulation.mechanics import BenchMotor

TIMES = np.linspace(0.0, 4.0, 60)
HANDBOOK = "equation of motion, handbook closed form"


@pytest.mark.parametrize(
    ("what", "ratios", "closed"),
    [
        ("Coulomb alone", (3.0, 0.0, 0.0), 40.0 - 3.0 * TIMES),
        ("Coulomb and viscous", (3.0, 0.2, 0.0), (40.0 + 15.0) * np.exp(-0.2 * TIMES) - 15.0),
        ("square alone", (0.0, 0.0, 0.01), 40.0 / (1 + 0.01 * 40.0 * TIMES)),
        (
            "Coulomb and square",
            (3.0, 0.0, 0.01),
            np.sqrt(300.0) * np.tan(np.arctan(40.0 / np.sqrt(300.0)) - np.sqrt(0.03) * TIMES),
        ),
    ],
)
def test_closed_forms(what: str, ratios: tuple[float, float, float], closed: np.ndarray, outside: Outside) -> None:
    ours = coasting.speed_after(TIMES, 40.0, *ratios)
    worst = int(np.argmax(np.abs(ours - closed)))
    outside(
        "coast-down",
        f"speed after {TIMES[worst]:.2f} s, {what}",
        ours=ours[worst],
        published=closed[worst],
        allowance=1e-9,
        source=HANDBOOK,
        unit="rad/s",
    )


@pytest.mark.parametrize("ratios", [(3.0, 0.5, 0.02), (0.1, 0.5, 0.001), (5.0, -0.05, 0.01), (1e-9, 1e-9, 1e-9)])
def test_every_sign_of_the_discriminant_follows_the_differential_equation(ratios: tuple[float, float, float]) -> None:
    alpha, beta, delta = ratios
    done = solve_ivp(
        lambda _, w: -(alpha + beta * w + delta * w**2), (0, 4), [40.0], t_eval=TIMES, rtol=1e-11, atol=1e-11
    )
    assert coasting.speed_after(TIMES, 40.0, *ratios) == pytest.approx(done.y[0], abs=1e-7)


def test_independent_simulator(outside: Outside) -> None:
    a, b, c, inertia = 0.35, 0.012, 2.0e-4, 0.012
    load = PolynomialStaticLoad(load_parameter={"a": a, "b": b, "c": c, "j_load": 1e-9})
    load.set_j_rotor(inertia)
    times = np.arange(0.0, 1.2, 2e-3)
    done = solve_ivp(
        lambda t, w: load.mechanical_ode(t, [w[0]], 0.0), (0, 1.2), [30.0], t_eval=times, rtol=1e-9, atol=1e-9
    )
    speed = np.maximum(done.y[0], 0.0)
    result = outcome(PROCEDURE, [({"time": times, "speed": speed}, {"moment_of_inertia": load.j_total})])
    for name, published, unit in (
        ("coulomb_friction", a, "N m"),
        ("viscous_friction", b, "N m s/rad"),
        ("windage", c, "N m s^2/rad^2"),
    ):
        outside(
            name,
            "one simulated coast-down with known inertia",
            ours=result.forms[name].value,
            published=published,
            allowance=2e-3 * published,
            source="gym-electric-motor 3.0.3, PolynomialStaticLoad",
            unit=unit,
        )


def truth(motor: BenchMotor) -> dict[str, float]:
    c, b = motor.coulomb + motor.hysteresis, motor.viscous + motor.eddy
    found = {
        "coulomb_friction": c,
        "viscous_friction": b,
        "moment_of_inertia": motor.inertia,
        "coulomb_deceleration": c / motor.inertia,
        "viscous_decay_rate": b / motor.inertia,
    }
    return found | ({"windage": motor.drag} if motor.drag else {})


def test_no_air_drag_is_said_to_be_below_a_limit() -> None:
    motor = BenchMotor()
    columns = coast_down_record(motor, np.random.default_rng(1), start=30.0)
    result = outcome(PROCEDURE, [(columns, {"moment_of_inertia": motor.inertia})], ACCURACY)
    assert "windage" not in result.forms
    assert "cannot tell air drag from viscous friction (it is below" in result.fit.missing["windage"]


def test_unknown_inertia_gives_ratios_and_says_what_to_measure() -> None:
    motor = BenchMotor()
    result = outcome(PROCEDURE, [(coast_down_record(motor, np.random.default_rng(2), start=30.0), {})], ACCURACY)
    assert set(result.forms) == {"coulomb_deceleration", "viscous_decay_rate"}
    for name in ("moment_of_inertia", "coulomb_friction", "viscous_friction", "windage"):
        assert "added_inertia" in result.fit.missing[name]


def test_friction_of_a_no_load_run_gives_the_inertia() -> None:
    motor = BenchMotor()
    columns = coast_down_record(motor, np.random.default_rng(2), start=30.0)
    expected = truth(motor)
    result = outcome(
        PROCEDURE,
        [(columns, {})],
        ACCURACY,
        coulomb_friction=expected["coulomb_friction"],
        viscous_friction=expected["viscous_friction"],
    )
    assert result.forms["moment_of_inertia"].value == pytest.approx(motor.inertia, rel=0.005)
    assert "coulomb_friction" not in result.forms, "what was put in is not given out again"


def test_the_coasting_part_is_found_and_the_rest_shown() -> None:
    motor = BenchMotor()
    columns = coast_down_record(motor, np.random.default_rng(5), start=30.0)
    result = outcome(PROCEDURE, [(columns, {"moment_of_inertia": motor.inertia})])
    series = result.report.panels[0].series
    measured = next(s for s in series if s.role == "measured")
    left = next(s for s in series if s.role == "left out")
    assert measured.x[0] >= 1.49, "the power was cut at 1.5 s"
    assert measured.y.min() > 0.05 * 30.0
    assert left.x.min() < 1.5
    assert left.x.max() > measured.x.max()


@pytest.mark.parametrize(("pole_pairs", "gear"), [(23, 1.0), (5, 4.4)])
def test_speed_from_back_emf(pole_pairs: int, gear: float) -> None:
    motor = BenchMotor()
    time = np.arange(0.0, 8.0, 2e-4)
    speed = motor.coast(28.0, time)
    angle = pole_pairs * gear * np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time))])
    wave = speed * (np.sin(angle) + 0.08 * np.sin(5 * angle) + 0.05 * np.sin(7 * angle))
    voltage = wave + np.random.default_rng(0).normal(0, 0.1, time.size)
    result = outcome(
        PROCEDURE,
        [({"time": time, "voltage_ab": voltage}, {"moment_of_inertia": motor.inertia})],
        pole_pairs=float(pole_pairs),
        nameplate_gear_ratio=gear,
    )
    expected = truth(motor)
    for name in ("coulomb_friction", "viscous_friction"):
        assert result.forms[name].value == pytest.approx(expected[name], rel=0.02)


def test_straight_line_through_a_parabola_is_that_of_least_squares() -> None:
    c, b, d = 0.4, 0.02, 3e-4
    speeds = np.linspace(0.15 * 30.0, 30.0, 4001)
    slope, level = np.polyfit(speeds, c + b * speeds + d * speeds**2, 1)
    parabola = coasting.Torques(np.array([0.1, c, b, d]), np.diag([1e-6, 1e-4, 1e-6, 1e-10]), 50.0, 0.0)
    line = coasting.straight(parabola, 30.0)
    assert line.values == pytest.approx([0.1, level, slope, d], rel=1e-3)
    assert line.covariance[2, 2] == pytest.approx(1e-6 + (1.15 * 30.0) ** 2 * 1e-10)


#: Of the rotor in ``coasted``: Coulomb, viscous and square term over the inertia.
SLOWING = (3.0, 0.06, 2e-4)


def coasted(seed: int, **stated: float) -> Outcome:
    """Return a coast-down with air drag too small to tell apart: 90 readings with a scatter of 0.15 rad/s."""
    times = np.arange(0.0, 9.0, 0.1)
    speed = coasting.speed_after(times, 30.0, *SLOWING)
    read = speed + np.random.default_rng(seed).normal(0.0, 0.15, times.size)
    return outcome(PROCEDURE, [({"time": times[speed > 2.0], "speed": read[speed > 2.0]}, stated)])


def test_the_line_of_friction_that_is_told_of_is_the_one_that_is_given() -> None:
    """NumPy's least squares through the square of speed, evenly from 15 % of the highest on."""
    for stated in ({"moment_of_inertia": 0.1}, {}):
        found = coasted(1, **stated)
        assert found.line is not None
        speeds = np.linspace(0.15 * found.line.top, found.line.top, 4001)
        slope, level = np.polyfit(speeds, speeds**2, 1)
        assert [found.line.coulomb, found.line.viscous] == pytest.approx([level, slope], rel=1e-3)
    assert "windage" not in found.forms


@pytest.mark.parametrize("inertia", [0.1, None])
def test_the_bend_beside_the_line_hangs_together_with_it_as_in_repeated_runs(inertia: float | None) -> None:
    """Coast-downs drawn anew: means, spreads and correlations are those of the forms; the true line is NumPy's."""
    names = ("coulomb_friction", "viscous_friction") if inertia else ("coulomb_deceleration", "viscous_decay_rate")
    stated, scale = ({"moment_of_inertia": inertia}, inertia) if inertia else ({}, 1.0)
    drawn, told, tops = [], [], []
    for found in (coasted(seed, **stated) for seed in range(100)):
        if found.line is None or found.bend is None:
            continue  # air drag is told apart by chance
        forms = [*(found.forms[name] for name in names), found.bend]
        influences = sorted({i for form in forms for i in form.terms}, key=lambda i: i.name)
        matrix = np.array([[form.terms.get(i, 0.0) for i in influences] for form in forms])
        drawn.append([form.value for form in forms])
        told.append(matrix @ matrix.T)
        tops.append(found.line.top)
    assert len(drawn) >= 96
    spread = np.std(drawn, axis=0, ddof=1)
    speeds = np.linspace(0.15, 1.0, 4001) * np.mean(tops)
    slope, level = np.polyfit(speeds, np.polyval(SLOWING[::-1], speeds), 1)
    away = (np.mean(drawn, axis=0) - scale * np.array([level, slope, SLOWING[2]])) / spread
    assert np.abs(away).max() < 0.35  # of the mean of a hundred: 3.5 standard errors
    # The middle: where residuals look correlated by chance, nine blocks of the run tell the covariance roughly.
    covariance = np.median(told, axis=0)
    size = np.sqrt(np.diag(covariance))
    assert covariance / np.outer(size, size) == pytest.approx(np.corrcoef(np.transpose(drawn)), abs=0.2)
    assert size == pytest.approx(spread, rel=0.2)


def test_several_runs_in_one_record_are_fitted_together() -> None:
    motor = BenchMotor()
    one = coast_down_record(motor, np.random.default_rng(7), start=30.0)
    two = coast_down_record(motor, np.random.default_rng(8), start=26.0)
    columns = {
        "time": np.concatenate([one["time"], two["time"] + 31.0]),
        "speed": np.concatenate([one["speed"], -two["speed"]]),  # the other way round
    }
    result = outcome(PROCEDURE, [(columns, {"moment_of_inertia": motor.inertia})])
    assert result.forms["coulomb_friction"].value == pytest.approx(motor.coulomb + motor.hysteresis, rel=0.01)
    assert len(result.report.tables[0].rows) == 2


@pytest.mark.parametrize(
    ("speed", "word"),
    [
        (np.full(400, 20.0), "no coast-down is found"),
        (np.linspace(0.0, 20.0, 400), "no coast-down is found"),
        (20.0 + np.sin(np.arange(400)), "no coast-down is found"),
    ],
)
def test_a_record_without_coasting_is_refused(speed: np.ndarray, word: str) -> None:
    with pytest.raises(FitError, match=word):
        outcome(PROCEDURE, [({"time": np.arange(400) * 0.01, "speed": speed}, {"moment_of_inertia": 0.05})])


def test_swapped_logs_of_an_added_inertia_are_noticed() -> None:
    motor = BenchMotor()
    bare = coast_down_record(motor, np.random.default_rng(1), start=30.0)
    loaded = coast_down_record(motor, np.random.default_rng(2), start=30.0, added=0.05)
    with pytest.raises(FitError, match="which log is which"):
        outcome(PROCEDURE, [(loaded, {}), (bare, {"added_inertia": 0.05})])
