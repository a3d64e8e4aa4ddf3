"""The demo's motor on its pack, from its own constants, beside the same motor with three phases solved in time."""

from __future__ import annotations

import numpy as np

from rotorproof.derivations.pack_prediction import DERIVATION
from tests.outside import Outside
from tests.simulation.demo.motors import PACK, PACK_RESISTANCE, PACK_WINDING, motors
from tests.simulation.independent import definitions
from tests.simulation.independent.machine import SENSOR_EDGES, Body, Controller, Drag, Motor
from tests.simulation.independent.operating import Request, steady
from tests.simulation.independent.waveform import between

MASS, ROLLING, DRAG_AREA, AROUND, AIR = 110.0, 0.008, 0.55, 2.10, 1.20  # of the vehicle in config/config.yaml
BENCH = "tests/simulation/independent: three phases, diodes and switches integrated in time"


def as_the_independent_bench_has_it() -> Motor:
    """Return the demo's sound motor, made of the parts of the other bench; magnets that do not mind heat."""
    demo = motors()[0]
    known = demo.mechanics
    motor = Motor(
        pole_pairs=20,
        gear=1.0,
        freewheel=False,
        slots=36,
        material="copper",
        insulation_class="F",
        rated_voltage=36.0,
        rated_power=250.0,
        rated_speed=24.0,
        resistance=np.array(demo.winding.phases),
        inductance_d=demo.inductance.d,
        inductance_q=demo.inductance.q,
        spread=np.zeros(3),
        waveform=between(0.0, 1.0, np.ones(3), {5: 0.018 + 0j}),
        knee=1e6,
        magnet_coefficient=0.0,
        sensors=np.zeros(SENSOR_EDGES.shape),
        jitter=0.0,
        cogging=((360, 0.01, 0.0),),
        drag=Drag(known.coulomb, 0.0, 1.0, known.viscous, 0.0, known.hysteresis, known.eddy, 0.0, 1.0),
        body=Body(400.0, 2000.0, 0.3, 0.6, 0.2),
        inertia=known.inertia,
        mesh=1.0,
        delta=False,
        insulation=(1e9, 2.0, 0.2),
        insulation_halving=10.0,
    )
    scale = demo.machine.truth()["emf_constant_dc"] / definitions.emf(motor, 20.0)["emf_constant_dc"]
    return Motor(**{**vars(motor), "waveform": between(0.0, scale, np.ones(3), {5: 0.018 + 0j})})


def test_speeds_on_the_pack_are_those_of_the_bridge_solved_in_time(outside: Outside) -> None:
    motor, radius = as_the_independent_bench_has_it(), AROUND / (2 * np.pi)
    # Switches and diodes that take next to nothing: their drop is no part of the prediction for a motor alone.
    ideal = Controller(1e-5, 1e-3, 1e-5, 0.0, 0.0, 0.0, 0.0, 16e3)
    load, square = MASS * 9.80665 * ROLLING * radius, AIR * DRAG_AREA / 2 * radius**3
    on_the_pack = {"source": PACK_RESISTANCE, "winding": PACK_WINDING, "running_time": 3600.0}
    solved = steady(
        [
            Request(motor, ideal, PACK, **on_the_pack),
            Request(motor, ideal, PACK, load=load, load_square=square, **on_the_pack),
        ]
    )
    angle = 2 * np.pi * np.arange(3600) / 3600
    wave = np.fft.rfft(motor.waveform.lines(angle)[0])
    fifth = float((wave[5] * np.exp(-5j * np.angle(wave[1])) / np.abs(wave[1])).real)
    found = DERIVATION.derive(
        {
            "winding_constant": 234.5,
            "pole_pairs": 20.0,
            "emf_constant_dc": definitions.emf(motor, 20.0)["emf_constant_dc"],
            "phase_resistance": definitions.winding(motor)["phase_resistance"],
            "coulomb_friction": motor.drag.coulomb + motor.drag.hysteresis,
            "viscous_friction": motor.drag.viscous + motor.drag.eddy,
            "electrical_time_constant": 1e-3 * definitions.inductance(motor)["electrical_time_constant"],
            "emf_harmonic_5": fifth,
            "emf_harmonic_7": 0.0,
            "commutation_model": 1.0,
            "commutation_lead": 0.0,
            "magnet_share": 0.5,
            "magnet_coefficient": 0.0,
            "pack_voltage_nominal": PACK,
            "pack_internal_resistance": PACK_RESISTANCE,
            "pack_winding_temperature": PACK_WINDING,
            "vehicle_mass": MASS,
            "vehicle_rolling_resistance": ROLLING,
            "vehicle_drag_area": DRAG_AREA,
            "vehicle_rolling_circumference": AROUND,
            "vehicle_air_density": AIR,
        }
    )
    for name, published in (
        ("pack_no_load_speed", solved.speed[0]),
        ("pack_road_speed", solved.speed[1] * radius),
    ):
        outside(
            name,
            "the demo's sound motor on its pack, magnets cold",
            ours=float(found[name]),
            published=float(published),
            allowance=0.004 * float(published),  # unlike d and q inductances
            source=BENCH,
            unit="m/s" if "road" in name else "rad/s",
        )
