"""The motors of the demo: one as it should be, one with faults that a careful eye should catch."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

from tests.simulation.cogging import CoggingTruth, cogging_log
from tests.simulation.demo.bench import RPM, Bench, instruments_text, write_log
from tests.simulation.hall import Sensors, hall_log
from tests.simulation.heat import HeatTruth, heat_run
from tests.simulation.inductance import InductanceTruth, meter_log
from tests.simulation.insulation import InsulationTruth, insulation_log
from tests.simulation.mechanics import BenchMotor
from tests.simulation.open_circuit import Machine, Scope, record
from tests.simulation.winding import Winding, resistance_log

SUPPLY_TOP = 24.0
# The pack of config/config.yaml: nominal voltage, internal resistance, and the winding's temperature there.
PACK = 36.0
PACK_RESISTANCE = 0.12
PACK_WINDING = 60.0


@dataclass(frozen=True)
class DemoMotor:
    """An invented motor: its parts as each simulator knows them, and the words about it."""

    name: str
    serial: str
    about: str
    remarks: str
    tested_on: str
    winding: Winding
    machine: Machine
    mechanics: BenchMotor
    insulation: InsulationTruth
    heat: HeatTruth
    sensors: Sensors
    cogging: CoggingTruth
    inductance: InductanceTruth
    seed: int
    air: float = 21.5
    truth: dict[str, float] = field(default_factory=dict)


def _machine(**changes: object) -> Machine:
    # A hub motor's EMF: nearly a sine, with a flattened top and a trace of the fifth.
    return Machine(
        pole_pairs=20, linkage=0.812, harmonics={3: (0.06, 0.0), 5: (0.018, 0.3)}, pole_spread=0.006, **changes
    )  # type: ignore[arg-type]


def _mechanics(machine: Machine, winding: Winding, **changes: float) -> BenchMotor:
    values = {"coulomb": 0.30, "hysteresis": 0.14, "viscous": 0.004, "eddy": 0.006, "inertia": 0.092, "standby": 1.15}
    return BenchMotor(
        resistance=float(np.mean(winding.phases)), emf=machine.truth()["emf_constant_dc"], **(values | changes)
    )


def motors() -> list[DemoMotor]:
    """Return the motors of the demo."""
    good_winding = Winding((0.1182, 0.1189, 0.1176))
    good = _machine(phase_gain=(1.0, 0.997, 1.002))
    joint = Winding((0.1185, 0.1181, 0.1312))
    weak = _machine(phase_gain=(1.0, 1.004, 0.962), spread_seed=5)
    return [
        DemoMotor(
            "AL-M1",
            "HM-2207-118",
            "36 V gearless hub motor, front, 250 W class",
            "as delivered",
            "2026-05-02",
            good_winding,
            good,
            _mechanics(good, good_winding),
            InsulationTruth(),
            HeatTruth(resistance=2 * float(np.mean(good_winding.phases)), shell_air=1.5),
            Sensors(places=(0.8, 119.2, 240.6)),
            CoggingTruth(slots=36, poles=40, pair_torque=0.06, width=0.008, friction=0.42, magnet_scatter=0.004),
            InductanceTruth(d=212e-6, q=221e-6, pole_pairs=20),
            seed=31,
        ),
        DemoMotor(
            "AL-M2",
            "HM-2207-131",
            "36 V gearless hub motor, front, 250 W class",
            "returned by a customer: weak, and warm after short rides",
            "2026-05-03",
            joint,
            weak,
            _mechanics(weak, joint, coulomb=0.72, viscous=0.007),
            InsulationTruth(surface_leakage=6e-7),
            HeatTruth(resistance=2 * float(np.mean(joint.phases)), shell_air=1.5, cooling=0.55),
            # The middle sensor sits 9 degrees too far on.
            Sensors(places=(0.4, 129.1, 239.5)),
            # A bent axle pulls once a turn.
            CoggingTruth(
                slots=36,
                poles=40,
                pair_torque=0.06,
                width=0.008,
                friction=0.84,
                unbalance=0.11,
                magnet_scatter=0.006,
                seed=3,
            ),
            InductanceTruth(d=208e-6, q=218e-6, pole_pairs=20),
            seed=32,
        ),
    ]


def write_motor(motor: DemoMotor, bench: Bench, raw: Path) -> dict[str, float]:
    """Write a motor's folder and return the truth of each quantity its logs can give."""
    folder = raw / motor.name
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(motor.seed)
    truth: dict[str, float] = {}
    tests = [
        _insulation(motor, bench, folder, rng, truth),
        _resistance(motor, bench, folder, rng, truth),
        _inductance(motor, bench, folder, truth),
        *_open_circuit(motor, bench, folder, rng, truth),
        _hall_sensors(motor, bench, folder),
        _no_load(motor, bench, folder, rng, truth),
        *_coast_down(motor, bench, folder, rng, truth),
        _cogging(motor, bench, folder, truth),
        _locked_rotor(motor, bench, folder),
        _load(motor, bench, folder),
        _heat_run(motor, bench, folder, rng, truth),
    ]
    (folder / "unit.yaml").write_text(_unit_text(motor, tests), encoding="utf-8")
    _on_the_pack(motor, truth)
    return truth


