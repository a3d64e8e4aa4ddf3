"""Coverage studies of what spins and brakes: no-load, coast-down, locked rotor, load, cogging; and of inductance."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from tests.simulation.brake_stand import Inverter, Stand, field_oriented, six_step, split_truth
from tests.simulation.cogging import CoggingTruth, cogging_log
from tests.simulation.inductance import InductanceTruth, meter_log, step_log
from tests.simulation.mechanical_runs import (
    ACCURACY,
    coast_down_instruments,
    coast_down_record,
    drawn_motor,
    knee_torque,
    no_load_table,
    stall_table,
)
from tests.simulation.study import Case, Columns, Reader, study

KINDS = {
    "supply_voltage": "voltage",
    "supply_current": "current",
    "speed": "speed",
    "time": "time",
    "torque": "torque",
    "current_ab": "current",
}
HOT = 40.0


def readers(columns: Columns) -> tuple[Reader, ...]:
    """Return the instruments of the mechanical runs, one for each column that the log has."""
    return tuple(Reader(KINDS[name], text, (name,)) for name, text in ACCURACY.items() if name in columns)


def no_load(rng: np.random.Generator, standby: str) -> Case:
    """Draw a run whose standby power is ``stated``, read at ``standstill``, or ``unknown``."""
    motor = drawn_motor(rng, switch_drop=0.005)
    columns = no_load_table(motor, rng, standstill=standby == "standstill")
    speed, current = motor.steady(36.0, 27.0)
    # What the switches lose counts as friction here: the definition says so. It is small and nearly Coulomb.
    loss = motor.switch_drop / motor.emf
    shown = 27.0 + rng.normal(0, 1.0)
    stated = {"standby_power": motor.standby} if standby == "stated" else {}
    return Case(
        [(columns, {"winding_temperature": (shown, 1.0), **stated})],
        {
            "coulomb_friction": motor.coulomb + motor.hysteresis + loss * (motor.viscous + motor.eddy),
            "viscous_friction": motor.viscous + motor.eddy,
            "no_load_current": motor.supply_power(speed, current, 27.0) / 36.0,
            "emf_constant_dc": motor.emf,
        },
        readers(columns),
        {"winding_constant": 234.5, "phase_resistance": motor.resistance, "nameplate_rated_voltage": 36.0},
    )


def coast_down(rng: np.random.Generator, **errors: float) -> Case:
    """Draw a run with known inertia; ``errors`` are those of the speed, as ``coast_down_record`` takes them."""
    motor = drawn_motor(rng)
    columns = coast_down_record(motor, rng, start=rng.uniform(25, 40), **errors)
    stated = motor.inertia * (1 + 0.005 * rng.normal())
    coulomb, viscous = motor.coulomb + motor.hysteresis, motor.viscous + motor.eddy
    return Case(
        [(columns, {"moment_of_inertia": (stated, 0.005 * motor.inertia)})],
        {
            "coulomb_friction": coulomb,
            "viscous_friction": viscous,
            "coulomb_deceleration": coulomb / motor.inertia,
            "viscous_decay_rate": viscous / motor.inertia,
        },
        readers(columns),
        {"winding_constant": 234.5},
    )


def coast_down_twice(rng: np.random.Generator) -> Case:
    """Draw two runs, one with a disc of stated inertia added, read by the same instruments."""
    motor, instruments = drawn_motor(rng), coast_down_instruments(rng)
    stated = 0.05 * (1 + 0.002 * rng.normal())
    bare, loaded = (
        coast_down_record(motor, rng, start=rng.uniform(25, 40), added=added, specimens=instruments)
        for added in (0.0, 0.05)
    )
    coulomb, viscous = motor.coulomb + motor.hysteresis, motor.viscous + motor.eddy
    return Case(
        [(bare, {}), (loaded, {"added_inertia": (stated, 1e-4)})],
        {
            "coulomb_friction": coulomb,
            "viscous_friction": viscous,
            "moment_of_inertia": motor.inertia,
            "coulomb_deceleration": coulomb / motor.inertia,
            "viscous_decay_rate": viscous / motor.inertia,
        },
        readers(bare),
        {"winding_constant": 234.5},
    )


def coast_down_in_air(rng: np.random.Generator) -> Case:
    """Draw a run in which air drags enough to be told from viscous friction."""
    motor = drawn_motor(rng, drag=4e-4)
    columns = coast_down_record(motor, rng, start=40.0)
    return Case(
        [(columns, {"moment_of_inertia": motor.inertia})],
        {
            "windage": motor.drag,
            "coulomb_friction": motor.coulomb + motor.hysteresis,
            "viscous_friction": motor.viscous + motor.eddy,
        },
        readers(columns),
        {"winding_constant": 234.5},
    )


def locked_rotor_below_its_knee(rng: np.random.Generator) -> Case:
    current = np.repeat(np.linspace(1, 15, 10), 2)
    columns = stall_table(rng, 0.95 * current, current, 0.2)
    return Case(
        [(columns, {"rotor_position": 0.0})], {"torque_constant": 0.95}, readers(columns), {"winding_constant": 234.5}
    )


def locked_rotor(rng: np.random.Generator) -> Case:
    current = np.repeat(np.linspace(2, 50, 16), 2)
    shape = rng.uniform(0.6, 1.4), rng.uniform(22, 30), rng.uniform(0.3, 0.6), rng.uniform(3, 5)
    columns = stall_table(rng, knee_torque(current, *shape), current, rng.normal(0, 0.15))
    slope = float(knee_torque(np.array(0.01), *shape)) / 0.01
    mark = brentq(lambda i: float(knee_torque(np.array(i), *shape)) / i - 0.9 * slope, 5, 49)
    return Case(
        [(columns, {"rotor_position": 0.0})],
        {"torque_constant": slope, "saturation_current": float(mark)},
        readers(columns),
        {"winding_constant": 234.5},
    )


STAND = (
    Reader("voltage", "0.05 % + 10 mV", ("supply_voltage",)),
    Reader("current", "0.2 % + 3 mA", ("supply_current",)),
    Reader("torque", "0.2 % + 0.0028 N m", ("torque",)),
    Reader("speed", "0.02 %", ("speed",)),
    Reader("current", "0.2 % + 3 mA", ("current_q",)),
)


def load(rng: np.random.Generator) -> Case:
    motor, inverter = drawn_motor(rng), Inverter()
    run = field_oriented(motor, inverter, np.linspace(5, 30, 6), np.linspace(2, 12, 6), 48.0, HOT)
    columns = Stand.drawn(rng, 14.0, 15.0).read(run, rng)
    return Case(
        [(columns, {"winding_temperature": HOT, "standby_power": inverter.standby})],
        split_truth(run, motor, inverter, HOT),
        STAND,
        {"winding_constant": 234.5, "phase_resistance": motor.resistance},
    )


def characteristic(rng: np.random.Generator) -> Case:
    """Draw a six-step drive on one characteristic; the rated power lies well below the greatest on it."""
    motor, inverter = drawn_motor(rng, resistance=rng.uniform(0.08, 0.14)), Inverter()
    run = six_step(motor, inverter, np.linspace(0, 14, 15), 36.0, HOT)
    columns = Stand.drawn(rng, 14.0, 15.0).read(run, rng)
    rated = 0.7 * float((run.speed * run.torque).max())

    def short(torque: float) -> float:
        return torque * motor.steady(36.0, HOT, torque)[0] - rated

    peak = float(run.torque[int(np.argmax(run.speed * run.torque))])
    return Case(
        [
            (
                {name: values for name, values in columns.items() if name not in ("current_q", "brake")},
                {"winding_temperature": HOT, "standby_power": inverter.standby},
            )
        ],
        {
            "torque_constant": motor.emf,
            "efficiency_max": float(run.efficiency().max()),
            "rated_torque": float(brentq(short, 0.1, peak)),
        },
        STAND,
        {"winding_constant": 234.5, "phase_resistance": motor.resistance, "nameplate_rated_power": rated},
    )


def cogging(rng: np.random.Generator) -> Case:
    truth = CoggingTruth(
        magnet_scatter=0.03, slot_scatter=0.02, friction=rng.uniform(0.05, 0.2), seed=int(rng.integers(1 << 30))
    )
    return Case(
        [(cogging_log(truth, rng, per_turn=900, noise=0.02), {})],
        {"cogging_torque": truth.peak_to_peak(), "static_friction": truth.friction},
        given={"nameplate_slots": 12.0, "nameplate_pole_pairs": 5.0},
    )


def inductance(rng: np.random.Generator, angle: bool) -> Case:
    d = rng.uniform(1e-4, 3e-4)
    q = d * rng.uniform(1.02, 1.5)
    columns = meter_log(InductanceTruth(d=d, q=q), rng, harmonic=0.0)
    if not angle:
        del columns["angle"]
    return Case(
        [(columns, {})],
        {
            "inductance_d": d,
            "inductance_q": q,
            "phase_inductance": (d + q) / 2,
            "saliency_ratio": q / d,
            "electrical_time_constant": (d + q) / 2 / 0.12,
        },
        given={"nameplate_pole_pairs": 10.0, "phase_resistance": 0.12},
    )


def inductance_step(rng: np.random.Generator) -> Case:
    truth = InductanceTruth(d=rng.uniform(1e-4, 3e-4), q=rng.uniform(1e-4, 3e-4))
    columns, line = step_log(truth, rng, angle=rng.uniform(0, 1))
    return Case([(columns, {})], {"phase_inductance": line / 2})


MECHANICAL = (
    study("winding-inductance, readings over angle", "winding-inductance", inductance, angle=True),
    study("winding-inductance, readings at unknown angles", "winding-inductance", inductance, angle=False),
    study("winding-inductance, a step", "winding-inductance", inductance_step),
    study("no-load", "no-load", no_load, standby="stated"),
    study("no-load, controller read at standstill", "no-load", no_load, standby="standstill"),
    study("no-load, controller unknown", "no-load", no_load, standby="unknown"),
    study("coast-down", "coast-down", coast_down, wander=0.0),
    study("coast-down, speed in coarse steps", "coast-down", coast_down, noise=0.02, step=0.2),
    study("coast-down, with an added inertia", "coast-down", coast_down_twice),
    study("coast-down, air drag", "coast-down", coast_down_in_air),
    study("coast-down, slow error of the speed", "coast-down", coast_down, wander=0.03),
    study("locked-rotor", "locked-rotor", locked_rotor),
    study("locked-rotor, below its knee", "locked-rotor", locked_rotor_below_its_knee),
    study("load, field-oriented drive", "load", load),
    study("load, six-step drive", "load", characteristic),
    study("cogging", "cogging", cogging),
)
