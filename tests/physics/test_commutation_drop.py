"""The inductance that the voltage under load tells, on bridges solved in time by formulas of their own."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.physics.commutation_drop import emf_and_inductance
from tests.simulation.independent import definitions
from tests.simulation.independent.motor_session import Session
from tests.simulation.independent.operating import steady


@pytest.mark.parametrize("seed", [31, 32, 33])
def test_it_is_of_the_order_of_the_inductance_of_the_machine(seed: int) -> None:
    session = Session.drawn("IM-0000", seed)
    motor, asked = session.motor, session.requests()
    found = steady(asked[10 : session.count_bench])
    ohms = np.array([float(np.mean(motor.resistances(t))) for t in session.windings_loaded])
    hot = ohms + session.controller.switch
    left = (1.0 + (found.current / motor.knee) ** 2) ** -0.5
    used = found.current > 0.15 * found.current.max()
    emf, inductance, error = emf_and_inductance(
        found.voltage[used], found.current[used], found.speed[used], hot[used], motor.ratio, left[used]
    )
    true = definitions.inductance(motor)["phase_inductance"] * 1e-3
    assert abs(math.log(inductance / true)) < 0.7
    assert error < 0.3 * inductance
    assert emf == pytest.approx(definitions.emf(motor, 25.0)["emf_constant_dc"], rel=0.03)


def test_three_points_tell_no_scatter() -> None:
    with pytest.raises(ValueError, match="four points"):
        emf_and_inductance(np.ones(3), np.ones(3), np.ones(3), 0.1, 20.0)
