"""Outside values for the inductance of a winding, over the angle and from a step of current.

Sources: gym-electric-motor 3.0.3 (equations of its machine); circuits solved by SciPy.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from rotorproof.physics import inductance
from tests.outside import Outside
from tests.proof.cases import D_AXIS, GYM, PAIRS, Q_AXIS, line_inductance, single, values


def test_readings_over_the_angle_of_a_simulated_machine(outside: Outside) -> None:
    angle = np.linspace(0.0, 2 * np.pi / PAIRS, 24, endpoint=False)
    columns = {"angle": angle}
    for pair in ("ab", "bc", "ca"):
        columns[f"inductance_{pair}"] = np.array([line_inductance(pair, a) for a in angle])
    found = single("winding-inductance", columns, {}, nameplate_pole_pairs=float(PAIRS), phase_resistance=0.11)
    outside.each(
        found,
        (
            ("inductance_d", 0.180, 1e-5 * 0.180, "mH"),
            ("inductance_q", 0.260, 1e-5 * 0.260, "mH"),
            ("phase_inductance", 0.220, 1e-5 * 0.220, "mH"),
            ("saliency_ratio", 260 / 180, 1e-5 * (260 / 180), "1"),
            ("electrical_time_constant", 2.0, 1e-5 * 2.0, "ms"),  # 0.22 mH over 0.11 ohm
        ),
        what="line inductances over one electrical turn of a machine of 0.18 mH and 0.26 mH",
        source="gym-electric-motor 3.0.3, PermanentMagnetSynchronousMotor.electrical_ode",
    )


def test_step_into_a_solved_circuit(outside: Outside) -> None:
    from scipy import signal

    time = np.arange(0, 0.03, 1e-5)
    voltage = np.where(time >= 2e-3, 2.0, 0.0)
    _, current, _ = signal.lsim(([1.0], [420e-6, 0.25]), voltage, time, interp=False)
    found = single("winding-inductance", {"time": time, "voltage_ab": voltage, "current_ab": current}, {})
    outside.each(
        found,
        (
            ("phase_inductance", 0.210, 4e-3 * 0.210, "mH"),
            ("electrical_time_constant", 1.68, 4e-3 * 1.68, "ms"),
        ),
        what="2 V switched onto 0.42 mH and 0.25 ohm between two lines",
        source="scipy.signal.lsim, series circuit of R and L",
    )


def test_an_encoder_with_an_offset_and_an_aligned_rotor(outside: Outside) -> None:
    # The encoder reads 0.05 rad more than the rotor's angle; direct current from A to B holds the rotor where its d
    # axis lies along them, at -30 electrical degrees.
    angle = np.linspace(0.0, 2 * np.pi / PAIRS, 24, endpoint=False)
    columns = {f"inductance_{pair}": np.array([line_inductance(pair, a) for a in angle]) for pair in ("ab", "bc", "ca")}
    columns["angle"] = angle + 0.05
    found = values(
        "winding-inductance",
        [(columns, {"aligned_angle": -np.pi / 6 / PAIRS + 0.05})],
        nameplate_pole_pairs=float(PAIRS),
    )
    for name, published in (("inductance_d", D_AXIS), ("inductance_q", Q_AXIS)):
        outside(
            name,
            "line inductances over the reading of an encoder 0.05 rad off, rotor aligned",
            ours=1e3 * found[name],
            published=1e3 * published,
            allowance=1e-5,
            unit="mH",
            source=f"{GYM}, PermanentMagnetSynchronousMotor.electrical_ode",
        )


def test_three_pairs_at_unknown_angles(outside: Outside) -> None:
    angle = np.linspace(0.0, 2 * np.pi / PAIRS, 24, endpoint=False)
    columns = {f"inductance_{pair}": np.array([line_inductance(pair, a) for a in angle]) for pair in ("ab", "bc", "ca")}
    found = values("winding-inductance", [(columns, {})])
    for name, published in (("inductance_d", D_AXIS), ("inductance_q", Q_AXIS)):
        outside(
            name,
            "line inductances of three pairs at angles that nobody read",
            ours=1e3 * found[name],
            published=1e3 * published,
            allowance=1e-5,
            unit="mH",
            source=f"{GYM}, PermanentMagnetSynchronousMotor.electrical_ode",
        )


@pytest.mark.parametrize("pair", ["ab", "bc", "ca"])
def test_one_line_pair_at_an_angle(outside: Outside, pair: str) -> None:
    design = inductance.saliency_design(np.array([0.11]), [pair], PAIRS, one_level=True)
    outside(
        "inductance_d",
        f"inductance of the lines {pair.upper()} at 0.11 rad",
        ours=1e3 * float((design @ [D_AXIS + Q_AXIS, D_AXIS - Q_AXIS, 0.0])[0]),
        published=1e3 * line_inductance(pair, 0.11),
        allowance=1e-9,
        unit="mH",
        source=f"{GYM}, PermanentMagnetSynchronousMotor.electrical_ode",
    )


@pytest.mark.parametrize(("first", "then"), [(1.0, 2.0), (2.0, 0.0), (0.5, 1.5)])
def test_a_step_from_one_current_to_another(outside: Outside, first: float, then: float) -> None:
    # Both meters are off their zero, by 0.02 V and 0.1 A.
    time = np.arange(0, 0.05, 1e-5)
    voltage = np.where(time >= 5e-3, then, first)
    _, current, _ = signal.lsim(([1.0], [420e-6, 0.25]), voltage - first, time, interp=False)
    columns = {"time": time, "voltage_ab": voltage + 0.02, "current_ab": current + first / 0.25 + 0.1}
    found = values("winding-inductance", [(columns, {})])
    outside.each(
        found,
        (
            ("phase_inductance", 0.210, 4e-3 * 0.210, "mH"),
            ("electrical_time_constant", 1.68, 4e-3 * 1.68, "ms"),
        ),
        what=f"step from {first:g} V to {then:g} V on 0.42 mH and 0.25 ohm, meters off their zero",
        source="scipy.signal.lsim, series circuit of R and L",
    )
