"""Telemetry of a drive whose machine is a published model: what it was given is what comes out.

gym-electric-motor 3.0.3 (MIT), PermanentMagnetSynchronousMotor: its equations of the currents and its torque are solved
in time; nothing of them is ours. The shaft is Newton's second law with Coulomb and viscous friction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pytest

from rotorproof.procedures.telemetry import PROCEDURE
from tests.outside import Outside
from tests.procedures.runs import outcome
from tests.simulation.field_oriented_drive import LEVELS, Truth, steps, telemetry

SOURCE = "parameters of gym-electric-motor 3.0.3, PermanentMagnetSynchronousMotor, whose equations made the record"


@dataclass(frozen=True)
class Published(Truth):
    """A drive whose machine is the published one."""

    @cached_property
    def machine(self) -> Any:
        """The published machine; the resistance is all there is between bridge and EMF."""
        from gym_electric_motor.physical_systems.electric_motors import PermanentMagnetSynchronousMotor

        return PermanentMagnetSynchronousMotor(
            motor_parameter={
                "p": self.pole_pairs,
                "l_d": self.inductance_d,
                "l_q": self.inductance_q,
                "j_rotor": self.inertia,
                "r_s": self.resistance + self.switches,
                "psi_p": self.emf / self.pole_pairs,
            }
        )

    def rates(self, i_d: float, i_q: float, v_d: float, v_q: float, speed: float) -> tuple[float, float]:
        """Return the slopes of both currents by the published equations."""
        slopes = self.machine.electrical_ode(np.array([i_d, i_q, 0.0]), [v_d, v_q], speed)
        return float(slopes[0]), float(slopes[1])

    def torque(self, i_d: float, i_q: float) -> float:
        """Return the published machine's torque."""
        return float(self.machine.torque([i_d, i_q, 0.0]))


@pytest.mark.parametrize("seed", [1, 2])
def test_the_constants_of_a_published_machine_come_back(seed: int, outside: Outside) -> None:
    truth = Published(rate=1000.0, inductance_d=0.45e-3, inductance_q=0.7e-3)
    program = steps([8.0 * level for level in LEVELS], 0.5, d_axis=(0.0, -4.0, 2.0))
    columns = telemetry(truth, program, 4.0, np.random.default_rng(seed))
    conditions = {"transform": 0.0, "speed_kind": 0.0, "winding_temperature": 20.0, "magnet_temperature": 20.0}
    found = outcome(PROCEDURE, [(columns, conditions)], pole_pairs=truth.pole_pairs)
    line = math.sqrt(3) * truth.emf * 3 / math.pi
    for name, published in (
        ("phase_resistance", truth.resistance),
        ("inductance_d", truth.inductance_d),
        ("inductance_q", truth.inductance_q),
        ("torque_constant_q", 1.5 * truth.emf),
        ("emf_constant_dc", line),
        ("speed_constant", 1.0 / line),
        ("moment_of_inertia", truth.inertia),
        ("coulomb_friction", truth.coulomb),
        ("viscous_friction", truth.viscous),
        ("electrical_time_constant", 0.5 * (truth.inductance_d + truth.inductance_q) / truth.resistance),
    ):
        cover = found.result(name).interval(0.95)
        outside(
            name,
            f"telemetry of 4 s with scatter, seed {seed}",
            ours=found.forms[name].value,
            published=published,
            # Two draws of ten quantities: a 99.9 % interval of each.
            allowance=1.7 * cover.expanded_uncertainty,
            source=SOURCE,
        )
        assert cover.expanded_uncertainty < 0.2 * published


def test_the_invented_machine_follows_the_published_one() -> None:
    ours, theirs = (kind(inductance_d=0.45e-3, inductance_q=0.7e-3) for kind in (Truth, Published))
    for state in ((1.0, 5.0, -2.0, 20.0, 30.0), (-3.0, -6.0, 4.0, 10.0, -15.0)):
        assert ours.rates(*state) == pytest.approx(theirs.rates(*state), rel=1e-9)
        assert ours.torque(*state[:2]) == pytest.approx(theirs.torque(*state[:2]), rel=1e-9)