def _unit_text(motor: DemoMotor, tests: list[str]) -> str:
    used = ["dmm", "meters", "scope", "tachometer", "thermometer", "brake", "megohmmeter", "lcr"]
    return (
        "# yaml-language-server: $schema=../../config/schemas/unit.schema.json\n"
        "# Invented: no such motor was measured. Written by tests/simulation/demo.\n"
        f"unit: {motor.name}\n"
        "kind: motor\n"
        f"description: '{motor.about}; {motor.remarks} (invented)'\n"
        "model: HM-2207 (invented)\n"
        f"serial: {motor.serial}\n"
        "nameplate:\n"
        "  rated_voltage: 36 V\n"
        "  rated_power: 250 W\n"
        "  rated_speed: 230 rpm\n"
        "  pole_pairs: 20\n"
        "  slots: 36\n"
        "  gear_ratio: 1\n"
        "  winding_material: copper\n"
        "  insulation_class: F\n"
        "  rolling_circumference: 2.10 m\n"
        f"ambient: {{temperature: {motor.air} degC, humidity: 45 percent}}\n"
        "operator: R. Alder (invented)\n"
        f"tested_on: {motor.tested_on}\n"
        + instruments_text(used)
        + "tests:\n"
        + "".join(tests)
        + "acceptance: hub-motor-36V\n"
    )


def _insulation(motor: DemoMotor, bench: Bench, folder: Path, rng: np.random.Generator, truth: dict[str, float]) -> str:
    warm = 22.0
    true_warm = bench.true_of("thermometer", "temperature", warm)
    log = insulation_log(
        motor.insulation,
        rng,
        temperature=true_warm,
        gain_error=0.05 * bench.specimen("megohmmeter", "resistance").position,
    )
    write_log(
        folder / "insulation-resistance.csv",
        {
            "time [s]": ("%.0f", log["time"]),
            "insulation_resistance [Mohm]": ("%.4g", log["insulation_resistance"] / 1e6),
        },
    )
    one, ten = motor.insulation.resistance(np.array([60.0, 600.0]), true_warm)
    # By definition the value at 60 s is brought to 40 degC by the coefficient of IEEE 43-2013 for the stated kind of
    # insulation (below 40 degC and for thermosets; from memory), whatever this one does.
    truth["insulation_resistance"] = float(one * np.exp(-1245 * (1 / (true_warm + 273) - 1 / 313)))
    truth["polarization_index"] = float(ten / one)
    return (
        "  - procedure: insulation-resistance\n"
        "    log: insulation-resistance.csv\n"
        "    instruments: {insulation_resistance: megohmmeter, test_voltage: megohmmeter}\n"
        f"    conditions: {{test_voltage: 500 V, winding_temperature: {warm} degC, insulation_kind: thermoset}}\n"
    )


