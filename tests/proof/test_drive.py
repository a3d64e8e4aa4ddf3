"""Outside values for a motor and a controller as a pair.

Sources: the commonly published six-step table (101 A+ B- ... 001 C+ B-); examples worked by hand, whose figures stand
beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from rotorproof.derivations.drive_match import DERIVATION as MATCH
from rotorproof.derivations.drive_prediction import DERIVATION as DRIVE
from rotorproof.derivations.pack_match import DERIVATION as PACK_MATCH
from rotorproof.physics import friction
from tests.outside import Outside
from tests.proof.cases import DRAGGED, HAND, ON_A_PACK, drag


def test_a_pair_on_the_road(outside: Outside) -> None:
    given = {
        **ON_A_PACK,
        "coulomb_friction": 0.4,
        "viscous_friction": 0.02,
        "controller_loss": 10.0,
        "controller_efficiency": 0.95,
        "standby_power": 2.0,
        "controller_bench_duty": 0.8,
        "controller_loss_square": 0.5,
        "controller_loss_with_voltage": 0.5,
        "supply_current_limit": 100.0,
        "phase_current_limit": 100.0,
        "pack_current_limit": math.inf,
    }
    drop, resistance = 4.0 / 6.597222, 4.0 / 6.597222**2

    def needed(velocity: float) -> float:
        drag = 100 * 9.80665 * 0.01 + 0.3 * velocity**2
        return (0.35 * drag + 0.4 + 0.02 * velocity / 0.35) / 1.2

    def lacking(velocity: float, current: float) -> float:
        # At full duty the pack gives the motor's current and what the controller takes for itself.
        def terminals(u: float) -> float:
            return u - (36 - 0.06 * (current + 2.0 / u))

        u = brentq(terminals, 20, 40)
        return u - drop - (0.24 + resistance) * current - 1.2 * velocity / 0.35

    speed = brentq(lambda v: lacking(v, needed(v)), 1, 12)
    free = brentq(lambda w: lacking(0.35 * w, (0.4 + 0.02 * w) / 1.2), 1, 35)
    found = DRIVE.derive(given)
    for name, published in (("pack_road_speed", speed), ("pack_no_load_speed", free)):
        outside(
            name,
            "motor with friction, controller of 95 % with 2 W standby, pack of 0.06 ohm",
            ours=found[name],
            published=published,
            allowance=2e-5 * published,
            unit="m/s" if name == "pack_road_speed" else "rad/s",
            source="voltages and forces in balance, solved by SciPy",
        )


def test_cut_off_at_a_cruise_with_drag_beyond_the_bench(outside: Outside) -> None:
    # Loss of 10 W at 95 %: 190 W, 6.5972 A; of the 8 W beyond standby half goes with the current.
    given = {
        **DRAGGED,
        "vehicle_rolling_resistance": 0.01,
        "vehicle_cruise_speed": 5.0,
        "vehicle_grade": 0.02,
        "controller_loss": 10.0,
        "controller_efficiency": 0.95,
        "standby_power": 2.0,
        "controller_bench_duty": 0.8,
        "controller_loss_square": 0.5,
        "controller_loss_with_voltage": 0.5,
        "supply_current_limit": 30.0,
        "phase_current_limit": 30.0,
        "cutoff_voltage": 30.0,
    }
    on_bench = 190 / (0.8 * 36)
    speed, slope = 5 / 0.35, math.atan(0.02)
    force = 980.665 * (math.sin(slope) + 0.01 * math.cos(slope)) + 0.5 * 1.2 * 0.5 * 25
    current = (force * 0.35 + drag(speed)) / 1.2
    taken = 1.2 * speed * current + 0.24 * current**2 + 2 + 4 / on_bench * current + 4 / on_bench**2 * current**2
    outside(
        "pack_cutoff_voltage",
        "100 kg at 5 m/s on 2 %, drag beyond the bench twice as fitted, cut-off at 30 V, 0.06 ohm",
        ours=DRIVE.derive(given)["pack_cutoff_voltage"],
        published=30 + 0.06 * taken / 30,
        allowance=1e-9,
        unit="V",
        source="power balance, " + HAND,
    )


def test_what_of_friction_is_the_loss_of_a_bridge(outside: Outside) -> None:
    """The loss at no load over the speed, by least squares between 0.3 and 1 times the greatest, on a fine grid."""
    coulomb, viscous, emf, drop, resistance, greatest = 0.46, 0.009, 1.1, 0.8, 0.05, 32.0
    speed = np.linspace(0.3 * greatest, greatest, 20_001)
    current = (coulomb + viscous * speed) / emf
    published_b, published_c = np.polyfit(speed, (drop * current + resistance * current**2) / speed, 1)
    found = friction.bridge_loss_in_friction(coulomb, viscous, emf, drop, resistance, greatest)
    given = {
        **DRAGGED,
        "emf_constant_dc": emf,
        "coulomb_friction": coulomb,
        "viscous_friction": viscous,
        "bench_speed_max": greatest,
        "coulomb_friction_holds_controller_loss": 1.0,
        "friction_controller_share": 1.0,
        # 190 W out at 6.5972 A: the loss beyond standby that makes 0.8 V and, all of it in proportion, no resistance.
        "controller_loss": 10.0,
        "controller_efficiency": 0.95,
        "standby_power": 10 - 0.8 * 190 / (0.8 * 36),
        "controller_bench_duty": 0.8,
        "controller_loss_square": 0.0,
        "controller_loss_with_voltage": 0.5,
        "supply_current_limit": 30.0,
        "phase_current_limit": 30.0,
    }
    leaning, straight = np.polyfit(speed, drop * current / speed, 1)
    standing = given["standby_power"]

    def surplus(w: float) -> float:
        drag = coulomb - straight + (viscous - leaning) * w + DRAGGED["windage"] * w**2
        taken = drag / emf
        terminals = brentq(lambda u: u - (36 - 0.06 * (taken + standing / u)), 20, 40)
        return terminals - drop - 0.24 * taken - emf * w

    free = brentq(surplus, 1, 40)
    # Where the bench's greatest speed is not known, that of the nominal pack without drag stands for it.
    without = {name: value for name, value in given.items() if name != "bench_speed_max"}
    speed = np.linspace(0.3 * 36 / emf, 36 / emf, 20_001)
    other = np.polyfit(speed, drop * (coulomb + viscous * speed) / emf / speed, 1)[1]
    for name, what, ours, published, unit in (
        ("coulomb_friction", "loss of 0.8 V and 0.05 ohm in the constant part", found[0], published_c, "N m"),
        ("viscous_friction", "the same in the part that grows with speed", found[1], published_b, "N m s/rad"),
        (
            "pack_top_torque",
            "30 A, 1.1 N m/A, friction of 0.46 N m that holds the loss of 0.8 V",
            DRIVE.derive(given)["pack_top_torque"],
            30 * emf - (coulomb - straight),
            "N m",
        ),
        (
            "pack_top_torque",
            "the same of a bench whose greatest speed is not known",
            DRIVE.derive(without)["pack_top_torque"],
            30 * emf - (coulomb - other),
            "N m",
        ),
        (
            "pack_no_load_speed",
            "36 V, 1.1 V s/rad, friction that holds the loss of 0.8 V",
            DRIVE.derive(given)["pack_no_load_speed"],
            free,
            "rad/s",
        ),
    ):
        outside(
            name,
            what,
            ours=ours,
            published=float(published),
            allowance=(2e-5 if name.startswith("pack") else 1e-3) * abs(float(published)),
            unit=unit,
            source="least squares by numpy.polyfit; power balance, " + HAND,
        )


def test_a_match_of_sensor_sets(outside: Outside) -> None:
    for spacing, published in ((120.0, 0.0), (60.0, 60.0), (117.0, 3.0)):
        given = {"hall_spacing": math.radians(spacing), "controller_table": 645213.0}
        outside(
            "sensor_spacing_mismatch",
            f"sensors {spacing:g} degrees apart, table for 120",
            ours=math.degrees(MATCH.derive(given)["sensor_spacing_mismatch"]),
            published=published,
            allowance=1e-9,
            unit="deg",
            source=HAND,
        )


#: The published table, states 1 to 6: C+ B-, B+ A-, C+ A-, A+ C-, A+ B-, B+ C-.
ASKED = 645213


@pytest.mark.parametrize(
    ("what", "table", "match", "wires"),
    [
        ("the table that the sensors ask for", 645213, 1.0, 0),
        ("each drive one step of sixty degrees on", 156324, 0.5, None),
        ("each drive in the opposite sense", 312546, -1.0, None),
        # Sensors A and B exchanged: states 2 and 4, 3 and 5 change places.
        ("the table of a motor whose sensors A and B are exchanged", 621453, None, 2),
        # Phases B and C exchanged: 1 A-B and 2 A-C, 3 B-C and 6 C-B, 4 B-A and 5 C-A change places.
        ("the table of a motor whose phases B and C are exchanged", 354126, None, 2),
    ],
)
def test_tables_side_by_side(outside: Outside, what: str, table: int, match: float | None, wires: int | None) -> None:
    found = MATCH.derive({"commutation_table": float(ASKED), "controller_table": float(table)})
    if match is not None:
        outside(
            "commutation_match",
            f"controller: {what}",
            ours=found["commutation_match"],
            published=match,
            allowance=2e-4,
            source="cosine of the angle between asked and given drive, " + HAND,
        )
    if wires is not None:
        outside(
            "wires_to_move",
            f"controller: {what}",
            ours=found["wires_to_move"],
            published=wires,
            allowance=0,
            source="the exchange undone, " + HAND,
        )


pytestmark = pytest.mark.usefixtures("smooth_drive")


def test_margins(outside: Outside) -> None:
    given = {
        "hall_spacing": math.radians(60),
        "controller_table": float(ASKED),
        "pack_voltage_nominal": 36.0,
        "pack_voltage_empty": 30.0,
        "pack_voltage_full": 42.0,
        "start_voltage": 31.5,
        "cutoff_voltage": 29.8,
        "overvoltage_cutoff": 44.5,
        "phase_current_limit": 30.0,
        "continuous_current": 12.0,
        "dead_time_min": 500e-9,
        "pwm_frequency": 16e3,
    }
    found = {**MATCH.derive(given), **PACK_MATCH.derive(given)}
    outside.each(
        found,
        (
            ("sensor_spacing_mismatch", 60.0, 1e-9, "deg", "sensors 60 degrees apart, table for 120"),
            ("start_margin_nominal", 4.5, 1e-9, "V", "pack of 36 V, start at 31.5 V"),
            ("start_margin_empty", -1.5, 1e-9, "V", "empty at 30 V, start at 31.5 V"),
            ("overvoltage_margin", 2.5, 1e-9, "V", "cut-off at 44.5 V, full at 42 V"),
            ("cutoff_margin", -0.2, 1e-9, "V", "cut-off at 29.8 V, empty at 30 V"),
            ("current_limit_ratio", 2.5, 1e-9, "1", "limit of 30 A, lasting 12 A"),
            ("dead_time_share", 0.8, 1e-9, "percent", "500 ns of 62.5 us"),
        ),
        source=HAND,
    )


def test_the_pair_on_its_pack(outside: Outside) -> None:
    # Loss of 10 W at 95 %: 190 W out, 190/(0.8 x 36) = 6.5972 A. Of 8 W beyond standby half goes with the current
    # (0.60632 V), half with its square (0.091905 ohm). At 5 m/s the motor takes 5.04777 A and 92.648 W: 2 + 3.0606 +
    # 2.3418 = 7.4024 W are lost, 100.050 W taken, at 30 V 3.3350 A, in 0.06 ohm 0.2001 V.
    given = {
        **ON_A_PACK,
        "controller_loss": 10.0,
        "controller_efficiency": 0.95,
        "standby_power": 2.0,
        "controller_bench_duty": 0.8,
        "controller_loss_square": 0.5,
        "controller_loss_with_voltage": 0.5,
        "supply_current_limit": 15.0,
        "phase_current_limit": 30.0,
        "vehicle_cruise_speed": 5.0,
        "cutoff_voltage": 30.0,
        "pole_pairs": 11.0,
        "pwm_frequency": 16e3,
    }
    found = DRIVE.derive(given)
    outside(
        "pack_cutoff_voltage",
        "cut-off at 30 V, 100 kg at 5 m/s, 0.06 ohm, controller of 95 %",
        ours=found["pack_cutoff_voltage"],
        published=30.2001,
        allowance=0.0001,
        unit="V",
        source=HAND,
    )
    # 42 V less the controller's drop of 0.60632 V, over 1.2 V s/rad: 34.495 rad/s, 5.4900 turns a second, 362.34
    # commutations.
    outside(
        "pwm_ratio",
        "16 kHz, 11 pole pairs, 42 V over 1.2 V s/rad",
        ours=found["pwm_ratio"],
        published=16e3 / 362.34,
        allowance=0.01,
        source=HAND,
    )


def test_opposite_drives_by_trial(outside: Outside) -> None:
    """Every connection tried on a rotor in the middle of each sector; the fewest wires of those with full torque."""
    from itertools import permutations

    asked = dict(zip(range(1, 7), "645213", strict=True))
    given = dict(zip(range(1, 7), "312546", strict=True))
    drives = {"1": "ab", "2": "ac", "3": "bc", "4": "ba", "5": "ca", "6": "cb"}
    # Phase EMF when the drive asked for is at its best: its plus phase half way before its crest, its minus opposite.
    fewest = 9
    for phases in permutations("abc"):
        wired = dict(zip("abc", phases, strict=True))
        for sensors in permutations(range(3)):
            torque = []
            for state, digit in asked.items():
                crest = 90 + 60 * (int(digit) - 1)
                line = {pair: math.cos(math.radians(crest - 90 - 60 * (int(k) - 1))) for k, pair in drives.items()}
                bits = f"{state:03b}"
                seen = int("".join(bits[s] for s in sensors), 2)
                plus, minus = drives[given[seen]]
                torque.append(line[wired[plus] + wired[minus]])
            if np.mean(torque) > 0.99:
                moved = sum(a != b for a, b in wired.items()) + sum(i != s for i, s in enumerate(sensors))
                fewest = min(fewest, moved)
    found = MATCH.derive({"commutation_table": float(ASKED), "controller_table": 312546.0})
    outside(
        "wires_to_move",
        "controller: each drive in the opposite sense",
        ours=found["wires_to_move"],
        published=fewest,
        allowance=0,
        source="all 36 connections tried at the middle of each sector, " + HAND,
    )
