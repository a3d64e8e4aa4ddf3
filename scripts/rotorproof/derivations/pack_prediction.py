"""What the motor does on its real battery in its vehicle, predicted from the constants found on the bench."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, ClassVar

import numpy as np

from ..physics import block_commutation, road, stall
from ..physics.block_commutation import Values
from ..physics.drives import Drive, FieldOriented, SixStep
from ..physics.magnets import emf_share
from ..physics.thermal_class import REFERENCE_COOLANT
from ..physics.winding import temperature_factor
from ..procedures import assumption
from ..procedures._bridge_cost import commutation_time, switching_lead
from ..procedures.base import Axis, Need, Panel, Quantity, Series, Table, UnitKind, electrical_turns, in_rpm
from ..procedures.derivation import Assumption, Derivation, Shown, named, needs_words

_SOURCE = "steady-state power and force balance; symbols after IEC 60050-411 and ISO 8855"
_STATES = ("full", "nominal", "empty")
#: Speeds at which a line of greatest force is known.
_SPEEDS = 120
UNMEASURED = "unmeasured_efficiency"
#: Why a number is missing.
_NOT_FOUND = "no steady state was found; check the motor's constants, the pack's voltage and the limits on currents"
_NOT_HELD = "the drive cannot hold this vehicle on the stated grade"
_TOO_FAST = "the cruise speed lies above the road speed"
_NO_GRADE = "the torque does not move the vehicle, or no slope stops it"
CONSTANTS = ("emf_constant_dc", "phase_resistance", "coulomb_friction", "viscous_friction")


class PackPrediction(Derivation):
    """No-load and road speed, torque, grade and energy at the voltage of the real pack."""

    name = "pack-prediction"
    title = "On the real battery"
    unit_kinds: ClassVar[tuple[UnitKind, ...]] = ("motor",)
    costly: ClassVar[bool] = True
    applied: ClassVar[bool] = True
    needs: ClassVar[tuple[Need, ...]] = (
        Need("emf_constant_dc", "speed and torque per volt and ampere", required=True),
        Need("phase_resistance", "voltage lost in the winding", required=True),
        Need("coulomb_friction", "drag of the motor", required=True),
        Need("viscous_friction", "drag of the motor", required=True),
        Need("windage", "drag of the motor at high speed", along="viscous_friction"),
        Need("pole_pairs", "how often the current changes from phase to phase", part="motor"),
        Need("electrical_time_constant", "voltage and heat that the change from phase to phase costs", part="motor"),
        Need("saliency_ratio", "which inductance the change from phase to phase meets", part="motor"),
        Need("emf_harmonic_5", "shape of the EMF, ripple of the current", part="motor"),
        Need("emf_harmonic_7", "shape of the EMF, ripple of the current", part="motor"),
        Need("hall_offset", "the angle at which the current changes from phase to phase", part="motor"),
        Need("saturation_current", "torque per ampere at large current", part="motor"),
        Need("saturation_sharpness", "torque per ampere at large current", part="motor"),
        Need("torque_droop", "torque per ampere at large current", part="motor"),
        Need("droop_current", "torque per ampere at large current", part="motor"),
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
            least=0.0,
        ),
        Quantity(
            "pack_road_speed",
            "Road speed on the pack",
            "v",
            "velocity",
            "km/h",
            "steady speed of the vehicle at full duty, nominal pack voltage, on the stated grade (level if none)",
            _SOURCE,
            least=0.0,
        ),
        Quantity(
            "pack_top_torque",
            "Greatest torque on the pack",
            "T_max",
            "torque",
            "N m",
            "torque at the output as it begins to turn, the motor's friction taken off: mean over its positions, at "
            "nominal pack voltage, under the stated current limits",
            _SOURCE,
            least=0.0,
        ),
        Quantity(
            "pack_max_grade",
            "Steepest grade",
            "s_max",
            "ratio",
            "percent",
            "grade on which the greatest torque just holds the vehicle (weight and rolling resistance)",
            _SOURCE,
            no_bound="below zero the vehicle needs a descent",
        ),
        Quantity(
            "energy_per_distance",
            "Energy per distance",
            "w",
            "energy_per_length",
            "Wh/km",
            "energy from the pack's cells per distance at the stated cruise speed and grade, with the losses of pack, "
            "controller and motor",
            _SOURCE,
            no_bound="below zero on a descent that charges the pack",
        ),
        Quantity(
            "pack_continuous_torque",
            "Continuous torque on the pack",
            "T_cont",
            "torque",
            "N m",
            "torque at the output as it begins to turn, the motor's friction taken off, with the continuous current of "
            "the heat run and the magnets as warm as that makes them",
            _SOURCE,
            least=0.0,
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
            UNMEASURED,
            0.965,
            0.025,
            "the controller of a motor predicted without one passes on 94 to 99 percent of the energy, which a drive "
            "made of both takes from the controller's own test (common practice, no source)",
            of_all=True,
        ),
        Assumption(
            "drag_beyond_bench",
            0.0,
            1.0,
            "above the highest speed at which it was measured the motor's drag may grow by anything from none to twice "
            "what was fitted (common practice, no source), so intervals widen with extrapolation",
        ),
        *assumption.SIX_STEP,
        assumption.MAGNET_COEFFICIENT,
        Assumption(
            "magnet_share",
            0.5,
            0.5,
            "the magnets stand somewhere between the air (20 °C; 40 °C for the continuous torque) and the temperature "
            "of the winding",
        ),
        Assumption(
            "saturation_sharpness",
            4.0,
            3.0,
            "beyond the current at which torque per ampere had fallen by 10 percent its further fall is not known well",
            when="saturation_current",
        ),
        Assumption(
            "saturation_beyond",
            0.0,
            0.5,
            "beyond the highest current of the locked-rotor test torque per ampere falls half to one and a half times "
            "as fast as the fitted bend says (common practice, no source), so intervals widen with extrapolation",
            when="droop_current",
        ),
        assumption.GEAR_LOSS,
        Assumption(
            "saturation_at_limit",
            0.05,
            0.05,
            "where no locked-rotor test found the saturation, torque per ampere may have fallen by up to 10 percent at "
            "the limit of the motor's current (common practice, no source)",
        ),
        Assumption(
            "limit_by_heat",
            0.5,
            0.5,
            "a limit on the motor's current, known for a current without ripple, acts on anything from the mean of one "
            "with ripple to the direct current that heats as much (common practice, no source)",
        ),
        Assumption(
            "voltage_use",
            0.95,
            0.05,
            "a field-oriented controller uses 90 to 100 percent of the linear range of space-vector modulation (common "
            "practice, no source)",
            when="drive_field_oriented",
        ),
    )

    def derive(self, given: Mapping[str, float]) -> dict[str, float]:
        """Return what the given scalars, or arrays ``(n,)`` of them, determine; nothing without pack or constants."""
        if _lacking(given):
            return {}
        machine, source = _machine(given), _source(given, "nominal")
        found: dict[str, Any] = {
            "pack_no_load_speed": road.no_load_speed(machine, source),
            "pack_top_torque": road.output_torque(machine, source, 0.0),
        }
        if "continuous_current" in given:
            lasting = given["continuous_current"]
            torque = machine.standing_torque(machine.drive.from_direct(lasting))
            found["pack_continuous_torque"] = torque * _left_by_heat(given) - machine.drag_torque(0.0)
        load = _load(given)
        if load is not None:
            grade = given.get("vehicle_grade", 0.0)
            found["pack_road_speed"] = road.road_speed(machine, source, load, grade)
            cruise = given.get("vehicle_cruise_speed", found["pack_road_speed"])
            can = np.asarray(cruise) <= found["pack_road_speed"]
            energy = (
                _energy(machine, load, source, cruise, grade, given.get(UNMEASURED, 1.0)) if np.any(can) else np.nan
            )
            found["energy_per_distance"] = np.where(can, energy, np.nan)[()]
            steepest = road.grade_for_torque(found["pack_top_torque"], load)
            found["pack_max_grade"] = np.where(np.isinf(steepest), np.nan, steepest)[()]
        return {name: value for name, value in found.items() if np.ndim(value) or np.isfinite(value)}

    def show(self, given: Mapping[str, float], result: Mapping[str, float]) -> Shown:
        """Return the table over states of charge, the figures, how far was extrapolated, and what is missing."""
        if "pack_voltage_nominal" not in given:
            return Shown()
        lacking = _lacking(given)
        if lacking:
            return Shown(missing={name: needs_words(lacking) for name in self.gives})
        load = _load(given)
        notes = _notes(given, result)
        missing = {name: _NOT_FOUND for name in ("pack_no_load_speed", "pack_top_torque") if name not in result}
        if "continuous_current" not in given:
            missing["pack_continuous_torque"] = needs_words(["continuous_current"])
        elif "pack_continuous_torque" not in result:
            missing["pack_continuous_torque"] = _NOT_FOUND
        if load is None:
            why = "needs the vehicle in config.yaml, with a rolling circumference there or on the nameplate"
            missing |= {name: why for name in ("pack_road_speed", "pack_max_grade", "energy_per_distance")}
            return Shown(notes=notes, missing=missing)
        if "pack_road_speed" not in result:
            held = road.holds(_machine(given), _source(given, "nominal"), load, given.get("vehicle_grade", 0.0))
            missing["pack_road_speed"] = _NOT_FOUND if held else _NOT_HELD
            missing["energy_per_distance"] = (
                "no steady road speed was found" if held else "there is no steady road speed"
            )
        elif "energy_per_distance" not in result:
            cruise = given.get("vehicle_cruise_speed", result["pack_road_speed"])
            missing["energy_per_distance"] = _TOO_FAST if cruise > result["pack_road_speed"] else _NOT_FOUND
        if "pack_max_grade" not in result:
            missing["pack_max_grade"] = _NOT_FOUND if "pack_top_torque" not in result else _NO_GRADE
        return Shown(_panels(given, load), [_states_table(given, load)], notes, missing)

    def predicted_from(self, name: str, given: Mapping[str, float], result: Mapping[str, float]) -> str:
        """Return what the machine is made from, and how far beyond the bench's speed a speed lies."""
        if name == "pack_continuous_torque":
            return named(["continuous_current", "emf_constant_dc"])
        told = named([one for one in CONSTANTS if one in given])
        reach, no_load = given.get("bench_speed_max"), result.get("pack_no_load_speed")
        if name in ("pack_no_load_speed", "pack_road_speed") and reach and no_load and no_load > reach:
            return f"{told}; the drag is extrapolated to {no_load / reach:.2g} times the highest speed of the bench"
        return told


