"""The bridge's solver against closed forms, a general integrator and a published machine model."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.simulation.independent import bridge
from tests.simulation.independent.bridge import SECTORS, Points, periodic
from tests.simulation.independent.waveform import PHASES, Waveform, between, trapezoid_harmonic

IDEAL = np.radians(30 + 60 * np.arange(6))


def points(
    speeds,
    *,
    voltage=36.0,
    squareness=0.5,
    flux=0.04,
    inductance=(2e-4, 2e-4),
    resistance=(0.12, 0.12, 0.12),
    spread=(0.0, 0.0, 0.0),
    knee=1e9,
    switch=0.005,
    drop=0.8,
    diode=0.004,
    late=0.0,
    wave: Waveform | None = None,
) -> Points:
    speeds = np.atleast_1d(np.asarray(speeds, dtype=float))
    one = np.ones(len(speeds))
    wave = wave or between(squareness, flux, np.ones(3), {})
    return Points(
        np.tile(IDEAL + late, (len(speeds), 1)),
        speeds,
        voltage * one,
        one,
        np.tile(resistance, (len(speeds), 1)),
        switch * one,
        drop * one,
        diode * one,
        np.tile(wave.vector, (len(speeds), 1)),
        inductance[0] * one,
        inductance[1] * one,
        np.tile(spread, (len(speeds), 1)),
        knee * one,
    )


def test_power_in_is_copper_and_switches_and_shaft():
    wave = between(0.7, 0.04, np.array([1.01, 0.995, 0.995]), {2: 0.004j, 7: 0.01})
    drive = points(
        [150.0, 300.0, 450.0],
        wave=wave,
        inductance=(1.8e-4, 2.9e-4),
        resistance=(0.12, 0.125, 0.117),
        spread=(0, 4e-6, -3e-6),
        knee=40.0,
        late=0.05,
    )
    turn = periodic(drive, steps=48, tolerance=1e-9)
    shaft = turn.torque * drive.speed
    assert turn.input_power - turn.copper - turn.switch_loss - shaft - turn.stored == pytest.approx(
        0, abs=1e-6 * turn.input_power.max()
    )


def test_a_resistive_machine_draws_what_ohm_says():
    # L/R of 20 us against sectors of 3 ms: current is (V - line EMF)/(2 R), closed form, rectifying nothing (EMF below
    # V/2).
    wave = between(0.0, 0.04, np.ones(3), {})
    drive = points(300.0, wave=wave, inductance=(1e-5, 1e-5), resistance=(0.5, 0.5, 0.5), switch=0.0)
    turn = periodic(drive)
    angle = np.linspace(np.pi / 6, np.pi / 2, 20001)
    line = wave.lines(angle)[0] * 300.0
    expected = np.trapezoid((36.0 - line) / 1.0, angle) / (np.pi / 3)
    assert turn.dc_current[0] == pytest.approx(expected, rel=0.01)


def test_commutation_takes_the_voltage_that_rectifier_theory_says():
    # With a nearly constant direct current the commutation of 60 degree blocks costs 3/pi w L I of mean voltage in a
    # bridge rectifier (Kimbark; Mohan, Undeland, Robbins, line-commutated converters: 3 w L_s I_d/pi; from memory). A
    # large inductance in the direct-current path, which this circuit lacks, would make it exact; so only its size can
    # be compared: between half and twice. The machine is run lossless, its drop being the voltage above the EMF.
    wave = between(1.0, 0.04, np.ones(3), {})
    drive = points(
        [400.0], wave=wave, resistance=(0.01, 0.01, 0.01), switch=0.0, drop=0.01, diode=0.0, inductance=(1e-4, 1e-4)
    )
    turn = periodic(drive, most=400)
    angle = 2 * np.pi * np.arange(3600) / 3600
    emf = np.abs(wave.lines(angle)).max(axis=0).mean() * 400.0
    resistive = turn.copper / turn.dc_current
    drop = 36.0 - emf - resistive
    rectifier = 3 / np.pi * 400.0 * 1e-4 * turn.dc_current
    assert 0.5 < float(drop[0] / rectifier[0]) < 2.0


def test_a_general_integrator_with_line_equations_finds_the_same_turn():
    # The same circuit written with line-to-line equations of each conduction state and SciPy's integrator with events.
    speed, v, r, l, sw, drop, rd = 320.0, 36.0, 0.12, 2e-4, 0.005, 0.8, 0.004
    wave = between(0.6, 0.04, np.ones(3), {5: 0.01})

    def emf(t):
        return wave.phases(np.array([speed * t]))[:, 0] * speed

    def three(t, i, high, low, off, sign):
        u = np.zeros(3)
        u[high], u[low] = v - sw * i[high], -sw * i[low]
        u[off] = (-drop if sign > 0 else v + drop) - rd * i[off]
        e = emf(t)
        star = (u - r * i - e).sum() / 3
        return (u - r * i - e - star) / l

    def two(t, i, high, low, off, sign):
        e = emf(t)
        rate = (v - 2 * (sw + r) * i[high] - e[high] + e[low]) / (2 * l)
        out = np.zeros(3)
        out[high], out[low] = rate, -rate
        return out

    current, charge = np.zeros(3), 0.0
    for turn in range(4):
        charge = 0.0
        for k, (high, low, off) in enumerate(SECTORS):
            t0, t1 = (IDEAL[k] + 2 * np.pi * turn) / speed, (IDEAL[k] + np.pi / 3 + 2 * np.pi * turn) / speed
            sign = np.sign(current[off])
            if abs(current[off]) > 1e-9:

                def ended(t, i, high, low, off, sign):
                    return i[off] * sign

                ended.terminal, ended.direction = True, -1
                run = solve_ivp(
                    three,
                    (t0, t1),
                    current,
                    args=(high, low, off, sign),
                    events=ended,
                    rtol=1e-8,
                    atol=1e-8,
                    max_step=(t1 - t0) / 20,
                )
                charge += np.trapezoid(run.y[high] + (run.y[off] if sign < 0 else 0), run.t)
                current, t0 = run.y[:, -1].copy(), run.t[-1]
            current[off] = 0.0
            if t0 < t1:
                run = solve_ivp(
                    two, (t0, t1), current, args=(high, low, off, sign), rtol=1e-8, atol=1e-8, max_step=(t1 - t0) / 60
                )
                charge += np.trapezoid(run.y[high], run.t)
                current = run.y[:, -1].copy()
    ours = periodic(points(speed, wave=wave), steps=24)
    assert ours.dc_current[0] == pytest.approx(charge * speed / (2 * np.pi), rel=1e-3)
    assert ours.current[0] == pytest.approx(2 / 3 * np.sum(PHASES * current), rel=1e-4)


@pytest.mark.parametrize("own", [(3.0, 12.0), (-8.0, 20.0)])
def test_torque_and_derivative_are_those_of_a_published_machine_model(own):
    # gym-electric-motor 3.0.3, PermanentMagnetSynchronousMotor: a machine model by others.
    from gym_electric_motor.physical_systems.electric_motors import PermanentMagnetSynchronousMotor

    flux, l_d, l_q, r, p, speed = 0.04, 1.8e-4, 2.9e-4, 0.12, 20, 15.0
    theirs = PermanentMagnetSynchronousMotor(
        motor_parameter={"p": p, "l_d": l_d, "l_q": l_q, "j_rotor": 0.1, "r_s": r, "psi_p": flux}
    )
    drive = points(
        speed * p, squareness=0.0, flux=flux, inductance=(l_d, l_q), switch=0.0, diode=0.0, resistance=(r, r, r)
    )
    angle = np.array([1.1])
    to_stationary = np.exp(1j * (angle + np.pi))
    current = np.array([complex(*own)]) * to_stationary
    assert p * drive.torque(current, angle, drive.emf_shape(angle))[0] == pytest.approx(
        theirs.torque([*own, 0.0]), rel=1e-9
    )
    circuit = bridge._Circuit(drive, 0)
    node = circuit.node(angle)
    sign = np.sign((np.conj(circuit.axis) * current).real)
    slope, _ = circuit.slope(current, sign, node)
    potential = np.array([36.0, 0.0, -0.8 if sign[0] > 0 else 36.8])
    voltage = 2 / 3 * np.sum(PHASES * potential) / to_stationary
    rate = theirs.electrical_ode(np.array([*own, 0.0]), [voltage[0].real, voltage[0].imag], speed)
    ours = slope / to_stationary - 1j * speed * p * complex(*own)
    assert [ours[0].real, ours[0].imag] == pytest.approx(list(rate[:2]), rel=1e-9)


def test_harmonics_of_the_trapezoid_are_those_of_the_drawn_wave():
    angle = 2 * np.pi * np.arange(36000) / 36000
    wave = np.clip(np.interp(angle, np.radians([0, 30, 150, 210, 330, 360]), [0, 1, 1, -1, -1, 0]), -1, 1)
    for order in (1, 3, 5, 7, 11):
        assert trapezoid_harmonic(order) == pytest.approx(2 * np.mean(wave * np.sin(order * angle)), abs=1e-6)
