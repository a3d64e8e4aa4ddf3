"""Telemetry of an invented field-oriented drive: scales that are stated, readings that do not tell, slips."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from rotorproof.checking.plausibility import findings
from rotorproof.checking.survey import Survey
from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome
from rotorproof.logs.chunks import Chunk
from rotorproof.physics import two_axis
from rotorproof.procedures._bench.telemetry import ideal_logs
from rotorproof.procedures.base import Log
from rotorproof.procedures.bench import Machine
from rotorproof.procedures.telemetry import PROCEDURE
from tests.procedures.runs import Columns, fitted, outcome
from tests.simulation.field_oriented_drive import LEVELS, Truth, steps, telemetry

TRUTH = Truth(rate=1000.0, bridge=0.0)
STATED = {"transform": 0.0, "speed_kind": 0.0, "winding_temperature": 20.0}


@cache
def record() -> Columns:
    return telemetry(TRUTH, steps([8.0 * level for level in LEVELS], 0.5), 4.0, np.random.default_rng(3))


def run(columns: Columns, **conditions: float) -> Outcome:
    return outcome(PROCEDURE, [(columns, {**STATED, **conditions})], pole_pairs=TRUTH.pole_pairs)


def without(*names: str) -> Columns:
    return {name: values for name, values in record().items() if name not in names}


def scaled(factor: float, *kinds: str) -> Columns:
    return {name: values * (factor if name.partition("_")[0] in kinds else 1.0) for name, values in record().items()}


@pytest.mark.parametrize(
    ("columns", "stated"),
    [
        (lambda: scaled(np.sqrt(1.5), "voltage", "current"), {"transform": 1.0}),  # power-invariant
        (lambda: scaled(np.sqrt(0.5), "voltage", "current"), {"transform": 2.0}),  # RMS of a phase
        (lambda: scaled(float(TRUTH.pole_pairs), "speed"), {"speed_kind": 1.0}),
    ],
)
def test_what_is_stated_of_the_scales_is_followed(columns, stated) -> None:
    plain, other = run(record()), run(columns(), **stated)
    assert set(plain.forms) == set(other.forms)
    for name, form in plain.forms.items():
        assert other.forms[name].value == pytest.approx(form.value, rel=1e-6), name


def test_an_electrical_speed_is_no_speed_of_the_wheel() -> None:
    fast = {**record(), "speed": record()["speed"] * TRUTH.pole_pairs}
    known = {"pole_pairs": float(TRUTH.pole_pairs)}
    slow = PROCEDURE.reached(Log("", record(), STATED), "speed", known)
    assert slow == pytest.approx(float(np.abs(record()["speed"]).max()))
    assert PROCEDURE.reached(Log("", fast, {**STATED, "speed_kind": 1.0}), "speed", known) == pytest.approx(slow)
    assert PROCEDURE.reached(Log("", fast, {**STATED, "speed_kind": 1.0}), "speed", {}) is None
    # At ten pole pairs it looks like rpm written as rad/s, which is no slip where the speed is said to be electrical.
    table = Survey.of_extremes(fast)
    rated = {"rated_speed": slow}
    assert any("rpm written as rad/s" in one.message for one in findings(table, rated, waveforms=False))
    said = findings(table, rated, waveforms=False, conditions={"speed_kind": 1.0})
    assert not any("rpm written as rad/s" in one.message for one in said)


def test_what_stands_in_the_rotors_frame_is_no_alternating_wave() -> None:
    table = Survey.of([Chunk(record(), lambda row: row + 2)])
    said = findings(table, {}, waveforms=True)
    assert not any("electrical turn" in one.message or "an offset" in one.message for one in said)


def test_transients_are_integrated_not_differentiated() -> None:
    # A window of sin^2 turns a derivative over to itself: exact means of a parabola and of its slope.
    time = np.linspace(0.0, 1.0, 101)
    found = two_axis.windows(time, 20)
    middle = found.means(time)
    assert found.slopes(3.0 * time**2) == pytest.approx(6.0 * middle, rel=1e-3)
    assert found.count == 5
    gap = np.concatenate([time[:50], time[50:] + 1.0])
    assert two_axis.windows(gap, 20).count == 4  # none across the gap


def test_scatter_of_the_regressors_does_not_draw_the_constants_to_zero() -> None:
    rng = np.random.default_rng(5)
    spoiled = {**record(), "current_q": record()["current_q"] + rng.normal(0, 0.4, record()["time"].size)}
    found = run(spoiled)
    assert found.forms["inductance_q"].value == pytest.approx(TRUTH.inductance_q, rel=0.03)


def test_without_the_d_axis_a_slow_record_gives_no_inductance() -> None:
    slow = {name: values[::10] for name, values in without("voltage_d", "current_d").items()}
    found = run(slow)
    assert "inductance_q" not in found.forms
    assert "too slow to see the current rise" in found.fit.missing["inductance_q"]
    assert {"torque_constant_q", "moment_of_inertia"} <= set(found.forms)


def test_without_a_temperature_there_is_no_resistance_at_20_degrees() -> None:
    conditions = {name: value for name, value in STATED.items() if name != "winding_temperature"}
    found = outcome(PROCEDURE, [(record(), conditions)], pole_pairs=TRUTH.pole_pairs)
    assert "phase_resistance" not in found.forms
    assert "winding_temperature" in found.fit.missing["phase_resistance"]
    assert "torque_constant_q" in found.forms


def test_a_rotor_that_is_held_gives_no_emf() -> None:
    held = Truth(rate=4000.0, inertia=1e6)
    columns = telemetry(held, steps([2.0, 8.0, 4.0, 6.0], 0.05), 0.4, np.random.default_rng(4))
    columns["speed"] = np.zeros_like(columns["speed"])
    found = run(columns)
    assert "let it turn" in found.fit.missing["emf_constant_dc"]
    assert "does not turn" in found.fit.missing["moment_of_inertia"]
    assert found.forms["inductance_q"].value == pytest.approx(held.inductance_q, rel=0.1)


@cache
def at_speed(speed: float, noise: float, levels: tuple[float, ...] = (2.0, 8.0, -3.0, 6.0, 4.0)) -> Columns:
    """Return the record of a rotor that something holds at one speed (rad/s), read with that scatter."""
    truth = Truth(rate=2000.0, resistance=0.1, inertia=1e9, speed_noise=noise)
    return telemetry(truth, steps(levels, 0.1, reach=1e3), 0.1 * len(levels), np.random.default_rng(6), speed)


def test_a_rotor_driven_at_one_speed_turns() -> None:
    found = run(at_speed(60.0, 0.06))
    for name, true in (("phase_resistance", 0.1), ("torque_constant_q", 1.5 * TRUTH.emf)):
        cover = found.result(name).interval(0.95)
        assert cover.low <= true <= cover.high, name
        assert cover.expanded_uncertainty < 0.15 * true, name
    assert "moment_of_inertia" not in found.forms


@pytest.mark.parametrize("wander", [0.0, 0.02])
def test_the_scatter_of_a_held_rotors_speed_is_no_turning(wander: float) -> None:
    columns = dict(at_speed(0.0, 0.005))
    columns["speed"] = columns["speed"] + wander * np.sin(2 * np.pi * 7.0 * columns["time"])
    found = run(columns)
    assert "turn" in found.fit.missing["emf_constant_dc"]
    assert "moment_of_inertia" in found.fit.missing
    cover = found.result("phase_resistance").interval(0.95)
    assert cover.low <= 0.1 <= cover.high
    stands = "is no more than scatter" in " ".join(found.report.notes)
    assert stands == (wander == 0.0)


def test_a_supply_that_nobody_knows_is_not_made_up() -> None:
    # The current hardly changes: nothing tells what dead time takes off from resistance.
    whole = at_speed(60.0, 0.06, (8.0, 7.9))
    one = {name: values[whole["time"] > 0.05] for name, values in whole.items()}
    with pytest.raises(FitError, match="log 'supply_voltage', or step"):
        run(one)
    given = {"pole_pairs": TRUTH.pole_pairs, "nameplate_rated_voltage": 60.0}
    said = outcome(PROCEDURE, [(one, STATED)], **given).report.notes
    assert any("rated 60 V of the nameplate stands in" in note for note in said)
    logged = {**one, "supply_voltage": np.full(one["time"].size, 60.0)}
    assert not any("stands in" in note for note in run(logged).report.notes)


@pytest.mark.parametrize(("kind", "names"), [(0.0, {"inductance_q"}), (1.0, {"emf_constant_dc", "moment_of_inertia"})])
def test_what_scales_with_a_nameplates_pole_pairs_is_stated(kind: float, names: set[str]) -> None:
    columns = {**record(), "speed": record()["speed"] * (TRUTH.pole_pairs if kind else 1.0)}
    conditions = {**STATED, "speed_kind": kind}
    plate = outcome(PROCEDURE, [(columns, conditions)], nameplate_pole_pairs=float(TRUTH.pole_pairs))
    assert names <= set(plate.report.stated)
    assert set(plate.report.stated.values()) == {f"pole pairs {TRUTH.pole_pairs}"}
    # By hand: what is not called stated does not move with the pole pairs.
    other = outcome(PROCEDURE, [(columns, conditions)], nameplate_pole_pairs=float(TRUTH.pole_pairs + 1))
    for name in set(plate.forms) & set(other.forms):
        moved = other.forms[name].value != pytest.approx(plate.forms[name].value, rel=0.005)
        assert moved == (name in plate.report.stated), name
    counted = outcome(PROCEDURE, [(columns, conditions)], pole_pairs=float(TRUTH.pole_pairs), nameplate_pole_pairs=10.0)
    assert not counted.report.stated


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        (lambda: scaled(-1.0, "current"), "invert it in the layout"),
        (lambda: scaled(-1.0, "speed"), "opposite signs"),
        (lambda: {**record(), "voltage_d": -record()["voltage_d"]}, "d-axis voltage has the wrong sign"),
    ],
)
def test_a_wrong_sign_is_named(columns, words: str) -> None:
    with pytest.raises(FitError, match=words):
        run(columns())


def test_pole_pairs_are_never_guessed() -> None:
    with pytest.raises(FitError, match="pole pairs are known neither"):
        outcome(PROCEDURE, [(record(), STATED)])


@pytest.mark.parametrize(("share", "warned"), [(0.93, None), (1.5 * 0.93, "power"), (0.5 * 0.93, "rms")])
def test_the_supplys_power_tells_another_transform(share: float, warned: str | None) -> None:
    power = 1.5 * sum(record()[f"voltage_{axis}"] * record()[f"current_{axis}"] for axis in "qd")
    supplied = {**record(), "supply_voltage": np.full(power.size, 36.0), "supply_current": power / 36.0 / share}
    messages = [problem.message for problem in run(supplied).report.warnings if "supply" in problem.message]
    assert bool(messages) == (warned is not None)
    if warned:
        assert f"'transform: {warned}' would make it right" in messages[0]


def test_an_angle_that_contradicts_the_speed_is_named() -> None:
    columns = record()
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (columns["speed"][1:] + columns["speed"][:-1]) * 1e-3)])
    for factor, told in ((1.0, False), (float(TRUTH.pole_pairs), False), (3.0, True)):
        found = run({**columns, "angle": (turned * factor) % (2 * np.pi)})
        assert any("times as fast as the speed says" in p.message for p in found.report.warnings) == told, factor


def test_the_line_of_friction_takes_up_of_the_square_what_a_rotor_with_air_drag_shows() -> None:
    """The drive solved in time with air drag: both terms, less the truth, are the line's share of it."""
    drag = 1e-4
    windy, calm = (
        telemetry(Truth(rate=1000.0, drag=d), steps([8.0 * level for level in LEVELS], 0.5), 4.0, generator)
        for d, generator in ((drag, np.random.default_rng(3)), (0.0, np.random.default_rng(3)))
    )
    found, plain = run(windy), run(calm)
    line = found.line
    assert line is not None
    assert line.coulomb < 0 < line.viscous
    for name, of_square in (("coulomb_friction", line.coulomb), ("viscous_friction", line.viscous)):
        away = found.forms[name].value - plain.forms[name].value
        assert away == pytest.approx(drag * of_square, rel=0.1), name