def _resistance(motor: DemoMotor, bench: Bench, folder: Path, rng: np.random.Generator, truth: dict[str, float]) -> str:
    shown = 21.8
    log = resistance_log(
        motor.winding,
        rng,
        bench.specimen("dmm", "voltage"),
        bench.specimen("dmm", "current"),
        temperature=bench.true_of("thermometer", "temperature", shown),
    )
    write_log(
        folder / "winding-resistance.csv",
        {
            f"{quantity}_{pair} [{unit}]": (form, log[f"{quantity}_{pair}"])
            for pair in ("ab", "bc", "ca")
            for quantity, unit, form in (("current", "A", "%.4f"), ("voltage", "V", "%.5f"))
        },
    )
    lines = [motor.winding.line(pair, 20.0) for pair in range(3)]
    truth |= dict(zip(("resistance_ab", "resistance_bc", "resistance_ca"), lines, strict=True))
    truth["phase_resistance"] = sum(lines) / 6
    truth["resistance_unbalance"] = float(np.max(np.abs(np.array(lines) / np.mean(lines) - 1)))
    columns = ", ".join(f"voltage_{pair}: dmm, current_{pair}: dmm" for pair in ("ab", "bc", "ca"))
    return (
        "  - procedure: winding-resistance\n"
        "    log: winding-resistance.csv\n"
        f"    instruments: {{{columns}}}\n"
        f"    conditions: {{winding_temperature: {shown} degC}}\n"
    )


def _open_circuit(
    motor: DemoMotor, bench: Bench, folder: Path, rng: np.random.Generator, truth: dict[str, float]
) -> list[str]:
    tests = []
    clock = bench.specimen("scope", "time")
    for speed in (60, 110, 160):
        scope = Scope(
            rate=4000.0,
            step=0.02,
            noise=0.06,
            gain=bench.scope_gains(),
            offset=tuple(0.03 * rng.uniform(-1, 1, 3)),
            clock=1 + clock.position * clock.relative,
        )
        log = record(
            motor.machine, scope, rng, speed_rpm=speed * rng.uniform(0.98, 1.02), seconds=0.6, drift=-0.02, ripple=0.004
        )
        shown = bench.read("tachometer", "speed", log["speed"], rng)
        name = f"open-circuit-{speed}rpm.csv"
        write_log(
            folder / name,
            {
                "time [ms]": ("%.3f", 1e3 * log["time"]),
                "voltage_ab [V]": ("%.2f", log["voltage_ab"]),
                "voltage_bc [V]": ("%.2f", log["voltage_bc"]),
                "voltage_ca [V]": ("%.2f", log["voltage_ca"]),
                "speed [rpm]": ("%.1f", shown / RPM),
            },
        )
        tests.append(
            "  - procedure: open-circuit\n"
            f"    log: {name}\n"
            f"    label: {speed}rpm\n"
            "    instruments: {voltage_ab: scope, voltage_bc: scope, voltage_ca: scope}\n"
        )
    truth |= motor.machine.truth()
    truth["pole_pairs"] = float(motor.machine.pole_pairs)
    truth["speed_constant"] = 1 / truth["emf_constant_dc"]
    truth["torque_constant"] = truth["emf_constant_dc"]
    truth["phase_sequence"] = 1.0
    return tests


def _hall_sensors(motor: DemoMotor, bench: Bench, folder: Path) -> str:
    # Noise of its own, so that this log leaves those of the other tests as they are.
    rng = np.random.default_rng([motor.seed, 7])
    scope = Scope(rate=6000.0, step=0.02, noise=0.06, gain=bench.scope_gains())
    log = hall_log(motor.sensors, motor.machine, scope, rng, speed_rpm=48.0, seconds=0.8, ripple=0.004)
    write_log(
        folder / "hall-sensors.csv",
        {
            "time [ms]": ("%.3f", 1e3 * log["time"]),
            **{f"voltage_{pair} [V]": ("%.2f", log[f"voltage_{pair}"]) for pair in ("ab", "bc", "ca")},
            **{f"hall_{one} [1]": ("%d", log[f"hall_{one}"].astype(int)) for one in "abc"},
        },
    )
    return (
        "  - procedure: hall-sensors\n"
        "    log: hall-sensors.csv\n"
        "    instruments: {voltage_ab: scope, voltage_bc: scope, voltage_ca: scope}\n"
    )