def _lacking(given: Mapping[str, Values]) -> list[str]:
    lacking = [name for name in ("pack_voltage_nominal", *CONSTANTS) if name not in given]
    return [*lacking, "pole_pairs"] if electrical_turns(given) is None else lacking


def _machine(given: Mapping[str, Values]) -> road.Machine:
    """Return the machine on the pack: winding and magnets warm, drag beyond the bench's speed doubtful."""
    viscous, windage = given["viscous_friction"], given.get("windage", 0.0)
    return road.Machine(
        _drive(given),
        given["coulomb_friction"],
        viscous,
        windage,
        _TorqueLeft({name: given[name] for name in _BENDS if name in given}),
        _passed(given),
        float(np.max(given.get("bench_speed_max", math.inf))),
        given.get("drag_beyond_bench", 0.0),
    )


def _drive(given: Mapping[str, Values]) -> Drive:
    temperature = given.get("pack_winding_temperature", 20.0)
    warm = temperature_factor(temperature, given["winding_constant"])
    magnets = emf_share(_magnets(given), given["magnet_coefficient"])
    resistance = given["phase_resistance"]
    winding = block_commutation.from_dc(
        given["emf_constant_dc"] * magnets,
        resistance * warm,
        commutation_time(given) * resistance * given["commutation_model"],
        electrical_turns(given),
        {5: given["emf_harmonic_5"], 7: given["emf_harmonic_7"]},
        switching_lead(given),
    )
    if np.any(given.get("drive_field_oriented", 0.0)):
        # Current along q alone meets the inductance of that axis.
        across = replace(winding, inductance=winding.inductance * given.get("saliency_ratio", 1.0))
        return FieldOriented(across, given["voltage_use"])
    return SixStep(winding)


