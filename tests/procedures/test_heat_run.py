"""Heat runs against published limits, certified exponential fits and an invented motor of four bodies.

Sources: IEC 60034-1 table 8 (rise limits by resistance 60, 75, 80, 105, 125 K for classes A, E, B, F, H at
40 degC), IEC 60085 (class temperatures); resistance method of IEC 60034-1, 8.6.2, with k = 235 (formula from
memory), whose figures below are computed by hand; NIST StRD data sets Misra1a and BoxBOD, y = b1 (1 -
exp(-b2 x)), with certified values. The simulated motor is a set of differential equations with copper loss
that grows with temperature.
"""

from __future__ import annotations

from math import exp, log
from pathlib import Path

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.physics import heating, thermal_class
from rotorproof.procedures.base import Log
from rotorproof.procedures.heat_run import PROCEDURE
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Form
from tests.outside import Outside
from tests.simulation.heat import HeatRun, HeatTruth, heat_run

NIST = Path(__file__).parents[1] / "data" / "nist-strd"
GIVEN = {"winding_constant": 234.5, "nameplate_insulation_limit": 155.0, "nameplate_hot_spot_allowance": 10.0}


def outcome(*logs: Log, **given: float) -> Outcome:
    return run(
        PROCEDURE,
        logs,
        label="run",
        unit="U",
        given={name: Form(value) for name, value in (GIVEN | given).items()},
        instruments=[],
        uncertain_conditions={},
    )


def logs_of(found: HeatRun, truth: HeatTruth, air: float = 22.0) -> tuple[Log, Log]:
    cold = {"cold_resistance": truth.resistance * (234.5 + air) / 254.5, "cold_temperature": air}
    return Log("course", found.course, {"output_power": 0.0}), Log("cooling", found.cooling, cold)


@pytest.mark.parametrize(("letter", "limit"), [("A", 60), ("E", 75), ("B", 80), ("F", 105), ("H", 125)])
def test_rise_limits_of_iec_60034_1(letter: str, limit: float) -> None:
    assert thermal_class.rise_limit(letter) == limit


def test_rise_by_resistance() -> None:
    # 0.500 ohm at 20 degC, 0.640 ohm hot: 0.640/0.500 (235 + 20) - 235 = 91.4 degC, a rise of 71.4 K over 20
    # degC.
    hot = heating.temperature_by_resistance(np.array([0.640]), 0.500, 20.0, 235.0)
    assert hot == pytest.approx([91.4])


@pytest.mark.parametrize(
    ("name", "b1", "s1", "b2", "s2"),
    [
        ("Misra1a", 2.3894212918e02, 2.7070075241e00, 5.5015643181e-04, 7.2668688436e-06),
        ("BoxBOD", 2.1380940889e02, 1.2354515176e01, 5.4723748542e-01, 1.0455993237e-01),
    ],
)
def test_one_body_on_certified_data(name: str, b1: float, s1: float, b2: float, s2: float) -> None:
    rows = (NIST / f"{name}.dat").read_text().splitlines()[60:]
    y, x = np.array([[float(v) for v in row.split()] for row in rows if row.split()]).T

    def model(values: np.ndarray) -> np.ndarray:
        # The product's own curve, held to start at the temperature of its air.
        return heating.one_body(x, np.zeros(3), np.array([0.0, values[0], values[1]]))

    found = heating.nonlinear_fit(model, y, np.array([200.0, -log(b2) * 0.9]))
    assert found.values[0] == pytest.approx(b1, rel=1e-7)
    assert exp(-found.values[1]) == pytest.approx(b2, rel=1e-7)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([s1, s2 / b2], rel=1e-5)


def test_body_in_drifting_air_obeys_its_equation() -> None:
    # tau dT/dt = air + rise - T, integrated by SciPy.
    from scipy.integrate import solve_ivp

    course, tau, rise = np.array([20.0, 4e-4, -2e-8]), 1500.0, 50.0
    time = np.linspace(0, 9000, 50)
    solved = solve_ivp(
        lambda t, y: (course @ [1, t, t * t] + rise - y) / tau, (0, 9000), [25.0], t_eval=time, rtol=1e-10, atol=1e-10
    )
    assert heating.one_body(time, course, np.array([25.0, rise, log(tau)])) == pytest.approx(solved.y[0], abs=1e-6)


