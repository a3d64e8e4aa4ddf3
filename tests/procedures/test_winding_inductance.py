"""Inductances against an independent machine model, a solved circuit, and an invented winding that saturates.

Sources: gym-electric-motor 3.0.3, PermanentMagnetSynchronousMotor.electrical_ode, for the inductance that
two lines of a star see; the response of a series RL circuit by scipy.signal; phase self and mutual
inductances of a salient machine (L_line = L_x + L_y - 2 M_xy), from which the simulation builds its readings.
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.physics import inductance
from rotorproof.procedures.base import Log
from rotorproof.procedures.winding_inductance import PROCEDURE
from rotorproof.uncertainty.forms import Form
from tests.simulation.inductance import InductanceTruth, meter_log, step_log

TEN = {"nameplate_pole_pairs": 10.0}


def outcome(*logs: Log, **given: float) -> Outcome:
    forms = {name: Form(value) for name, value in given.items()}
    return run(PROCEDURE, logs, label="log", unit="U", given=forms, instruments=[], uncertain_conditions={})


@pytest.mark.parametrize("pair", ["ab", "bc", "ca"])
@pytest.mark.parametrize("angle", [0.0, 0.04, 0.11, 0.2])
def test_line_inductance_agrees_with_an_independent_model(pair: str, angle: float) -> None:
    from gym_electric_motor.physical_systems.electric_motors import PermanentMagnetSynchronousMotor

    d, q, p = 180e-6, 260e-6, 10
    parameters = {"p": p, "l_d": d, "l_q": q, "j_rotor": 0.01, "r_s": 0.1, "psi_p": 0.02}
    motor = PermanentMagnetSynchronousMotor(motor_parameter=parameters)
    places = dict(zip("abc", -p * angle + np.array([0, 2, 4]) * np.pi / 3, strict=True))
    # Currents rise by 1 A/s in one line and fall by as much in the other: Park's transform gives the axes'
    # rates.
    x, y = (places[name] for name in pair)
    wanted = 2 / 3 * np.array([np.cos(x) - np.cos(y), np.sin(x) - np.sin(y)])
    still = np.array(motor.electrical_ode(np.zeros(3), [0.0, 0.0], 0.0))[:2]
    rates = np.column_stack(
        [np.array(motor.electrical_ode(np.zeros(3), u, 0.0))[:2] - still for u in ([1.0, 0.0], [0.0, 1.0])]
    )
    u = np.linalg.solve(rates, wanted - still)
    phase_voltage = [u[0] * np.cos(place) + u[1] * np.sin(place) for place in (x, y)]
    (row,) = inductance.saliency_design(np.array([angle]), [pair], p, one_level=True)
    assert row @ [d + q, d - q, 0.0] == pytest.approx(phase_voltage[0] - phase_voltage[1], rel=1e-9)


def test_step_of_a_solved_circuit() -> None:
    from scipy import signal

    time = np.arange(0, 0.03, 1e-5)
    voltage = np.where(time >= 2e-3, 2.0, 0.0)
    _, current, _ = signal.lsim(([1.0], [420e-6, 0.25]), voltage, time, interp=False)
    found = inductance.from_step(time, voltage, current)
    # The sampled step itself is uncertain by half a sample: 5 us of 1.68 ms.
    assert found.inductance == pytest.approx(420e-6, rel=5e-3)
    assert found.resistance == pytest.approx(0.25, rel=1e-5)


def test_step_down_gives_the_same() -> None:
    time = np.arange(0, 0.03, 1e-5)
    after = time >= 2e-3
    current = np.where(after, 8 * np.exp(-(time - 2e-3) / 1.68e-3), 8.0)
    found = inductance.from_step(time, np.where(after, 0.0, 2.0), current)
    assert found.inductance == pytest.approx(420e-6, rel=5e-3)


def test_angle_that_counts_against_the_phases_is_recognised() -> None:
    truth = InductanceTruth(d=1e-4, q=1.5e-4)
    columns = meter_log(truth, np.random.default_rng(13))
    columns["angle"] = -columns["angle"]
    found = outcome(Log("meter", columns), **TEN).forms
    assert found["inductance_d"].value == pytest.approx(1e-4, rel=0.01)
    assert found["inductance_q"].value == pytest.approx(1.5e-4, rel=0.01)


@pytest.mark.parametrize("at_the_output", [True, False])
def test_angle_behind_a_gear_and_before_it(at_the_output: bool) -> None:
    columns = meter_log(InductanceTruth(d=1e-4, q=1.5e-4), np.random.default_rng(16))
    if at_the_output:
        columns["angle"] = columns["angle"] / 4.4
    found = outcome(Log("meter", columns), nameplate_gear_ratio=4.4, **TEN)
    assert found.forms["saliency_ratio"].value == pytest.approx(1.5, rel=0.01)
    assert any("before its gear" in note for note in found.report.notes) is not at_the_output


def test_alignment_tells_which_axis_is_which() -> None:
    # An unusual rotor with L_d > L_q: only the alignment test can show it.
    truth = InductanceTruth(d=1.5e-4, q=1e-4)
    columns = meter_log(truth, np.random.default_rng(14))
    blind = outcome(Log("meter", columns), **TEN)
    assert blind.forms["inductance_d"].value < blind.forms["inductance_q"].value
    assert any("common practice" in note for note in blind.report.notes)
    # The A-B axis lies at -30 electrical degrees.
    aligned = Log("meter", columns, {"aligned_angle": -np.pi / 6 / 10})
    found = outcome(aligned, **TEN)
    assert found.forms["inductance_d"].value == pytest.approx(1.5e-4, rel=0.01)
    assert any("held the rotor" in note for note in found.report.notes)


def test_steps_over_the_angle() -> None:
    truth = InductanceTruth(d=1.5e-4, q=2.2e-4, saturation=1e3, eddy=0.0)
    rng = np.random.default_rng(15)
    logs = [
        Log(f"step {k}", step_log(truth, rng, angle=angle)[0], {"rotor_angle": angle})
        for k, angle in enumerate(np.linspace(0, np.pi / 10, 6, endpoint=False))
    ]
    found = outcome(*logs, **TEN).forms
    assert found["inductance_d"].value == pytest.approx(1.5e-4, rel=0.01)
    assert found["inductance_q"].value == pytest.approx(2.2e-4, rel=0.01)
    assert found["electrical_time_constant"].value == pytest.approx(1.85e-4 / truth.resistance, rel=0.01)


def test_shorted_turns_are_pointed_out() -> None:
    columns = meter_log(InductanceTruth(), np.random.default_rng(16))
    columns["inductance_bc"] *= 0.88
    found = outcome(Log("meter", columns), **TEN)
    assert any("B-C" in problem.message and "shorted" in problem.message for problem in found.report.warnings)
    sound = outcome(Log("meter", meter_log(InductanceTruth(), np.random.default_rng(16))), **TEN)
    assert not sound.report.warnings


def test_wrong_pole_pairs_do_not_hide_the_saliency() -> None:
    columns = meter_log(InductanceTruth(d=1e-4, q=1.5e-4), np.random.default_rng(19))
    found = outcome(Log("meter", columns), nameplate_pole_pairs=7.0)
    assert any("check the pole pairs" in problem.message for problem in found.report.warnings)
    assert found.forms["inductance_q"].value == pytest.approx(1.5e-4, rel=0.01)


def test_one_step_gives_no_axes_and_says_so() -> None:
    columns, _ = step_log(InductanceTruth(), np.random.default_rng(17))
    found = outcome(Log("step", columns))
    assert set(found.forms) == {"phase_inductance", "electrical_time_constant"}
    assert "several rotor positions" in found.fit.missing["inductance_d"]


def test_steps_that_cannot_be_used() -> None:
    columns, _ = step_log(InductanceTruth(), np.random.default_rng(18))
    half = columns["time"].size // 5
    with pytest.raises(FitError, match="still changes"):
        outcome(Log("step", {name: values[:half] for name, values in columns.items()}))
    late = {name: values[int(0.2 * values.size) :] for name, values in columns.items()}
    with pytest.raises(FitError, match="middle of the step"):
        outcome(Log("step", late))
    with pytest.raises(FitError, match="does not step"):
        outcome(Log("step", columns | {"current_ab": np.full_like(columns["time"], 0.1)}))
    with pytest.raises(FitError, match="neither inductance readings"):
        outcome(Log("step", {"current_ab": columns["current_ab"]}))
    table = {f"inductance_{pair}": np.array([1e-4, 1e-4, 0.0]) for pair in ("ab", "bc", "ca")}
    with pytest.raises(FitError, match="zero or less"):
        outcome(Log("meter", table))
