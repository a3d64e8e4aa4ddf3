"""Steady states under sinusoidal currents against a published machine model and a closed form."""

from dataclasses import replace

import numpy as np
import pytest

from tests.simulation.independent import field_oriented
from tests.simulation.independent.machine import Drag
from tests.simulation.independent.study import sessions


@pytest.fixture
def session():
    return sessions(1, 8)[0]


def test_steady_states_stand_still_in_a_published_model(session):
    # gym-electric-motor 3.0.3, PermanentMagnetSynchronousMotor: its currents must not move at our voltages, its
    # torque agree.
    from gym_electric_motor.physical_systems.electric_motors import PermanentMagnetSynchronousMotor

    motor, controller = replace(session.motor, knee=1e9, mesh=1.0), session.controller
    state = field_oriented.at_torque(motor, controller, speed=15.0, torque=6.0, bus=36.0, winding=60.0, magnets=40.0)
    flux = motor.waveform.fundamental() * float(motor.magnets(40.0))
    ohms = float(motor.resistances(60.0).mean()) + controller.switch
    theirs = PermanentMagnetSynchronousMotor(
        motor_parameter={
            "p": motor.ratio,
            "l_d": motor.inductance_d,
            "l_q": motor.inductance_q,
            "j_rotor": 0.1,
            "r_s": ohms,
            "psi_p": flux,
        }
    )
    rate = theirs.electrical_ode(np.array([0.0, state.current_q, 0.0]), [state.voltage_d, state.voltage_q], 15.0)
    assert list(rate[:2]) == pytest.approx([0.0, 0.0], abs=1e-6 * state.voltage_q / motor.inductance_d)
    drag = float(motor.drag.torque(np.array(15.0), 3600.0, float(motor.magnets(40.0))))
    drag += float(motor.circulating(np.array(15.0), 60.0, float(motor.magnets(40.0))))
    assert theirs.torque([0.0, state.current_q, 0.0]) == pytest.approx(6.0 + drag, rel=1e-6)


@pytest.mark.parametrize(("modulation", "share"), [("space-vector", 1 / np.sqrt(3)), ("sine", 0.5)])
def test_without_load_the_emf_meets_the_modulation_limit(session, modulation, share):
    # Mohan, Advanced Electric Drives (from memory): V/sqrt 3 or V/2 is the largest amplitude of the phase voltage.
    motor = replace(session.motor, drag=Drag(1e-6, 0, 1.0, 0, 0, 0, 0, 0, 1.0), delta=False)
    speed = field_oriented.limit_speed(
        motor,
        session.controller,
        voltage=36.0,
        source=0.0,
        load=0.0,
        load_square=0.0,
        winding=20.0,
        magnets=20.0,
        modulation=modulation,
    )
    assert speed * motor.ratio * motor.waveform.fundamental() == pytest.approx(share * 36.0, rel=1e-5)
