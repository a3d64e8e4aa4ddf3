"""The same quantities from other kinds of readings: two lines instead of three, a table, a record, a step down.

Sources: gym-electric-motor 3.0.3; circuits, bodies and balances solved by SciPy; examples worked by hand, whose figures
stand beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from rotorproof.derivations.drive_prediction import DERIVATION as PREDICTION
from rotorproof.physics import heating, inductance, thinning
from rotorproof.procedures import procedures
from tests.outside import Outside
from tests.procedures.runs import outcome
from tests.proof.test_controller import _throttle, drawn
from tests.proof.test_controller import values as captured
from tests.proof.test_losses_and_heat import COULOMB, KE, R_LINE, VISCOUS, steady
from tests.proof.test_motor_at_rest import D_AXIS, PAIRS, Q_AXIS, line_inductance
from tests.proof.test_motor_turned import PSI, SPEED, P, driven
from tests.proof.test_road import GIVEN

GYM = "gym-electric-motor 3.0.3"
HAND = "worked by hand"


def values(name: str, logs: list, **given: float) -> dict[str, float]:
    return {key: form.value for key, form in outcome(procedures()[name], logs, **given).forms.items()}


# ----- Winding


def test_an_encoder_with_an_offset_and_an_aligned_rotor(outside: Outside) -> None:
    # The encoder reads 0.05 rad more than the rotor's angle; direct current from A to B holds the rotor where its d
    # axis lies along them, at -30 electrical degrees.
    angle = np.linspace(0.0, 2 * np.pi / PAIRS, 24, endpoint=False)
    columns = {f"inductance_{pair}": np.array([line_inductance(pair, a) for a in angle]) for pair in ("ab", "bc", "ca")}
    columns["angle"] = angle + 0.05
    found = values(
        "winding-inductance",
        [(columns, {"aligned_angle": -np.pi / 6 / PAIRS + 0.05})],
        nameplate_pole_pairs=float(PAIRS),
    )
    for name, published in (("inductance_d", D_AXIS), ("inductance_q", Q_AXIS)):
        outside(
            name,
            "line inductances over the reading of an encoder 0.05 rad off, rotor aligned",
            ours=1e3 * found[name],
            published=1e3 * published,
            allowance=1e-5,
            unit="mH",
            source=f"{GYM}, PermanentMagnetSynchronousMotor.electrical_ode",
        )


def test_three_pairs_at_unknown_angles(outside: Outside) -> None:
    angle = np.linspace(0.0, 2 * np.pi / PAIRS, 24, endpoint=False)
    columns = {f"inductance_{pair}": np.array([line_inductance(pair, a) for a in angle]) for pair in ("ab", "bc", "ca")}
    found = values("winding-inductance", [(columns, {})])
    for name, published in (("inductance_d", D_AXIS), ("inductance_q", Q_AXIS)):
        outside(
            name,
            "line inductances of three pairs at angles that nobody read",
            ours=1e3 * found[name],
            published=1e3 * published,
            allowance=1e-5,
            unit="mH",
            source=f"{GYM}, PermanentMagnetSynchronousMotor.electrical_ode",
        )


@pytest.mark.parametrize("pair", ["ab", "bc", "ca"])
def test_one_line_pair_at_an_angle(outside: Outside, pair: str) -> None:
    outside(
        "inductance_d",
        f"inductance of the lines {pair.upper()} at 0.11 rad",
        ours=1e3 * float(inductance.line_inductance(np.array(0.11), D_AXIS, Q_AXIS, PAIRS, pair)),
        published=1e3 * line_inductance(pair, 0.11),
        allowance=1e-9,
        unit="mH",
        source=f"{GYM}, PermanentMagnetSynchronousMotor.electrical_ode",
    )


@pytest.mark.parametrize(("first", "then"), [(1.0, 2.0), (2.0, 0.0), (0.5, 1.5)])
def test_a_step_from_one_current_to_another(outside: Outside, first: float, then: float) -> None:
    # Both meters are off their zero, by 0.02 V and 0.1 A.
    time = np.arange(0, 0.05, 1e-5)
    voltage = np.where(time >= 5e-3, then, first)
    _, current, _ = signal.lsim(([1.0], [420e-6, 0.25]), voltage - first, time, interp=False)
    columns = {"time": time, "voltage_ab": voltage + 0.02, "current_ab": current + first / 0.25 + 0.1}
    found = values("winding-inductance", [(columns, {})])
    for name, published, unit in (("phase_inductance", 0.210, "mH"), ("electrical_time_constant", 1.68, "ms")):
        outside(
            name,
            f"step from {first:g} V to {then:g} V on 0.42 mH and 0.25 ohm, meters off their zero",
            ours=1e3 * found[name],
            published=published,
            allowance=4e-3 * published,
            unit=unit,
            source="scipy.signal.lsim, series circuit of R and L",
        )


# ----- EMF


@pytest.mark.parametrize("lines", [("ab", "bc"), ("bc", "ca"), ("ab",)])
def test_fewer_lines(outside: Outside, lines: tuple[str, ...]) -> None:
    columns = {name: v for name, v in driven().items() if name == "time" or name[-2:] in lines}
    found = values("open-circuit", [(columns, {"speed": SPEED})])
    for name, factor in (("peak", math.sqrt(3)), ("rms", math.sqrt(1.5)), ("dc", math.sqrt(3) * 3 / math.pi)):
        outside(
            f"emf_constant_{name}",
            f"{P} pole pairs of {1e3 * PSI:g} mV s, lines {' and '.join(lines).upper()} alone",
            ours=found[f"emf_constant_{name}"],
            published=factor * P * PSI,
            allowance=2e-5 * factor * P * PSI,
            unit="V s/rad",
            source="p psi omega per phase, identities of the sine; " + HAND,
        )


@pytest.mark.parametrize("order", [1, 5, 11])
def test_what_averaging_takes_from_a_harmonic(outside: Outside, order: int) -> None:
    step, m = 0.02, 7
    turn = order * step * (np.arange(m) - (m - 1) / 2)
    outside(
        "emf_constant_peak",
        f"height of harmonic {order} after averaging {m} readings {step:g} rad apart",
        ours=float(thinning.attenuation(order, m, step)[-1]),
        published=float(np.mean(np.cos(turn))),
        allowance=1e-12,
        source="mean of the readings themselves; mathematics",
    )


# ----- Losses


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
    for name, published, relative, unit in (
        ("coulomb_friction", COULOMB, 5e-3, "N m"),
        ("viscous_friction", VISCOUS, 1e-2, "N m s/rad"),
        ("emf_constant_dc", KE, 1e-3, "V s/rad"),
        ("no_load_current", steady(36.0)[1], 5e-3, "A"),
    ):
        outside(
            name,
            "record of seven voltages, each settling within half a second",
            ours=found[name],
            published=published,
            allowance=relative * published,
            unit=unit,
            source=f"{GYM}, DcPermanentlyExcitedMotor with PolynomialStaticLoad",
        )


def test_power_analyser_readings_over_the_load(outside: Outside) -> None:
    # Loss of 3 W + 5 % + 0.0004/W of the output: at 250 W 3 + 12.5 + 25 = 40.5 W, 250/290.5 = 86.059 %.
    output = np.linspace(20.0, 300.0, 15)
    columns = {
        "supply_voltage": np.full(15, 36.0),
        "supply_current": (output + 3 + 0.05 * output + 4e-4 * output**2) / 36.0,
        "phase_power": output,
    }
    found = values("controller-loss", [(columns, {"state": 0.0})], nameplate_rated_power=250.0)
    for name, published, factor, unit in (
        ("controller_loss", 40.5, 1.0, "W"),
        ("controller_efficiency", 86.0585, 100.0, "percent"),
    ):
        outside(
            name,
            "loss of 3 W + 5 % of the output + 0.0004/W of its square, at 250 W",
            ours=factor * found[name],
            published=published,
            allowance=1e-4,
            unit=unit,
            source=HAND,
        )


def test_characteristic_of_a_motor_with_friction(outside: Outside) -> None:
    # 36 V = 1.2 w + 0.24 I; shaft torque 1.2 I - 0.4 - 0.02 w.
    current = np.linspace(1.5, 20.0, 16)
    speed = (36.0 - 0.24 * current) / 1.2
    columns = {
        "torque": 1.2 * current - 0.4 - 0.02 * speed,
        "speed": speed,
        "supply_voltage": np.full(16, 36.0),
        "supply_current": current,
    }
    found = values("load", [(columns, {"winding_temperature": 20.0})])
    outside(
        "torque_constant",
        "characteristic at 36 V of 1.2 N m/A and 0.24 ohm with friction of 0.4 N m + 0.02 N m s/rad",
        ours=found["torque_constant"],
        published=1.2,
        # How much of the friction falls with the speed cannot be seen: half of it is taken.
        allowance=0.002,
        unit="N m/A",
        source=HAND,
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


# ----- Heat


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
    for name, published, allowance, unit in (
        ("temperature_rise", 30.0, 0.03, "K"),
        ("thermal_resistance", 1.5, 0.002, "K/W"),
        ("thermal_time_constant", 900.0, 3.0, "s"),
    ):
        outside(
            name,
            "controller of 600 J/K on 1.5 K/W, 20 W, in air that warms by 1 K in 1000 s",
            ours=found[name],
            published=published,
            allowance=allowance,
            unit=unit,
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
    for name, published, relative, unit in (
        ("temperature_rise", 50.0, 3e-3, "K"),
        ("thermal_resistance", 2.0, 3e-3, "K/W"),
        ("thermal_time_constant", 1800.0, 0.01, "s"),
    ):
        outside(
            name,
            "two exponentials of 42 K in 1800 s and 8 K in 120 s, cut off after 4200 s",
            ours=found[name],
            published=published,
            allowance=relative * published,
            unit=unit,
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


# ----- Controller


def test_a_start_with_a_jump(outside: Outside) -> None:
    signal_ = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    output = np.where(signal_ > 1.5, np.clip(0.2 + 0.8 * (signal_ - 1.5) / 2.2, 0.0, 1.0), 0.0)
    found = _throttle(signal_, output)
    for name, published in (("throttle_start", 1.5), ("throttle_deadband", 0.7), ("throttle_full", 3.7)):
        outside(
            name,
            "output that starts at 1.5 V with 20 % and is full at 3.7 V, released 0.8 V",
            ours=found[name],
            published=published,
            # A reading every 1.13 mV: the middle of the gap that holds the jump lies half of that from it at most.
            allowance=0.0006,
            unit="V",
            source="signal drawn and worked by hand from the definition",
        )


def test_a_curve_that_bends(outside: Outside) -> None:
    # With u from 0 at 1.2 V to 1 at 3.7 V: 0.4 u + 0.6 u^2, a curve of second order throughout.
    signal_ = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    u = np.clip((signal_ - 1.2) / 2.5, 0.0, 1.0)
    found = _throttle(signal_, 0.4 * u + 0.6 * u**2)
    for name, published in (("throttle_start", 1.2), ("throttle_deadband", 0.4), ("throttle_full", 3.7)):
        outside(
            name,
            "output that rises by 0.4 u + 0.6 u^2 from 1.2 V to 3.7 V",
            ours=found[name],
            published=published,
            allowance=1e-4,
            unit="V",
            source="signal drawn and worked by hand from the definition",
        )


def test_a_skipped_sensor_step(outside: Outside) -> None:
    # The capture loses the whole of one sector: the sensors go from its neighbour before to that after.
    rows = drawn()
    keep = np.ones(rows["time"].size, bool)
    keep[7 * 100 * 500 - 120 : 8 * 100 * 500 - 120] = False
    rows = {name: series[keep] for name, series in rows.items()}
    rows["time"] = np.arange(keep.sum()) / 10e6
    outside(
        "commutation_errors",
        "one sector of 18 cut out, so that the sensors skip a step",
        ours=captured(rows)["commutation_errors"],
        published=1,
        allowance=0,
        source="signal drawn and worked by hand from the definition",
    )


def test_a_pair_on_the_road(outside: Outside) -> None:
    given = {
        **GIVEN,
        "coulomb_friction": 0.4,
        "viscous_friction": 0.02,
        "controller_loss": 10.0,
        "controller_efficiency": 0.95,
        "standby_power": 2.0,
        "controller_bench_duty": 0.8,
        "controller_loss_square": 0.5,
        "supply_current_limit": 100.0,
        "phase_current_limit": 100.0,
        "pack_current_limit": math.inf,
    }
    drop, resistance = 4.0 / 6.597222, 4.0 / 6.597222**2

    def needed(velocity: float) -> float:
        drag = 100 * 9.80665 * 0.01 + 0.3 * velocity**2
        return (0.35 * drag + 0.4 + 0.02 * velocity / 0.35) / 1.2

    def lacking(velocity: float, current: float) -> float:
        # At full duty the pack gives the motor's current and what the controller takes for itself.
        def terminals(u: float) -> float:
            return u - (36 - 0.06 * (current + 2.0 / u))

        u = brentq(terminals, 20, 40)
        return u - drop - (0.24 + resistance) * current - 1.2 * velocity / 0.35

    speed = brentq(lambda v: lacking(v, needed(v)), 1, 12)
    free = brentq(lambda w: lacking(0.35 * w, (0.4 + 0.02 * w) / 1.2), 1, 35)
    found = PREDICTION.derive(given)
    for name, published in (("pack_road_speed", speed), ("pack_no_load_speed", free)):
        outside(
            name,
            "motor with friction, controller of 95 % with 2 W standby, pack of 0.06 ohm",
            ours=found[name],
            published=published,
            allowance=2e-5 * published,
            unit="m/s" if name == "pack_road_speed" else "rad/s",
            source="voltages and forces in balance, solved by SciPy",
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
