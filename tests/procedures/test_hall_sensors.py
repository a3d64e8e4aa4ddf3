"""Position sensors against an invented sensor set, a published commutation table and a brute-force rotor.

Sources: six-step table of sensor states "one common arrangement" (applied-ee.github.io, six-step commutation);
switching at the zero crossings of the line-to-line EMF and the 36 connections: first principles, by integrating
the motion of a rotor under the torque of each connection from many places.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.physics import hall, six_step
from rotorproof.procedures.base import Log
from rotorproof.procedures.hall_sensors import PROCEDURE
from rotorproof.uncertainty.coverage import interval
from tests.outside import Outside
from tests.simulation.hall import Sensors, hall_log
from tests.simulation.open_circuit import Machine, Scope

MACHINE = Machine(pole_pairs=23, linkage=0.5)
SCOPE = Scope(20_000, 0.1, 0.2)
DEGREE = np.pi / 180
APPLIED_EE = "applied-ee.github.io, six-step commutation, table of sensor states"


def outcome(columns: dict[str, np.ndarray], *drop: str) -> Outcome:
    log = Log("run", {k: v for k, v in columns.items() if not (drop and k.startswith(drop))})
    return run(PROCEDURE, [log], label="hall", unit="U", given={}, instruments=[], uncertain_conditions={})


def recorded(sensors: Sensors, seed: int = 0, machine: Machine = MACHINE, **how: Any) -> dict[str, np.ndarray]:
    return hall_log(sensors, machine, how.pop("scope", SCOPE), np.random.default_rng(seed), **how)


def degrees(found: Outcome, name: str) -> float:
    return float(np.degrees(found.forms[name].value))


def test_common_table_is_the_published_one(outside: Outside) -> None:
    # State of sensors A B C -> phase high, phase low, in the published order of steps.
    published = {"101": "AB", "100": "AC", "110": "BC", "010": "BA", "011": "CA", "001": "CB"}
    for step, (state, drive) in enumerate(published.items(), start=1):
        high, low = six_step.PAIRS[six_step.COMMON_TABLE[int(state, 2)]]
        outside(
            "commutation_table",
            f"step {step}, state {state}: phases driven, as 10 x high + low (A is 1)",
            ours=10 * (high + 1) + low + 1,
            published=10 * ("ABC".index(drive[0]) + 1) + "ABC".index(drive[1]) + 1,
            allowance=0,
            source=APPLIED_EE,
        )


def common_set() -> tuple[np.ndarray, np.ndarray]:
    """Return levels and line EMFs of a machine made for the common table, by hand.

    State 101 must see the crest of the EMF A-B (90 degrees), 100 that of A-C (30 degrees later), and so on.
    """
    x = (np.arange(1440) + 0.5) * np.pi / 720
    levels = np.zeros((3, x.size), bool)
    for centre, state in zip((90, 150, 210, 270, 330, 30), ("101", "100", "110", "010", "011", "001"), strict=True):
        here = np.abs(hall.near(x, centre * DEGREE) - centre * DEGREE) < 30 * DEGREE
        levels[:, here] = np.array([bit == "1" for bit in state])[:, None]
    lines = np.stack([np.sin(x - k * 2 * np.pi / 3) for k in range(3)])
    return levels, lines


def test_table_from_emf_reproduces_the_published_one(outside: Outside) -> None:
    levels, lines = common_set()
    outside(
        "commutation_table",
        "table found from EMF and levels of a machine made for the common table",
        ours=six_step.table_code(six_step.best_table(levels, lines)),
        published=int("".join(str(six_step.COMMON_TABLE[s] + 1) for s in range(1, 7))),
        allowance=0,
        source=APPLIED_EE,
    )


def spin(levels_of: Any, torque_of: Any, connection: six_step.Connection, starts: np.ndarray) -> np.ndarray:
    """Return the final electrical speed of rotors released at ``starts`` under one connection (unit inertia, Euler)."""
    angle, speed, step = starts.copy(), np.zeros(starts.size), 0.04
    for _ in range(900):
        level = levels_of(angle)[list(connection.sensors)]
        state = (4 * level[0] + 2 * level[1] + level[2]).astype(int)
        current = np.zeros((3, starts.size))
        for number, drive in six_step.COMMON_TABLE.items():
            high, low = six_step.PAIRS[drive]
            current[connection.phases[high], state == number] = 1.0
            current[connection.phases[low], state == number] = -1.0
        speed = speed + step * (np.sum(current * torque_of(angle), axis=0) - 0.5 * speed)
        angle = angle + step * speed
    return speed


@pytest.mark.parametrize("shape", ["sine", "trapezoid"])
def test_thirty_six_connections_against_a_rotor_let_go(outside: Outside, shape: str) -> None:
    levels, lines = common_set()
    if shape == "trapezoid":
        lines = np.clip(1.9 * lines, -1.6, 1.6)
    machine = Machine(pole_pairs=1, linkage=1.0, shape=shape)
    x = (np.arange(1440) + 0.5) * np.pi / 720

    def torque_of(angle: np.ndarray) -> np.ndarray:
        # Phase A peaks so that A-B crosses zero upwards at 0: its own EMF crosses 30 degrees later.
        return np.stack([machine.phase_emf(angle - np.pi / 6, k) for k in range(3)])

    def levels_of(angle: np.ndarray) -> np.ndarray:
        return levels[:, np.floor(np.mod(angle, 2 * np.pi) / (2 * np.pi) * x.size).astype(int)]

    found = six_step.connections(levels, lines, six_step.COMMON_TABLE)
    assert len(found) == 36
    starts = np.linspace(0.1, 2 * np.pi + 0.1, 12, endpoint=False)
    full = 1.6 / 0.5
    runs = 0
    for connection in found:
        final = spin(levels_of, torque_of, connection, starts)
        turning = np.abs(final) > 0.1 * full
        runs += int(turning.any())
        if connection.behaviour == "does not run":
            assert not turning.any(), connection
            continue
        assert np.all(np.sign(final[turning]) == (1 if connection.behaviour.startswith("forward") else -1))
        if connection.behaviour in ("forward", "backward"):
            assert np.abs(final).min() > 0.8 * full, connection
        else:
            assert np.abs(final).max() < 0.75 * full
    outside(
        "hall-sensors",
        f"of the 36 connections those that turn the rotor, {shape}",
        ours=sum(connection.behaviour != "does not run" for connection in found),
        published=runs,
        allowance=0,
        source="rotors let go from twelve places under each connection, motion integrated step by step",
    )
    counts = {k: sum(c.behaviour == k for c in found) for k in {c.behaviour for c in found}}
    assert counts == {
        "forward": 3,
        "backward": 3,
        "forward, badly timed": 6,
        "backward, badly timed": 6,
        "does not run": 18,
    }


def test_mended_connection_is_the_nearest_that_runs() -> None:
    found = six_step.connections(*common_set(), six_step.COMMON_TABLE)
    straight = next(c for c in found if c.phases == c.sensors == (0, 1, 2))
    assert straight.behaviour == "forward"
    crossed = next(c for c in found if c.phases == (1, 0, 2) and c.sensors == (0, 1, 2))
    assert crossed.behaviour == "does not run"
    goal = six_step.mend(crossed, found)
    assert goal is not None
    assert goal.behaviour == "forward"
    assert "exchange" in six_step.change_words(crossed, goal)
    assert six_step.change_words(crossed, straight) == "exchange the phase wires at A and B"


def test_angles_of_a_known_set() -> None:
    found = outcome(recorded(Sensors(places=(3, 120, 242), thresholds=(0.05, 0, -0.03)), ripple=0.02, drift=0.2))
    assert degrees(found, "hall_spacing") == pytest.approx(120)
    assert degrees(found, "hall_offset") == pytest.approx(5 / 3, abs=0.15)
    for name, true in (("a", 3 - 5 / 3), ("b", -5 / 3), ("c", 2 - 5 / 3)):
        assert degrees(found, f"hall_placement_{name}") == pytest.approx(true, abs=0.15)
    assert found.forms["hall_duty_error"].value == pytest.approx(np.arcsin(0.05) / np.pi, abs=1e-3)
    assert degrees(found, "hall_jitter") == pytest.approx(0.3, abs=0.06)


@pytest.mark.parametrize(
    ("sensors", "spacing", "sequence", "inverted"),
    [
        (Sensors(), 120, 1, None),
        (Sensors(places=(0, 240, 120)), 120, -1, None),
        (Sensors(places=(10, 70, 130)), 60, 1, 1),
        (Sensors(places=(130, 70, 10)), 60, -1, 1),
        (Sensors(inverted=(True, False, False)), 60, None, 0),
        (Sensors(inverted=(False, False, True)), 60, None, 2),
        (Sensors(inverted=(True, True, True)), 120, 1, None),
    ],
)
@pytest.mark.parametrize("with_emf", [True, False])
def test_kind_of_set(
    sensors: Sensors, spacing: int, sequence: int | None, inverted: int | None, with_emf: bool
) -> None:
    found = outcome(recorded(sensors), *([] if with_emf else ["voltage"]))
    assert degrees(found, "hall_spacing") == pytest.approx(spacing)
    assert found.forms["hall_spacing"].standard_uncertainty == 0
    assert sequence is None or found.forms["hall_sequence"].value == sequence
    (note,) = found.report.quantity_notes["hall_spacing"]
    named = [i for i in range(3) if f"sensor {'ABC'[i]} inverted" in note]
    assert named == ([] if inverted is None else [inverted])
    assert ("hall_offset" in found.forms) == with_emf


@pytest.mark.parametrize("late", [-25, -10, 0, 12, 28])
@pytest.mark.parametrize("steps", [0, 2, 5])
def test_offset_is_to_the_nearest_zero_crossing(late: int, steps: int) -> None:
    places = tuple(float(p + 60 * steps + late) for p in (0, 120, 240))
    assert degrees(outcome(recorded(Sensors(places=places))), "hall_offset") == pytest.approx(late, abs=0.2)


def test_table_drives_every_state_near_the_crest() -> None:
    # Ideal set: each state lasts 60 degrees about a crest, so the mean torque is that of a six-step drive, 1.
    found = outcome(recorded(Sensors(jitter=0.05), seconds=1.0))
    rows = found.report.details["commutation"]
    assert len(rows) == 6
    assert all(row["relative_torque"] == pytest.approx(1.0, abs=0.005) for row in rows)
    assert {row["high"] + row["low"] for row in rows} == {"AB", "AC", "BA", "BC", "CA", "CB"}
    assert len(found.report.details["connections_common_table"]) == 36
    own = found.report.details["connections_own_table"]
    assert next(c for c in own if c["phases"] == c["sensors"] == "ABC")["behaviour"] == "forward"


def test_bounce_is_filtered_and_counted() -> None:
    clean = outcome(recorded(Sensors(jitter=0.1)))
    dirty = outcome(recorded(Sensors(jitter=0.1, bounce=0.2)))
    assert sum(clean.report.details["glitches_removed"].values()) == 0
    assert 20 < sum(dirty.report.details["glitches_removed"].values()) < 100
    assert degrees(dirty, "hall_offset") == pytest.approx(degrees(clean, "hall_offset"), abs=0.3)
    assert any("bounce" in w.message for w in dirty.report.warnings)


def test_stuck_sensor_is_named_and_the_others_are_given() -> None:
    columns = recorded(Sensors(thresholds=(0.1, 0, 0)))
    columns["hall_b"] = np.ones_like(columns["hall_b"])
    found = outcome(columns)
    assert any("sensor B stays at 1" in w.message for w in found.report.warnings)
    assert "sensor B" in found.fit.missing["hall_spacing"]
    assert found.forms["hall_duty_error"].value == pytest.approx(np.arcsin(0.1) / np.pi, abs=2e-3)


def test_sensors_out_of_any_set_give_no_spacing() -> None:
    found = outcome(recorded(Sensors(places=(0, 30, 240))))
    assert "neither 120 nor 60" in found.fit.missing["hall_spacing"]


def test_missed_magnets_are_told() -> None:
    columns = recorded(Sensors())
    columns["hall_c"][:12_000] = 0.0
    assert any("sensor C shows" in w.message for w in outcome(columns).report.warnings)


def test_log_of_changes_alone() -> None:
    columns = recorded(Sensors(places=(4, 120, 240)), scope=Scope(200_000, 0.1, 0.2))
    levels = np.stack([columns[f"hall_{s}"] for s in "abc"])
    at = np.concatenate([[0], np.flatnonzero(np.any(np.diff(levels, axis=1) != 0, axis=0)) + 1])
    found = outcome({"time": columns["time"][at], **{f"hall_{s}": columns[f"hall_{s}"][at] for s in "abc"}})
    assert degrees(found, "hall_placement_a") == pytest.approx(4 * 2 / 3, abs=0.15)
    assert degrees(found, "hall_jitter") == pytest.approx(0.3, abs=0.05)


def by_hand(rate: float, stamps: float, seconds: float = 4.0) -> dict[str, np.ndarray]:
    """Return a log polled at ``rate`` (Hz) and stamped in whole ``stamps`` (s), at 29.7 electrical turns a second.

    By hand: the line A-B crosses zero upwards at angle 0 and the sensors rise at 0, 120 and 240 degrees, so each
    edge lies on a crossing of a line: offset 0, placement 0, no jitter.
    """
    true = np.arange(0, seconds, 1 / rate)
    angle = 2 * np.pi * 29.7 * true + 0.3
    columns = {"time": np.round(true / stamps) * stamps}
    for s, line, lag in zip("abc", ("ab", "bc", "ca"), np.radians([0, 120, 240]), strict=True):
        columns[f"voltage_{line}"] = 10 * np.sin(angle - lag)
        columns[f"hall_{s}"] = (np.sin(angle - lag) > 0).astype(float)
    return columns


@pytest.mark.parametrize(("rate", "stamps"), [(700.0, 1e-3), (2500.0, 1e-3), (2500.0, 1e-4), (700.0, 1e-9)])
def test_rounded_stamps_of_a_polled_log_are_no_events(rate: float, stamps: float, outside: Outside) -> None:
    columns = by_hand(rate, stamps)
    levels = np.stack([columns[f"hall_{s}"] for s in "abc"])
    assert hall.rows_of(columns["time"], levels) == "sampled"
    found = outcome(columns)
    cover = interval(found.forms["hall_offset"])
    assert cover.low < 0 < cover.high
    assert np.degrees(cover.expanded_uncertainty) < 2
    assert "hall_jitter" not in found.forms
    outside(
        "hall_offset",
        f"log polled at {rate:g} Hz and stamped in steps of {stamps:g} s, drawn by hand",
        ours=degrees(found, "hall_offset"),
        published=0.0,
        allowance=0.8,
        unit="deg",
        source="sensors drawn on the zero crossings of the lines",
    )


def test_levels_without_volts_polled_with_rounded_stamps_are_no_events() -> None:
    columns = {name: values for name, values in by_hand(700.0, 1e-3).items() if not name.startswith("voltage")}
    found = outcome(columns)
    for s in "abc":
        cover = interval(found.forms[f"hall_placement_{s}"])
        assert cover.low < 0 < cover.high
    assert "hall_jitter" not in found.forms


def test_rows_at_no_pace_without_a_change_are_doubtful() -> None:
    columns = by_hand(50_000.0, 1e-9)
    rng = np.random.default_rng(5)
    kept = np.sort(rng.choice(columns["time"].size, 4000, replace=False))
    found = outcome({name: values[kept] for name, values in columns.items()})
    cover = interval(found.forms["hall_offset"])
    assert cover.low < 0 < cover.high
    # A row per millisecond on the mean, and an edge more often in a long gap than in a short one: half of two rows.
    assert np.degrees(cover.expanded_uncertainty) == pytest.approx(0.95 * 29.7 * 0.36, rel=0.15)
    assert "hall_jitter" not in found.forms
    assert any("no even pace" in w.message for w in found.report.warnings)


def test_coarse_sampling_gives_no_jitter_and_warns() -> None:
    found = outcome(recorded(Sensors(jitter=0.2), scope=Scope(500, 0.1, 0.2)))
    assert "hall_jitter" not in found.forms or degrees(found, "hall_jitter") < 1.5
    assert any("readings per electrical turn" in w.message for w in found.report.warnings)


@pytest.mark.parametrize(("value", "words"), [(0.0, "none of the three"), (5.0, "must be 0 or 1")])
def test_unusable_levels_say_what_to_do(value: float, words: str) -> None:
    columns = recorded(Sensors(), seconds=0.5)
    for s in "abc":
        columns[f"hall_{s}"] = columns[f"hall_{s}"] * value
    with pytest.raises(FitError, match=words):
        outcome(columns)
