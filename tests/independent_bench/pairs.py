"""Pairs of motor and controller on the independent bench: what each really does over a vehicle's duty.

Machine and bridge are solved in time (``tests/simulation/independent``) at the vehicle's speeds for duty ratios from
little to full; what lies between follows by interpolation. Nothing here uses the program's physics. The program is
given what tests of motor and controller would have found, as the bench's definitions have it, each moved by an error
drawn from the uncertainty that it is said to have.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from rotorproof.fitting.parts import Part
from rotorproof.season.shelf import Shelf, shelf
from rotorproof.settings.application import applications
from rotorproof.settings.run import Duty, RunSettings
from rotorproof.uncertainty.forms import Form, Influence
from tests import entries
from tests.simulation.independent import definitions, thermal
from tests.simulation.independent import vehicle as on_the_road
from tests.simulation.independent.controller_session import ControllerSession, Habits, draw_habits
from tests.simulation.independent.draw import Vehicle, draw_controller, draw_motor, draw_vehicle
from tests.simulation.independent.machine import Controller, Motor
from tests.simulation.independent.operating import Request, Steady, _evaluate, steady

Floats = NDArray[np.float64]
#: What is said of every constant as its standard uncertainty, a share of it.
DOUBT = 0.005
AIR = 21.0
#: Duty ratios that are solved at each speed, and a current beyond every controller's limit, in A.
_DUTIES, _MOST_CURRENT = 14, 40.0
#: Trials of the pack's voltage at most.
_ROUNDS = 12
_GRAVITY = on_the_road.GRAVITY


@dataclass(frozen=True)
class Truth:
    """What one pair really has to spare over the duty (N m, A, V; below zero: it fails), and its energy in J/m."""

    margins: Mapping[str, float]
    energy: float

    @property
    def meets(self) -> bool:
        """Tell whether it meets the whole duty."""
        return all(margin >= 0 for margin in self.margins.values())


@dataclass(frozen=True)
class Asked:
    """The duty: grades as tangents of their angle, speed in m/s."""

    climb_grade: float
    climb_speed: float
    start_grade: float


@dataclass(frozen=True)
class Stock:
    """What stands on the shelf, as it really is, and the program's shelf of it."""

    truths: Mapping[str, Truth]
    shelf: Shelf


def stock(motors: int, controllers: int, seed: int) -> Stock:
    """Return all pairs of some motors and controllers drawn at random, for one vehicle.

    The duty is drawn so that some pairs meet it and some do not.
    """
    rng = np.random.default_rng(seed)
    on = draw_vehicle(rng)
    drawn = {f"M{k:02d}": draw_motor(rng) for k in range(motors)}
    with_habits = {f"C{k:02d}": (draw_controller(rng), draw_habits(rng)) for k in range(controllers)}
    asked = Asked(rng.uniform(0.02, 0.05), rng.uniform(2.5, 4.0), rng.uniform(0.03, 0.07))
    speeds = {name: on.cruise / on.circumference * 2 * np.pi for name in drawn}
    found = {}
    for name, motor in drawn.items():
        for other, (controller, habits) in with_habits.items():
            found[f"{name} + {other}"] = truth(motor, controller, habits, on, asked)
    parts = [motor_part(name, motor, speeds[name], rng) for name, motor in drawn.items()]
    lost = losses(rng, with_habits, next(iter(drawn.values())), on)
    rest = [controller_part(name, one, lost[name], rng) for name, (_, one) in with_habits.items()]
    settings, duty = run_settings(on), as_duty(asked)
    (application,) = applications((), settings)
    return Stock(found, shelf(parts, rest, settings, application, duty, "vehicle"))


def truth(motor: Motor, controller: Controller, habits: Habits, on: Vehicle, asked: Asked) -> Truth:
    """Return what a pair really does over the duty."""
    radius = on.circumference / (2 * np.pi)
    magnets = on_the_road.housing_temperature(motor, on.winding, AIR)
    supply = min(habits.supply_limit, on.supply_limit)
    margins = {}
    needed = {}
    for name, speed, grade in (("cruise", on.cruise, 0.0), ("climb", asked.climb_speed, asked.climb_grade)):
        held = _held(motor, controller, on, speed / radius, magnets)
        needed[name] = (held, _force(on, speed, grade) * radius)
        margins[name] = _most(held, supply, habits.phase_limit) - needed[name][1]
    ohms = 2 * float(motor.resistances(on.winding).mean()) + 2 * controller.switch
    # Chopped, the supply's current, and not the motor's, comes through the pack's resistance.
    power = supply * (on.voltage - supply * on.resistance)
    standing = min(habits.phase_limit, on.voltage / (ohms + on.resistance), float(np.sqrt(power / ohms)))
    margins["start"] = on_the_road.output_torque(motor, standing, magnets) - _force(on, 0.0, asked.start_grade) * radius
    held, torque = needed["climb"]
    conducted = _at(held, torque, _conducted(held))
    margins["heat"] = thermal.continuous_current(motor) - conducted
    margins["current"] = habits.phase_limit - conducted
    margins["starts"] = on.voltage - habits.start
    margins["full"] = habits.overvoltage - 42.0
    held, torque = needed["cruise"]
    return Truth(margins, on.voltage * _at(held, torque, held.current) / on.cruise)


