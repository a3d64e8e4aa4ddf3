"""What the motor does on its real battery in its vehicle, predicted from the constants found on the bench."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import partial
from typing import ClassVar

import numpy as np

from ..errors import FitError
from ..physics import road
from ..physics.winding import temperature_factor
from ..procedures.base import Axis, Need, Panel, Quantity, Series, Table, UnitKind
from ..procedures.derivation import Assumption, Derivation, Shown, needs_words

_SOURCE = "steady-state power and force balance; symbols after IEC 60050-411 and ISO 8855"
_STATES = ("full", "nominal", "empty")
CONSTANTS = ("emf_constant_dc", "phase_resistance", "coulomb_friction", "viscous_friction")


class PackPrediction(Derivation):
    """No-load and road speed, torque, grade and energy at the voltage of the real pack."""

    name = "pack-prediction"
    title = "On the real battery"
    unit_kinds: ClassVar[tuple[UnitKind, ...]] = ("motor",)
    needs: ClassVar[tuple[Need, ...]] = (
        Need("emf_constant_dc", "speed and torque per volt and ampere", required=True),
        Need("phase_resistance", "voltage lost in the winding", required=True),
        Need("coulomb_friction", "drag of the motor", required=True),
        Need("viscous_friction", "drag of the motor", required=True),
        Need("windage", "drag of the motor at high speed"),
        Need("continuous_current", "the current the winding bears for ever", part="motor"),
    )
    gives: ClassVar[tuple[str, ...]] = (
        "pack_no_load_speed",
        "pack_road_speed",
        "pack_top_torque",
        "pack_max_grade",
        "energy_per_distance",
        "pack_continuous_torque",
    )
    quantities: ClassVar[tuple[Quantity, ...]] = (
        Quantity(
            "pack_no_load_speed",
            "No-load speed on the pack",
            "n_0",
            "speed",
            "rpm",
            "speed of the unloaded motor, fed at full duty from the pack at its nominal voltage",
            _SOURCE,
        ),
        Quantity(
            "pack_road_speed",
            "Road speed on the pack",
            "v",
            "velocity",
            "km/h",
            "steady speed of the vehicle at full duty, nominal pack voltage, on the stated grade (level if none)",
            _SOURCE,
        ),
        Quantity(
            "pack_top_torque",
            "Greatest torque on the pack",
            "T_max",
            "torque",
            "N m",
            "torque at the output at standstill, nominal pack voltage, under the stated current limits",
            _SOURCE,
        ),
        Quantity(
            "pack_max_grade",
            "Steepest grade",
            "s_max",
            "ratio",
            "percent",
            "grade on which the greatest torque just holds the vehicle (weight and rolling resistance)",
            _SOURCE,
        ),
        Quantity(
            "energy_per_distance",
            "Energy per distance",
            "w",
            "energy_per_length",
            "Wh/km",
            "energy from the pack's cells per distance at the stated cruise speed and grade",
            _SOURCE,
        ),
        Quantity(
            "pack_continuous_torque",
            "Continuous torque on the pack",
            "T_c",
            "torque",
            "N m",
            "torque at the output at standstill with the continuous current of the heat run",
            _SOURCE,
        ),
    )
    not_covered = (
        "No ride of a real vehicle with recorded energy and speed is compared; simulators and worked examples "
        "stand in.",
        "Wind, bends, starts and braking are outside the prediction, so not checked.",
    )
    assumptions: ClassVar[tuple[Assumption, ...]] = (
        Assumption(
            "vehicle_air_density",
            1.20,
            0.06,
            "air density 1.20 kg/m³ ± 5 %, since the vehicle states none (dry air at 20 °C and 101 kPa)",
        ),
        Assumption(
            "drag_beyond_bench",
            0.0,
            1.0,
            "above the highest speed at which it was measured the motor's drag may grow by anything from none to twice "
            "what was fitted (common practice, no source), so intervals widen with extrapolation",
        ),
    )

    def derive(self, given: Mapping[str, float]) -> dict[str, float]:
        """Return what the given scalars determine; nothing without a pack or the motor's constants."""
        if _lacking(given):
            return {}
        machine, source = _machine(given, None), _source(given, "nominal")
        no_load = _no_load_speed(given, source)
        result = {"pack_no_load_speed": no_load, "pack_top_torque": road.output_torque(machine, source, 0.0)}
        if "continuous_current" in given:
            result["pack_continuous_torque"] = machine.emf_constant * given["continuous_current"] - machine.drag_torque(
                0.0
            )
        load = _load(given)
        if load is None:
            return result
        grade = given.get("vehicle_grade", 0.0)
        with_road = _attempt(partial(_road_speed, given, source, load, grade))
        if with_road is not None:
            result["pack_road_speed"] = with_road
            cruise = given.get("vehicle_cruise_speed", with_road)
            if cruise <= with_road:
                energy = _attempt(partial(_energy, given, load, source, cruise, grade))
                if energy is not None:
                    result["energy_per_distance"] = energy
        steepest = _attempt(partial(road.grade_for_torque, result["pack_top_torque"], load))
        if steepest is not None and math.isfinite(steepest):
            result["pack_max_grade"] = steepest
        return result

    def show(self, given: Mapping[str, float], result: Mapping[str, float]) -> Shown:
        """Return the table over states of charge, the figures, how far was extrapolated, and what is missing."""
        if "pack_voltage_nominal" not in given:
            return Shown()
        lacking = _lacking(given)
        if lacking:
            return Shown(missing={name: needs_words(lacking) for name in self.gives})
        load = _load(given)
        notes = _notes(given, result)
        missing = {} if "continuous_current" in given else {"pack_continuous_torque": "needs a heat run"}
        if load is None:
            why = "needs the vehicle in config.yaml, with a rolling circumference there or on the nameplate"
            missing |= {name: why for name in ("pack_road_speed", "pack_max_grade", "energy_per_distance")}
            return Shown(notes=notes, missing=missing)
        if "pack_road_speed" not in result:
            missing["pack_road_speed"] = "the drive cannot hold this vehicle on the stated grade"
            missing["energy_per_distance"] = "there is no steady road speed"
        elif "energy_per_distance" not in result:
            missing["energy_per_distance"] = "the cruise speed lies above the road speed"
        if "pack_max_grade" not in result:
            missing["pack_max_grade"] = "the torque does not move the vehicle, or no slope stops it"
        return Shown(_panels(given, load), [_states_table(given, load)], notes, missing)


