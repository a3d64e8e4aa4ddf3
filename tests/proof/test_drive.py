"""Outside values for a motor and a controller as a pair.

Sources: the commonly published six-step table (101 A+ B- ... 001 C+ B-); examples worked by hand, whose figures stand
beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.derivations.drive_match import DERIVATION as MATCH
from rotorproof.derivations.drive_prediction import DERIVATION as PREDICTION
from tests.outside import Outside
from tests.proof.test_road import GIVEN

HAND = "worked by hand"
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
    found = MATCH.derive(given)
    for name, what, factor, published, unit in (
        ("sensor_spacing_mismatch", "sensors 60 degrees apart, table for 120", 180 / math.pi, 60.0, "deg"),
        ("start_margin_nominal", "pack of 36 V, start at 31.5 V", 1.0, 4.5, "V"),
        ("start_margin_empty", "empty at 30 V, start at 31.5 V", 1.0, -1.5, "V"),
        ("overvoltage_margin", "cut-off at 44.5 V, full at 42 V", 1.0, 2.5, "V"),
        ("cutoff_margin", "cut-off at 29.8 V, empty at 30 V", 1.0, -0.2, "V"),
        ("current_limit_ratio", "limit of 30 A, lasting 12 A", 1.0, 2.5, "1"),
        ("dead_time_share", "500 ns of 62.5 us", 100.0, 0.8, "percent"),
    ):
        outside(
            name,
            what,
            ours=factor * found[name],
            published=published,
            allowance=1e-9,
            unit=unit,
            source=HAND,
        )


def test_the_pair_on_its_pack(outside: Outside) -> None:
    # Loss of 10 W at 95 %: 190 W out, 190/(0.8 x 36) = 6.5972 A. Of 8 W beyond standby half goes with the current
    # (0.60632 V), half with its square (0.091905 ohm). At 5 m/s the motor takes 5.04777 A and 92.648 W: 2 + 3.0606 +
    # 2.3418 = 7.4024 W are lost, 100.050 W taken, at 30 V 3.3350 A, in 0.06 ohm 0.2001 V.
    given = {
        **GIVEN,
        "controller_loss": 10.0,
        "controller_efficiency": 0.95,
        "standby_power": 2.0,
        "controller_bench_duty": 0.8,
        "controller_loss_square": 0.5,
        "supply_current_limit": 15.0,
        "phase_current_limit": 30.0,
        "vehicle_cruise_speed": 5.0,
        "cutoff_voltage": 30.0,
        "pole_pairs": 11.0,
        "pwm_frequency": 16e3,
    }
    found = PREDICTION.derive(given)
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
