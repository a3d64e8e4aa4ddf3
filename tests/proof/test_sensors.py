"""Outside values for position sensors: levels drawn by hand over electrical degrees.

Sources: figures worked by hand from the drawings; symmetry of three phases.
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.physics import pairing, six_step
from tests.outside import Outside
from tests.proof.cases import HAND, IN_DEGREES, SPEED, STEP, P, sensed, single, values


def found_of(columns: dict[str, np.ndarray]) -> dict[str, float]:
    return single("hall-sensors", columns, {})


@pytest.mark.parametrize(("rises", "spacing"), [((0.0, 120.0, 240.0), 120.0), ((0.0, 60.0, 120.0), 60.0)])
def test_kind_of_sensor_set(outside: Outside, rises: tuple[float, float, float], spacing: float) -> None:
    found = found_of(sensed(rises))
    outside(
        "hall_spacing",
        f"sensors that rise at {', '.join(f'{r:g}' for r in rises)} degrees",
        ours=np.degrees(found["hall_spacing"]),
        published=spacing,
        allowance=1e-9,
        unit="deg",
        source=IN_DEGREES,
    )
    outside(
        "hall_sequence",
        "sensors that rise one after the other, A-B-C",
        ours=found["hall_sequence"],
        published=1,
        allowance=0,
        source=IN_DEGREES,
    )


def test_sequence_backwards(outside: Outside) -> None:
    outside(
        "hall_sequence",
        "sensors that rise at 0, 240 and 120 degrees: A-C-B",
        ours=found_of(sensed((0.0, 240.0, 120.0)))["hall_sequence"],
        published=-1,
        allowance=0,
        source=IN_DEGREES,
    )


def test_a_sensor_out_of_place(outside: Outside) -> None:
    # A comes 6 degrees late. The set that fits best lies 2 degrees late: errors of 4, -2 and -2, and 7 + 2 of the set.
    found = found_of(sensed((13.0, 127.0, 247.0)))
    for name, published in (
        ("hall_placement_a", 4.0),
        ("hall_placement_b", -2.0),
        ("hall_placement_c", -2.0),
        ("hall_placement_error", 4.0),
        ("hall_offset", 9.0),
    ):
        outside(
            name,
            "edges 13, 127 and 247 degrees after the zero crossing of the EMF A-B",
            ours=np.degrees(found[name]),
            published=published,
            allowance=0.2 * STEP,
            unit="deg",
            source=IN_DEGREES,
        )


def test_share_of_high_level(outside: Outside) -> None:
    # Edges early and late alike, so that nothing moves but the share: 198 of 360 degrees are 5 % more than a half.
    found = found_of(sensed((-9.0, 120.0, 240.0), (198.0, 180.0, 180.0)))
    outside(
        "hall_duty_error",
        "sensor A high for 198 of 360 degrees",
        ours=100 * found["hall_duty_error"],
        published=5.0,
        allowance=0.1,
        unit="percent",
        source=IN_DEGREES,
    )


def test_unlike_turns(outside: Outside) -> None:
    found = found_of(sensed((0.0, 120.0, 240.0), unlike=3.0))
    outside(
        "hall_jitter",
        "edges 3 degrees late and 3 degrees early by turns",
        ours=np.degrees(found["hall_jitter"]),
        published=3.0,
        allowance=0.1,
        unit="deg",
        source=IN_DEGREES,
    )


@pytest.mark.parametrize("size", [1.0, 6.0, 40.0])
def test_all_connections_of_an_ideal_machine(outside: Outside, size: float) -> None:
    """Of 36 connections three run forward, three backward: every turn of the phases has one turn of the sensors."""
    x = (np.arange(720) + 0.5) * 2 * np.pi / 720
    lines = size * np.stack([np.sin(x - k * 2 * np.pi / 3) for k in range(3)])
    levels = np.stack([np.mod(x - k * 2 * np.pi / 3, 2 * np.pi) < np.pi for k in range(3)])
    table = six_step.best_table(levels, lines)
    found = six_step.connections(levels, lines, table)
    straight = next(c for c in found if c.phases == (0, 1, 2) and c.sensors == (0, 1, 2))
    for what, ours, published, allowance in (
        ("connections that run forward", sum(c.behaviour == "forward" for c in found), 3, 0),
        ("connections that run backward", sum(c.behaviour == "backward" for c in found), 3, 0),
        ("torque of the straight one over the best", straight.torque, 1.0, 1e-9),
    ):
        outside(
            "commutation_match",
            f"{what}, line EMF of {size:g} V",
            ours=float(ours),
            published=published,
            allowance=allowance,
            source="symmetry of three phases, from memory",
        )
    assert pairing.spacing(float(six_step.table_code(table))) == pytest.approx(2 * np.pi / 3)


def test_sensors_that_bounce(outside: Outside) -> None:
    # Each rise of A bounces from 2 degrees before its place to 2 degrees after.
    time = np.arange(40_000) / 40_000.0
    turns = P * 18.0 * time / (2 * np.pi) + 0.1
    columns = {"time": time}
    for k, line in enumerate(("ab", "bc", "ca")):
        columns[f"voltage_{line}"] = 6.0 * np.sin(2 * np.pi * turns - k * 2 * np.pi / 3)
        columns[f"hall_{'abc'[k]}"] = (np.mod(turns - k / 3, 1.0) < 0.5).astype(float)
    from_rise = np.mod(360 * turns + 180, 360) - 180
    bouncing = (from_rise > -2) & (from_rise < 2)
    columns["hall_a"] = np.where(bouncing, np.floor(from_rise / 0.8) % 2, columns["hall_a"])
    found = values("hall-sensors", [(columns, {})])
    outside.each(
        found,
        (
            ("hall_duty_error", 0.0, 0.15, "percent"),
            ("hall_offset", 0.0, 0.2, "deg"),
            ("hall_placement_a", 0.0, 0.3, "deg"),
        ),
        what="sensor A bounces over 4 degrees about its place",
        source="drawn and worked by hand in electrical degrees",
    )


@pytest.mark.parametrize("lines", [("ab", "bc", "ca"), ("ab", "bc"), ("bc", "ca"), ("ca", "ab")])
def test_table_from_fewer_lines(outside: Outside, lines: tuple[str, ...]) -> None:
    # Sensors rise 0, 120 and 240 degrees after the EMF A-B. At 30 degrees A and C are high, and B-C is at its trough:
    # 101 asks for C-B. So on every 60 degrees: 100 A-B, 110 A-C, 010 B-C, 011 B-A, 001 C-A.
    columns = {
        name: column
        for name, column in sensed((0.0, 120.0, 240.0)).items()
        if not name.startswith("voltage") or name[-2:] in lines
    }
    found = values("hall-sensors", [(columns, {})])
    outside(
        "commutation_table",
        f"sensors in step with the zero crossings, lines {', '.join(lines).upper()}",
        ours=found["commutation_table"],
        published=534162,
        allowance=0,
        source="largest line EMF in each sector, " + HAND,
    )


def test_sensors_alone(outside: Outside) -> None:
    """No voltage is read, and the speed swings by 3 % once a turn of the rotor."""
    time = np.arange(40_000) / 20_000.0
    turns = P * (SPEED * time + 0.03 * np.sin(SPEED * time)) / (2 * np.pi) + 0.1
    columns = {"time": time}
    for k, (name, high) in enumerate(zip("abc", (198.0, 180.0, 180.0), strict=True)):
        # Both edges of A lie 9 degrees out, so that its middle does not move.
        rise = (120 * k - (high - 180) / 2) / 360
        columns[f"hall_{name}"] = (np.mod(turns - rise, 1.0) < high / 360).astype(float)
    found = values("hall-sensors", [(columns, {})])
    outside.each(
        found,
        (
            ("hall_spacing", 120.0, 1e-9, "deg"),
            ("hall_sequence", 1.0, 0.0, "1"),
            ("hall_duty_error", 5.0, 0.3, "percent"),
            ("hall_placement_a", 0.0, 0.3, "deg"),
            ("hall_placement_b", 0.0, 0.3, "deg"),
        ),
        what="sensors without a voltage, A high for 198 of 360 degrees, speed that swings by 3 %",
        source="drawn and worked by hand in electrical degrees",
    )
