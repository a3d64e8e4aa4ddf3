"""An afternoon at the kitchen table: `write(folder, seed)` leaves the files there and gives what is true."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import openpyxl
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from tests.simulation.gate_capture import CHANNELS, GateBench
from tests.simulation.independent import definitions, thermal
from tests.simulation.independent.machine import SENSOR_EDGES, Motor
from tests.simulation.independent.operating import Request, Steady, points_for, steady
from tests.simulation.kitchen.files import Row, meter_log, scope_csv, sheet, typed, vcd
from tests.simulation.kitchen.instruments import HANDHELD, RPM, SCALE, SCOPE, SUPPLY, TACHOMETER, Instrument
from tests.simulation.kitchen.units import AIR, CONTROLLER, DEAD_TIME, DIRECT, GEARED, SWITCHING, THRESHOLDS

Floats = NDArray[np.float64]

KILOGRAM = 9.80665
"""Newtons to a kilogram on a scale (standard acceleration of free fall, 3rd CGPM 1901)."""

ARM = 0.300
"""Length of the lever, m."""

HEATING = 5.0
"""Direct current of the heat run, A."""

DISC = 0.0620
"""Inertia of the weight plate bolted to the wheel, kg m^2."""

VOLTS = np.array([8.0, 12.0, 16.0, 20.0, 24.0, 27.0, 29.5])
"""Supply voltages of the no-load run."""


@dataclass
class Table:
    """The instruments on it."""

    rng: np.random.Generator
    meter: Instrument = field(init=False)
    supply: Instrument = field(init=False)
    tachometer: Instrument = field(init=False)
    scale: Instrument = field(init=False)
    scope: Instrument = field(init=False)

    def __post_init__(self) -> None:
        for name, ranges in (
            ("meter", HANDHELD),
            ("supply", SUPPLY),
            ("tachometer", TACHOMETER),
            ("scale", SCALE),
            ("scope", SCOPE),
        ):
            setattr(self, name, Instrument(self.rng, ranges))


def write(folder: Path, seed: int) -> tuple[dict[str, dict[str, float]], dict[str, dict[str, float]]]:
    """Write the logs of KT-M1 (gearless), KT-M2 (geared) and KT-C1 (controller) into folders of these names.

    Gives what was noted by hand (speeds of the scope's records, rpm) and what is true, by unit and quantity in
    the units of a report. What ends in "(axle)" is true of the axle, not of the winding.
    """
    rng = np.random.default_rng(seed)
    table = Table(rng)
    truth, noted = {}, {}
    found = steady([Request(m, CONTROLLER, v, winding=AIR + 2, magnets=AIR) for m in (DIRECT, GEARED) for v in VOLTS])
    for k, (name, motor) in enumerate((("KT-M1", DIRECT), ("KT-M2", GEARED))):
        part = Steady(**{key: v[k * len(VOLTS) : (k + 1) * len(VOLTS)] for key, v in vars(found).items()})
        (folder / name).mkdir(parents=True, exist_ok=True)
        noted[name], truth[name] = _motor(folder / name, motor, part, table)
    (folder / "KT-C1").mkdir(parents=True, exist_ok=True)
    truth["KT-C1"] = _controller(folder / "KT-C1", table)
    # What came later stands last, so that the draws before it stay as they were.
    for name, motor in (("KT-M1", DIRECT), ("KT-M2", GEARED)):
        scope_beside_levels(folder / name, motor, table)
        emf_by_mean_meter(folder / name / "emf-mean.csv", motor, table)
    return noted, truth


def _motor(folder: Path, motor: Motor, free: Steady, table: Table) -> tuple[dict[str, float], dict[str, float]]:
    book = openpyxl.Workbook()
    book.remove(book.active)
    sheet(book, "Resistance", ["Winding, four wires", "meter: volts; supply: amps"], _resistance(motor, table))
    sheet(book, "EMF", ["Drill on the tyre, meter on AC volts (true RMS)"], _emf(motor, table))
    sheet(book, "No load", ["Wheel in the air, full throttle, warm"], _free(free, table))
    sheet(book, "Locked", [f"lever {1000 * ARM:.0f} mm, best angle, A-B"], _locked(motor, table))
    sheet(book, "Warm", [f"{HEATING:g} A through A-B, wheel at rest"], _warm(motor, table))
    book.save(folder / "bench-book.xlsx")
    noted = _wave(folder, motor, table)
    sensors_by_analyser(folder / "halls.vcd", motor, table.rng)
    for log, extra in (("coast.csv", 0.0), ("coast-plate.csv", DISC)):
        _coast(folder / log, motor, float(free.speed[-1]), extra, table)
    _housing(folder / "METER01.CSV", motor, table)
    rise, shell, heat = thermal.steady_rise(motor, HEATING, AIR)
    return noted, {
        **definitions.winding(motor),
        **definitions.emf(motor, AIR),
        "moment_of_inertia": motor.inertia,
        **definitions.sensors(motor),
        **_friction(motor, float(free.speed[-1])),
        "temperature_rise": rise,
        "thermal_resistance": rise / heat,
        "thermal_time_constant": thermal.slowest_time(motor, HEATING, AIR),
        "continuous_current": thermal.continuous_current(motor),
        "temperature_rise (axle)": shell,
        "thermal_resistance (axle)": shell / heat,
    }


def _friction(motor: Motor, highest: float) -> dict[str, float]:
    return definitions.friction(motor, highest, definitions.Turning(AIR, AIR, 900.0), air_told_apart=False)


def _resistance(motor: Motor, table: Table) -> list[Row]:
    ohms = motor.resistances(AIR)
    rows: list[Row] = [["I A-B (A)", "U A-B (V)", "I B-C (A)", "U B-C (V)", "I C-A (A)", "U C-A (V)", None, "Notes"]]
    columns = []
    for pair in (ohms[0] + ohms[1], ohms[1] + ohms[2], ohms[2] + ohms[0]):
        amperes = np.linspace(0.25, 2.5, 10) * (1 + table.rng.normal(0, 0.01, 10))
        columns += [table.supply.read("current", amperes), table.meter.read("voltage", amperes * pair, noise=5e-5)]
    for k, row in enumerate(np.round(np.column_stack(columns), 4).tolist()):
        rows.append([*row, None, "clip slipped, done again" if k == 3 else None])
        if k == 4:
            rows += [[], [None, None, "coffee"]]
    return rows


def _emf(motor: Motor, table: Table) -> list[Row]:
    constant = definitions.emf(motor, AIR)["emf_constant_rms"]
    lines = np.sqrt((motor.waveform.lines(definitions.TURN) ** 2).mean(axis=1))
    speed = np.array([61.0, 98.0, 134.0, 171.0]) * RPM * (1 + table.rng.normal(0, 0.01, 4))
    columns = [np.round(table.tachometer.read("speed", speed, noise=0.2 * RPM) / RPM, 1)]
    columns += [
        np.round(table.meter.read("ac", constant * share * speed, noise=0.01), 2) for share in lines / lines.mean()
    ]
    rows: list[Row] = [["n (1/min)", "U1-2 (V AC)", "U2-3 (V AC)", "U3-1 (V AC)"]]
    return rows + np.column_stack(columns).tolist()


def emf_by_mean_meter(path: Path, motor: Motor, table: Table) -> None:
    """The same with an older meter, typed in: it rectifies, takes the mean and scales so that a sine reads right.

    Form factor of a sine, pi / (2 sqrt 2): IEC 60050-103. The mean is that of the machine's own wave over a turn.
    """
    meter = Instrument(table.rng, HANDHELD)
    wave = motor.waveform.lines(definitions.TURN) * motor.ratio * float(motor.magnets(AIR))
    shown = np.pi / (2 * np.sqrt(2)) * np.abs(wave).mean(axis=1)
    speed = np.array([63.0, 95.0, 137.0, 169.0]) * RPM * (1 + table.rng.normal(0, 0.01, 4))
    columns = [table.tachometer.read("speed", speed, noise=0.2 * RPM) / RPM]
    columns += [meter.read("ac", per_speed * speed, noise=0.01) for per_speed in shown]
    heads = ("n (1/min)", "U1-2 (V AC)", "U2-3 (V AC)", "U3-1 (V AC)")
    typed(path, heads, np.column_stack(columns).tolist(), (1, 2, 2, 2))


def _free(found: Steady, table: Table) -> list[Row]:
    rest = 24.0
    volts = np.append(found.voltage, rest)
    amperes = np.append(found.current, float(CONTROLLER.standby(rest)) / rest)
    speed = np.append(table.tachometer.read("speed", found.speed, noise=0.2 * RPM), 0.0) / RPM
    columns = [
        np.round(table.meter.read("voltage", volts, noise=0.01), 2),
        np.round(table.supply.read("current", amperes, noise=0.003), 3),
        np.round(speed, 1),
    ]
    rows: list[Row] = [["U (V)", "I (A)", "rpm", None, "Remarks"]]
    for k, row in enumerate(np.column_stack(columns).tolist()):
        rows.append([*row, None, "throttle off" if k == len(volts) - 1 else None])
    return rows


def _locked(motor: Motor, table: Table) -> list[Row]:
    """The lever at the angle of the greatest torque, current up and down again: friction holds back, then helps."""
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    one = points_for([Request(motor, CONTROLLER, 1.0, magnets=AIR)] * 720, np.full(720, 1e-3), np.ones(720))
    shape = one.emf_shape(angle)
    amperes = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    amperes = np.concatenate([amperes, amperes[::-1]])
    axis = 2 / 3 * (1 - np.exp(2j * np.pi / 3))
    torque = np.array([one.torque(np.full(720, i * axis), angle, shape).max() for i in amperes]) * motor.ratio
    rising = np.arange(10) < 5
    held = definitions.slow_friction(motor, AIR)
    lever = np.where(rising, torque * motor.mesh - held, torque / motor.mesh + held)
    newtons = table.scale.read("force", lever / ARM, noise=0.2)
    rows: list[Row] = [["I (A)", "scale (kg)"]]
    read = np.column_stack([table.supply.read("current", amperes), np.round(newtons / KILOGRAM, 2)])
    return rows + np.round(read, 3).tolist()


def _warming(motor: Motor, step: float, count: int) -> Floats:
    return thermal.warming(motor, HEATING, np.full(count, AIR), step)


def _warm(motor: Motor, table: Table) -> list[Row]:
    """Resistance of A-B every five minutes for two hours and a half, volts over amperes worked out by hand."""
    winding = _warming(motor, 300.0, 31)[0]
    ohms = motor.resistances(winding)[:, :2].sum(axis=1)
    read = table.meter.read("voltage", HEATING * ohms) / table.supply.read("current", np.full(31, HEATING))
    begin = datetime(2026, 11, 21, 14, 5)
    rows: list[Row] = [["Clock", "R A-B (mOhm)", "Notes"]]
    for k, ohm in enumerate(read):
        at = (begin + timedelta(minutes=5 * k)).time()
        rows.append([at, round(1000 * float(ohm), 1), "fan in the kitchen off" if k == 0 else None])
    return rows


def _housing(path: Path, motor: Motor, table: Table) -> None:
    """The meter's own log of its thermocouple on the axle, a reading every 20 s."""
    housing = _warming(motor, 20.0, 450)[1]
    read = table.meter.read("temperature", housing, noise=0.05)
    meter_log(path, datetime(2026, 11, 21, 9, 12, 4), 20.0, read, "°C", "TEMP")


def _wave(folder: Path, motor: Motor, table: Table) -> dict[str, float]:
    """Both probes' earths on line B: channel 1 sees A-B, channel 2 the negative of B-C. Gives speeds noted, rpm."""
    noted = {}
    for rpm in (70, 140):
        speed = rpm * RPM * (1 + table.rng.normal(0, 0.01))
        interval = 5e-5
        angle = motor.ratio * speed * interval * np.arange(5000) + table.rng.uniform(0, 2 * np.pi)
        lines = motor.waveform.lines(angle) * speed * motor.ratio * float(motor.magnets(AIR))
        first = table.scope.read("voltage", lines[0], noise=0.05, channel="1")
        second = table.scope.read("voltage", -lines[1], noise=0.05, channel="2")
        scope_csv(folder / f"scope-{rpm}.csv", interval, first, second)
        shown = float(np.round(table.tachometer.read("speed", np.array([speed]))[0] / RPM, 1))
        noted[f"speed_{rpm}"] = shown
    return noted


def sensors_by_analyser(path: Path, motor: Motor, rng: np.random.Generator) -> None:
    """Three sensors' transitions as the analyser saves them, the wheel turned by the drill at about 40 rpm."""
    from vcd import VCDWriter

    events = []
    turns = np.arange(0, 40)
    pace = motor.ratio * 40 * RPM
    for wire in range(3):
        for edge, level in ((0, 1), (1, 0)):
            place = SENSOR_EDGES[wire, edge] + motor.sensors[wire, edge]
            at = (place + 2 * np.pi * turns + rng.normal(0, motor.jitter, len(turns))) / pace
            events += [(round(float(t) * 24e6) / 24e6, wire, level) for t in at if t > 0]
    with path.open("w", encoding="ascii") as stream, VCDWriter(stream, timescale="1 ns", date="", version="a") as out:
        first = [next(level for _, w, level in sorted(events) if w == wire) for wire in range(3)]
        wires = [out.register_var("logic", f"D{k}", "wire", size=1, init=1 - first[k]) for k in range(3)]
        for at, wire, level in sorted(events):
            out.change(wires[wire], round(at * 1e9), level)


def scope_beside_levels(folder: Path, motor: Motor, table: Table) -> None:
    """Sensor A on channel 2, in volts of its pull-up, beside A-B, then beside the negative of B-C; earths on line B."""
    for log, line, sign, rpm in (("scope-a-ab.csv", 0, 1, 55), ("scope-a-bc.csv", 1, -1, 47)):
        pace = motor.ratio * rpm * RPM * (1 + table.rng.normal(0, 0.01))
        interval, count = 5e-5, 12_000
        angle = pace * interval * np.arange(count) + table.rng.uniform(0, 2 * np.pi)
        turns = np.arange(int(angle[-1] / (2 * np.pi)) + 3) - 1
        rise, fall = (
            SENSOR_EDGES[0, edge]
            + motor.sensors[0, edge]
            + 2 * np.pi * turns
            + table.rng.normal(0, motor.jitter, turns.size)
            for edge in (0, 1)
        )
        high = np.searchsorted(rise, angle) > np.searchsorted(fall, angle)
        volts = sign * motor.waveform.lines(angle)[line] * pace * float(motor.magnets(AIR))
        first = table.scope.read("voltage", volts, noise=0.05, channel="1")
        second = table.scope.read("voltage", np.where(high, 4.86, 0.17), noise=0.05, channel="2")
        scope_csv(folder / log, interval, first, second)


def _coast(path: Path, motor: Motor, top: float, extra: float, table: Table) -> None:
    """Two dozen points read off a film of the tachometer: times to a tenth of a second."""

    def slope(_: float, w: Floats) -> Floats:
        drag = motor.drag.torque(np.maximum(w, 0), 900.0, float(motor.magnets(AIR)))
        return np.asarray(-drag / (motor.inertia + extra) * (w > 0))

    run = solve_ivp(slope, (0, 20), [0.97 * top], dense_output=True, max_step=0.05, rtol=1e-7)
    still = float(run.t[np.argmax(run.y[0] < 0.15 * top)])
    at = np.linspace(0, still, 24).round(1)
    speed = run.sol(np.maximum(at + table.rng.uniform(-0.05, 0.05, 24), 0))[0]
    read = table.tachometer.read("speed", speed) / RPM
    typed(path, ("t (s)", "n (rpm)"), zip(at.tolist(), read.tolist(), strict=True), (1, 1))


def _controller(folder: Path, table: Table) -> dict[str, float]:
    rng = table.rng
    bench = GateBench(pwm_frequency=SWITCHING, dead_time=DEAD_TIME)
    channels = {name: k for k, name in enumerate(CHANNELS)}
    for log, legs in (("legs-ab.vcd", "ab"), ("legs-bc.vcd", "bc")):
        wired = [*(f"gate_{leg}{side}" for leg in legs for side in "hl"), "hall_a", "hall_b", "hall_c"]
        capture = bench.capture(0.15, 24e6, rng, clock_error=2e-5 * rng.uniform(-1, 1))
        vcd(folder / log, capture, {f"D{k}": channels[name] for k, name in enumerate(wired)})
    step = 0.02
    ramp = np.concatenate([np.arange(25.5, 30.0, 0.3 * step), np.arange(30.0, 25.5, -0.3 * step)])
    volts = np.concatenate([ramp] * 3)
    on, running = False, np.zeros(len(volts), dtype=bool)
    for k, v in enumerate(volts):
        on = v > THRESHOLDS.cutoff if on else v > THRESHOLDS.start
        running[k] = on
    amperes = np.where(running, THRESHOLDS.idle, 0.0) + CONTROLLER.standby(volts) / volts
    first = table.scope.read("voltage", volts, noise=0.05, channel="1")
    second = table.scope.read("voltage", 1.0 * amperes, noise=0.01, channel="2")
    scope_csv(folder / "window.csv", step, first, second)
    rest = np.array([20.0, 24.0, 27.0, 29.0, 30.0])
    standby = CONTROLLER.standby(rest)
    read = [table.meter.read("voltage", rest), 1000 * table.supply.read("current", standby / rest)]
    typed(folder / "standby.csv", ("U (V)", "I (mA)"), np.column_stack(read).tolist(), (2, 0))
    return {
        "dead_time_min": 1e9 * DEAD_TIME,
        "overlap_count": 0.0,
        "commutation_errors": 0.0,
        "controller_table": definitions.COMMUTATION_TABLE,
        "pwm_frequency": 1e-3 * SWITCHING,
        "start_voltage": THRESHOLDS.start,
        "cutoff_voltage": THRESHOLDS.cutoff,
    }
