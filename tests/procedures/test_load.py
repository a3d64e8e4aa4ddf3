"""Load runs of an invented brake stand, and closed arithmetic of the summation of losses.

Sources: IEC 60034-2-1 (input-output method; summation of losses); mathematics of the convex hull.
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.adequacy import judge
from rotorproof.physics import load_points
from rotorproof.procedures import _bridge_cost
from rotorproof.procedures._load_parts import Points, phase_power, rated
from rotorproof.procedures._load_views import _by_sweep
from rotorproof.procedures.base import Log
from rotorproof.procedures.fit import Fit
from rotorproof.procedures.load import PROCEDURE
from tests.outside import Outside
from tests.procedures.runs import outcome
from tests.simulation.brake_stand import Inverter, Operating, Stand, field_oriented
from tests.simulation.mechanics import BenchMotor

HOT = 40.0
ACCURACY = {
    "supply_voltage": "0.05 % + 10 mV",
    "supply_current": "0.2 % + 3 mA",
    "torque": "0.2 % + 0.0028 N m",
    "speed": "0.02 %",
    "current_q": "0.2 % + 3 mA",
}


def grid(motor: BenchMotor, inverter: Inverter) -> Operating:
    return field_oriented(motor, inverter, np.linspace(5, 30, 6), np.linspace(2, 12, 6), 48.0, HOT)


def test_a_bend_of_torque_over_current_leaves_the_slope_at_small_current(outside: Outside) -> None:
    rng = np.random.default_rng(5)
    speed = np.repeat([8.0, 14.0, 20.0], 8)
    current = np.tile(np.linspace(0.5, 20.0, 8), 3)
    drag = 0.3 + 0.01 * speed
    straight = 0.9 * current - drag + 0.005 * rng.standard_normal(24)
    assert load_points.torque_bends(current, straight, speed) is None
    for power, source in ((2, "T = k I (1 - 0.05 (I/20 A)^2)"), (4, "T = k I (1 - 0.05 (I/20 A)^4)")):
        bent = straight - 0.9 * current * 0.05 * (current / 20.0) ** power
        doubt = load_points.torque_bends(current, bent, speed)
        assert doubt is not None
        found = load_points.torque_line(current, bent, speed, bend=3)
        # The shape is not known: what the harder one does to the slope is allowed for.
        outside(
            "torque_constant",
            f"slope at small current of {source}",
            ours=found.values[0],
            published=0.9,
            allowance=doubt + 3 * float(np.sqrt(found.covariance[0, 0])),
            source=f"{source}, worked by hand",
            unit="N m/A",
        )
        assert abs(load_points.torque_line(current, bent, speed).values[0] - 0.9) > 0.02


def test_losses_add_up() -> None:
    motor, inverter = BenchMotor(), Inverter()
    run = grid(motor, inverter)
    columns = {
        "speed": run.speed,
        "torque": run.torque,
        "current_q": run.current,
        "supply_voltage": run.supply_voltage,
        "supply_current": run.supply_power / run.supply_voltage,
        "phase_power": run.phase_power,
        "brake": run.brake,
    }
    result = outcome(PROCEDURE, [(columns, {"winding_temperature": HOT})], phase_resistance=motor.resistance)
    k = int(np.argmax(run.speed * run.torque))
    parts = sum(result.forms[n].value for n in ("winding_loss", "friction_iron_loss", "additional_loss"))
    assert parts == pytest.approx(run.phase_power[k] - run.speed[k] * run.torque[k], rel=5e-3)
    # With the power of the phases read, nothing of the controller is left in the remainder.
    assert abs(result.forms["additional_loss"].value) < 0.02 * parts
    assert result.forms["motor_efficiency_max"].value > result.forms["efficiency_max"].value


def test_map_stays_within_the_measured_points() -> None:
    run = grid(BenchMotor(), Inverter())
    columns = Stand.drawn(np.random.default_rng(0), 14.0, 15.0).read(run, np.random.default_rng(0))
    # Take away the corner of high speed and torque: the map must not be drawn there.
    kept = run.speed * run.torque < 220.0
    result = outcome(PROCEDURE, [({n: v[kept] for n, v in columns.items()}, {})])
    panel = next(p for p in result.report.panels if p.name == "efficiency-map-supply-to-shaft")
    assert panel.drawing == "map"
    field = panel.field
    assert field is not None
    assert np.isnan(field.z[-1, -1])
    assert np.isfinite(field.z).mean() > 0.4
    assert 0 < np.nanmin(field.z) < np.nanmax(field.z) < 1
    assert any(p.name.startswith("efficiency-map-uncertainty") for p in result.report.panels)
    assert any(s.label.endswith(" W") for s in panel.series), "lines of constant power"


def test_hull_of_a_triangle() -> None:
    inside = load_points.inside_hull(
        np.array([0.0, 4, 0]), np.array([0.0, 0, 2]), np.array([1.0, 3.0, 4.0]), np.array([1.0, 1.5, 0.0])
    )
    assert inside.tolist() == [True, False, True]


def test_one_slip_of_the_supply_reading_is_found_and_named() -> None:
    run = grid(BenchMotor(), Inverter())
    columns = Stand.drawn(np.random.default_rng(4), 14.0, 15.0).read(run, np.random.default_rng(4))
    columns["supply_voltage"][17] += 2.0
    found = PROCEDURE.suspects(columns)
    assert [(s.row, s.column) for s in found] == [(17, "supply_voltage")]
    assert "six robust standard deviations" in found[0].message
    left = outcome(PROCEDURE, [(columns, {})]).report
    assert "1 point(s)" in " ".join(left.notes)


def test_a_supply_set_to_several_voltages_is_no_slip() -> None:
    voltage = np.repeat([24.0, 36.0, 48.0], 6)
    suspect, _ = load_points.suspect_supply(voltage, np.tile(np.linspace(1, 10, 6), 3))
    assert not suspect.any()


def test_a_grid_without_duty_gives_no_torque_per_dc_ampere() -> None:
    run = grid(BenchMotor(), Inverter())
    columns = Stand.drawn(np.random.default_rng(4), 14.0, 15.0).read(run, np.random.default_rng(4))
    del columns["current_q"]
    fit = outcome(PROCEDURE, [(columns, {})], nameplate_rated_power=200.0).fit
    assert "duty" in fit.missing["torque_constant"]
    assert "characteristic" in fit.missing["rated_torque"]
    assert "line_resistance" in fit.missing["winding_loss"]


def test_a_bent_characteristic_widens_the_rated_torque_alone() -> None:
    torque = np.linspace(1.0, 12.0, 24)
    at, fit = Points(30.0 - 0.5 * torque + 0.05 * np.sin(torque), torque, None, None), Fit()
    rated(at, {"nameplate_rated_power": 200.0}, fit)
    adequacy = judge(fit.residuals)
    assert adequacy.state == "widened"
    (block,) = fit.blocks
    assert adequacy.excess_of(block.label) > 0
    assert adequacy.excess_of("scatter of torque over DC current") == 0


def test_a_unit_that_never_turned_is_refused() -> None:
    zeros = np.zeros(10)
    with pytest.raises(FitError, match="zero throughout"):
        outcome(PROCEDURE, [({"speed": zeros, "torque": zeros + 1.0, "current_q": zeros}, {})])


def test_two_wattmeters_and_three_phases_add_up_to_the_total(outside: Outside) -> None:
    # A star of unequal impedances fed by a three-wire system: instantaneous powers, averaged over one period.
    t = np.linspace(0, 2 * np.pi, 20000, endpoint=False)
    lines = [30 * np.cos(t - k * 2 * np.pi / 3) for k in range(3)]
    currents = [5 * np.cos(t - 0.4), 3.5 * np.cos(t - 2.6)]
    currents.append(-currents[0] - currents[1])
    total = float(np.mean(sum(v * i for v, i in zip(lines, currents, strict=True))))
    first = float(np.mean((lines[0] - lines[1]) * currents[0]))
    second = float(np.mean((lines[2] - lines[1]) * currents[2]))
    log = Log("l", {"wattmeter_1": np.array([first]), "wattmeter_2": np.array([second])})
    found = phase_power(log)
    assert found is not None
    outside(
        "motor_efficiency_max",
        "two wattmeters at an unbalanced three-wire load against the sum of three instantaneous powers",
        ours=float(found[0]),
        published=total,
        allowance=1e-9,
        unit="W",
        source="Blondel's theorem (1893); powers averaged from instantaneous values",
    )
    each = [np.array([float(np.mean(v * i))]) for v, i in zip(lines, currents, strict=True)]
    by_phase = phase_power(Log("l", {f"phase_power_{name}": p for name, p in zip("abc", each, strict=True)}))
    assert by_phase is not None
    assert by_phase[0] == pytest.approx(total, rel=1e-12)
    assert phase_power(Log("l", {"wattmeter_1": np.array([first])})) is None


def test_each_sweep_of_the_torque_has_its_line_named_by_its_speed() -> None:
    torque = np.array([1.0, 2.0, 3.0, 1.0, 2.0, 3.0])
    speed = np.repeat([60.0, 120.0], 3) * 2 * np.pi / 60
    lines = _by_sweep(speed, torque, 0.1 * torque)
    assert [line.label for line in lines] == ["60 rpm", "120 rpm"]
    assert all(np.array_equal(line.x, torque[:3]) and np.array_equal(line.y, 0.1 * line.x) for line in lines)
    scattered = np.tile([2.0, 1.0], 20)
    (line,) = _by_sweep(scattered, scattered, scattered)
    assert np.array_equal(line.x, np.sort(scattered))


def six_step_map() -> dict[str, np.ndarray]:
    """Return points at several duties with rows without brake, of a winding without ripple."""
    duty, torque = (grid.ravel() for grid in np.meshgrid(np.linspace(0.4, 1.0, 6), np.linspace(0.0, 10.0, 6)))
    emf, resistance, volts = 0.95, 0.11, 36.0
    # emf * w = duty * volts - 2 R I, and emf * I = torque + 0.4 + 0.01 w.
    current = (torque + 0.4 + 0.01 * duty * volts / emf) / (emf + 0.01 * 2 * resistance / emf)
    speed = (duty * volts - 2 * resistance * current) / emf
    return {
        "speed": speed,
        "torque": torque,
        "duty": duty,
        "supply_voltage": np.full(duty.size, volts),
        "supply_current": duty * current,
        "brake": (torque > 0).astype(float),
    }


STANDING = {"winding_temperature": 20.0, "standby_power": 0.0}


def test_ripple_that_is_not_taken_off_is_a_doubt_of_friction_too() -> None:
    found = outcome(PROCEDURE, [(six_step_map(), STANDING)], phase_resistance=0.11)
    friction = found.forms["coulomb_friction"]
    assert friction.value == pytest.approx(0.4, rel=1e-3)
    # A tenth either way, rectangular.
    assert friction.standard_uncertainty == pytest.approx(0.04 / 3**0.5, rel=0.02)
    assert any("pole pairs are known neither" in note for note in found.report.notes)


def test_the_reason_why_ripple_stays_is_the_one_that_holds() -> None:
    found = outcome(PROCEDURE, [(six_step_map(), {"standby_power": 0.0})], phase_resistance=0.11, pole_pairs=10.0)
    (note,) = (note for note in found.report.notes if "commutation and ripple" in note)
    assert "winding temperature is not stated" in note
    assert "pole pairs" not in note


def test_a_point_that_no_bridge_reaches_is_left_out_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    columns = six_step_map()
    lost, solve = float(columns["speed"][9]), _bridge_cost.solve

    def solve_but_one(given, resistance, emf, speed, current):  # type: ignore[no-untyped-def]
        if lost in speed:
            raise FitError("no steady state")
        return solve(given, resistance, emf, speed, current)

    monkeypatch.setattr(_bridge_cost, "solve", solve_but_one)
    monkeypatch.setattr(_bridge_cost, "solvable", lambda given, resistance, emf, speed, current: speed != lost)
    found = outcome(PROCEDURE, [(columns, STANDING)], phase_resistance=0.11, pole_pairs=10.0)
    assert any(note.startswith("1 point(s) that no steady state") for note in found.report.notes)
    (left,) = (one for one in found.fit.residuals if one.name.startswith("torque over"))
    assert left.residual.size == columns["speed"].size - 1


@pytest.mark.parametrize(
    ("conditions", "given", "oriented"),
    [
        ({}, {}, False),
        ({}, {"drive_field_oriented": 1.0}, True),
        ({"drive": 0.0}, {"drive_field_oriented": 1.0}, False),
        ({"drive": 1.0}, {"drive_field_oriented": 0.0}, True),
    ],
)
def test_the_drive_of_the_unit_holds_where_the_test_names_none(
    conditions: dict[str, float], given: dict[str, float], oriented: bool
) -> None:
    log = Log("load", six_step_map(), conditions)
    assert _bridge_cost.field_oriented(log, given) is oriented
    assert bool(_bridge_cost.drive_words(log, given)) is not bool(conditions or given)
