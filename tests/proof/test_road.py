"""Outside values for the motor on its pack and in a vehicle.

Sources: gym-electric-motor 3.0.3 (commutator machine, integrated by SciPy to its steady state); NPTEL, Fundamentals of
Electric Vehicles, week 2, Q 2.1 (forces on 8 degrees); examples worked by hand, whose figures stand beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from gym_electric_motor.physical_systems.electric_motors import DcPermanentlyExcitedMotor
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from rotorproof.derivations.pack_prediction import DERIVATION as PACK
from rotorproof.physics import road
from rotorproof.physics.drives import Smooth
from tests.outside import Outside
from tests.proof.cases import DRAGGED, HAND, ON_A_PACK, drag

pytestmark = pytest.mark.usefixtures("smooth_drive")


def test_a_motor_with_drag_on_its_pack(outside: Outside) -> None:
    found = PACK.derive(DRAGGED)
    free = brentq(lambda w: 1.2 * w + 0.3 * drag(w) / 1.2 - 36.0, 1, 30)
    torque = 30 * 1.2 - 0.4
    for name, what, ours, published, allowance, unit in (
        (
            "pack_no_load_speed",
            "36 V, drag beyond the bench twice as fitted",
            found["pack_no_load_speed"],
            free,
            2e-3,
            "rad/s",
        ),
        ("pack_top_torque", "30 A, 1.2 N m/A, 0.4 N m of friction", found["pack_top_torque"], torque, 1e-9, "N m"),
        (
            "pack_continuous_torque",
            "10 A, 1.2 N m/A, 0.4 N m of friction",
            found["pack_continuous_torque"],
            11.6,
            1e-9,
            "N m",
        ),
    ):
        outside(name, what, ours=ours, published=published, allowance=allowance, unit=unit, source=HAND)


def test_a_soft_ground_and_a_steep_grade(outside: Outside) -> None:
    given = {
        **DRAGGED,
        "vehicle_rolling_resistance": 0.05,
        "pack_motor_current_limit": math.inf,
        "phase_resistance": 0.03,
    }
    torque = PACK.derive(given)["pack_top_torque"]
    assert torque == pytest.approx(36 / 0.12 * 1.2 - 0.4)
    given["pack_motor_current_limit"] = 250.4 / 1.2
    share = 250.0 / 0.35 / 980.665
    grade = brentq(lambda a: math.sin(a) + 0.05 * math.cos(a) - share, 0, 1.5)
    outside(
        "pack_max_grade",
        "250 N m on a wheel of 0.35 m, 100 kg, rolling resistance of 0.05",
        ours=100 * PACK.derive(given)["pack_max_grade"],
        published=100 * math.tan(grade),
        allowance=1e-6,
        unit="percent",
        source="balance of forces on a slope, solved by SciPy",
    )


def test_energy_with_drag(outside: Outside) -> None:
    given = {**DRAGGED, "vehicle_rolling_resistance": 0.01, "vehicle_cruise_speed": 5.0, "vehicle_grade": 0.02}
    found = PACK.derive(given)
    speed, slope = 5 / 0.35, math.atan(0.02)
    force = 980.665 * (math.sin(slope) + 0.01 * math.cos(slope)) + 0.5 * 1.2 * 0.5 * 25
    current = (force * 0.35 + drag(speed)) / 1.2
    terminals = 1.2 * speed * current + 0.24 * current**2
    cells = brentq(lambda i: (36 - 0.06 * i) * i - terminals, 0, 100) * 36.0
    outside(
        "energy_per_distance",
        "100 kg at 5 m/s on 2 % with drag of the motor, drag beyond the bench twice as fitted",
        ours=found["energy_per_distance"],
        published=cells / 5,
        allowance=1e-6 * cells,
        unit="J/m",
        source="power balance, solved by SciPy; " + HAND,
    )


NPTEL = "NPTEL, Fundamentals of Electric Vehicles, week 2 assignment solutions, Q 2.1"


def test_speeds_and_torques_by_hand(outside: Outside) -> None:
    found = PACK.derive(ON_A_PACK)
    # No load, no drag: 36/1.2 = 30 rad/s = 286.48 rpm. Torque 30 A x 1.2 = 36 N m, on the wheel 102.857 N. Weight
    # 980.665 N: sin a + 0.01 cos a = 0.104885, a = 5.448 degrees, tan a = 9.538 %. 10 A without end: 12 N m.
    for name, what, ours, published, allowance, unit in (
        (
            "pack_no_load_speed",
            "36 V over 1.2 V s/rad",
            found["pack_no_load_speed"] * 30 / math.pi,
            286.48,
            0.01,
            "rpm",
        ),
        ("pack_top_torque", "30 A of motor current, 1.2 N m/A", found["pack_top_torque"], 36.0, 1e-6, "N m"),
        ("pack_max_grade", "36 N m on 0.35 m, 100 kg", 100 * found["pack_max_grade"], 9.538, 0.005, "percent"),
        ("pack_continuous_torque", "10 A, 1.2 N m/A", found["pack_continuous_torque"], 12.0, 1e-9, "N m"),
    ):
        outside(name, what, ours=ours, published=published, allowance=allowance, unit=unit, source=HAND)


def test_energy_by_hand(outside: Outside) -> None:
    found = PACK.derive({**ON_A_PACK, "vehicle_cruise_speed": 5.0})
    # 5 m/s: 9.80665 + 7.5 = 17.30665 N, on 0.35 m 6.05733 N m, 5.04777 A, at 14.2857 rad/s: 86.533 W + 0.24 x 25.480 =
    # 6.1152 W: 92.648 W at the terminals. From the cells, I = (36 - sqrt(1296 - 0.24 x 92.648))/0.12 = 2.58468 A:
    # 93.0486 W, over 5 m/s 18.6097 J/m = 5.16936 Wh/km.
    outside(
        "energy_per_distance",
        "100 kg at 5 m/s from a pack of 36 V and 0.06 ohm",
        ours=found["energy_per_distance"] / 3.6,
        published=5.1694,
        allowance=0.0005,
        unit="Wh/km",
        source=HAND,
    )


@pytest.mark.parametrize("grade", [0.0, 0.04])
def test_road_speed_of_a_simulated_machine(outside: Outside, grade: float) -> None:
    given = {**ON_A_PACK, "vehicle_grade": grade, "pack_current_limit": math.inf, "pack_motor_current_limit": math.inf}
    machine = DcPermanentlyExcitedMotor(
        motor_parameter={"r_a": 2 * 0.12 + 0.06, "l_a": 1e-4, "psi_e": 1.2, "j_rotor": 0.01}
    )
    slope = math.atan(grade)

    def right(_: float, state: np.ndarray) -> list[float]:
        speed, current = state
        drag = 980.665 * (math.sin(slope) + 0.01 * math.cos(slope)) + 0.3 * (0.35 * speed) ** 2
        torque = float(np.ravel(machine.torque([current]))[0])
        slope_i = float(np.ravel(machine.electrical_ode(np.array([current]), [36.0], speed))[0])
        return [(torque - 0.35 * drag) / (100.0 * 0.35**2), slope_i]

    end = solve_ivp(right, (0, 300), [0.0, 0.0], method="LSODA", rtol=1e-9, atol=1e-9).y[0, -1]
    outside(
        "pack_road_speed",
        f"vehicle of 100 kg on {100 * grade:g} % driven by a simulated machine until its speed is steady",
        ours=PACK.derive(given)["pack_road_speed"] * 3.6,
        published=0.35 * end * 3.6,
        allowance=1e-4 * end,
        unit="km/h",
        source="gym-electric-motor 3.0.3, DcPermanentlyExcitedMotor; forces as in " + NPTEL,
    )


def test_a_warm_winding(outside: Outside) -> None:
    # No limits but resistance: 36/(0.24 x (1 + 0.00393 x 80) + 0.06) = 95.85 A at 100 degC, x 1.2.
    given = {
        **ON_A_PACK,
        "pack_current_limit": math.inf,
        "pack_motor_current_limit": math.inf,
        "pack_winding_temperature": 100.0,
    }
    outside(
        "pack_top_torque",
        "36 V over 0.24 ohm at 100 degC and 0.06 ohm, 1.2 N m/A",
        ours=PACK.derive(given)["pack_top_torque"],
        published=36 / (0.24 * (1 + 0.00393 * 80) + 0.06) * 1.2,
        allowance=0.05,
        unit="N m",
        source="IEC 60028, alpha20 = 3.93e-3 per kelvin; " + HAND,
    )


@pytest.mark.parametrize(
    ("speed", "supply", "motor"),
    [
        (0.0, 15.0, 30.0),  # standstill: the motor's limit
        (20.0, 15.0, 30.0),  # duty d: d x I = 15 with d (36 - 0.06 x 15) = 24 + 0.24 I
        (28.0, 15.0, 30.0),  # full duty: (36 - 33.6)/0.3 = 8 A
    ],
)
def test_current_under_both_limits(outside: Outside, speed: float, supply: float, motor: float) -> None:
    by_hand = {0.0: 30.0, 20.0: (math.sqrt(24.0**2 + 4 * 0.24 * 15 * 35.1) - 24.0) / 0.48, 28.0: 8.0}[speed]
    source = road.Source(36.0, 0.06, pack_current_limit=supply, motor_current_limit=motor)
    found = road.output_torque(road.Machine(Smooth(1.2, 0.24), 0.0), source, speed) / 1.2
    for subject in ("pack_top_torque", "pack_road_speed"):
        outside(
            subject,
            f"motor current at {speed:g} rad/s under limits of {supply:g} A of supply and {motor:g} A of motor current",
            ours=found,
            published=by_hand,
            allowance=1e-6,
            unit="A",
            source="power balance of the bridge, quadratic equation; " + HAND,
        )