def _force(on: Vehicle, speed: float, grade: float) -> float:
    """Return what holds the vehicle back in N (ISO 8855 for grade; steady force balance, any textbook)."""
    angle = np.arctan(grade)
    weight = on.mass * _GRAVITY * (np.sin(angle) + on.rolling * np.cos(angle))
    return float(weight + on.air_density * on.drag_area / 2 * speed**2)


def _held(motor: Motor, controller: Controller, on: Vehicle, speed: float, magnets: float) -> Steady:
    """Return the pair held at an output speed in rad/s at a row of duty ratios, on the pack as it sags.

    The row begins a little below what the EMF takes and ends where the current is beyond any limit, or at full duty.
    """
    back = definitions.emf(motor, magnets)["emf_constant_dc"] * speed / on.voltage
    ohms = 2 * float(motor.resistances(on.winding).mean())
    last = min(1.0, back + _MOST_CURRENT * ohms / on.voltage + 0.1)
    request = Request(motor, controller, on.voltage, winding=on.winding, magnets=magnets, running_time=3600.0)
    requests = [replace(request, duty=float(duty)) for duty in np.linspace(0.85 * back, last, _DUTIES)]
    speeds, full = np.full(len(requests), speed), np.full(len(requests), on.voltage)

    def sagged(volts: Floats) -> tuple[Steady, Floats]:
        found, _ = _evaluate(requests, speeds, volts, None, 1e-6)
        return found, volts + on.resistance * found.current - on.voltage

    # By the secant: where the winding has less resistance than the pack, putting the sag back in swings ever wider.
    before, volts = full, 0.98 * full
    _, missed = sagged(before)
    for _ in range(_ROUNDS):
        found, left = sagged(volts)
        # A pack that would be charged is kept at its voltage: no limit is met there.
        inside = (volts > 0.5 * on.voltage) & (volts < on.voltage)
        if np.all(np.abs(left[inside]) < 1e-4 * on.voltage):
            return found
        apart = volts - before
        slope = np.divide(left - missed, apart, out=np.ones_like(left), where=apart != 0)
        before, missed = volts, left
        volts = np.clip(volts - left / slope, 0.5 * on.voltage, on.voltage)
    raise ArithmeticError(f"no balance of pack and motor at {speed:.3g} rad/s: {np.abs(left).max():.3g} V are left")


def _conducted(held: Steady) -> Floats:
    """Return the direct current through two lines that would heat the winding as the phases' currents do, A."""
    return np.sqrt(held.squares.sum(axis=1) / 2)


def _at(held: Steady, torque: float, values: Floats) -> float:
    """Return what ``values`` are where the output gives a torque; without end where it never gives so much."""
    if held.torque.max() < torque:
        return np.inf
    order = np.argsort(held.torque)
    return float(PchipInterpolator(held.torque[order], values[order], extrapolate=False)(torque))


def _most(held: Steady, supply: float, phase: float) -> float:
    """Return the greatest torque within the limits of the supply's and the phases' current."""
    found = float(held.torque.max())
    for values, limit in ((held.current, supply), (_conducted(held), phase)):
        # From the least current on both grow; a straight line between two duty ratios would lie below the bent curve.
        rising = slice(int(np.argmin(values)), None)
        if values[-1] > limit:
            found = min(found, float(PchipInterpolator(values[rising], held.torque[rising])(limit)))
    return found


