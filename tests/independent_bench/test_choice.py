"""A choice among motors against what the independent bench finds by solving each of them in time.

The program is given the constants of each motor as the bench defines them, with a small doubt, and ranks the motors for
a vehicle. The bench solves machine and bridge at every duty, which tells what each motor really takes and climbs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from rotorproof.fitting.parts import Part
from rotorproof.season.shelf import Shelf, shelf
from rotorproof.season.stock import rank
from rotorproof.settings.application import applications
from rotorproof.settings.run import Duty
from rotorproof.uncertainty.forms import Form, Influence
from tests import entries
from tests.independent_bench.pairs import run_settings
from tests.outside import Outside
from tests.simulation.independent import definitions, vehicle
from tests.simulation.independent.draw import draw_controller, draw_motor, draw_vehicle
from tests.simulation.independent.machine import Motor
from tests.simulation.independent.operating import steady

DOUBT = 0.002
SOURCE = "tests/simulation/independent: six-step bridge and machine solved in time, no formula shared with the program"


@dataclass(frozen=True)
class Found:
    """The shelf as the program sees it, and each motor's true energy (Wh/km) and steepest grade (percent)."""

    shelf: Shelf
    energy: dict[str, float]
    grade: dict[str, float]
    start: float


def _part(name: str, motor: Motor, fastest: float) -> Part:
    """Return a motor as a drive takes it from saved fits, its constants those of the definitions at 20 degC."""
    emf = definitions.emf(motor, 20.0)
    drag = definitions.friction(motor, fastest, definitions.Turning(20.0, 20.0, 3600.0), air_told_apart=False)
    known = {
        "emf_constant_dc": emf["emf_constant_dc"],
        "phase_resistance": float(definitions.winding(motor)["phase_resistance"]),
        "electrical_time_constant": 1e-3 * definitions.inductance(motor)["electrical_time_constant"],
        "coulomb_friction": drag["coulomb_friction"],
        "viscous_friction": drag["viscous_friction"],
    }
    forms = {q: Form(v, {Influence(f"scatter/{name}/{q}/0", "scatter"): DOUBT * abs(v)}) for q, v in known.items()}
    forms |= {"pole_pairs": Form(float(motor.pole_pairs))}
    run = entries.run("open-circuit", forms=forms)
    stated = {"bench_speed_max": Form(fastest), "nameplate_gear_ratio": Form(1.0)}
    return Part("motor", name, forms, [run], stated)


@pytest.fixture(scope="module")
def found() -> Found:
    rng = np.random.default_rng(7)
    on, controller = draw_vehicle(rng), draw_controller(rng)
    motors: dict[str, Motor] = {}
    while len(motors) < 6:
        motor = draw_motor(rng)
        if motor.gear == 1.0:
            motors[f"M{len(motors)}"] = motor
    truths = {
        name: vehicle.truths(motor, on, steady(vehicle.requests(motor, controller, on)), 21.0)
        for name, motor in motors.items()
    }
    energy = {name: one["energy_per_distance"]["value"] for name, one in truths.items() if "energy_per_distance" in one}
    grade = {name: one["pack_max_grade"]["value"] for name, one in truths.items() if name in energy}
    # In the widest gap: the bench's grade is that of the air gap's torque, which friction is yet to be taken from.
    ordered = np.sort(list(grade.values()))
    place = int(np.argmax(np.diff(ordered)))
    start = float(ordered[place : place + 2].mean())
    settings = run_settings(on)
    duty = Duty.model_validate(
        {"climb_grade": "0.5 percent", "climb_speed": "4 m/s", "start_grade": f"{start} percent"}
    )
    (application,) = applications((), settings)
    parts = [_part(name, motors[name], on.cruise / on.circumference * 2 * np.pi) for name in energy]
    return Found(shelf(parts, [], settings, application, duty, "vehicle"), energy, grade, start)


def test_the_bench_agrees_with_every_order_that_is_told(found: Found) -> None:
    assert not found.shelf.left_out
    motors = [one for one in found.shelf.motors if one.energy is not None]
    told = 0
    for first in motors:
        for second in motors:
            assert first.energy is not None
            assert second.energy is not None
            difference = second.energy.minus(first.energy)
            if difference.value > 2 * difference.standard_uncertainty:
                told += 1
                assert found.energy[first.name] < found.energy[second.name], (first.name, second.name)
    assert told >= 6, "six motors of different make are not all alike"


def test_energy_is_what_the_bench_finds(found: Found, outside: Outside) -> None:
    for one in found.shelf.motors:
        assert one.energy is not None
        ours, published = one.energy.value / 3.6, found.energy[one.name]
        outside("energy_per_distance", f"cruise of {one.name}, from the pack's cells", ours=ours, published=published,
                allowance=2 * one.energy.standard_uncertainty / 3.6, source=SOURCE, unit="Wh/km")  # fmt: skip


def test_who_starts_on_the_grade_is_who_holds_it_on_the_bench(found: Found) -> None:
    ranked = rank(found.shelf.motors)
    sure = 0
    for one in ranked:
        chance = one.each["start"]
        if chance > 0.95 or chance < 0.05:
            sure += 1
            assert (found.grade[one.candidate.name] > found.start) == (chance > 0.5), one.candidate.name
    assert sure >= 3
