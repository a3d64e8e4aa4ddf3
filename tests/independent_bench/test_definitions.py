"""True values by definition against closed forms that stand in the definitions themselves or in textbooks."""

from dataclasses import replace

import numpy as np
import pytest

from tests.simulation.independent import definitions, thermal
from tests.simulation.independent.draw import draw_motor
from tests.simulation.independent.machine import Body, Drag
from tests.simulation.independent.operating import Request, steady
from tests.simulation.independent.study import sessions
from tests.simulation.independent.waveform import between


@pytest.fixture
def motor():
    return replace(draw_motor(np.random.default_rng(3)), delta=False)


def test_a_sine_has_the_constants_of_a_sine(motor):
    # Any text on rectifiers: RMS = peak/sqrt 2, mean of the six-pulse rectified sine = 3/pi of its peak.
    sine = replace(motor, waveform=between(0.0, 0.04, np.ones(3), {}))
    values = definitions.emf(sine, 20.0)
    assert values["emf_constant_peak"] == pytest.approx(np.sqrt(3) * 0.04 * sine.ratio, rel=1e-6)
    assert values["emf_constant_rms"] == pytest.approx(values["emf_constant_peak"] / np.sqrt(2), rel=1e-6)
    assert values["emf_constant_dc"] == pytest.approx(values["emf_constant_peak"] * 3 / np.pi, rel=1e-6)
    assert values["emf_distortion"] == pytest.approx(0.0, abs=1e-5)


def test_a_flat_top_presents_its_peak(motor):
    # Its line voltage is flat for 60 degrees, so the largest of the six is constant: to the harmonics up to the 11th.
    flat = replace(motor, waveform=between(1.0, 0.04, np.ones(3), {}))
    values = definitions.emf(flat, 20.0)
    assert values["emf_constant_dc"] == pytest.approx(values["emf_constant_peak"], rel=0.02)


def test_a_fifth_harmonic_counts_by_its_part_in_phase_with_the_crest(motor):
    # A trapezoid's fifth lowers its crest: b_5/b_1 = sin(150 deg)/(25 sin(30 deg)) = 1/25 per phase at the zero
    # crossing; a line's fifth stands against its fundamental as cos(5 x 30 deg)/cos(30 deg) = -1 times that.
    flat = replace(motor, waveform=between(1.0, 0.04, np.ones(3), {}))
    assert definitions.emf(flat, 20.0)["emf_harmonic_5"] == pytest.approx(-4.0, abs=1e-3)
    turned = replace(motor, waveform=between(0.0, 0.04, np.ones(3), {5: 0.03j}))
    assert definitions.emf(turned, 20.0)["emf_harmonic_5"] == pytest.approx(0.0, abs=1e-6)


def test_friction_of_a_straight_drag_is_its_own_line_and_holds_the_mesh(motor):
    straight = replace(motor, drag=Drag(0.2, 0.0, 1.0, 0.01, 0.0, 0.0, 0.0, 0.0, 1.0))
    state = definitions.Turning(20.0, 20.0, 900.0, mesh=0.98)
    values = definitions.friction(straight, 30.0, state, air_told_apart=False)
    assert values["coulomb_friction"] == pytest.approx(0.2 / 0.98, rel=1e-9)
    assert values["viscous_friction"] == pytest.approx(0.01 / 0.98, rel=1e-9)
    assert values["viscous_decay_rate"] == pytest.approx(0.01 / 0.98 / motor.inertia, rel=1e-9)


def test_magnets_at_a_higher_temperature_give_less(motor):
    cold, hot = (definitions.emf(motor, t)["emf_constant_rms"] for t in (20.0, 60.0))
    assert hot / cold - 1 == pytest.approx(40 * motor.magnet_coefficient, rel=1e-9)


def test_torque_per_ampere_at_rest_is_the_emf_constant(motor):
    # Power balance: with sensors in place and without saturation or saliency it is the mean line EMF over speed.
    ideal = replace(
        motor,
        sensors=np.zeros((3, 2)),
        knee=1e9,
        inductance_q=motor.inductance_d,
        waveform=between(0.6, 0.04, np.ones(3), {}),
    )
    torque = definitions.static_torque(ideal, [10.0], 20.0)
    assert torque[0] / 10 == pytest.approx(definitions.emf(ideal, 20.0)["emf_constant_dc"], rel=1e-3)


def test_torque_per_ampere_falls_by_a_tenth_where_said(motor):
    amperes = definitions.saturation_current(motor, 25.0)
    small, large = definitions.static_torque(motor, [1e-3, amperes], 25.0)
    assert large / amperes == pytest.approx(0.9 * small / 1e-3, rel=1e-6)


def test_sensor_set_late_by_one_angle_is_offset_by_it(motor):
    late = replace(motor, sensors=np.full((3, 2), np.radians(4.0)), waveform=between(0.5, 0.04, np.ones(3), {}))
    values = definitions.sensors(late)
    assert values["hall_offset"] == pytest.approx(4.0, abs=1e-6)
    assert values["hall_placement_error"] == pytest.approx(0.0, abs=1e-9)


def test_two_bodies_in_the_limit_are_one_exponential(motor):
    # With winding and housing close together and linear cooling: rise = P R, time constant = R C (textbook).
    body = Body(400.0, 1600.0, 0.05, 0.5, 0.0)
    single = replace(motor, body=body, material="copper")
    rise, _, heat = thermal.steady_rise(single, 2.0, 20.0)
    assert rise == pytest.approx(heat * 0.55, rel=1e-6)
    gain = heat / (234.5 + 20 + rise)
    assert thermal.slowest_time(single, 2.0, 20.0) == pytest.approx(2000.0 / (1 / 0.5 - gain), rel=0.03)
    course = thermal.warming(single, 2.0, np.full(400, 20.0), 30.0)
    assert course[0, -1] - 20 == pytest.approx(rise, rel=1e-3)


def test_a_drive_without_drag_or_current_turns_at_its_voltage():
    # No torque asked of an ideal square wave: the speed at which the EMF meets the supply, 36 V over the DC constant,
    # is missed by less than the ripple's part of a sine.
    session = sessions(1, 5)[0]
    ideal = replace(
        session.motor,
        drag=Drag(1e-3, 0, 1.0, 0, 0, 0, 0, 0, 1.0),
        sensors=np.zeros((3, 2)),
        mesh=1.0,
        delta=False,
        waveform=between(1.0, session.motor.waveform.fundamental(), np.ones(3), {}),
    )
    found = steady([Request(ideal, session.controller, 36.0, magnets=20.0)])
    assert found.speed[0] == pytest.approx(36.0 / definitions.emf(ideal, 20.0)["emf_constant_dc"], rel=0.03)


def test_the_continuous_current_settles_at_the_limit(motor):
    # What the definition says, followed in time by the two bodies' equations.
    amperes = thermal.current_for(motor, 130.0, 40.0)
    slow = thermal.slowest_time(motor, amperes, 40.0)
    course = thermal.warming(motor, amperes, np.full(int(12 * slow / 60), 40.0), 60.0)
    assert course[0, -1] == pytest.approx(130.0, abs=0.05)
