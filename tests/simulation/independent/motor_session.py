"""A session at the bench with one motor: which operating points it needs, then its logs, unit.yaml and true values.

The operating points of many sessions are solved together (`operating.steady`), which is what makes a study fast; so a
session first asks for its points and then writes what the instruments make of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from tests.simulation.independent import definitions, thermal, vehicle
from tests.simulation.independent.draw import Bench, Vehicle, draw_bench, draw_controller, draw_motor, draw_vehicle
from tests.simulation.independent.instruments import Instrument, hum, scope
from tests.simulation.independent.logs import write, write_unit
from tests.simulation.independent.machine import SENSOR_EDGES, Controller, Motor
from tests.simulation.independent.operating import Request, Steady

Floats = NDArray[np.float64]
RPM = np.pi / 30
COAST_TIME = 1300.0
"""Running time in s at which the wheel coasts down."""


@dataclass
class Session:
    """One motor on one bench. `requests()` first; `write()` with those points solved."""

    name: str
    rng: np.random.Generator
    motor: Motor
    controller: Controller
    bench: Bench
    vehicle: Vehicle
    truth: dict[str, dict[str, object]] = field(default_factory=dict)
    tests: list[dict[str, object]] = field(default_factory=list)

    @classmethod
    def drawn(cls, name: str, seed: int) -> Session:
        """The session with this name and seed."""
        rng = np.random.default_rng(seed)
        return cls(name, rng, draw_motor(rng), draw_controller(rng), draw_bench(rng), draw_vehicle(rng))

    # ----- operating points

    def requests(self) -> list[Request]:
        """No-load points, load points, then those of pack and vehicle."""
        m, bench, rng = self.motor, self.bench, self.rng
        air = bench.air
        top = bench.highest
        out = []
        self.winding_free = air + rng.uniform(2, 6)
        self.magnets_free = air + rng.uniform(1, 4)
        self.free_times = 900 + 30.0 * np.arange(10)
        for volts, time in zip(np.linspace(0.22, 1.0, 10) * top, self.free_times, strict=True):
            out.append(
                Request(
                    m,
                    self.controller,
                    volts - bench.supply_resistance * 0.5,
                    winding=self.winding_free,
                    magnets=self.magnets_free,
                    running_time=time,
                )
            )
        constant = 1.655 * m.waveform.fundamental() * m.ratio
        most = 1.2 * m.rated_power / m.rated_speed
        stall = 0.35 * 0.5 * top / (2 * float(m.resistance.mean())) * constant
        self.windings_loaded = []
        index = 0
        # One characteristic at full throttle, or a grid over three voltages.
        self.one_characteristic = rng.random() < 0.5
        for share in (1.0,) if self.one_characteristic else (0.5, 0.75, 1.0):
            for load in np.linspace(0.0, 1.0, 12 if self.one_characteristic else 8) * min(
                most, stall * (2 if self.one_characteristic else 1)
            ):
                winding = air + 4 + 0.6 * index
                self.windings_loaded.append(winding)
                sag = bench.supply_resistance * (load / constant + 0.5)
                out.append(
                    Request(
                        m,
                        self.controller,
                        share * top - sag,
                        load=float(load),
                        winding=winding,
                        magnets=air + 3 + 0.35 * index,
                        running_time=1500.0 + 40 * index,
                    )
                )
                index += 1
        self.count_bench = len(out)
        return out + vehicle.requests(m, self.controller, self.vehicle)

    # ----- writing

    def write(self, raw: Path, found: Steady) -> dict[str, dict[str, object]]:
        """Write the unit's folder under `raw` and give its true values by quantity."""
        self.folder = raw / self.name
        self.folder.mkdir(parents=True, exist_ok=True)
        self._winding_resistance()
        self._insulation()
        self._inductance()
        self._open_circuit()
        self._hall()
        free = Steady(**{k: v[:10] for k, v in vars(found).items()})
        self._no_load(free)
        self._coast_down(float(free.speed[-1]))
        self._cogging()
        self._locked()
        self._load(Steady(**{k: v[10 : self.count_bench] for k, v in vars(found).items()}))
        self._heat_run()
        self.found = found
        for name, values in vehicle.truths(self.motor, self.vehicle, self.pack_points(), self.bench.air).items():
            self.truth[name] = {**values, "at": [vehicle.COLD, vehicle.HOT]}
        other = vehicle.field_oriented_truths(self.motor, self.controller, self.vehicle, self.bench.air)
        self.truth["field_oriented"] = dict(other)
        write_unit(self.folder / "unit.yaml", self._unit())
        return self.truth

    def pack_points(self) -> Steady:
        """The solved points of pack and vehicle."""
        return Steady(**{k: v[self.count_bench :] for k, v in vars(self.found).items()})

    def _know(self, values: dict[str, float], **beside: object) -> None:
        for name, value in values.items():
            self.truth[name] = {"value": float(value), **beside}

    def _magnetic(self) -> None:
        cold, hot = (definitions.emf(self.motor, temperature) for temperature in (vehicle.COLD, vehicle.HOT))
        self._know(cold)
        for name in definitions.MAGNETIC:
            self.truth[name].update(cold=cold[name], hot=hot[name], at=[vehicle.COLD, vehicle.HOT])

    def _tool(self, name: str) -> Instrument:
        return self.bench.instruments[name]

    def _test(self, procedure: str, log: str, **more: object) -> None:
        self.tests.append({"procedure": procedure, "log": log, **{k: v for k, v in more.items() if v}})

    def _winding_resistance(self) -> None:
        rng, tool = self.rng, self._tool("dmm")
        temperature = self.bench.air + rng.uniform(-0.5, 0.5)
        ohms = self.motor.resistances(temperature)
        lines = {"ab": ohms[0] + ohms[1], "bc": ohms[1] + ohms[2], "ca": ohms[2] + ohms[0]}
        columns: dict[str, list[Floats]] = {}
        for pair, ohm in lines.items():
            amperes = 0.4 * np.arange(1, 9) * (1 + rng.normal(0, 0.005, 8))
            for other in lines:
                same = other == pair
                columns.setdefault(f"current_{other} [A]", []).append(
                    tool.read(rng, "current", "", amperes, noise=2e-4, step=1e-4) if same else np.zeros(8)
                )
                columns.setdefault(f"voltage_{other} [V]", []).append(
                    tool.read(rng, "voltage", "", amperes * ohm, noise=3e-5, step=1e-5) if same else np.zeros(8)
                )
        write(
            self.folder / "winding-resistance.csv",
            [(name, np.concatenate(v), ".4f" if "A]" in name else ".5f") for name, v in columns.items()],
        )
        stated = self._tool("thermometer").read(rng, "temperature", "winding", np.array([temperature]), step=0.1)[0]
        self.cold = stated
        self._test(
            "winding-resistance",
            "winding-resistance.csv",
            instruments={name.split(" ")[0]: "dmm" for name in columns},
            conditions={"winding_temperature": f"{stated:.1f} degC"},
        )
        self._know(definitions.winding(self.motor))

    def _insulation(self) -> None:
        rng = self.rng
        at_40, index, _ = self.motor.insulation
        temperature = self.bench.air
        kind = str(rng.choice(["thermoset", "thermoplastic"]))
        kelvin = temperature + 273.0
        # IEEE 43-2013 (from memory): to 40 degC a thermoplastic doubles in 10 K, a thermoset follows 1245 K.
        factor = (
            0.5 ** ((40 - temperature) / 10) if kind == "thermoplastic" else np.exp(-1245 * (1 / kelvin - 1 / 313.0))
        )
        time = np.arange(10.0, 611.0, 10.0)
        ohms = at_40 / factor * (time / 60) ** np.log10(index)
        read = self._tool("megohmmeter").read(rng, "resistance", "", ohms) * (1 + rng.normal(0, 0.005, len(time)))
        digits = 10 ** (np.floor(np.log10(read)) - 2)
        write(
            self.folder / "insulation-resistance.csv",
            [
                ("time [s]", time, ".0f"),
                ("insulation_resistance [Mohm]", np.round(read / digits) * digits / 1e6, ".6g"),
            ],
        )
        conditions = {"test_voltage": "500 V", "winding_temperature": f"{self.cold:.1f} degC"}
        if rng.random() < 0.67:
            conditions["insulation_kind"] = kind
        self._test(
            "insulation-resistance",
            "insulation-resistance.csv",
            instruments={"insulation_resistance": "megohmmeter", "test_voltage": "megohmmeter"},
            conditions=conditions,
        )
        self._know(
            {"insulation_resistance": at_40 / 1e6, "polarization_index": index},
            insulation_kind=conditions.get("insulation_kind", "not stated"),
        )

    def _inductance(self) -> None:
        rng, tool = self.rng, self._tool("lcr")
        angle = rng.uniform(0, 360 / self.motor.ratio) + np.arange(25) * (1.3 * 360 / self.motor.ratio / 24)
        truth = definitions.line_inductance(self.motor, np.radians(angle) * self.motor.ratio)
        columns = [("angle [deg]", angle, ".4f")]
        for pair, values in zip(("ab", "bc", "ca"), truth, strict=True):
            read = tool.read(rng, "inductance", "", values) * (1 + rng.normal(0, 0.001, 25))
            columns.append((f"inductance_{pair} [uH]", read * 1e6, ".4g"))
        write(self.folder / "winding-inductance.csv", columns)
        self._test(
            "winding-inductance",
            "winding-inductance.csv",
            instruments=dict.fromkeys(("inductance_ab", "inductance_bc", "inductance_ca"), "lcr"),
            conditions={"test_frequency": "1 kHz", "winding_temperature": f"{self.cold:.1f} degC"},
        )
        self._know(definitions.inductance(self.motor))

    def _full_scale(self, volts: float) -> float:
        return float(next(s for s in (2, 4, 8, 10, 20, 40, 80, 160) if s > 1.15 * volts))

    def _lines(self, time: Floats, speed: float, magnets: float, fall: float = 0.0) -> tuple[Floats, Floats, Floats]:
        turned = speed * (time - fall * time**2 / 2)
        now = speed * (1 - fall * time)
        angle = self.motor.ratio * turned + self.rng.uniform(0, 2 * np.pi)
        return (
            self.motor.waveform.lines(angle) * now * self.motor.ratio * float(self.motor.magnets(magnets)),
            now,
            angle,
        )

    def _open_circuit(self) -> None:
        rng, tool = self.rng, self._tool("scope")
        magnets = self.bench.air + rng.uniform(0, 2)
        gain_time, _ = tool.errors(rng, "time", "")
        for rpm in (60, 110, 160):
            speed = rpm * RPM * (1 + rng.normal(0, 0.01))
            rate = max(4000.0, 100.382 * speed * self.motor.ratio / (2 * np.pi))
            time = np.arange(0.0, 0.6, 1 / rate)
            lines, now, _ = self._lines(time, speed, magnets, fall=0.02)
            full = self._full_scale(np.abs(lines).max())
            added = hum(rng, time, self.bench.hum * full)
            columns = [("time [ms]", time * (1 + gain_time) * 1e3, ".4f")]
            for pair, values in zip(("ab", "bc", "ca"), lines, strict=True):
                read = scope(
                    rng,
                    tool,
                    f"voltage_{pair}",
                    values,
                    bits=self.bench.bits,
                    full_scale=full,
                    noise=0.002 * full,
                    added=added,
                )
                columns.append((f"voltage_{pair} [V]", read, ".4g"))
            read = self._tool("tachometer").read(rng, "speed", "", now, noise=0.1 * RPM, step=0.1 * RPM)
            columns.append(("speed [rpm]", read / RPM, ".1f"))
            log = f"open-circuit-{rpm}rpm.csv"
            write(self.folder / log, columns)
            self._test(
                "open-circuit",
                log,
                label=f"{rpm}rpm",
                instruments=dict.fromkeys(("voltage_ab", "voltage_bc", "voltage_ca", "time"), "scope"),
            )
        self._magnetic()

    def _hall(self) -> None:
        rng, tool = self.rng, self._tool("scope")
        gain_time, _ = tool.errors(rng, "time", "")
        speed = 48 * RPM
        # Not a whole number of samples in a turn: a logger's clock is not that of the rotor.
        rate = 600.618 * speed * self.motor.ratio / (2 * np.pi)
        time = np.arange(0.0, max(0.8, 22 * 2 * np.pi / (speed * self.motor.ratio)), 1 / rate)
        lines, _, angle = self._lines(time, speed, self.bench.air + 1, fall=0.01)
        full = self._full_scale(np.abs(lines).max())
        added = hum(rng, time, self.bench.hum * full)
        columns = [("time [ms]", time * (1 + gain_time) * 1e3, ".4f")]
        for pair, values in zip(("ab", "bc", "ca"), lines, strict=True):
            columns.append(
                (
                    f"voltage_{pair} [V]",
                    scope(
                        rng,
                        tool,
                        f"voltage_{pair}",
                        values,
                        bits=self.bench.bits,
                        full_scale=full,
                        noise=0.002 * full,
                        added=added,
                    ),
                    ".4g",
                )
            )
        turns = np.arange(int(angle[0] // (2 * np.pi)) - 1, int(angle[-1] // (2 * np.pi)) + 2)
        for sensor, letter in enumerate("abc"):
            late = self.motor.sensors[sensor]
            places = (
                SENSOR_EDGES[sensor]
                + late
                + np.where(SENSOR_EDGES[sensor, 1] < SENSOR_EDGES[sensor, 0], [0, 2 * np.pi], 0)
            )
            edges = (places[None, :] + 2 * np.pi * turns[:, None]).ravel() + rng.normal(
                0, self.motor.jitter, 2 * len(turns)
            )
            level = (np.searchsorted(edges, angle) % 2).astype(float)
            columns.append((f"hall_{letter} [1]", level, ".0f"))
        write(self.folder / "hall-sensors.csv", columns)
        self._test(
            "hall-sensors",
            "hall-sensors.csv",
            instruments=dict.fromkeys(("voltage_ab", "voltage_bc", "voltage_ca", "time"), "scope"),
        )
        self._know(definitions.sensors(self.motor))

    def _no_load(self, found: Steady) -> None:
        rng, meters = self.rng, self._tool("meters")
        rest = 0.5 * self.bench.highest
        volts = np.append(found.voltage, rest)
        amperes = np.append(found.current, float(self.controller.standby(rest)) / rest)
        speed = np.append(found.speed, 0.0)
        read = self._tool("tachometer").read(rng, "speed", "", speed, noise=0.1 * RPM, step=0.1 * RPM)
        write(
            self.folder / "no-load.csv",
            [
                ("supply_voltage [V]", meters.read(rng, "voltage", "", volts, noise=0.002, step=0.001), ".3f"),
                ("supply_current [A]", meters.read(rng, "current", "", amperes, noise=0.002, step=0.001), ".3f"),
                ("speed [rpm]", np.where(speed > 0, read, 0.0) / RPM, ".1f"),
            ],
        )
        self._test(
            "no-load",
            "no-load.csv",
            instruments={"supply_voltage": "meters", "supply_current": "meters"},
            conditions={"winding_temperature": f"{self._thermometer(self.winding_free):.1f} degC"},
        )
        running = float(self.free_times.mean())
        state = definitions.Turning(self.winding_free, self.magnets_free, running, self.motor.mesh)
        self._friction("no-load", float(found.speed[-1]), state)
        reached = found.voltage[-1] >= self.motor.rated_voltage
        amperes_rated = (
            float(np.interp(self.motor.rated_voltage, found.voltage, found.current))
            if reached
            else float(found.current[-1])
        )
        self._know({"no_load_current": amperes_rated})

    def _friction(self, procedure: str, highest: float, state: definitions.Turning) -> None:
        for ending, told in (("", False), ("_parabola", True)):
            for name, value in definitions.friction(self.motor, highest, state, air_told_apart=told).items():
                self.truth.setdefault(name, {})[f"{procedure}{ending}"] = value

    def _thermometer(self, temperature: float, sensor: str = "winding") -> float:
        return float(
            self._tool("thermometer").read(self.rng, "temperature", sensor, np.array([temperature]), step=0.1)[0]
        )

    def _coast_down(self, top: float) -> None:
        rng = self.rng
        added = 0.05 * np.sqrt(self.motor.rated_power / 250) * 2
        state = definitions.Turning(self.winding_free, self.magnets_free, COAST_TIME)
        highest = 0.0
        for label, extra in (("bare", 0.0), ("with-disc", added)):
            inertia = self.motor.inertia + extra

            def slope(t: float, w: Floats, inertia: float = inertia) -> Floats:
                drag = definitions.friction_torque(self.motor, np.maximum(w, 1e-3), state)
                return np.asarray(-drag / inertia * (w > 0))

            def still(t: float, w: Floats, *_: float) -> float:
                return float(w[0]) - 1e-3

            still.terminal = True  # type: ignore[attr-defined]
            begin = top * rng.uniform(0.9, 0.97)
            highest = max(highest, begin)
            run = solve_ivp(
                slope, (0, 600), [begin], events=still, dense_output=True, max_step=0.2, rtol=1e-7, atol=1e-8
            )
            interval = max(0.002, round(run.t[-1] / 400, 3))
            time = np.arange(0.0, 1.1 * run.t[-1], interval)
            speed = np.where(time < run.t[-1], run.sol(np.minimum(time, run.t[-1]))[0], 0.0)
            read = self._tool("tachometer").read(rng, "speed", "", speed, noise=0.2 * RPM, step=0.1 * RPM)
            log = "coast-down.csv" if label == "bare" else "coast-down-disc.csv"
            write(self.folder / log, [("time [s]", time, ".3f"), ("speed [rpm]", read / RPM, ".1f")])
            stated = extra + rng.normal(0, 0.004 * added)
            conditions = {"added_inertia": f"{stated:.5f} +/- {0.004 * added:.5f} kg m^2"} if extra else None
            self._test("coast-down", log, label=label, conditions=conditions)
        self._know({"moment_of_inertia": self.motor.inertia})
        self._friction("coast-down", highest, state)

    def _cogging(self) -> None:
        rng = self.rng
        begin = rng.uniform(0, 360)
        step = min(0.1, round(36.0 / max(order for order, _, _ in self.motor.cogging), 3))
        count = int(396 / step)
        angle = begin + step * np.arange(count)
        there = np.concatenate([angle, angle[::-1]])
        friction = definitions.slow_friction(self.motor, self.bench.air + 1)
        truth = definitions.cogging_torque(self.motor, np.radians(there)) + friction * np.repeat([1.0, -1.0], count)
        read = self._tool("brake").read(rng, "torque", "", truth, noise=0.008, step=0.002)
        write(self.folder / "cogging.csv", [("angle [deg]", there, ".3f"), ("torque [N m]", read, ".3f")])
        self._test("cogging", "cogging.csv", remarks="turned by a worm drive at 1 rpm, a turn forth and back")
        self._know({**definitions.cogging(self.motor), "static_friction": friction})

    def _locked(self) -> None:
        rng = self.rng
        most = min(30.0, 2.8 * self.motor.rated_power / self.motor.rated_voltage / 0.8)
        amperes = np.repeat(np.linspace(most / 10, most, 9), 2) * (1 + rng.normal(0, 2e-4, 18))
        truth = definitions.static_torque(self.motor, amperes, self.bench.air + 3)
        read = self._tool("brake").read(rng, "torque", "", truth, noise=0.02, step=0.01)
        write(
            self.folder / "locked-rotor.csv",
            [
                (
                    "supply_current [A]",
                    self._tool("meters").read(rng, "current", "", amperes, noise=0.002, step=0.001),
                    ".3f",
                ),
                ("torque [N m]", read, ".2f"),
                ("duty [1]", np.ones(18), ".2f"),
            ],
        )
        self._test(
            "locked-rotor",
            "locked-rotor.csv",
            instruments={"supply_current": "meters"},
            conditions={"rotor_position": "mean"},
        )
        highest = float(amperes.max())
        small, large = definitions.static_torque(self.motor, [1e-3, highest], self.bench.air + 3)
        self._know(
            {
                "saturation_current": definitions.saturation_current(self.motor, self.bench.air + 3),
                "torque_droop": 100 * (1 - 1e-3 * large / highest / small),
                "droop_current": highest,
            }
        )

    def _load(self, found: Steady) -> None:
        rng, meters = self.rng, self._tool("meters")
        winding = np.array(self.windings_loaded)
        thermometer = self._tool("thermometer")
        write(
            self.folder / "load.csv",
            [
                ("supply_voltage [V]", meters.read(rng, "voltage", "", found.voltage, noise=0.003, step=0.001), ".3f"),
                ("supply_current [A]", meters.read(rng, "current", "", found.current, noise=0.002, step=0.001), ".3f"),
                (
                    "speed [rpm]",
                    self._tool("tachometer").read(rng, "speed", "", found.speed, noise=0.2 * RPM, step=0.1 * RPM) / RPM,
                    ".1f",
                ),
                (
                    "torque [N m]",
                    self._tool("brake").read(rng, "torque", "", found.torque, noise=0.01, step=0.01),
                    ".2f",
                ),
                (
                    "temperature_winding [degC]",
                    thermometer.read(rng, "temperature", "winding", winding, noise=0.1, step=0.1),
                    ".1f",
                ),
                ("duty [1]", np.ones(len(winding)), ".2f"),
            ],
        )
        standby = float(self.controller.standby(0.75 * self.bench.highest))
        self._test(
            "load",
            "load.csv",
            instruments={"supply_voltage": "meters", "supply_current": "meters"},
            conditions={"standby_power": f"{standby * (1 + rng.normal(0, 0.03)):.3f} +/- {0.03 * standby:.3f} W"},
        )
        power = found.voltage * found.current
        shaft = found.torque * found.speed
        best = int(np.argmax(shaft / power))
        self._know({"efficiency_max": float(100 * shaft[best] / power[best])}, point=best)
        most, count = int(np.argmax(shaft)), len(winding)
        air = self.bench.air
        state = definitions.Turning(winding[most], air + 3 + 0.35 * most, 1500.0 + 40 * most, self.motor.mesh)
        speed = found.speed[most : most + 1]
        turning = float((definitions.friction_torque(self.motor, speed, state) * speed)[0])
        idle = float(self.controller.standby(found.voltage[most]))
        self._know(
            {
                "winding_loss": found.copper[most],
                "friction_iron_loss": turning,
                "additional_loss": power[most] - shaft[most] - found.copper[most] - turning - idle,
            },
            point=most,
            of=count,
        )

    def _heat_run(self) -> None:
        rng, thermometer = self.rng, self._tool("thermometer")
        air = self.bench.air
        amperes = thermal.current_for(self.motor, air + rng.uniform(25, 55), air)
        slow = thermal.slowest_time(self.motor, amperes, air)
        count = int(np.ceil(5 * slow / 30)) + 1
        time = 30.0 * np.arange(count)
        room = air + rng.uniform(-0.8, 0.8) * time / time[-1] + 0.2 * np.sin(2 * np.pi * time / rng.uniform(1200, 3600))
        body = thermal.warming(self.motor, amperes, room, 30.0)
        ohms = self.motor.resistances(body[0])
        volts = amperes * (ohms[:, 0] + ohms[:, 1])
        meters = self._tool("meters")
        write(
            self.folder / "heat-run.csv",
            [
                ("time [s]", time, ".0f"),
                (
                    "temperature_winding [degC]",
                    thermometer.read(rng, "temperature", "winding", body[0], noise=0.08, step=0.1),
                    ".1f",
                ),
                (
                    "temperature_ambient [degC]",
                    thermometer.read(rng, "temperature", "ambient", room, noise=0.1, step=0.1),
                    ".1f",
                ),
                ("supply_voltage [V]", meters.read(rng, "voltage", "", volts, noise=0.003, step=0.001), ".3f"),
                (
                    "supply_current [A]",
                    meters.read(rng, "current", "", np.full(count, amperes), noise=0.005, step=0.001),
                    ".3f",
                ),
            ],
        )
        self._test(
            "heat-run",
            "heat-run.csv",
            instruments={"supply_voltage": "meters", "supply_current": "meters"},
            conditions={"output_power": "0 W"},
        )
        rise, _, heat = thermal.steady_rise(self.motor, amperes, float(room[-1]))
        self._know(
            {
                "temperature_rise": rise,
                "thermal_resistance": rise / heat,
                "thermal_time_constant": slow,
                "thermal_capacity": slow * heat / rise,
                "continuous_current": thermal.continuous_current(self.motor),
            }
        )

    def _unit(self) -> dict[str, object]:
        m = self.motor
        plate: dict[str, object] = {
            "rated_voltage": f"{m.rated_voltage:g} V",
            "rated_power": f"{m.rated_power:g} W",
            "rated_speed": f"{m.rated_speed / RPM:.0f} rpm",
            "pole_pairs": m.pole_pairs,
            "slots": m.slots,
            "gear_ratio": m.gear,
            "winding_material": m.material,
            "insulation_class": m.insulation_class,
            "rolling_circumference": "2.10 m",
        }
        if m.freewheel:
            plate["freewheel"] = True
        return {
            "unit": self.name,
            "kind": "motor",
            "description": "drawn at random by the independent bench (invented)",
            "nameplate": plate,
            "ambient": {"temperature": f"{self.bench.air:.1f} degC", "humidity": "45 percent"},
            "operator": "I. Bench (invented)",
            "tested_on": "2026-05-02",
            "instruments": {name: tool.stated() for name, tool in self.bench.instruments.items()},
            "tests": self.tests,
        }
