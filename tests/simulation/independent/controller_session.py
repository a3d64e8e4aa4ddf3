"""A session at the bench with one controller: supply window, throttle and its faults, current limits, losses.

The controller watches a smoothed supply voltage, and its throttle curve begins with a bend. Losses are those that the
bridge's solution gives while the controller drives its motor at the pack's nominal voltage.

Definitions (reports' appendix): a threshold is the supply voltage that the controller acts on when it changes
infinitely slowly; the dead band ends where the output first leaves zero; throttle start and full are where the
straight part of the curve meets zero and its end value.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.simulation.independent.draw import Vehicle
from tests.simulation.independent.instruments import Instrument
from tests.simulation.independent.logs import write, write_unit
from tests.simulation.independent.machine import Controller, Motor
from tests.simulation.independent.operating import Request, Steady

Floats = NDArray[np.float64]

FAULTS = ("signal open", "signal to supply", "signal to ground", "signal out of range", "throttle at power-on", "brake")


@dataclass(frozen=True)
class Habits:
    """What the controller is set to. V, A, s; duty over the signal: zero up to `onset`, a parabola to `straight`,
    then a line to one at `full`; smoothing: time constants of what it watches."""

    start: float
    cutoff: float
    overvoltage: float
    back: float
    voltage_smoothing: float
    supply_limit: float
    phase_limit: float
    released: float
    onset: float
    bend: float
    full: float
    response: float
    brake_response: float


def draw_habits(rng: np.random.Generator) -> Habits:
    """Settings of a 36 V controller (common practice, no source)."""
    cutoff = rng.uniform(28.5, 31.0)
    overvoltage = rng.uniform(43.0, 47.0)
    released = rng.uniform(0.8, 0.9)
    onset = released + rng.uniform(0.15, 0.45)
    return Habits(
        start=cutoff + rng.uniform(0.5, 2.5),
        cutoff=cutoff,
        overvoltage=overvoltage,
        back=overvoltage - rng.uniform(0.5, 2.0),
        voltage_smoothing=rng.uniform(0.01, 0.3),
        supply_limit=rng.uniform(13.5, 18.0),
        phase_limit=rng.uniform(25.0, 38.0),
        released=released,
        onset=onset,
        bend=rng.uniform(0.02, 0.3),
        full=rng.uniform(3.4, 3.8),
        response=rng.uniform(0.04, 0.2),
        brake_response=rng.uniform(0.03, 0.15),
    )


@dataclass
class ControllerSession:
    """One controller on one bench; `motor` is what it drives for its losses."""

    name: str
    rng: np.random.Generator
    controller: Controller
    habits: Habits
    motor: Motor
    vehicle: Vehicle
    truth: dict[str, dict[str, object]] = field(default_factory=dict)
    tests: list[dict[str, object]] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = self.rng
        self.meters = Instrument(
            "supply meters", f"IB-{rng.integers(10000, 99999)}", {"voltage": (0.1, 5, "mV"), "current": (0.5, 2, "mA")}
        )
        self.analyser = Instrument(
            "power and logic analyser",
            f"IB-{rng.integers(10000, 99999)}",
            {
                "voltage": (0.05, 3, "mV"),
                "current": (0.1, 1, "mA"),
                "power": (0.1, 0.02, "W"),
                "time": (0.002, 0, "s"),
            },
        )

    def requests(self) -> list[Request]:
        """Points at which the losses are measured: 36 V at the controller's terminals, load rising."""
        constant = 1.655 * self.motor.waveform.fundamental() * self.motor.ratio
        ohms = 2 * float(self.motor.resistance.mean())
        most = min(9.0, 0.3 * 36.0 / ohms) * constant
        return [
            Request(self.motor, self.controller, 36.0, load=float(t), winding=40.0, magnets=30.0)
            for t in np.linspace(0.05, 1.0, 10) * most
        ]

    def write(self, raw: Path, losses: Steady) -> dict[str, dict[str, object]]:
        """Write the unit's folder and give its true values."""
        self.folder = raw / self.name
        self.folder.mkdir(parents=True, exist_ok=True)
        self._supply_window()
        self._throttle()
        self._faults()
        self._limits()
        self._losses(losses)
        unit = {
            "unit": self.name,
            "kind": "controller",
            "description": "drawn at random by the independent bench (invented)",
            "nameplate": {"rated_voltage": "36 V"},
            "ambient": {"temperature": "22.0 degC", "humidity": "45 percent"},
            "operator": "I. Bench (invented)",
            "tested_on": "2026-05-09",
            "instruments": {"meters": self.meters.stated(), "analyser": self.analyser.stated()},
            "tests": self.tests,
        }
        write_unit(self.folder / "unit.yaml", unit)
        return self.truth

    def _know(self, values: dict[str, float]) -> None:
        for name, value in values.items():
            self.truth[name] = {"value": float(value)}

    def _test(self, procedure: str, log: str, **more: object) -> None:
        self.tests.append({"procedure": procedure, "log": log, **more})

    def _supply_window(self) -> None:
        rng, h = self.rng, self.habits
        interval, rate = 0.05, 0.5
        rise = np.arange(25.0, 48.0, rate * interval)
        volts = np.concatenate([rise, rise[::-1]] * 4)
        time = interval * np.arange(len(volts))
        seen, drives, running = volts[0], False, np.zeros(len(volts), dtype=bool)
        share = 1 - np.exp(-interval / h.voltage_smoothing)
        for k, v in enumerate(volts):
            seen += share * (v - seen)
            drives = h.cutoff < seen < h.overvoltage if drives else h.start < seen < h.back
            running[k] = drives
        idle = self.controller.standby(volts) / volts
        amperes = np.where(running, 1.3 + idle, idle) * 1.0
        columns = [
            ("time [s]", time, ".2f"),
            ("supply_voltage [V]", self.meters.read(rng, "voltage", "", volts, noise=0.01, step=0.001), ".3f"),
            ("supply_current [A]", self.meters.read(rng, "current", "", amperes, noise=0.01, step=0.001), ".3f"),
        ]
        write(self.folder / "supply-window.csv", columns)
        tools = {"supply_voltage": "meters", "supply_current": "meters", "time": "analyser"}
        self._test("supply-window", "supply-window.csv", instruments=tools)
        self._know(
            {
                "start_voltage": h.start,
                "cutoff_voltage": h.cutoff,
                "supply_hysteresis": h.start - h.cutoff,
                "overvoltage_cutoff": h.overvoltage,
                "overvoltage_return": h.back,
                "supply_chatter": 0.0,
            }
        )

    def _duty(self, signal: Floats) -> Floats:
        """Output over the signal: a parabola from the onset that runs into the straight line with its slope."""
        h = self.habits
        foot = h.onset + h.bend / 2
        line = (signal - foot) / (h.full - foot)
        curve = np.maximum(signal - h.onset, 0) ** 2 / (2 * h.bend * (h.full - foot))
        return np.clip(np.where(signal < h.onset + h.bend, curve, line), 0.0, 1.0)

    def _throttle(self) -> None:
        rng, h = self.rng, self.habits
        time = 0.01 * np.arange(4000)
        signal = np.interp(time, [0, 1, 18.5, 21.5, 39, 40], [h.released, h.released, 4.1, 4.1, h.released, h.released])
        columns = [
            ("time [s]", time, ".2f"),
            ("throttle [V]", self.meters.read(rng, "voltage", "", signal, noise=0.003, step=0.001), ".3f"),
            (
                "duty [1]",
                np.clip(self._duty(signal) + 0.0005 * rng.normal(size=4000) * (signal > h.onset), 0, 1),
                ".4f",
            ),
        ]
        write(self.folder / "throttle-sweep.csv", columns)
        self._test(
            "throttle",
            "throttle-sweep.csv",
            label="sweep",
            instruments={"throttle": "meters", "time": "analyser"},
            conditions={"case": "sweep"},
        )
        self._know(
            {
                "throttle_deadband": h.onset - h.released,
                "throttle_start": h.onset + h.bend / 2,
                "throttle_full": h.full,
                "throttle_reversal": 0.0,
            }
        )

    def _faults(self) -> None:
        rng, h = self.rng, self.habits
        for case in FAULTS:
            time = 0.004 * np.arange(1750) + rng.uniform(0, 0.004)
            event = 1.0 + rng.uniform(0, 0.004)
            before = time < event
            response = h.brake_response if case == "brake" else h.response
            signal = np.full(1750, 2.4)
            after = {
                "signal open": 0.02,
                "signal to supply": 4.98,
                "signal to ground": 0.0,
                "signal out of range": 4.5,
            }.get(case, 2.4)
            signal[~before] = after
            drives = time < event + response
            supply = np.full(1750, 36.0)
            if case == "throttle at power-on":
                supply, drives = np.where(before, 0.0, 36.0), np.zeros(1750, dtype=bool)
            amperes = np.where(drives, 6.0 + 0.1 * rng.normal(size=1750), 0.06 * (supply > 1))
            columns = [
                ("time [s]", time, ".6f"),
                ("supply_current [A]", self.meters.read(rng, "current", "", amperes, step=0.001), ".3f"),
                ("throttle [V]", self.meters.read(rng, "voltage", "", signal, noise=0.004, step=0.001), ".3f"),
            ]
            tools = {"throttle": "meters", "supply_current": "meters", "time": "analyser"}
            if case == "brake":
                lever = np.where(before, 4.9, 0.03)
                columns.append(
                    ("brake [V]", self.meters.read(rng, "voltage", "", lever, noise=0.01, step=0.001), ".3f")
                )
                tools["brake"] = "meters"
            if case == "throttle at power-on":
                columns.append(
                    ("supply_voltage [V]", self.meters.read(rng, "voltage", "", supply, noise=0.01, step=0.001), ".3f")
                )
                tools["supply_voltage"] = "meters"
            slug = case.replace(" ", "-")
            write(self.folder / f"throttle-{slug}.csv", columns)
            self._test("throttle", f"throttle-{slug}.csv", label=slug, instruments=tools, conditions={"case": case})
        faults = ("signal_open", "signal_to_supply", "signal_to_ground", "out_of_range")
        self._know({f"response_{name}": h.response for name in faults})
        self._know({"brake_response_time": h.brake_response, "fault_cases_without_stop": 0.0})

    def _limits(self) -> None:
        """The load rises until the wheel stands; block currents, sampled at any instant of the commutation."""
        rng, h = self.rng, self.habits
        count = 3000
        time = 0.02 * np.arange(count)
        constant = 1.655 * self.motor.waveform.fundamental() * self.motor.ratio
        ohms = 2 * float(self.motor.resistance.mean() + self.controller.switch)
        amperes = np.minimum(time / 50.0 * h.phase_limit, h.phase_limit)
        # Full duty until the supply's limit; then as much voltage as it leaves.
        power = np.minimum(36.0 * amperes, 36.0 * h.supply_limit)
        volts = np.where(amperes > 0, power / np.maximum(amperes, 1e-9), 36.0)
        speed = np.maximum((volts - ohms * amperes) / constant, 0.0)
        drawn = np.where(speed > 0, power, ohms * amperes**2) / 36.0
        phase = rng.integers(0, 3, count)
        sign = rng.choice([-1.0, 1.0], count)
        current_a = np.where(phase == 2, 0.0, sign * amperes)
        current_b = np.where(phase == 1, 0.0, np.where(phase == 0, -sign, sign) * amperes)
        ripple = 0.008 * h.supply_limit * rng.normal(size=count) * (drawn > 0.2)
        columns = [("time [s]", time, ".2f")]
        columns.append(("supply_current [A]", self.meters.read(rng, "current", "", drawn + ripple, step=0.001), ".3f"))
        for letter, truth in (("a", current_a), ("b", current_b)):
            noisy = truth * (1 + 0.006 * rng.normal(size=count))
            columns.append((f"current_{letter} [A]", self.meters.read(rng, "current", "", noisy, step=0.001), ".3f"))
        columns += [("speed [rad/s]", speed, ".5g"), ("torque [N m]", constant * amperes, ".5g")]
        write(self.folder / "current-limit.csv", columns)
        tools = {"supply_current": "meters", "current_a": "meters", "current_b": "meters", "time": "analyser"}
        self._test("current-limit", "current-limit.csv", instruments=tools)
        self._know({"supply_current_limit": h.supply_limit, "phase_current_limit": h.phase_limit})

    def _losses(self, found: Steady) -> None:
        rng = self.rng
        power = found.voltage * found.current
        out = power - found.controller
        columns = [
            (
                "supply_voltage [V]",
                self.analyser.read(rng, "voltage", "", found.voltage, noise=0.002, step=0.001),
                ".3f",
            ),
            ("supply_current [A]", self.analyser.read(rng, "current", "", found.current, noise=2e-4, step=1e-4), ".4f"),
            ("phase_power [W]", self.analyser.read(rng, "power", "", out, noise=0.02, step=0.01), ".2f"),
        ]
        write(self.folder / "losses.csv", columns)
        tools = {"supply_voltage": "analyser", "supply_current": "analyser", "phase_power": "analyser"}
        self._test("controller-loss", "losses.csv", label="driving", instruments=tools, conditions={"state": "driving"})
        idle = float(self.controller.standby(36.0))
        volts, amperes = np.full(10, 36.0), np.full(10, idle / 36.0)
        columns = [
            ("supply_voltage [V]", self.analyser.read(rng, "voltage", "", volts, noise=0.002, step=0.001), ".3f"),
            ("supply_current [A]", self.analyser.read(rng, "current", "", amperes, noise=3e-4, step=1e-4), ".4f"),
        ]
        write(self.folder / "standby.csv", columns)
        tools = {"supply_voltage": "analyser", "supply_current": "analyser"}
        self._test(
            "controller-loss", "standby.csv", label="standby", instruments=tools, conditions={"state": "standby"}
        )
        self._know(
            {
                "controller_loss": found.controller[-1],
                "controller_efficiency": 100 * out[-1] / power[-1],
                "standby_power": idle,
            }
        )
