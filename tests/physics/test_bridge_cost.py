"""What a bridge adds, followed near the conditions at which it was solved, beside solving it there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rotorproof.physics import block_commutation, bridge_cost
from rotorproof.physics.bridge_cost import Conditions
from rotorproof.procedures import _bridge_cost
from tests.outside import Outside
from tests.simulation.independent import definitions
from tests.simulation.independent.motor_session import Session
from tests.simulation.independent.operating import Request, steady

SPEED, CURRENT = np.array([6.0, 15.0, 24.0]), np.array([0.8, 3.0, 9.0])
RESISTANCE, EMF = np.full(3, 0.12), np.full(3, 1.1)
CENTRE = Conditions(1.6e-3, 0.01, -0.005, 0.02)


def direct(at: Conditions) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return voltage, winding loss and torque beyond V = Ke w + 2 R I, 2 R I^2 and Ke I."""
    shape = {5: at.fifth, 7: at.seventh}
    winding = block_commutation.from_dc(1.1, 0.12, 0.12 * at.time_constant, 20, shape, at.lead)
    found = block_commutation.at_current(winding, SPEED, CURRENT)
    smooth = 1.1 * SPEED + 0.24 * CURRENT, 0.24 * CURRENT**2, 1.1 * CURRENT
    return found.voltage - smooth[0], found.copper - smooth[1], found.torque - smooth[2]


@pytest.mark.parametrize(
    ("at", "within"),
    [
        (CENTRE, 1e-9),
        (Conditions(1.7e-3, 0.01, -0.005, 0.02), 0.01),
        (Conditions(1.6e-3, 0.03, -0.005, 0.02), 1e-6),
        (Conditions(1.6e-3, 0.01, 0.01, 0.02), 0.01),
        (Conditions(1.6e-3, 0.01, -0.005, 0.055), 1e-6),
        (Conditions(1.5e-3, 0.012, -0.004, 0.01), 0.05),
    ],
)
def test_the_parabolas_follow_the_bridge(at: Conditions, within: float) -> None:
    cost = bridge_cost.cost(RESISTANCE, EMF, 20, SPEED, CURRENT, CENTRE)
    found = cost.at(at)
    for ours, solved in zip((found.voltage, found.copper, found.torque), direct(at), strict=True):
        assert np.max(np.abs(ours - solved)) <= within * np.max(np.abs(solved)) + 1e-12


def test_power_in_is_torque_and_winding_loss() -> None:
    """What is added in voltage times current is what is added in torque times speed and in heat."""
    found = bridge_cost.cost(RESISTANCE, EMF, 20, SPEED, CURRENT, CENTRE).at(CENTRE)
    assert found.voltage * CURRENT == pytest.approx(found.torque * SPEED + found.copper, rel=1e-8)


def test_losses_and_torque_under_load_are_those_of_a_bridge_solved_in_time(outside: Outside) -> None:
    """Phases, sensors and inductances of an independent motor differ; switches and diodes take a voltage."""
    session = Session.drawn("IM-0013", 77 * 1_000_003 + 13)
    motor, loads = session.motor, np.linspace(2.0, 12.0, 4)
    run = steady([Request(motor, session.controller, 30.0, load=t, winding=30.0, magnets=20.0) for t in loads])
    current = run.current - np.asarray(session.controller.standby(run.voltage)) / run.voltage
    angle = 2 * np.pi * np.arange(3600) / 3600
    waves = np.fft.rfft(motor.waveform.lines(angle), axis=1)
    fifth, seventh = (
        float((waves[:, h] * np.exp(-1j * h * np.angle(waves[:, 1])) / np.abs(waves[:, 1])).real.mean()) for h in (5, 7)
    )
    resistance = np.full(4, float(motor.resistances(30.0).mean()))
    emf = np.full(4, definitions.emf(motor, 20.0)["emf_constant_dc"])
    centre = Conditions(
        1e-3 * definitions.inductance(motor)["electrical_time_constant"],
        fifth,
        seventh,
        -float(np.radians(definitions.sensors(motor)["hall_offset"])),
    )
    found = bridge_cost.cost(resistance, emf, motor.ratio, run.speed, current, centre).at(centre)
    torque = run.torque + run.drag / run.speed
    for k in range(4):
        for subject, ours, published, allowance in (
            ("winding_loss", 2 * resistance[k] * current[k] ** 2 + found.copper[k], run.copper[k], 0.03),
            ("torque_constant", emf[k] + found.torque[k] / current[k], torque[k] / current[k], 0.03),
        ):
            outside(
                subject,
                f"six-step motor at {loads[k]:.0f} N m and {run.speed[k]:.1f} rad/s",
                ours=float(ours),
                published=float(published),
                allowance=allowance * float(published),
                unit="W" if subject == "winding_loss" else "N m/A",
                source="tests/simulation/independent: three phases, diodes and switches integrated in time",
            )


def test_commutation_meets_the_inductance_along_d(outside: Outside) -> None:
    """Of a motor with twice the inductance across, the drop is that of L_d, not of the mean."""
    session = Session.drawn("IM-0013", 77 * 1_000_003 + 13)
    along, loads = session.motor.inductance_d, [4.0, 8.0]
    speeds = {}
    for name, d, q in (("salient", along, 2 * along), ("d", along, along), ("mean", 1.5 * along, 1.5 * along)):
        motor = replace(session.motor, inductance_d=d, inductance_q=q)
        run = steady([Request(motor, session.controller, 30.0, load=t, winding=30.0, magnets=20.0) for t in loads])
        speeds[name] = run.speed
    for k in range(2):
        outside(
            "pack_road_speed",
            f"speed at {loads[k]:g} N m of a salient six-step motor, with the inductance of its d axis throughout",
            ours=float(speeds["d"][k]),
            published=float(speeds["salient"][k]),
            allowance=0.6 * float(abs(speeds["mean"][k] - speeds["salient"][k])),
            unit="rad/s",
            source="tests/simulation/independent: three phases, diodes and switches integrated in time",
        )
    given = {"electrical_time_constant": 1.5e-3, "saliency_ratio": 2.0}
    assert _bridge_cost.commutation_time(given) == pytest.approx(1.0e-3)
    assert _bridge_cost.commutation_time({"electrical_time_constant": 1.5e-3}) == 1.5e-3