def motor_part(name: str, motor: Motor, fastest: float, rng: np.random.Generator) -> Part:
    """Return a motor as a pair takes it from saved fits: its constants as defined, at 20 degC."""
    drag = definitions.friction(motor, fastest, definitions.Turning(20.0, 20.0, 3600.0), air_told_apart=False)
    known = {
        "emf_constant_dc": definitions.emf(motor, 20.0)["emf_constant_dc"],
        "phase_resistance": float(definitions.winding(motor)["phase_resistance"]),
        "electrical_time_constant": 1e-3 * definitions.inductance(motor)["electrical_time_constant"],
        "coulomb_friction": drag["coulomb_friction"],
        "viscous_friction": drag["viscous_friction"],
        "continuous_current": thermal.continuous_current(motor),
        "saturation_current": definitions.saturation_current(motor, 20.0),
        "saturation_sharpness": definitions.saturation_sharpness(motor, 20.0),
    }
    forms = _stated(name, known, rng)
    forms |= {"pole_pairs": Form(float(motor.pole_pairs))}
    forms |= {"saliency_ratio": Form(definitions.inductance(motor)["saliency_ratio"])}
    run = entries.run("open-circuit", forms=forms)
    stated = {"bench_speed_max": Form(fastest), "nameplate_gear_ratio": Form(motor.gear)}
    return Part("motor", name, forms, [run], stated)


def controller_part(name: str, habits: Habits, losses: Mapping[str, float], rng: np.random.Generator) -> Part:
    """Return a controller as a pair takes it from saved fits.

    Loss and efficiency come from one reading: loss and power out are each off by themselves, and the efficiency by what
    follows. Were it off by itself, an efficiency of 0.99 would turn into 1.
    """
    loss, efficiency = losses["controller_loss"], losses["controller_efficiency"]
    known = {
        "supply_current_limit": habits.supply_limit,
        "phase_current_limit": habits.phase_limit,
        "start_voltage": habits.start,
        "overvoltage_cutoff": habits.overvoltage,
        "controller_loss": loss,
        "controller_output": loss * efficiency / (1 - efficiency),
        "standby_power": losses["standby_power"],
    }
    forms = _stated(name, known, rng)
    forms["controller_efficiency"] = _efficiency(forms.pop("controller_output"), forms["controller_loss"])
    run = entries.run("controller-loss", forms=forms)
    return Part("controller", name, forms, [run], {"bench_supply_voltage_max": Form(36.0)})


def _efficiency(output: Form, loss: Form) -> Form:
    """Return power out over power in, which is what goes out and what is lost."""
    power = output.value + loss.value
    terms = {influence: c * loss.value / power**2 for influence, c in output.terms.items()}
    terms |= {influence: -c * output.value / power**2 for influence, c in loss.terms.items()}
    return Form(output.value / power, terms)


def _stated(name: str, known: Mapping[str, float], rng: np.random.Generator) -> dict[str, Form]:
    return {
        quantity: Form(
            value * (1 + DOUBT * rng.normal()),
            {Influence(f"scatter/{name}/{quantity}/0", "scatter"): DOUBT * abs(value)},
        )
        for quantity, value in known.items()
    }


def losses(
    rng: np.random.Generator, controllers: Mapping[str, tuple[Controller, Habits]], motor: Motor, on: Vehicle
) -> dict[str, dict[str, float]]:
    """Return the losses of controllers at the greatest load of their own bench session, and at standby."""
    found = {}
    for name, (controller, habits) in controllers.items():
        session = ControllerSession(name, rng, controller, habits, motor, on)
        solved = steady(session.requests())
        loss, power = float(solved.controller[-1]), float(solved.voltage[-1] * solved.current[-1])
        found[name] = {
            "controller_loss": loss,
            "controller_efficiency": 1 - loss / power,
            "standby_power": float(controller.standby(36.0)),
        }
    return found


def run_settings(on: Vehicle) -> RunSettings:
    """Return the settings of a run that predicts on this pack and vehicle."""
    return RunSettings.model_validate(
        {
            "config_version": 1,
            "pack": {
                "voltage_full": "42 V", "voltage_nominal": f"{on.voltage} V", "voltage_empty": "30 V",
                "internal_resistance": f"{on.resistance} ohm", "current_limit": f"{on.supply_limit} A",
                "motor_current_limit": f"{on.motor_limit} A", "winding_temperature": f"{on.winding} degC",
            },
            "vehicle": {
                "mass": f"{on.mass} kg", "rolling_resistance": f"{on.rolling}", "drag_area": f"{on.drag_area} m^2",
                "rolling_circumference": f"{on.circumference} m", "air_density": f"{on.air_density} kg/m^3",
                "cruise_speed": f"{on.cruise} m/s",
            },
        }
    )  # fmt: skip


def as_duty(asked: Asked) -> Duty:
    """Return the duty as the settings of a run state it."""
    return Duty.model_validate(
        {
            "climb_grade": f"{100 * asked.climb_grade} percent",
            "climb_speed": f"{asked.climb_speed} m/s",
            "start_grade": f"{100 * asked.start_grade} percent",
        }
    )
