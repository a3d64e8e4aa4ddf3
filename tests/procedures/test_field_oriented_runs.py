"""No-load and load runs of a field-oriented drive, by the independent bench: the same motor solved in two axes.

Source: tests/simulation/independent/field_oriented.py, written from books by somebody who read neither physics nor
fits; N. Mohan, Advanced Electric Drives, for torque per ampere of the q axis, 1.5 p psi.
"""

from __future__ import annotations

from itertools import count

import numpy as np
import pytest

from rotorproof.procedures.load import PROCEDURE as LOAD
from rotorproof.procedures.no_load import PROCEDURE as NO_LOAD
from tests.outside import Outside
from tests.procedures.runs import outcome
from tests.simulation.independent import definitions
from tests.simulation.independent.draw import draw_controller, draw_motor
from tests.simulation.independent.field_oriented import at_torque, limit_speed
from tests.simulation.independent.machine import Controller, Motor

WINDING, MAGNETS, WARM = 40.0, 30.0, 3600.0
BENCH = "independent bench, field_oriented.py (dq equations of a permanent-magnet machine)"


@pytest.fixture(scope="module", params=[1, 2, 3])
def pair(request: pytest.FixtureRequest) -> tuple[Motor, Controller]:
    """Return a direct motor in star and a controller, drawn at random."""
    for seed in count(100 * request.param):
        rng = np.random.default_rng(seed)
        motor = draw_motor(rng)
        if motor.gear == 1.0 and not motor.delta:
            return motor, draw_controller(rng)
    raise AssertionError


def known(motor: Motor) -> dict[str, float]:
    """Return what other tests told of the motor."""
    truth = definitions.emf(motor, 20.0)
    return {
        "phase_resistance": definitions.winding(motor)["phase_resistance"],
        "emf_constant_dc": truth["emf_constant_dc"],
        "pole_pairs": float(motor.pole_pairs),
        "magnet_coefficient": motor.magnet_coefficient,
        "winding_constant": 234.5,
    }


@pytest.mark.parametrize("with_q", [True, False])
def test_friction_from_no_load(pair: tuple[Motor, Controller], with_q: bool, outside: Outside) -> None:
    motor, controller = pair
    volts, states = np.linspace(9.0, 36.0, 9), []
    for bus in volts:
        free = {"load": 0.0, "load_square": 0.0, "winding": WINDING, "magnets": MAGNETS}
        speed = limit_speed(motor, controller, voltage=bus, source=0.0, **free)
        states.append(at_torque(motor, controller, speed=speed, torque=0.0, bus=bus, winding=WINDING, magnets=MAGNETS))
    rest = np.array([9.0, 22.0, 36.0])
    drawn = np.array([s.power for s in states]) / volts
    columns = {
        "supply_voltage": np.append(volts, rest),
        "supply_current": np.append(drawn, controller.standby(rest) / rest),
        "speed": np.append([s.speed for s in states], 0.0 * rest),
    }
    if with_q:
        columns["current_q"] = np.append([s.current_q for s in states], 0.0 * rest)
    conditions = {"winding_temperature": WINDING, "magnet_temperature": MAGNETS, "drive": 1.0}
    found = outcome(NO_LOAD, [(columns, conditions)], **known(motor))
    assert "field-oriented" in found.fit.missing["emf_constant_dc"]
    top = float(columns["speed"].max())
    line = definitions.friction(
        motor, top, definitions.Turning(WINDING, MAGNETS, WARM, motor.mesh), air_told_apart=False
    )
    for share in (0.3, 0.9):
        # What the bridge switches at so small a current, and Stribeck's rise near standstill, stay in it.
        outside(
            "coulomb_friction",
            f"drag at {share} of the highest speed of a field-oriented drive, {'with' if with_q else 'without'} i_q",
            ours=found.forms["coulomb_friction"].value + found.forms["viscous_friction"].value * share * top,
            published=line["coulomb_friction"] + line["viscous_friction"] * share * top,
            allowance=0.03 * (line["coulomb_friction"] + line["viscous_friction"] * share * top),
            source=BENCH,
            unit="N m",
        )


def test_torque_per_q_axis_ampere_under_load(pair: tuple[Motor, Controller], outside: Outside) -> None:
    motor, controller = pair
    speed = 0.5 * 36.0 / definitions.emf(motor, 20.0)["emf_constant_dc"]
    loads = np.linspace(0.0, 0.5 * motor.rated_power / motor.rated_speed, 9)
    states = [
        at_torque(motor, controller, speed=speed, torque=t, bus=36.0, winding=WINDING, magnets=MAGNETS) for t in loads
    ]
    columns = {
        "supply_voltage": np.full(9, 36.0),
        "supply_current": np.array([s.power for s in states]) / 36.0,
        "speed": np.full(9, speed),
        "torque": loads,
        "current_q": np.array([s.current_q for s in states]),
        "temperature_winding": np.full(9, WINDING),
    }
    conditions = {"magnet_temperature": MAGNETS, "standby_power": float(controller.standby(36.0))}
    found = outcome(LOAD, [(columns, conditions)], **known(motor))
    published = 1.5 * motor.ratio * motor.waveform.fundamental()
    outside(
        "torque_constant_q",
        "torque per q-axis ampere of a motor under load, magnets brought to 20 degC",
        ours=found.forms["torque_constant_q"].value,
        published=published,
        allowance=0.01 * published,  # the bench's iron saturates by half a percent at these currents
        source=BENCH,
        unit="N m/A",
    )
    assert "torque_constant" not in found.forms