def _magnets(given: Mapping[str, Values]) -> Values:
    """Return the temperature of the magnets on the pack in degC."""
    stated = given.get("pack_magnet_temperature")
    warmer = given.get("pack_winding_temperature", 20.0) - 20.0
    return 20.0 + given["magnet_share"] * warmer if stated is None else stated


def _left_by_heat(given: Mapping[str, Values]) -> Values:
    """Return the EMF over that on the pack with the winding at the limit of its class; 1 where the class is not stated.

    The magnets then stand between the reference coolant and the winding.
    """
    if "nameplate_insulation_limit" not in given:
        return 1.0
    winding = given["nameplate_insulation_limit"] - given["nameplate_hot_spot_allowance"]
    hot = REFERENCE_COOLANT + given["magnet_share"] * (winding - REFERENCE_COOLANT)
    coefficient = given["magnet_coefficient"]
    return emf_share(hot, coefficient) / emf_share(_magnets(given), coefficient)


_BENDS = (
    "saturation_current",
    "saturation_sharpness",
    "torque_droop",
    "droop_current",
    "pack_motor_current_limit",
    "saturation_at_limit",
    "saturation_beyond",
)


def _passed(given: Mapping[str, Values]) -> Values:
    """Return the share of torque that a gear passes on, all where the motor has none."""
    ratio = np.asarray(given.get("nameplate_gear_ratio", 1.0))
    return 1.0 - np.where(ratio != 1.0, given.get("gear_loss", 0.0), 0.0)[()]