def _lacking(given: Mapping[str, float]) -> list[str]:
    return [name for name in ("pack_voltage_nominal", *CONSTANTS) if name not in given]


def _machine(given: Mapping[str, float], speed: float | None) -> road.Machine:
    """Return the machine at the pack; ``speed`` widens its drag beyond the speeds the bench reached."""
    temperature = given.get("pack_winding_temperature", 20.0)
    factor = temperature_factor(temperature, given["winding_constant"])
    viscous = given["viscous_friction"]
    windage = given.get("windage", 0.0)
    reach = given.get("bench_speed_max")
    coulomb = given["coulomb_friction"]
    if speed is not None and reach is not None and speed > reach:
        growth = viscous * (speed - reach) + windage * (speed**2 - reach**2)
        coulomb += given["drag_beyond_bench"] * growth
    return road.Machine(given["emf_constant_dc"], 2 * given["phase_resistance"] * factor, coulomb, viscous, windage)


def _settled(speed_of: Callable[[road.Machine], float], given: Mapping[str, float]) -> float:
    """Return a speed at which the drag beyond the bench is that of this speed (two rounds settle it)."""
    speed = speed_of(_machine(given, None))
    for _ in range(2):
        speed = speed_of(_machine(given, speed))
    return float(speed)


def _no_load_speed(given: Mapping[str, float], source: road.Source) -> float:
    return _settled(lambda machine: road.no_load_speed(machine, source), given)


def _road_speed(given: Mapping[str, float], source: road.Source, load: road.Load, grade: float) -> float:
    return load.radius * _settled(lambda m: road.road_speed(m, source, load, grade) / load.radius, given)


def _source(given: Mapping[str, float], state: str) -> road.Source:
    return road.Source(
        given[f"pack_voltage_{state}"],
        given.get("pack_internal_resistance", 0.0),
        given.get("pack_current_limit", math.inf),
        given.get("pack_motor_current_limit", math.inf),
        road.Controller(*(given.get(f"controller_{part}", 0.0) for part in ("standing", "drop", "resistance"))),
    )


def _load(given: Mapping[str, float]) -> road.Load | None:
    around = given.get("vehicle_rolling_circumference", given.get("nameplate_rolling_circumference"))
    if around is None or "vehicle_mass" not in given:
        return None
    return road.Load(
        given["vehicle_mass"],
        given["vehicle_rolling_resistance"],
        given["vehicle_drag_area"],
        around,
        given["vehicle_air_density"],
    )


def _energy(given: Mapping[str, float], load: road.Load, source: road.Source, cruise: float, grade: float) -> float:
    machine = _machine(given, cruise / load.radius)
    delivered = road.supply_power(machine, load, cruise, grade, source.controller)
    return road.pack_power(delivered, source) / cruise


def full_pack_speed(given: Mapping[str, float]) -> float:
    """Return the no-load speed in rad/s on the full pack: the highest the motor reaches by itself."""
    return _no_load_speed(given, _source(given, "full"))


def cruise_current(given: Mapping[str, float], voltage: float) -> float:
    """Return the current in A from the pack at the stated cruise, with ``voltage`` at its terminals."""
    load = _load(given)
    if load is None:
        raise FitError("the cruise needs a vehicle")
    cruise, source = given["vehicle_cruise_speed"], _source(given, "nominal")
    machine = _machine(given, cruise / load.radius)
    power = road.supply_power(machine, load, cruise, given.get("vehicle_grade", 0.0), source.controller)
    return power / voltage


def _attempt(compute: Callable[[], float]) -> float | None:
    try:
        return float(compute())
    except FitError:
        return None