def test_blocked_cooling_shows_in_the_thermal_resistance() -> None:
    rng = np.random.default_rng(5)
    sound, blocked = HeatTruth(), HeatTruth(cooling=0.5)
    found = [
        outcome(*logs_of(heat_run(truth, rng, current=8.0, duration=12000), truth)).forms for truth in (sound, blocked)
    ]
    assert found[1]["thermal_resistance"].value > 1.5 * found[0]["thermal_resistance"].value
    assert found[1]["continuous_current"].value < found[0]["continuous_current"].value


def test_controller_is_judged_by_its_stated_limit() -> None:
    rng = np.random.default_rng(6)
    time = np.arange(0.0, 5000.0, 10.0)
    reading = 25 + 30 * (1 - np.exp(-time / 900)) + 0.1 * rng.standard_normal(time.size)
    conditions = {"ambient_temperature": 25.0, "heat_power": 20.0, "test_current": 10.0, "temperature_limit": 85.0}
    conditions["surface_exponent"] = 0.0  # a fan
    found = outcome(Log("run", {"time": time, "temperature_controller": reading}, conditions)).forms
    assert found["thermal_resistance"].value == pytest.approx(1.5, rel=0.01)
    assert found["thermal_capacity"].value == pytest.approx(600, rel=0.02)
    # (85 - 40)/30 of the heat, which goes with the square of the current.
    assert found["continuous_current"].value == pytest.approx(10 * 1.5**0.5, rel=0.01)
    # Unknown cooling: anything from that fan to rise^1.3 (JCGM 100:2008, 4.3.7).
    del conditions["surface_exponent"]
    cover = interval(
        outcome(Log("run", {"time": time, "temperature_controller": reading}, conditions)).forms["continuous_current"]
    )
    assert cover.low == pytest.approx(10 * 1.5 ** (1.0 / 2), rel=0.01)
    assert cover.high == pytest.approx(10 * 1.5 ** (1.3 / 2), rel=0.01)


def test_the_kind_of_a_stated_current_is_asked_for_and_counts(outside: Outside) -> None:
    time = np.arange(0.0, 5000.0, 10.0)
    reading = 25 + 30 * (1 - np.exp(-time / 900)) + 0.1 * np.random.default_rng(6).standard_normal(time.size)
    conditions = {"ambient_temperature": 25.0, "heat_power": 20.0, "test_current": 10.0, "temperature_limit": 85.0}

    def run_of(**kind: float) -> Outcome:
        return outcome(Log("run", {"time": time, "temperature_controller": reading}, {**conditions, **kind}))

    unsaid, direct, rms, peak = run_of(), *(run_of(current_kind=float(k)) for k in range(3))
    assert any("state 'current_kind'" in problem.message for problem in unsaid.report.warnings)
    assert not direct.report.warnings
    base = direct.forms["continuous_current"].value
    assert unsaid.forms["continuous_current"].value == pytest.approx(base)
    # Heat of three sinusoidal currents, averaged over a turn, in a winding of 1 ohm a phase.
    angle = np.linspace(0, 2 * np.pi, 100_000, endpoint=False)
    heat = sum(np.mean((10 * np.cos(angle - k * 2 * np.pi / 3)) ** 2) for k in range(3))
    for found, scale in ((peak, 1.0), (rms, 2.0)):
        outside(
            "continuous_current",
            "direct current through two lines that heats like a sinusoidal phase current",
            ours=10 * found.forms["continuous_current"].value / base,
            published=np.sqrt(scale * heat / 2),
            allowance=1e-6,
            unit="A",
            source="mathematics: mean of three squared cosines, and 2 R I^2",
        )


def test_case_alone_says_nothing_of_the_winding() -> None:
    made = heat_run(HeatTruth(), np.random.default_rng(7), duration=12000)
    columns = {name: values for name, values in made.course.items() if name != "temperature_winding"}
    found = outcome(Log("course", columns, {"output_power": 0.0}))
    assert "temperature_rise" in found.forms
    assert "winding's resistance after switch-off" in found.fit.missing["continuous_current"]