@dataclass(frozen=True)
class _TorqueLeft:
    """Torque per ampere over its value at small current, by what of ``_BENDS`` is known."""

    known: Mapping[str, Values]

    def __call__(self, current: Values) -> Values:
        known = self.known
        left: Callable[[Values], Values] | None = None
        if "saturation_current" in known:
            # A trial may stray beyond the bends that are fitted at all.
            sharpness = np.maximum(known["saturation_sharpness"], stall.BLUNTEST)
            left = partial(stall.share_left, mark=known["saturation_current"], sharpness=sharpness)
        elif "torque_droop" in known:
            left = self._parabola
        if left is not None:
            # Beyond the test the bend is followed faster or slower, so that torque still grows with the current.
            over = np.maximum(np.abs(current) - known.get("droop_current", math.inf), 0.0)
            return left(np.abs(current) + known.get("saturation_beyond", 0.0) * over)
        limit = known.get("pack_motor_current_limit")
        if limit is None:
            return np.ones_like(current)
        return 1.0 - known["saturation_at_limit"] * np.clip(current / limit, -1.0, 1.0) ** 2

    def _parabola(self, current: Values) -> Values:
        """Return what a fall that is not told from none leaves: up to a fifth, as the shape of a bend does."""
        fall = self.known["torque_droop"] * (current / self.known["droop_current"]) ** 2
        return 1.0 - np.clip(fall, -0.2, 0.2)


#: Parts of a controller's loss, as ``road.Controller`` has them.
_LOSSES = ("standing", "drop", "resistance", "edges")


def _source(given: Mapping[str, Values], state: str) -> road.Source:
    return road.Source(
        given[f"pack_voltage_{state}"],
        given.get("pack_internal_resistance", 0.0),
        given.get("pack_current_limit", math.inf),
        given.get("pack_motor_current_limit", math.inf),
        road.Controller(*(given.get(f"controller_{part}", 0.0) for part in _LOSSES)),
        given.get("limit_by_heat", 0.0),
    )


def _load(given: Mapping[str, Values]) -> road.Load | None:
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


def _energy(
    machine: road.Machine, load: road.Load, source: road.Source, cruise: Values, grade: Values, efficiency: Values
) -> Values:
    """Return the energy in J/m from the cells at ``cruise`` (m/s), with a controller's ``efficiency`` before the motor.

    What the controller takes comes through the pack's resistance too.
    """
    delivered = road.supply_power(machine, load, cruise, grade, source.controller)
    return road.pack_power(road.through(delivered, efficiency), source) / cruise


def full_pack_speed(given: Mapping[str, Values]) -> Values:
    """Return the no-load speed in rad/s on the full pack: the highest the motor reaches by itself."""
    return road.no_load_speed(_machine(given), _source(given, "full"))


def cruise_current(given: Mapping[str, Values], voltage: Values) -> Values:
    """Return the current in A from the pack at the stated cruise, with ``voltage`` at its terminals.

    Raises ``KeyError`` without a stated cruise, ``ValueError`` without a vehicle.
    """
    load = _load(given)
    if load is None:
        raise ValueError("the cruise needs a vehicle")
    source = _source(given, "nominal")
    grade = given.get("vehicle_grade", 0.0)
    return road.supply_power(_machine(given), load, given["vehicle_cruise_speed"], grade, source.controller) / voltage


def _notes(given: Mapping[str, float], result: Mapping[str, float]) -> list[str]:
    notes = [_fed(given)]
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
            f"The drag was measured up to {in_rpm(reach):.0f} rpm; the prediction at no load lies at "
            f"{in_rpm(no_load):.0f} rpm, "
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


