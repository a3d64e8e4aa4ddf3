"""The controllers of the demo: one as it should be, one that must not be fitted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.simulation.controller_bench import LimitController, SupplyController, ThrottleController, write_plain
from tests.simulation.demo.bench import Bench, instruments_text, write_log
from tests.simulation.gate_capture import GateBench, GateFaults
from tests.simulation.six_step_bridge import LossTable

CASES = (
    "signal open",
    "signal to supply",
    "signal to ground",
    "signal out of range",
    "throttle at power-on",
    "sensor lost",
    "brake",
)
SAMPLE_RATE = 24e6


@dataclass(frozen=True)
class DemoController:
    """An invented controller as each simulator knows it, and the words about it."""

    name: str
    serial: str
    remarks: str
    gates: GateBench
    throttle: ThrottleController
    supply: SupplyController
    limit: LimitController
    loss: LossTable
    seed: int
    cases: tuple[str, ...] = CASES


def controllers() -> list[DemoController]:
    """Return the controllers of the demo."""
    quick = dict.fromkeys(CASES, 0.08)
    return [
        DemoController(
            "AL-C1",
            "SX-3615-04",
            "sample of a batch of ten",
            GateBench(dead_time=800e-9, electrical_frequency=55.0),
            ThrottleController(response=dict(quick)),
            SupplyController(),
            LimitController(),
            LossTable(),
            seed=41,
        ),
        DemoController(
            "AL-C2",
            "SX-3615-07",
            "same batch, bought second-hand",
            GateBench(dead_time=350e-9, electrical_frequency=55.0, faults=GateFaults(overlap=("b", 0.021, 120e-9))),
            ThrottleController(response={**quick, "signal open": None, "brake": 0.45}, bend=0.04),
            SupplyController(cutoff=26.5, overvoltage=None, chatter=3),
            LimitController(supply_limit=19.0, overshoot=0.3),
            LossTable(standing=4.6, square=0.06),
            seed=42,
            cases=tuple(case for case in CASES if case not in ("throttle at power-on", "sensor lost")),
        ),
    ]


def write_controller(controller: DemoController, bench: Bench, raw: Path) -> dict[str, float]:
    """Write a controller's folder and return the truth of quantities that have one number behind them."""
    folder = raw / controller.name
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(controller.seed)
    note = "invented data: no such controller was measured"
    volts, amperes = bench.specimen("meters", "voltage"), bench.specimen("meters", "current")
    tests: list[str] = []

    write_plain(folder / "supply-window.csv", controller.supply.sweep(rng, volts), note)
    tests.append(
        "  - procedure: supply-window\n    log: supply-window.csv\n"
        "    instruments: {supply_voltage: meters, supply_current: meters, time: analyser}\n"
    )

    capture = controller.gates.capture(0.06, SAMPLE_RATE, rng)
    capture.write_vcd(folder / "gates.vcd", "1 ns")
    tests.append(
        "  - procedure: gate-timing\n    log: gates.vcd\n    instruments: {time: analyser}\n"
        f"    conditions: {{sample_rate: {SAMPLE_RATE / 1e6:g} MHz}}\n"
    )

    write_plain(folder / "throttle-sweep.csv", controller.throttle.sweep(rng, volts), note)
    tests.append(
        "  - procedure: throttle\n    log: throttle-sweep.csv\n    label: sweep\n"
        "    instruments: {throttle: meters, time: analyser}\n    conditions: {case: sweep}\n"
    )
    for case in controller.cases:
        name = f"throttle-{case.replace(' ', '-')}.csv"
        columns, at = controller.throttle.fault(case, rng, watched=6.0, interval=0.004)
        write_plain(folder / name, columns, note)
        read = "throttle: meters, supply_current: meters, time: analyser"
        event = f", event_time: {at:.3f} +/- 0.001 s" if case == "sensor lost" else ""
        read += ", brake: meters" if case == "brake" else ""
        read += ", supply_voltage: meters" if case == "throttle at power-on" else ""
        tests.append(
            f"  - procedure: throttle\n    log: {name}\n    label: {case.replace(' ', '-')}\n"
            f"    instruments: {{{read}}}\n    conditions: {{case: {case}{event}}}\n"
        )

    write_plain(folder / "current-limit.csv", controller.limit.ramp(rng, amperes), note)
    tests.append(
        "  - procedure: current-limit\n    log: current-limit.csv\n"
        "    instruments: {supply_current: meters, current_a: meters, current_b: meters, time: analyser}\n"
    )

    output = np.linspace(20, 320, 13)
    readings = controller.loss.readings(rng, output)
    supply_volts, power = readings["supply_voltage"], readings["supply_voltage"] * readings["supply_current"]
    write_log(
        folder / "losses.csv",
        {
            "supply_voltage [V]": ("%.3f", bench.read("analyser", "voltage", supply_volts, rng)),
            "supply_current [A]": ("%.4f", bench.read("analyser", "current", power / supply_volts, rng)),
            "phase_power [W]": ("%.2f", bench.read("analyser", "power", readings["phase_power"], rng)),
        },
    )
    standby = np.full(8, controller.loss.standing)
    write_log(
        folder / "standby.csv",
        {
            "supply_voltage [V]": ("%.3f", bench.read("analyser", "voltage", np.full(8, 36.0), rng)),
            "supply_current [A]": ("%.4f", bench.read("analyser", "current", standby / 36.0, rng)),
        },
    )
    for log, state in (("losses.csv", "driving"), ("standby.csv", "standby")):
        power_column = ", phase_power: analyser" if state == "driving" else ""
        tests.append(
            f"  - procedure: controller-loss\n    log: {log}\n    label: {state}\n"
            f"    instruments: {{supply_voltage: analyser, supply_current: analyser{power_column}}}\n"
            f"    conditions: {{state: {state}}}\n"
        )
    (folder / "unit.yaml").write_text(_unit_text(controller, tests), encoding="utf-8")
    return {
        "throttle_start": controller.throttle.start,
        "throttle_full": controller.throttle.full,
        "pwm_frequency": controller.gates.pwm_frequency,
        "standby_power": controller.loss.standing,
        "overlap_count": 1.0 if controller.gates.faults.overlap else 0.0,
        "commutation_errors": 0.0,
    }


def _unit_text(controller: DemoController, tests: list[str]) -> str:
    return (
        "# yaml-language-server: $schema=../../config/schemas/unit.schema.json\n"
        "# Invented: no such controller was measured. Written by tests/simulation/demo.\n"
        f"unit: {controller.name}\n"
        "kind: controller\n"
        f"description: '36 V, 15 A six-step controller with position sensors; {controller.remarks} (invented)'\n"
        "model: SX-3615 (invented)\n"
        f"serial: {controller.serial}\n"
        "nameplate: {rated_voltage: 36 V, rated_current: 15 A}\n"
        "ambient: {temperature: 22.0 degC, humidity: 44 percent}\n"
        "operator: R. Alder (invented)\n"
        "tested_on: 2026-05-09\n"
        + instruments_text(["meters", "analyser"])
        + "tests:\n"
        + "".join(tests)
        + "acceptance: controller-36V\n"
    )