def test_run_cut_short_is_extrapolated_with_a_warning_or_refused() -> None:
    rng = np.random.default_rng(8)
    truth = HeatTruth()
    tau = truth.slowest(12.0, 22.0)
    short = outcome(logs_of(heat_run(truth, rng, duration=2.2 * tau), truth)[0])
    assert any("cut short" in problem.message for problem in short.report.warnings)
    cover = interval(short.forms["temperature_rise"])
    assert cover.low <= truth.steady(12.0, 22.0)[0] - 22.0 <= cover.high
    with pytest.raises(FitError, match="still to come"):
        outcome(logs_of(heat_run(truth, rng, duration=0.5 * tau), truth)[0])


def test_what_is_not_stated_is_asked_for() -> None:
    made = heat_run(HeatTruth(), np.random.default_rng(9), duration=12000)
    found = outcome(Log("course", made.course))
    assert "'output_power'" in found.fit.missing["thermal_resistance"]
    alone = Log("course", {"time": made.course["time"], "temperature_winding": made.course["temperature_winding"]})
    with pytest.raises(FitError, match="ambient temperature is stated nowhere"):
        outcome(alone)
    assert "test_current" in outcome(alone, ambient_temperature=22.0).fit.missing["continuous_current"]
    with pytest.raises(FitError, match="cold resistance is not known"):
        outcome(Log("cooling", made.cooling))
    with pytest.raises(FitError, match="'label'"):
        outcome(Log("a", made.course), Log("b", made.course))


def test_log_that_runs_on_into_the_cooling_is_refused_until_told() -> None:
    time = np.arange(0.0, 6000.0, 10.0)
    rising = 25 + 40 * (1 - np.exp(-time / 900))
    fall = 25 + (rising[400] - 25) * np.exp(-(time - 4000) / 900)
    columns = {"time": time, "temperature_winding": np.where(time <= 4000, rising, fall)}
    air = {"ambient_temperature": 25.0, "surface_exponent": 0.0}
    with pytest.raises(FitError, match="switch_off_time"):
        outcome(Log("run", columns, air))
    found = outcome(Log("run", columns, air | {"switch_off_time": 4000.0})).forms
    assert found["temperature_rise"].value == pytest.approx(40.0, rel=1e-4)
    assert found["thermal_time_constant"].value == pytest.approx(900.0, rel=1e-3)


def test_the_supply_current_of_a_motor_that_ran_is_not_its_own() -> None:
    found = heat_run(HeatTruth(), np.random.default_rng(3))
    direct = outcome(Log("course", found.course, {"output_power": 0.0}))
    assert "continuous_current" in direct.forms
    driven = outcome(Log("course", found.course, {"output_power": 5.0}))
    assert "continuous_current" not in driven.forms
    assert "state 'test_current'" in driven.fit.missing["continuous_current"]


def test_iron_loss_that_nobody_stated_is_a_doubt_of_a_run_that_turned(outside: Outside) -> None:
    # 100 W of heat at a rise of 60 K that is given off in proportion to the rise. To 145 °C in air of 40 °C: 175 W.
    time = np.arange(0.0, 9000.0, 30.0)
    columns = {"time": time, "temperature_winding": 25.0 - 60.0 * np.expm1(-time / 1000.0)}
    columns |= {"supply_voltage": np.full(time.size, 30.0), "supply_current": np.full(time.size, 10.0)}
    state = {"ambient_temperature": 25.0, "surface_exponent": 0.0, "temperature_limit": 145.0, "test_current": 12.0}
    turning = state | {"output_power": 200.0}

    def found(**more: float) -> Form:
        return outcome(Log("course", columns, turning | more)).forms["continuous_current"]

    # Copper alone grows with the resistance, (234.5 + 145)/(234.5 + 85) = 1.18779: with none, 25 and 50 W of iron
    # 12 A x sqrt(175/118.779), sqrt(150/(75 x 1.18779)), sqrt(125/(50 x 1.18779)).
    ends = {fixed: 12.0 * np.sqrt((175.0 - fixed) / ((100.0 - fixed) * 379.5 / 319.5)) for fixed in (0.0, 25.0, 50.0)}
    unknown = found()
    for words, form, fixed in (
        ("all copper", found(fixed_loss=1e-6), 0.0),
        ("50 W of iron", found(fixed_loss=50.0), 50.0),
        ("iron not stated, none to half", unknown, 25.0),
    ):
        outside(
            "continuous_current",
            f"12 A and 100 W at a rise of 60 K carried to 105 K, {words}",
            ours=form.value,
            published=float(ends[fixed]),
            allowance=0.01,
            source="balance of heat, worked by hand; resistance by IEC 60034-1, 8.6.2, from memory",
            unit="A",
        )
    reach = np.sqrt(3.0) * unknown.standard_uncertainty
    assert unknown.value - reach < ends[0.0] + 0.3 and unknown.value + reach > ends[50.0] - 0.8
    assert unknown.standard_uncertainty > 5.0 * found(fixed_loss=25.0).standard_uncertainty