def _fed(given: Mapping[str, float]) -> str:
    """Return in words how the motor is taken to be fed, which decides how a limit on its current is meant."""
    kind = given.get("drive_field_oriented")
    if kind:
        return (
            "Predicted for a field-oriented drive, as 'drive' in unit.yaml says: sinusoidal currents, without field "
            "weakening. The limit of the motor's current is the peak of a phase current."
        )
    stated = (
        "Predicted for a six-step drive, which is assumed; state 'drive: six-step' or 'drive: field-oriented' in "
        "unit.yaml"
        if kind is None
        else "Predicted for a six-step drive, as 'drive' in unit.yaml says"
    )
    return f"{stated}. The limit of the motor's current is the current through two phases."


def _states_table(given: Mapping[str, float], load: road.Load) -> Table:
    rows: list[list[str]] = []
    grade = given.get("vehicle_grade", 0.0)
    machine = _machine(given)
    for state in _STATES:
        source = _source(given, state)
        no_load = road.no_load_speed(machine, source)
        speed = road.road_speed(machine, source, load, grade)
        torque = road.output_torque(machine, source, 0.0)
        steepest = road.grade_for_torque(torque, load)
        rows.append(
            [
                f"{state} ({source.voltage:.1f} V)",
                f"{in_rpm(no_load):.0f} rpm" if np.isfinite(no_load) else "-",
                f"{speed * 3.6:.1f} km/h" if np.isfinite(speed) else "-",
                f"{torque:.1f} N·m",
                f"{100 * steepest:.1f} %" if np.isfinite(steepest) else "-",
            ]
        )
    return Table(
        "At three states of charge (best estimates; intervals are given at the nominal voltage)",
        ["Pack", "No-load speed", "Road speed", "Greatest torque", "Steepest grade"],
        rows,
    )


def _drive_lines(machine: road.Machine, given: Mapping[str, float], radius: float) -> list[Series]:
    """Return the greatest force at the wheel over road speed for each state of charge in which the motor turns.

    All states at once: the rounds of the solver cost more than the speeds that go through them.
    """
    nominal, voltages = _source(given, "nominal"), {state: given[f"pack_voltage_{state}"] for state in _STATES}
    limits = road.no_load_speed(machine, replace(nominal, voltage=np.array([*voltages.values()])))
    known = zip(voltages, np.broadcast_to(limits, len(voltages)).tolist(), strict=True)
    turning = {state: limit for state, limit in known if math.isfinite(limit)}
    if not turning:
        return []
    speeds = np.linspace(0.0, [*turning.values()], _SPEEDS, axis=1)
    voltage = np.array([voltages[state] for state in turning])
    torque = np.empty(speeds.shape)
    torque[:, 0] = road.output_torque(machine, replace(nominal, voltage=voltage), 0.0)
    moving = replace(nominal, voltage=np.repeat(voltage, _SPEEDS - 1))
    torque[:, 1:] = np.reshape(road.output_torque(machine, moving, speeds[:, 1:].ravel()), (-1, _SPEEDS - 1))
    return [
        Series(f"drive, pack {state}", speeds[row] * radius, torque[row] / radius, "model")
        for row, state in enumerate(turning)
    ]


def _panels(given: Mapping[str, float], load: road.Load) -> list[Panel]:
    machine = _machine(given)
    series = _drive_lines(machine, given, float(load.radius))
    top = max((float(one.x[-1]) for one in series), default=0.0)
    continuous = given.get("continuous_current")
    if continuous is not None and series:
        nominal = series[min(1, len(series) - 1)]
        held_back: Values = machine.drag_torque(nominal.x / load.radius)
        lasting = np.asarray(machine.drive.standing_torque(machine.drive.from_direct(continuous)) - held_back)
        series.append(Series("drive, lasting (heat)", nominal.x, np.minimum(lasting / load.radius, nominal.y), "limit"))
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
    speeds = np.asarray(road.road_speed(machine, source, load, climb))
    held = np.isfinite(speeds)
    if held.sum() < 2:
        return [force_panel]
    speed_panel = Panel(
        "speed-on-grades",
        "Road speed on grades, nominal pack voltage",
        Axis("Grade", "ratio", "percent"),
        Axis("Road speed", "velocity", "km/h"),
        [Series("predicted", climb[held], speeds[held], "model")],
        "How fast the vehicle climbs; the line ends where the torque no longer holds it.",
    )
    return [force_panel, speed_panel]


DERIVATION = PackPrediction()