def _no_load(motor: DemoMotor, bench: Bench, folder: Path, rng: np.random.Generator, truth: dict[str, float]) -> str:
    warm = bench.true_of("thermometer", "temperature", 24.0)
    volts, amperes, speeds = [], [], []
    for wanted in np.linspace(6.0, SUPPLY_TOP, 10):
        speed, current = motor.mechanics.steady(wanted, warm)
        power = motor.mechanics.supply_power(speed, current, warm)
        volts.append(wanted)
        amperes.append(power / wanted)
        speeds.append(speed)
    volts.append(12.0)
    amperes.append(motor.mechanics.standby / 12.0)
    speeds.append(0.0)
    write_log(
        folder / "no-load.csv",
        {
            "supply_voltage [V]": ("%.3f", bench.read("meters", "voltage", np.array(volts), rng)),
            "supply_current [A]": ("%.3f", bench.read("meters", "current", np.array(amperes), rng)),
            "speed [rpm]": (
                "%.1f",
                np.append(bench.read("tachometer", "speed", np.array(speeds[:-1]), rng) / RPM, 0.0),
            ),
        },
    )
    truth["coulomb_friction"] = motor.mechanics.coulomb + motor.mechanics.hysteresis
    truth["viscous_friction"] = motor.mechanics.viscous + motor.mechanics.eddy
    return (
        "  - procedure: no-load\n"
        "    log: no-load.csv\n"
        "    instruments: {supply_voltage: meters, supply_current: meters}\n"
        "    conditions: {winding_temperature: 24.0 degC}\n"
    )


def _inductance(motor: DemoMotor, bench: Bench, folder: Path, truth: dict[str, float]) -> str:
    rng = np.random.default_rng([motor.seed, 11])
    log = meter_log(motor.inductance, rng, noise=0.0015)
    pairs = ("ab", "bc", "ca")
    write_log(
        folder / "winding-inductance.csv",
        {
            "angle [deg]": ("%.2f", np.degrees(log["angle"])),
            **{
                f"inductance_{pair} [uH]": (
                    "%.1f",
                    1e6 * bench.read("lcr", "inductance", log[f"inductance_{pair}"], rng),
                )
                for pair in pairs
            },
        },
    )
    truth["phase_inductance"] = (motor.inductance.d + motor.inductance.q) / 2
    columns = ", ".join(f"inductance_{pair}: lcr" for pair in pairs)
    return (
        "  - procedure: winding-inductance\n"
        "    log: winding-inductance.csv\n"
        f"    instruments: {{{columns}}}\n"
        "    conditions: {test_frequency: 1 kHz, winding_temperature: 21.8 degC}\n"
    )


def _cogging(motor: DemoMotor, bench: Bench, folder: Path, truth: dict[str, float]) -> str:
    rng = np.random.default_rng([motor.seed, 9])
    log = cogging_log(motor.cogging, rng, turns=1.1, per_turn=3600, noise=0.012, encoder=36000)
    write_log(
        folder / "cogging.csv",
        {
            "angle [deg]": ("%.2f", np.degrees(log["angle"])),
            "torque [N m]": ("%.3f", bench.read("brake", "torque", log["torque"], rng)),
        },
    )
    truth["cogging_torque"] = motor.cogging.peak_to_peak()
    truth["cogging_order"] = float(np.lcm(motor.cogging.slots, motor.cogging.poles))
    truth["static_friction"] = motor.cogging.friction
    return (
        "  - procedure: cogging\n"
        "    log: cogging.csv\n"
        "    remarks: turned by a worm drive at 1 rpm, one turn forth and back\n"
    )


def _locked_rotor(motor: DemoMotor, bench: Bench, folder: Path) -> str:
    rng = np.random.default_rng([motor.seed, 10])
    current = np.repeat(np.linspace(2.0, 24.0, 9), 2)
    torque = np.array([motor.mechanics.torque(amperes) for amperes in current])
    write_log(
        folder / "locked-rotor.csv",
        {
            "supply_current [A]": ("%.3f", bench.read("meters", "current", current, rng)),
            "torque [N m]": ("%.2f", bench.read("brake", "torque", torque, rng)),
            "duty [1]": ("%.2f", np.ones_like(current)),
        },
    )
    return (
        "  - procedure: locked-rotor\n"
        "    log: locked-rotor.csv\n"
        "    instruments: {supply_current: meters}\n"
        "    conditions: {rotor_position: mean}\n"
    )


