"""Load and locked-rotor procedures on machines that others wrote, with constants that are known there.

Sources: motulator (MIT), ``SynchronousMachine``: torque and voltage equation of the two-axis model;
gym-electric-motor 3.0.3 (MIT), ``PermanentMagnetSynchronousMotor``: torque over q-axis current.
"""

from __future__ import annotations

from importlib import metadata

import numpy as np
from gym_electric_motor.physical_systems.electric_motors import PermanentMagnetSynchronousMotor
from motulator.drive.model import SynchronousMachine
from motulator.drive.utils import SynchronousMachinePars

from rotorproof.procedures.load import PROCEDURE as LOAD
from rotorproof.procedures.locked_rotor import PROCEDURE as LOCKED_ROTOR
from tests.outside import Outside
from tests.procedures.runs import outcome

P, R, L, PSI = 23, 0.11, 2.0e-4, 0.02
COULOMB, VISCOUS = 0.42, 0.011  # of the bearings that the simulated machine has not


def steady_states() -> dict[str, np.ndarray]:
    """Return a load log of the simulated machine, no d-axis current, the brake off in each first row of a speed."""
    machine = SynchronousMachine(SynchronousMachinePars(n_p=P, R_s=R, L_d=L, L_q=L, psi_f=PSI))
    rows = []
    for speed in np.linspace(5, 30, 6):
        drag = COULOMB + VISCOUS * speed
        free = drag / (1.5 * P * PSI)
        for current in (free, *np.linspace(3, 18, 6)):
            machine.state.psi_s = PSI + 1j * L * current
            voltage = R * machine.i_s + 1j * P * speed * machine.state.psi_s
            power = 1.5 * float(np.real(voltage * np.conj(machine.i_s)))
            rows.append((speed, float(machine.tau_M) - drag, current, power, 0.0 if current == free else 1.0))
    names = ("speed", "torque", "current_q", "phase_power", "brake")
    return {name: np.array(column) for name, column in zip(names, zip(*rows, strict=True), strict=True)}


def test_load_run_of_an_independent_machine(outside: Outside) -> None:
    columns = steady_states()
    result = outcome(LOAD, [(columns, {"winding_temperature": 20.0})], phase_resistance=R)
    k = int(np.argmax(columns["speed"] * columns["torque"]))
    source = f"motulator {metadata.version('motulator')}, SynchronousMachine"
    for name, published, unit in (
        ("torque_constant_q", 1.5 * P * PSI, "N m/A"),
        ("coulomb_friction", COULOMB, "N m"),
        ("viscous_friction", VISCOUS, "N m s/rad"),
        ("winding_loss", 1.5 * R * float(columns["current_q"][k]) ** 2, "W"),
        (
            "motor_efficiency_max",
            float(np.max(columns["speed"] * columns["torque"] / columns["phase_power"])),
            "1",
        ),
    ):
        outside(
            name,
            "load run of simulated steady states",
            ours=result.forms[name].value,
            published=published,
            allowance=1e-6 * published,
            source=source,
            unit=unit,
        )
    assert abs(result.forms["additional_loss"].value) < 1e-6, "the simulated machine has no further loss"


def test_locked_rotor_of_an_independent_machine(outside: Outside) -> None:
    parameters = {"p": P, "l_d": L, "l_q": L, "j_rotor": 0.01, "r_s": R, "psi_p": PSI}
    machine = PermanentMagnetSynchronousMotor(motor_parameter=parameters)
    current = np.linspace(1, 15, 8)
    torque = np.array([float(machine.torque([0.0, i, 0.0])) for i in current])
    result = outcome(LOCKED_ROTOR, [({"current_q": current, "torque": torque}, {"magnet_temperature": 20.0})])
    outside(
        "torque_constant_q",
        "torque per ampere of q-axis current at standstill",
        ours=result.forms["torque_constant_q"].value,
        published=1.5 * P * PSI,
        allowance=1e-9,
        source="gym-electric-motor 3.0.3, PermanentMagnetSynchronousMotor",
        unit="N m/A",
    )
