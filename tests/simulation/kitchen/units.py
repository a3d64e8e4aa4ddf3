"""What the invented motors and the invented controller are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulation.independent.machine import Body, Controller, Drag, Motor
from tests.simulation.independent.waveform import between

AIR = 21.6
"""The kitchen's air, degC."""

DIRECT = Motor(
    pole_pairs=23,
    gear=1.0,
    freewheel=False,
    slots=51,
    material="copper",
    insulation_class="B",
    rated_voltage=36.0,
    rated_power=250.0,
    rated_speed=230 * np.pi / 30,
    resistance=np.array([0.1190, 0.1204, 0.1197]),
    inductance_d=2.3e-4,
    inductance_q=2.4e-4,
    spread=np.zeros(3),
    waveform=between(0.45, 1.31 / (1.655 * 23), np.array([1.001, 0.998, 1.001]), {5: 0.006, 7: -0.003}),
    knee=75.0,
    magnet_coefficient=-0.0011,
    sensors=np.radians([[2.1, 1.7], [0.4, 0.9], [-1.0, -0.6]]),
    jitter=np.radians(0.15),
    cogging=((102, 0.05, 0.3),),
    drag=Drag(0.21, 0.03, 1.0, 0.004, 5e-5, 0.12, 0.003, 0.2, 300.0),
    body=Body(340.0, 1900.0, 0.33, 0.62, 0.22),
    inertia=0.093,
    mesh=1.0,
    delta=False,
    insulation=(1e9, 2.0, 0.2),
    insulation_halving=10.0,
)
"""A gearless hub motor."""

GEARED = Motor(
    pole_pairs=8,
    gear=4.4,
    freewheel=False,
    slots=18,
    material="copper",
    insulation_class="B",
    rated_voltage=36.0,
    rated_power=250.0,
    rated_speed=220 * np.pi / 30,
    resistance=np.array([0.0893, 0.0885, 0.0891]),
    inductance_d=9.5e-5,
    inductance_q=9.9e-5,
    spread=np.zeros(3),
    waveform=between(0.15, 1.39 / (1.655 * 8 * 4.4), np.array([0.999, 1.002, 0.999]), {5: -0.004}),
    knee=60.0,
    magnet_coefficient=-0.0011,
    sensors=np.zeros((3, 2)),
    jitter=np.radians(0.1),
    cogging=((158, 0.02, 0.0),),
    drag=Drag(0.38, 0.05, 1.2, 0.009, 4e-5, 0.10, 0.002, 0.3, 250.0),
    body=Body(260.0, 1500.0, 0.5, 0.8, 0.2),
    inertia=0.11,
    mesh=0.975,
    delta=False,
    insulation=(1e9, 2.0, 0.2),
    insulation_halving=10.0,
)
"""A hub motor with a planetary gear, without a freewheel so that it can brake."""

CONTROLLER = Controller(0.006, 0.85, 0.004, 15e-6, 0.018, 0.35, 1.1e-6, 16e3)
"""The six-step controller that drives both."""


@dataclass(frozen=True)
class Thresholds:
    """Supply voltages at which the controller starts and stops, V; idle current of the wheel, A."""

    start: float
    cutoff: float
    idle: float


THRESHOLDS = Thresholds(start=28.4, cutoff=26.9, idle=0.55)

DEAD_TIME, SWITCHING = 640e-9, 15_750.0
"""Dead time in s and switching frequency in Hz of its bridge."""