def test_ideal_readings_give_the_ideal_machine() -> None:
    machine = Machine(36.0, 8.0, 0.3, 1.2, 24.0, 10, 0.4, 0.02)
    (log,) = ideal_logs(machine)
    found = PROCEDURE.derive(
        fitted(PROCEDURE, [log], pole_pairs=10.0, winding_constant=234.5).parameters,
        {**{item.name: item.value for item in PROCEDURE.assumptions}, "winding_constant": 234.5},
    )
    assert found["emf_constant_dc"] == pytest.approx(1.2, rel=1e-3)
    assert found["moment_of_inertia"] == pytest.approx(machine.inertia, rel=0.02)
    assert found["coulomb_friction"] == pytest.approx(machine.coulomb, rel=0.1)


@pytest.mark.parametrize("wander", [0.0, 0.02])
def test_a_record_near_one_point_is_refused_with_what_to_log(wander: float) -> None:
    rng, time = np.random.default_rng(1), np.arange(3000) * 1e-3
    current = 5.0 * (1 + wander * np.sin(time)) + rng.normal(0, 0.02, time.size)
    speed = 40.0 * (1 + wander * np.sin(0.7 * time)) + rng.normal(0, 0.05, time.size)
    columns = {"time": time, "voltage_q": 0.1 * current + 0.5 * speed, "current_q": current, "speed": speed}
    conditions = {"transform": 0.0, "speed_kind": 0.0, "winding_temperature": 24.0}
    with pytest.raises(FitError, match=r"near one current.*and one speed.*Log again: step the current"):
        outcome(PROCEDURE, [(columns, conditions)], nameplate_pole_pairs=10.0, bridge_share=0.01)