def _notes(given: Mapping[str, float], result: Mapping[str, float]) -> list[str]:
    notes = []
    if "pack_winding_temperature" not in given:
        notes.append(
            "The winding is taken at 20 °C (cold). State 'winding_temperature' under 'pack' in config.yaml for a "
            "warm one."
        )
    if not {"pack_current_limit", "pack_motor_current_limit"} & set(given):
        notes.append(
            "No current limit is stated, so the greatest torque is what winding and pack resistance allow: more than "
            "any controller gives. State 'current_limit' or 'motor_current_limit' under 'pack' in config.yaml."
        )
    reach, no_load = given.get("bench_speed_max"), result.get("pack_no_load_speed")
    if reach and no_load:
        ratio = no_load / reach
        notes.append(
            f"The drag was measured up to {reach * 30 / math.pi:.0f} rpm; the prediction at no load lies at "
            f"{no_load * 30 / math.pi:.0f} rpm, "
            + (f"extrapolated by a factor of {ratio:.2f}." if ratio > 1 else "inside what was measured.")
        )
    voltage = given.get("bench_voltage_max")
    if voltage and voltage < given["pack_voltage_nominal"]:
        notes.append(
            f"The bench supply reached {voltage:.1f} V of the pack's {given['pack_voltage_nominal']:.1f} V. A no-load "
            "run at a higher voltage would tighten the drag at speed most."
        )
    if "vehicle_cruise_speed" not in given and "energy_per_distance" in result:
        notes.append("Energy is at the road speed, since no 'cruise_speed' is stated under 'vehicle'.")
    return notes


def _states_table(given: Mapping[str, float], load: road.Load) -> Table:
    rows: list[list[str]] = []
    grade = given.get("vehicle_grade", 0.0)
    for state in _STATES:
        source = _source(given, state)
        machine = _machine(given, None)
        no_load = _attempt(partial(_no_load_speed, given, source))
        speed = _attempt(partial(_road_speed, given, source, load, grade))
        torque = road.output_torque(machine, source, 0.0)
        steepest = _attempt(partial(road.grade_for_torque, torque, load))
        rows.append(
            [
                f"{state} ({source.voltage:.1f} V)",
                "-" if no_load is None else f"{no_load * 30 / math.pi:.0f} rpm",
                "-" if speed is None else f"{speed * 3.6:.1f} km/h",
                f"{torque:.1f} N·m",
                "-" if steepest is None or math.isinf(steepest) else f"{100 * steepest:.1f} %",
            ]
        )
    return Table(
        "At three states of charge (best estimates; intervals are given at the nominal voltage)",
        ["Pack", "No-load speed", "Road speed", "Greatest torque", "Steepest grade"],
        rows,
    )


def _panels(given: Mapping[str, float], load: road.Load) -> list[Panel]:
    series = []
    top = 0.0
    for state in _STATES:
        source = _source(given, state)
        machine = _machine(given, None)
        limit = _attempt(partial(road.no_load_speed, machine, source))
        if limit is None:
            continue
        speeds = np.linspace(0.0, limit, 120)
        force = np.array([road.output_torque(machine, source, w) / load.radius for w in speeds])
        series.append(Series(f"drive, pack {state}", speeds * load.radius, force, "model"))
        top = max(top, limit * load.radius)
    continuous = given.get("continuous_current")
    if continuous is not None and series:
        machine = _machine(given, None)
        nominal = series[min(1, len(series) - 1)]
        lasting = np.array(
            [
                (machine.emf_constant * continuous - machine.drag_torque(v / load.radius)) / load.radius
                for v in nominal.x
            ]
        )
        series.append(Series("drive, lasting (heat)", nominal.x, np.minimum(lasting, nominal.y), "limit"))
    velocity = np.linspace(0.0, top, 60)
    grades = sorted({0.0, 0.05, 0.10, given.get("vehicle_grade", 0.0)})
    for grade in grades:
        needed = np.array([load.force(v, grade) for v in velocity])
        series.append(Series(f"vehicle, {100 * grade:.3g} % grade", velocity, needed, "fit"))
    force_panel = Panel(
        "force-at-wheel",
        "Force at the wheel against road speed",
        Axis("Road speed", "velocity", "km/h"),
        Axis("Force at the wheel", "force", "N"),
        series,
        "The vehicle settles where the drive's line crosses the line of the grade it is on.",
    )
    source = _source(given, "nominal")
    climb = np.linspace(0.0, 0.3, 61)
    machine = _machine(given, None)
    pairs = [
        (grade, speed)
        for grade in climb
        if (speed := _attempt(partial(road.road_speed, machine, source, load, float(grade)))) is not None
    ]
    if len(pairs) < 2:
        return [force_panel]
    speed_panel = Panel(
        "speed-on-grades",
        "Road speed on grades, nominal pack voltage",
        Axis("Grade", "ratio", "percent"),
        Axis("Road speed", "velocity", "km/h"),
        [Series("predicted", np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs]), "model")],
        "How fast the vehicle climbs; the line ends where the torque no longer holds it.",
    )
    return [force_panel, speed_panel]


DERIVATION = PackPrediction()