def _load(motor: DemoMotor, bench: Bench, folder: Path) -> str:
    rng = np.random.default_rng([motor.seed, 8])
    rows = []
    warm = 26.0
    for volts in (12.0, 18.0, 24.0):
        for torque in (0.0, 1.0, 2.5, 4.0, 6.0, 8.0, 10.5, 13.0):
            if torque * 2 * motor.mechanics.resistance > 0.75 * volts * motor.mechanics.emf:
                continue  # the motor would stall
            speed, current = motor.mechanics.steady(volts, warm, torque)
            power = motor.mechanics.supply_power(speed, current, warm)
            rows.append((volts, power / volts, speed, torque, warm))
            warm += 0.004 * current**2
    volts_shown, amperes, speeds, torques, warmth = (np.array(column) for column in zip(*rows, strict=True))
    write_log(
        folder / "load.csv",
        {
            "supply_voltage [V]": ("%.3f", bench.read("meters", "voltage", volts_shown, rng)),
            "supply_current [A]": ("%.3f", bench.read("meters", "current", amperes, rng)),
            "speed [rpm]": ("%.1f", bench.read("tachometer", "speed", speeds, rng) / RPM),
            "torque [N m]": ("%.2f", bench.read("brake", "torque", torques, rng)),
            "temperature_winding [degC]": ("%.1f", bench.read("thermometer", "temperature", warmth, rng)),
        },
    )
    return (
        "  - procedure: load\n"
        "    log: load.csv\n"
        "    instruments: {supply_voltage: meters, supply_current: meters}\n"
        f"    conditions: {{standby_power: {motor.mechanics.standby:.2f} +/- 0.03 W}}\n"
    )


def _coast_down(
    motor: DemoMotor, bench: Bench, folder: Path, rng: np.random.Generator, truth: dict[str, float]
) -> list[str]:
    disc = 0.0500
    tests = []
    for added in (0.0, disc):
        times = np.arange(0.0, 6.0, 0.02)
        start = 150 * RPM * rng.uniform(0.99, 1.01)
        speed = motor.mechanics.coast(start, times, added)
        name = "coast-down-disc.csv" if added else "coast-down.csv"
        write_log(
            folder / name,
            {"time [s]": ("%.2f", times), "speed [rpm]": ("%.1f", bench.read("tachometer", "speed", speed, rng) / RPM)},
        )
        conditions = "    conditions: {added_inertia: 0.0500 +/- 0.0002 kg m^2}\n" if added else ""
        tests.append(
            f"  - procedure: coast-down\n    log: {name}\n    label: {'with-disc' if added else 'bare'}\n" + conditions
        )
    truth["moment_of_inertia"] = motor.mechanics.inertia
    return tests


def _heat_run(motor: DemoMotor, bench: Bench, folder: Path, rng: np.random.Generator, truth: dict[str, float]) -> str:
    run = heat_run(motor.heat, rng, current=11.0, duration=7200.0, interval=30.0, air=motor.air, noise=0.0)
    course = run.course
    hot = bench.read("thermometer", "temperature", course["temperature_winding"], rng)
    air = bench.read("thermometer", "temperature", course["temperature_ambient"], rng)
    write_log(
        folder / "heat-run.csv",
        {
            "time [s]": ("%.0f", course["time"]),
            "temperature_winding [degC]": ("%.1f", hot),
            "temperature_ambient [degC]": ("%.1f", air),
            "supply_voltage [V]": ("%.3f", bench.read("meters", "voltage", course["supply_voltage"], rng)),
            "supply_current [A]": ("%.3f", bench.read("meters", "current", course["supply_current"], rng)),
        },
    )
    del truth  # the end temperature depends on definitions of the procedure; see its own tests
    return (
        "  - procedure: heat-run\n"
        "    log: heat-run.csv\n"
        "    instruments: {supply_voltage: meters, supply_current: meters}\n"
        "    conditions: {output_power: 0 W}\n"
    )


def _on_the_pack(motor: DemoMotor, truth: dict[str, float]) -> None:
    alone = _no_bridge(motor.mechanics)

    def short(volts: float) -> float:
        return PACK - PACK_RESISTANCE * alone.steady(volts, PACK_WINDING)[1] - volts

    truth["pack_no_load_speed"] = alone.steady(float(brentq(short, 0.5 * PACK, PACK)), PACK_WINDING)[0]


def _no_bridge(motor: BenchMotor) -> BenchMotor:
    """Return the motor fed without the bridge's own drop, as the prediction defines it."""
    return BenchMotor(
        **{**{name: getattr(motor, name) for name in motor.__dataclass_fields__}, "switch_drop": 0.0, "ripple": 0.0}
    )
