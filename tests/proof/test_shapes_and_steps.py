"""Shapes of waves, coarse steps of readings and long records, where each decides what is reported.

Sources: Fourier series (mathematics); JCGM 100:2008, 4.3.7; figures worked by hand beside the checks.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.fitting.engine import Outcome
from rotorproof.physics import load_points
from rotorproof.procedures import procedures
from tests.outside import Outside
from tests.procedures.runs import outcome
from tests.proof.test_motor_turned import RATE, SPEED, P

HAND = "worked by hand"


def found_in(name: str, logs: list, **given: float) -> Outcome:
    return outcome(procedures()[name], logs, **given)


def flat_topped(volts: float) -> dict[str, np.ndarray]:
    """Return lines of phases of ``volts`` that are flat over 120 degrees."""
    time = np.arange(8000) / RATE
    turns = P * SPEED * time / (2 * np.pi)
    phases = [
        volts * np.interp(np.mod(turns - k / 3, 1.0) * 360, [0, 30, 150, 210, 330, 360], [0, 1, 1, -1, -1, 0])
        for k in range(3)
    ]
    lines = {f"voltage_{line}": phases[k] - phases[(k + 1) % 3] for k, line in enumerate(("ab", "bc", "ca"))}
    return {"time": time, **lines}


@pytest.mark.parametrize("volts", [0.3, 6.0, 45.0])
def test_a_flat_topped_wave_of_any_size(outside: Outside, volts: float) -> None:
    """Lines of a phase that is flat over 120 degrees: flat over 60, straight over 120 degrees between."""
    # RMS: sqrt(5)/3 of the peak of 2. Fundamental: sqrt(3) x 12/pi^2 = 2.10594, RMS 1.48912. Distortion:
    # sqrt(2.222222/2.217487 - 1) = 4.62 %.
    fundamental = math.sqrt(3) * 12 / math.pi**2
    found = found_in("open-circuit", [(flat_topped(volts), {"speed": SPEED})])
    for name, published, allowance, factor, unit in (
        ("emf_constant_peak", 2 * volts / SPEED, 5e-4 * 2 * volts / SPEED, 1.0, "V s/rad"),
        ("emf_constant_rms", 2 * volts / SPEED * math.sqrt(5) / 3, 1e-4 * 2 * volts / SPEED, 1.0, "V s/rad"),
        ("emf_constant_dc", 2 * volts / SPEED, 1e-3 * 2 * volts / SPEED, 1.0, "V s/rad"),
        ("emf_distortion", 100 * math.sqrt(20 / 9 / (fundamental**2 / 2) - 1), 0.05, 100.0, "percent"),
    ):
        outside(
            name,
            f"phases of {volts:g} V, flat over 120 degrees",
            ours=factor * found.forms[name].value,
            published=published,
            allowance=allowance,
            unit=unit,
            source="Fourier series of the trapezoid, mathematics",
        )
    # The crest of the series up to order 37, of which the extrapolation takes off what is above 2; half of that is
    # its standard uncertainty.
    x = np.linspace(0, 2 * np.pi, 20_000)
    h = np.array([k for k in range(1, 38, 2) if k % 3])
    amplitude = 24 / np.pi**2 * np.sin(h * np.pi / 6) / h**2
    crest = float(np.max(np.cos(np.outer(x, h) - h * np.pi / 2) @ (amplitude * 2 * np.sin(h * np.pi / 3))))
    doubt = [c for i, c in found.forms["emf_constant_peak"].terms.items() if "crest" in i.source]
    outside(
        "emf_constant_peak",
        f"standard uncertainty of its extrapolation, phases of {volts:g} V: half of what it takes off",
        ours=math.sqrt(sum(c * c for c in doubt)),
        published=0.5 * abs(crest - 2) * volts / SPEED,
        allowance=0.15 * 0.5 * abs(crest - 2) * volts / SPEED,
        unit="V s/rad",
        source="Fourier series of the trapezoid up to order 37, mathematics",
    )


def test_a_supply_that_is_swept_in_steps(outside: Outside) -> None:
    # A reading each 0.5 V; drives between 31.5 and 32 V, ceases between 30 and 29.5 V. Rectangular: 0.25 V/sqrt(3).
    up = np.arange(20.0, 48.0, 0.5)
    voltage = np.concatenate([np.concatenate([up, up[::-1]])] * 3)
    rising = np.tile(np.repeat([True, False], up.size), 3)
    on = np.where(rising, voltage > 31.7, voltage > 29.7)
    columns = {
        "time": np.arange(voltage.size) * 0.5,
        "supply_voltage": voltage,
        "supply_current": np.where(on, 1.4, 0.05),
    }
    found = found_in("supply-window", [(columns, {})])
    for name, published in (("start_voltage", 31.75), ("cutoff_voltage", 29.75)):
        for what, ours, value in (
            ("middle of the step", found.forms[name].value, published),
            ("standard uncertainty", found.forms[name].standard_uncertainty, 0.25 / math.sqrt(3)),
        ):
            outside(
                name,
                f"swept in steps of 0.5 V: {what}",
                ours=ours,
                published=value,
                allowance=0.003,
                unit="V",
                source=f"JCGM 100:2008, 4.3.7; {HAND}",
            )


def test_a_heat_run_of_many_readings(outside: Outside) -> None:
    time = np.arange(0.0, 5400.0, 0.2)
    noise = 0.3 * np.random.default_rng(21).standard_normal(time.size)
    course = 25 + 30 * (1 - np.exp(-time / 900)) + noise
    conditions = {"ambient_temperature": 25.0, "heat_power": 20.0, "surface_exponent": 0.0}
    found = found_in("heat-run", [({"time": time, "temperature_controller": course}, conditions)])
    for name, published, allowance, unit in (
        ("temperature_rise", 30.0, 0.02, "K"),
        ("thermal_time_constant", 900.0, 3.0, "s"),
        ("thermal_resistance", 1.5, 0.001, "K/W"),
    ):
        outside(
            name,
            "27 000 readings with noise of 0.3 K: 30 K and 900 s",
            ours=found.forms[name].value,
            published=published,
            allowance=allowance,
            unit=unit,
            source="Newton's law of cooling, " + HAND,
        )


@pytest.mark.parametrize("slope", [0.01, 0.02, 0.04])
def test_a_winding_that_cools_with_its_iron(outside: Outside, slope: float) -> None:
    time = np.linspace(10.0, 400.0, 40)
    noise = 0.002 * np.random.default_rng(22).standard_normal(40)
    hot = 60 - slope * time + 31.4 * np.exp(-time / 120) + noise
    conditions = {"cold_resistance": 0.5, "cold_temperature": 20.0, "ambient_temperature": 25.0}
    found = found_in("heat-run", [({"time": time, "resistance_ab": 0.5 * (234.5 + hot) / 254.5}, conditions)])
    outside(
        "temperature_rise",
        f"91.4 degC at switch-off, towards an iron that cools by {slope:g} K/s",
        ours=found.forms["temperature_rise"].value,
        published=66.4,
        allowance=0.05,
        unit="K",
        source="IEC 60034-1, 8.6.2, from memory; " + HAND,
    )


def test_which_points_lie_among_the_measured_ones(outside: Outside) -> None:
    # A diamond about 200 rad/s and 5 N m: (150, 5), (250, 5), (200, 1), (200, 9).
    corner_speed, corner_torque = np.array([150.0, 250.0, 200.0, 200.0]), np.array([5.0, 5.0, 1.0, 9.0])
    at = [(200, 5, 1), (150, 5, 1), (224, 6.9, 1), (226, 7.1, 0), (176, 3.1, 1), (174, 2.9, 0), (251, 5, 0), (0, 0, 0)]
    speed, torque, inside = (np.array(column, dtype=float) for column in zip(*at, strict=True))
    ours = load_points.inside_hull(corner_speed, corner_torque, speed, torque)
    for one, (w, t, published) in zip(ours, at, strict=True):
        outside(
            "efficiency_max",
            f"whether {w:g} rad/s and {t:g} N m lie within |w - 200|/50 + |T - 5|/4 <= 1",
            ours=float(one),
            published=published,
            allowance=0,
            source=HAND,
        )
    assert inside.size == ours.size