def test_a_winding_far_colder_than_its_air_at_switch_on_names_its_column() -> None:
    truth = HeatTruth()
    course, cooling = logs_of(heat_run(truth, np.random.default_rng(4), duration=12000), truth)
    sensor = "temperature_winding"
    columns = {**course.columns, sensor: (course.columns[sensor] - 32.0) / 1.8}
    with pytest.raises(FitError, match=rf"the column {sensor} begins at .* in air at .*\[degF\] written for"):
        outcome(Log("course", columns, course.conditions), cooling)


def _warm(columns: dict[str, np.ndarray], state: dict[str, float], **given: float) -> tuple[float, float, str]:
    """Return the ends of the continuous current of 12 A at a rise of 60 K, and what is said of it."""
    time = np.arange(0.0, 9000.0, 30.0)
    log = {"time": time, "temperature_winding": 25.0 - 60.0 * np.expm1(-time / 1000.0)}
    log |= {name: np.full(time.size, value) for name, value in columns.items()}
    known = {"ambient_temperature": 25.0, "surface_exponent": 0.0, "temperature_limit": 145.0, "test_current": 12.0}
    found = outcome(Log("course", log, known | state), **given)
    cover = found.result("continuous_current").interval(0.95)
    said = [*found.report.notes, *(problem.message for problem in found.report.warnings)]
    return cover.low, cover.high, " ".join(said)


# Ends by the balance of heat, as above: 14.566 A with no iron loss, 17.41 A with half of the heat (worked by hand).
@pytest.mark.parametrize(
    ("columns", "state", "given", "doubt"),
    [
        ({}, {"heat_power": 100.0}, {}, True),
        ({}, {}, {}, True),
        ({"speed": 20.0}, {"heat_power": 100.0}, {}, True),
        ({"speed": 20.0}, {"heat_power": 100.0, "output_power": 0.0}, {}, True),
        ({}, {"fixed_loss": 50.0}, {}, True),
        ({"supply_voltage": 30.0, "supply_current": 10.0}, {}, {"resistance_ab": 0.5}, True),
        ({"speed": 0.0}, {"heat_power": 100.0}, {}, False),
        ({}, {"heat_power": 100.0, "output_power": 0.0}, {}, False),
        ({}, {"fixed_loss": 0.0}, {}, False),
        # 12 A through 0.55 ohm, at 85 degC 0.6905 ohm, make 99.4 W.
        ({}, {"heat_power": 100.0}, {"resistance_ab": 0.55}, False),
        ({"supply_voltage": 8.3, "supply_current": 12.0}, {}, {"resistance_ab": 0.55}, False),
    ],
)
def test_all_that_tells_of_a_turning_motor_decides_on_its_iron_loss(
    columns: dict[str, float], state: dict[str, float], given: dict[str, float], doubt: bool
) -> None:
    low, high, said = _warm(columns, state, **given)
    if doubt:
        assert low < 14.6 and high > 16.8
        assert "iron loss and friction" in said
        assert ("nothing says whether the motor turned" in said) == (not columns)
    else:
        assert low == pytest.approx(14.566, abs=0.02) and high == pytest.approx(14.566, abs=0.02)
        assert "iron loss" not in said


def test_what_a_stated_fixed_loss_did_is_said() -> None:
    assert "'fixed_loss' could not be used" in _warm({}, {"fixed_loss": 50.0})[2]
    said = _warm({}, {"fixed_loss": 50.0, "heat_power": 100.0})[2]
    assert "but for the stated fixed loss of 50 W" in said and "could not be used" not in said
    with pytest.raises(FitError, match="more than the whole heat"):
        _warm({}, {"fixed_loss": 150.0, "heat_power": 100.0})
