"""Standard uncertainties from scatter against what repeated experiments in fact scatter by.

One invented unit is measured again and again with fresh noise alone. The standard deviation of the values found is
what a standard uncertainty from scatter promises to be (JCGM 100:2008, 4.2 and B.2.15): the square root of the mean of
the stated variances must come near it. With 60 runs a standard deviation is known to 9 % (JCGM 100:2008, table E.1),
so errors of a factor sqrt(2) are found; where a procedure is cautious on purpose the allowance is wider, and its
reason stands beside the case.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pytest
from scipy.signal import lfilter

from rotorproof.fitting.engine import Outcome
from rotorproof.procedures import procedures
from rotorproof.uncertainty.forms import Form
from tests.outside import Outside
from tests.procedures.controller_runs import case
from tests.procedures.runs import outcome
from tests.proof.cases import COULOMB, KE, PAIRS, R_LINE, VISCOUS, P, line_inductance

RUNS = 60
SLOTTED = {"nameplate_slots": 36.0, "nameplate_pole_pairs": 4.0}
HEAT = ("temperature_rise", "thermal_resistance", "thermal_time_constant")
WARMING = {"heat_power": 20.0, "output_power": 0.0, "surface_exponent": 0.0}
Logs = list[tuple[dict[str, np.ndarray], dict[str, float]]]


@dataclass(frozen=True)
class Case:
    """One way of measuring one unit, with noise from a generator, and the quantities that are judged."""

    what: str
    procedure: str
    draw: Callable[[np.random.Generator], Logs]
    quantities: tuple[str, ...]
    given: Mapping[str, float] = field(default_factory=dict)
    runs: int = RUNS
    #: As a share of the standard deviation found.
    allowance: float = 0.25


def run_once(case: Case, number: int) -> Outcome:
    rng = np.random.default_rng([77, number])
    return outcome(procedures()[case.procedure], case.draw(rng), **case.given)


def scatter_of(form: Form) -> float:
    """Return the standard uncertainty from scatter alone."""
    return math.sqrt(sum(c * c for i, c in form.terms.items() if i.source.startswith("scatter")))


def winding(rng: np.random.Generator) -> Logs:
    columns = {}
    for pair, r in zip(("ab", "bc", "ca"), (0.40, 0.41, 0.42), strict=True):
        current = np.repeat([2.0, 3.0, 4.0, 5.0], 3)
        columns[f"current_{pair}"] = current
        columns[f"voltage_{pair}"] = r * current + 1e-3 * rng.standard_normal(12)
    return [(columns, {"winding_temperature": 20.0})]


def inductance_over_angle(rng: np.random.Generator) -> Logs:
    angle = np.linspace(0.0, 2 * np.pi / PAIRS, 24, endpoint=False)
    columns = {
        f"inductance_{pair}": np.array([line_inductance(pair, a) for a in angle]) + 1e-6 * rng.standard_normal(24)
        for pair in ("ab", "bc", "ca")
    }
    return [({**columns, "angle": angle}, {})]


def inductance_step(rng: np.random.Generator) -> Logs:
    time = np.arange(0.0, 0.02, 2e-5)
    voltage = np.where(time >= 2e-3, 2.0, 0.0)
    current = np.where(time >= 2e-3, 8 * (1 - np.exp(-(time - 2e-3) / 1.68e-3)), 0.0)
    noise = 0.02 * rng.standard_normal(time.size)
    return [({"time": time, "voltage_ab": voltage, "current_ab": current + noise}, {})]


def insulation(rng: np.random.Generator) -> Logs:
    time = np.arange(5.0, 606.0, 5.0)
    readings = 1e9 * (time / 60) ** 0.3 * np.exp(0.02 * rng.standard_normal(time.size))
    return [({"time": time, "insulation_resistance": readings}, {"test_voltage": 500.0, "winding_temperature": 40.0})]


def emf(rng: np.random.Generator) -> Logs:
    time = np.arange(1200) / 4000.0
    angle = P * 18.0 * time
    columns = {"time": time}
    for k, line in enumerate(("ab", "bc", "ca")):
        columns[f"voltage_{line}"] = 6 * np.sin(angle - k * 2 * np.pi / 3) + 0.2 * rng.standard_normal(time.size)
    return [(columns, {"speed": 18.0})]


def emf_beside_a_tachometer(rng: np.random.Generator) -> Logs:
    [(columns, _)] = emf(rng)
    return [({**columns, "speed": 18.0 + 0.5 * rng.standard_normal(columns["time"].size)}, {})]


def no_load(rng: np.random.Generator) -> Logs:
    speed = np.linspace(8.0, 36.0, 10)
    torque = COULOMB + VISCOUS * speed
    current = torque / KE
    voltage = KE * speed + R_LINE * current
    columns = {
        "supply_voltage": voltage,
        "supply_current": current + 2e-3 * rng.standard_normal(10),
        "speed": speed + 5e-3 * rng.standard_normal(10),
    }
    return [(columns, {"winding_temperature": 20.0, "standby_power": 0.0})]


def coasting(rng: np.random.Generator, moment: float, sd: float = 0.05) -> dict[str, np.ndarray]:
    alpha, beta = COULOMB / moment, VISCOUS / moment
    time = np.arange(0.0, 1.6 * moment / 0.02, 4e-3)
    speed = (30 + alpha / beta) * np.exp(-beta * time) - alpha / beta
    keep = speed > 0
    return {"time": time[keep], "speed": np.abs(speed[keep] + sd * rng.standard_normal(int(keep.sum())))}


def coast_down(rng: np.random.Generator) -> Logs:
    return [(coasting(rng, 0.02), {})]


def coast_down_twice(rng: np.random.Generator) -> Logs:
    return [(coasting(rng, 0.02), {}), (coasting(rng, 0.05), {"added_inertia": 0.03})]


def coast_down_again(rng: np.random.Generator) -> Logs:
    return [(coasting(rng, 0.02), {}) for _ in range(3)]


def cogging(rng: np.random.Generator) -> Logs:
    logs = []
    for way in (1.0, -1.0):
        angle = way * np.linspace(0, 2 * np.pi, 1440, endpoint=False)
        torque = 0.3 * way + 0.2 * np.cos(36 * angle) + 0.05 * np.sin(72 * angle) + 0.03 * rng.standard_normal(1440)
        logs.append(({"angle": angle, "torque": torque}, {"direction": way}))
    return logs


def stall(rng: np.random.Generator) -> Logs:
    current = np.repeat(np.linspace(1.0, 20.0, 10), 2)
    return [
        (
            {"torque": 0.8 * current + 0.1 + 0.05 * rng.standard_normal(20), "current_ab": current},
            {"rotor_position": 0.0},
        )
    ]


def bent_stall(rng: np.random.Generator) -> Logs:
    current = np.repeat(np.linspace(1.0, 32.0, 24), 2)
    torque = 0.8 * current / (1 + current / 180.0) + 0.02 * rng.standard_normal(48)
    return [({"torque": torque, "current_ab": current}, {"rotor_position": 0.0})]


def characteristic(rng: np.random.Generator) -> Logs:
    torque = np.linspace(0.5, 20.0, 20)
    columns = {
        "torque": torque + 0.02 * rng.standard_normal(20),
        "speed": (36.0 - 0.2 * torque) / 1.2,
        "supply_voltage": np.full(20, 36.0),
        "supply_current": torque / 1.2 + 0.02 * rng.standard_normal(20),
    }
    return [(columns, {"winding_temperature": 20.0})]


def warming(rng: np.random.Generator) -> Logs:
    time = np.arange(0.0, 5400.0, 15.0)
    course = 25 + 30 * (1 - np.exp(-time / 900)) + 0.1 * rng.standard_normal(time.size)
    return [({"time": time, "temperature_controller": course}, {**WARMING, "ambient_temperature": 25.0})]


def limit(rng: np.random.Generator) -> Logs:
    time = np.arange(0.0, 20.0, 0.02)
    current = np.minimum(1.5 * time, 15.0) + 0.05 * rng.standard_normal(time.size)
    return [({"time": time, "supply_current": current, "torque": time}, {})]


def losses(rng: np.random.Generator) -> Logs:
    output = np.linspace(20.0, 300.0, 15)
    power = output + 3 + 0.05 * output + 4e-4 * output**2 + 0.3 * rng.standard_normal(15)
    columns = {"supply_voltage": np.full(15, 36.0), "supply_current": power / 36.0, "phase_power": output}
    rest = {"supply_voltage": np.full(60, 36.0), "supply_current": 0.05 + 1e-3 * rng.standard_normal(60)}
    return [(columns, {"state": 0.0}), (rest, {"state": 1.0})]


def throttle(rng: np.random.Generator) -> Logs:
    given = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000), np.linspace(4.2, 0.8, 3000)])
    output = np.clip((given - 1.5) / 2.2, 0.0, 1.0) + 0.003 * rng.standard_normal(given.size)
    columns = {"time": np.arange(given.size) * 0.01, "throttle": given, "duty": output}
    return [(columns, {"case": case("throttle", "sweep", "case")})]


def supply(rng: np.random.Generator) -> Logs:
    up = np.arange(25.0, 48.0, 0.02)
    voltage = np.concatenate([np.concatenate([up, up[::-1]])] * 4)
    rising = np.tile(np.repeat([True, False], up.size), 4)
    # Each passage switches at a threshold of its own.
    sweep = np.arange(voltage.size) // (2 * up.size)
    start, stop = 31.5 + 0.05 * rng.standard_normal(4)[sweep], 29.8 + 0.05 * rng.standard_normal(4)[sweep]
    on = np.where(rising, voltage > start, voltage > stop)
    columns = {
        "time": np.arange(voltage.size) * 0.02,
        "supply_voltage": voltage + 0.005 * rng.standard_normal(voltage.size),
        "supply_current": np.where(on, 1.4, 0.05),
    }
    return [(columns, {})]


def sensors(rng: np.random.Generator) -> Logs:
    time = np.arange(6_000) / 10_000.0
    turns = P * 18.0 * time / (2 * np.pi) + 0.1
    columns = {"time": time}
    for k, line in enumerate(("ab", "bc", "ca")):
        columns[f"voltage_{line}"] = 6.0 * np.sin(2 * np.pi * turns - k * 2 * np.pi / 3) + 0.1 * rng.standard_normal(
            time.size
        )
    for k, name in enumerate("abc"):
        level = np.zeros(time.size)
        for turn in range(int(turns[-1]) + 2):
            rise = turn + (120 * k + 5 + 1.5 * rng.standard_normal()) / 360
            fall = turn + (120 * k + 185 + 1.5 * rng.standard_normal()) / 360
            level[(turns >= rise - 1) & (turns < fall - 1)] = 1.0
        columns[f"hall_{name}"] = level
    return [(columns, {})]


def wandering(rng: np.random.Generator, n: int, sd: float, length: float) -> np.ndarray:
    """Return an error ``(n,)`` of standard deviation ``sd`` that is remembered for ``length`` readings."""
    phi = math.exp(-1 / length)
    return lfilter([1.0], [1.0, -phi], sd * math.sqrt(1 - phi**2) * rng.standard_normal(n + 400))[400:]


def lasting_coast_down(rng: np.random.Generator) -> Logs:
    log = coasting(rng, 0.02, 0.0)
    return [({**log, "speed": np.abs(log["speed"] + wandering(rng, log["speed"].size, 0.05, 8.0))}, {})]


def lasting_warming(rng: np.random.Generator) -> Logs:
    time = np.arange(0.0, 5400.0, 15.0)
    course = 25 + 30 * (1 - np.exp(-time / 900)) + wandering(rng, time.size, 0.1, 3.0)
    return [({"time": time, "temperature_controller": course}, {**WARMING, "ambient_temperature": 25.0})]


def warming_in_unsteady_air(rng: np.random.Generator) -> Logs:
    time = np.arange(0.0, 5400.0, 15.0)
    course = 25 + 30 * (1 - np.exp(-time / 900)) + 0.01 * rng.standard_normal(time.size)
    air = 25 + 0.5 * rng.standard_normal(time.size)
    return [({"time": time, "temperature_controller": course, "temperature_ambient": air}, dict(WARMING))]


def warming_of_several_bodies(rng: np.random.Generator) -> Logs:
    time = np.arange(0.0, 9000.0, 20.0)
    course = 25 + 50 - 40 * np.exp(-time / 1800) - 10 * np.exp(-time / 200) + 0.05 * rng.standard_normal(time.size)
    return [({"time": time, "temperature_controller": course}, {**WARMING, "ambient_temperature": 25.0})]


def cooling(rng: np.random.Generator) -> Logs:
    time = np.linspace(10.0, 400.0, 40)
    hot = 60 - 0.02 * time + 31.4 * np.exp(-time / 120) + 0.1 * rng.standard_normal(40)
    conditions = {"cold_resistance": 0.5, "cold_temperature": 20.0, "ambient_temperature": 25.0}
    return [({"time": time, "resistance_ab": 0.5 * (234.5 + hot) / 254.5}, conditions)]


def cooling_briefly(rng: np.random.Generator) -> Logs:
    time = np.linspace(8.0, 32.0, 5)
    hot = 91.4 - 0.05 * time + 0.2 * rng.standard_normal(5)
    conditions = {"cold_resistance": 0.5, "cold_temperature": 20.0, "ambient_temperature": 25.0}
    return [({"time": time, "resistance_ab": 0.5 * (234.5 + hot) / 254.5}, conditions)]


def brake_stand(rng: np.random.Generator) -> Logs:
    speed = np.repeat([5.0, 10.0, 15.0, 20.0, 25.0], 5)
    drag = 0.4 + 0.02 * speed
    braked = np.tile([0.0, 1.0, 1.0, 1.0, 1.0], 5)
    current = np.where(braked == 0, drag, np.tile([0.0, 3.0, 6.0, 9.0, 12.0], 5))
    shaft = (current - drag) * speed
    phases = current * speed + 0.15 * current**2
    columns = {
        "speed": speed,
        "torque": np.where(braked == 0, 0.0, shaft / speed + 0.02 * rng.standard_normal(25)),
        "current_q": current,
        "phase_power": phases,
        "supply_voltage": np.full(25, 36.0),
        "supply_current": (phases + 5.0) / 36.0,
        "brake": braked,
    }
    return [(columns, {"winding_temperature": 20.0, "standby_power": 2.0})]


def stall_at_positions(rng: np.random.Generator) -> Logs:
    current = np.tile(np.linspace(1.0, 20.0, 6), 4)
    angle = np.repeat([0.0, 0.02, 0.04, 0.06], 6)
    # Cogging torque is another at each position, and so is the slope.
    offset = np.repeat(0.2 * rng.standard_normal(4), 6)
    slope = np.repeat(0.8 + 0.02 * rng.standard_normal(4), 6)
    torque = slope * current + offset + 0.02 * rng.standard_normal(24)
    return [({"torque": torque, "current_ab": current, "angle": angle}, {})]


def waveforms(rng: np.random.Generator) -> Logs:
    time = np.arange(8000) / 40_000.0
    angle = 2 * np.pi * 100 * time
    # The load wanders from period to period.
    load = 1 + 0.02 * np.repeat(rng.standard_normal(21), 400)[100:8100]
    columns = {"time": time, "supply_voltage": np.full(8000, 36.0)}
    for k, (line, phase) in enumerate(zip(("ab", "bc", "ca"), "abc", strict=True)):
        columns[f"current_{phase}"] = 10 * load * np.cos(angle - k * 2 * np.pi / 3)
        columns[f"voltage_{line}"] = 20 * np.cos(angle - k * 2 * np.pi / 3 + np.pi / 6)
    shares = 1 + 0.01 * np.repeat(rng.standard_normal(21), 400)[100:8100]
    columns["supply_current"] = (20 / math.sqrt(3) * 15 * load + 12 * shares) / 36.0
    return [(columns, {"state": 0.0})]


CASES = (
    Case("resistance", "winding-resistance", winding, ("resistance_ab", "resistance_bc", "phase_resistance")),
    Case(
        "inductance over angle",
        "winding-inductance",
        inductance_over_angle,
        ("inductance_d", "inductance_q", "phase_inductance", "saliency_ratio"),
        {"nameplate_pole_pairs": float(PAIRS)},
    ),
    Case(
        "inductance from a step",
        "winding-inductance",
        inductance_step,
        ("phase_inductance", "electrical_time_constant"),
    ),
    Case("insulation", "insulation-resistance", insulation, ("insulation_resistance", "polarization_index")),
    Case("EMF", "open-circuit", emf, ("emf_constant_peak", "emf_constant_rms", "emf_constant_dc"), runs=40),
    Case(
        "EMF beside a tachometer",
        "open-circuit",
        emf_beside_a_tachometer,
        ("pole_pair_ratio",),
        runs=30,
        allowance=0.35,
    ),
    # Sixteen runs: a standard deviation is known to 18 %.
    Case(
        "sensors", "hall-sensors", sensors, ("hall_offset", "hall_placement_a", "hall_jitter"), runs=16, allowance=0.4
    ),
    Case(
        "no-load",
        "no-load",
        no_load,
        ("coulomb_friction", "viscous_friction", "no_load_current", "emf_constant_dc"),
        {"phase_resistance": R_LINE / 2, "nameplate_rated_voltage": 36.0},
    ),
    # The larger of two estimates is taken, in case the error lasts; through a parabola it is a little larger.
    Case("coast-down", "coast-down", coast_down, ("coulomb_deceleration", "viscous_decay_rate"), allowance=0.75),
    Case(
        "coast-down with a lasting error",
        "coast-down",
        lasting_coast_down,
        ("coulomb_deceleration", "viscous_decay_rate"),
        allowance=0.65,
    ),
    Case("two coast-downs", "coast-down", coast_down_twice, ("moment_of_inertia", "coulomb_friction"), allowance=0.65),
    Case(
        "three coast-downs",
        "coast-down",
        coast_down_again,
        ("coulomb_deceleration", "viscous_decay_rate"),
        allowance=0.5,
    ),
    # The noise of harmonics that the design allows and that are not there is counted too.
    Case("cogging", "cogging", cogging, ("cogging_torque",), SLOTTED, runs=24, allowance=1.8),
    Case("locked rotor", "locked-rotor", stall, ("torque_constant",)),
    Case("locked rotor, bent", "locked-rotor", bent_stall, ("torque_constant", "saturation_current")),
    Case("locked rotor, four positions", "locked-rotor", stall_at_positions, ("torque_constant",)),
    Case(
        "characteristic",
        "load",
        characteristic,
        ("rated_torque", "torque_constant"),
        {"nameplate_rated_power": 250.0, "nameplate_rated_voltage": 36.0},
    ),
    Case(
        "brake stand",
        "load",
        brake_stand,
        ("torque_constant_q", "efficiency_max", "motor_efficiency_max"),
        {"phase_resistance": 0.1},
    ),
    Case("heat", "heat-run", warming, HEAT),
    Case("heat with a lasting error", "heat-run", lasting_warming, HEAT),
    # A course of the air from few blocks is known with few degrees of freedom.
    Case("heat in unsteady air", "heat-run", warming_in_unsteady_air, HEAT, runs=30, allowance=0.8),
    # Thirty runs: a standard deviation is known to 13 %.
    Case("heat of several bodies", "heat-run", warming_of_several_bodies, HEAT, runs=30, allowance=0.35),
    # The slope of the iron is confused with the time constant, so the distribution has long tails.
    Case("cooling", "heat-run", cooling, ("temperature_rise",), allowance=0.35),
    Case("cooling, five readings", "heat-run", cooling_briefly, ("temperature_rise",)),
    # The highest of many means is taken for the limit, and what that may add is counted.
    Case("limit", "current-limit", limit, ("supply_current_limit",), allowance=1.0),
    # The autocorrelation that widens the standby power is never taken for less than none.
    Case(
        "controller loss",
        "controller-loss",
        losses,
        ("standby_power", "controller_loss", "controller_efficiency"),
        {"nameplate_rated_power": 250.0},
        allowance=0.4,
    ),
    Case("waveforms", "controller-loss", waveforms, ("controller_loss", "controller_efficiency")),
    Case("throttle", "throttle", throttle, ("throttle_start", "throttle_full", "throttle_deadband")),
    # Noise can only raise a largest of many, by far less than it moves each of them.
    Case("extremes of a throttle", "throttle", throttle, ("throttle_step", "throttle_hysteresis"), allowance=1.1),
    Case("supply", "supply-window", supply, ("start_voltage", "cutoff_voltage", "supply_hysteresis")),
)


#: A spread of twenty runs is known to 16 %: two standard deviations of it.
_UNDERSTATED = 0.32


@pytest.mark.parametrize("case", CASES, ids=[case.what for case in CASES])
def test_stated_scatter_is_the_scatter(outside: Outside, case: Case) -> None:
    found = [run_once(case, number).forms for number in range(case.runs)]
    for name in case.quantities:
        spread = float(np.std([forms[name].value for forms in found], ddof=1))
        stated = math.sqrt(np.mean([scatter_of(forms[name]) ** 2 for forms in found]))
        # Caution may state more than there is; less is allowed as far as so few runs leave their spread unknown.
        allowance = case.allowance if stated > spread else min(case.allowance, _UNDERSTATED)
        outside(
            name,
            f"standard uncertainty from scatter against the scatter of {case.runs} repeated runs: {case.what}",
            ours=stated,
            published=spread,
            allowance=allowance * spread,
            unit="SI",
            source=f"standard deviation of {case.runs} seeded runs (JCGM 100:2008, 4.2)",
        )
