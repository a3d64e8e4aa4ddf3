"""The demo's motor on pack and vehicle: what its report says against machine and bridge solved in time.

The demo's logs come from invented constants, of which bridge and machine are solved here once more as they would turn
on the pack, with nothing of the program's formulas; what the report predicts from the logs has to hold that.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np

from tests.benchmarks.independent_coverage import judge
from tests.outside import Outside
from tests.simulation.demo.motors import PACK, PACK_RESISTANCE, PACK_WINDING, DemoMotor, motors
from tests.simulation.independent import vehicle
from tests.simulation.independent.draw import Vehicle
from tests.simulation.independent.machine import Body, Controller, Drag, Motor
from tests.simulation.independent.operating import steady
from tests.simulation.independent.waveform import Waveform

ROOT = Path(__file__).parents[2]
BRIDGE = Controller(0.002, 0.8, 0.003, 0.0, 0.0, 1.15, 0.0, 16e3)
"""The demo's simulators know no controller but a small drop and a standby power: switches that are all but ideal."""

AS_STATED = Vehicle(PACK, PACK_RESISTANCE, 15.0, 30.0, PACK_WINDING, 110.0, 0.008, 0.55, 2.10, 1.20, 20 / 3.6)
"""Pack and vehicle as config/config.yaml states them."""


def _solved(demo: DemoMotor) -> Motor:
    """The independent bench's machine with the constants that the demo's simulators were given."""
    emf, drag = demo.machine, demo.mechanics
    orders = (1, *emf.harmonics)
    shape = np.array([1.0 + 0.0j, *(share * np.exp(1j * shift) for share, shift in emf.harmonics.values())])
    parts = np.asarray(emf.linkage / emf.pole_pairs * np.outer(emf.phase_gain, shape), dtype=np.complex128)
    late = np.radians(np.array(demo.sensors.places) - np.array([0.0, 120.0, 240.0]))
    return Motor(
        pole_pairs=emf.pole_pairs,
        gear=1.0,
        freewheel=False,
        slots=36,
        material="copper",
        insulation_class="B",
        rated_voltage=36.0,
        rated_power=250.0,
        rated_speed=22.0,
        resistance=np.array(demo.winding.phases),
        inductance_d=demo.inductance.d,
        inductance_q=demo.inductance.q,
        spread=np.zeros(3),
        waveform=Waveform(orders, parts),
        knee=drag.saturation,
        magnet_coefficient=-0.001,  # the demo's magnets keep one temperature; typical of NdFeB, as the report assumes
        sensors=np.repeat(late[:, None], 2, axis=1),
        jitter=0.0,
        cogging=((360, 0.06, 0.0),),
        drag=Drag(
            drag.coulomb,
            drag.stribeck,
            drag.stribeck_speed,
            drag.viscous,
            drag.drag,
            drag.hysteresis,
            drag.eddy,
            0.0,
            1.0,
        ),
        body=Body(400.0, 2000.0, 0.3, 0.6, 0.2),
        inertia=drag.inertia,
        mesh=1.0,
        delta=False,
        insulation=(1e9, 2.0, 0.2),
        insulation_halving=10.0,
    )


def test_speeds_on_the_pack_hold_what_machine_and_bridge_do(outside: Outside, tmp_path: Path) -> None:
    demo = next(one for one in motors() if one.name == "AL-M1")
    shutil.copytree(ROOT / "raw" / demo.name, tmp_path / "raw" / demo.name)
    assert not judge((tmp_path, demo.name))
    found = json.loads((tmp_path / "reports" / demo.name / "results.json").read_text(encoding="utf-8"))["quantities"]
    motor = _solved(demo)
    points = steady(vehicle.requests(motor, BRIDGE, AS_STATED))
    true = vehicle.truths(motor, AS_STATED, points, demo.air)
    for name, unit in (("pack_road_speed", "km/h"), ("pack_no_load_speed", "rpm")):
        low, high = found[name]["interval"]
        cold, hot = true[name]["cold"], true[name]["hot"]
        # The demo's simulators keep the magnets cold; warmed by half of what the winding is, they are as likely.
        for magnets, solved in (("cold", cold), ("half as warm as the winding", (cold + hot) / 2)):
            outside(
                name,
                f"the demo's motor, magnets {magnets}: middle of the interval, within its half",
                ours=(low + high) / 2,
                published=solved,
                allowance=(high - low) / 2,
                source="tests/simulation/independent: six-step bridge and machine solved in time with the motor's own "
                "constants, no formula shared with the program",
                unit=unit,
            )
