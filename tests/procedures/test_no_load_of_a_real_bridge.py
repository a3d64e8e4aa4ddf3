"""No-load runs of the independent bench, whose bridge is solved in time: friction and EMF hold where a smooth bridge's
formulas would miss by many percent.

Source of the truth: tests/simulation/independent, which shares no formula with the program.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from rotorproof.fitting.engine import Outcome
from rotorproof.procedures.no_load import PROCEDURE
from rotorproof.uncertainty.coverage import interval
from tests.procedures.runs import outcome
from tests.simulation.independent import definitions
from tests.simulation.independent.motor_session import Session
from tests.simulation.independent.operating import Request, Steady, steady

WINDING, MAGNETS = 30.0, 26.0
VOLTS = np.linspace(9.0, 42.0, 9)
STANDING = (12.0, 36.0)


@cache
def run() -> tuple[Session, Steady]:
    session = Session.drawn("IM-0007", 77 * 1_000_003 + 7)
    idle = [Request(session.motor, session.controller, v, winding=WINDING, magnets=MAGNETS) for v in VOLTS]
    return session, steady(idle)


def fitted(**changed: float) -> Outcome:
    session, found = run()
    motor = session.motor
    standing = np.array(STANDING)
    still = np.asarray(session.controller.standby(standing))
    columns = {
        "supply_voltage": np.append(found.voltage, standing),
        "supply_current": np.append(found.current, still / standing),
        "speed": np.append(found.speed, 0.0 * standing),
    }
    known = definitions.emf(motor, 20.0)
    angle = 2 * np.pi * np.arange(3600) / 3600
    waves = np.fft.rfft(motor.waveform.lines(angle), axis=1)
    about = {h: waves[:, h] * np.exp(-1j * h * np.angle(waves[:, 1])) / np.abs(waves[:, 1]) for h in (5, 7)}
    given = {
        "phase_resistance": float(motor.resistance.mean()),
        "emf_constant_dc": known["emf_constant_dc"],
        "pole_pairs": float(motor.pole_pairs),
        "nameplate_gear_ratio": motor.gear,
        "electrical_time_constant": 1e-3 * definitions.inductance(motor)["electrical_time_constant"],
        "emf_harmonic_5": float(about[5].real.mean()),
        "emf_harmonic_7": float(about[7].real.mean()),
        "hall_offset": np.radians(definitions.sensors(motor)["hall_offset"]),
    } | changed
    conditions = {"winding_temperature": WINDING, "magnet_temperature": MAGNETS}
    return outcome(PROCEDURE, [(columns, conditions)], **given)


def truth() -> dict[str, float]:
    """Return the straight line through the torque that the run itself needed, bridge's other losses included."""
    session, found = run()
    b, c = np.polyfit(found.speed, (found.drag + found.controller - _standby(session, found)) / found.speed, 1)
    return {
        "coulomb_friction": c,
        "viscous_friction": b,
        "emf_constant_dc": definitions.emf(session.motor, 20.0)["emf_constant_dc"],
    }


def _standby(session: Session, found: Steady) -> np.ndarray:
    return np.asarray(session.controller.standby(found.voltage))


@pytest.mark.parametrize(
    ("name", "within"), [("coulomb_friction", 0.02), ("viscous_friction", 0.04), ("emf_constant_dc", 0.003)]
)
def test_the_truth_is_held_and_near(name: str, within: float) -> None:
    form, true = fitted().forms[name], truth()[name]
    cover = interval(form)
    assert cover.low <= true <= cover.high
    assert form.value == pytest.approx(true, rel=within)


def test_ripple_left_in_would_be_taken_for_friction() -> None:
    """With nine times the inductance hardly any ripple is taken off: friction comes out many percent too high."""
    smooth = fitted(electrical_time_constant=8e-3)
    top = float(run()[1].speed.max())
    torque = {
        n: r.forms["coulomb_friction"].value + r.forms["viscous_friction"].value * top
        for n, r in (("smooth", smooth), ("real", fitted()))
    }
    assert torque["smooth"] > 1.02 * torque["real"]
