"""The no-load run against an invented motor with richer losses, and against closed forms.

Sources: power balance of IEC 60034-2-1 (constant losses); independent steady states of motulator in
``test_mechanical_outside.py``.
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.procedures.no_load import PROCEDURE
from rotorproof.uncertainty.coverage import interval
from tests.procedures.runs import outcome
from tests.simulation.mechanical_runs import ACCURACY, no_load_record, no_load_table
from tests.simulation.mechanics import BenchMotor

WARM = {"winding_temperature": (27.0, 2.0)}


def truth(motor: BenchMotor) -> dict[str, float]:
    speed, current = motor.steady(36.0, 27.0)
    # What the switches lose counts as friction here: the definition says so. It is small and nearly Coulomb.
    loss = motor.switch_drop / motor.emf
    return {
        "coulomb_friction": (motor.coulomb + motor.hysteresis) + loss * (motor.viscous + motor.eddy),
        "viscous_friction": motor.viscous + motor.eddy,
        "no_load_current": motor.supply_power(speed, current, 27.0) / 36.0,
        "emf_constant_dc": motor.emf,
    }


def test_steady_stretches_of_a_record_give_what_a_table_gives() -> None:
    motor = BenchMotor()
    columns = no_load_record(motor, np.random.default_rng(3))
    result = outcome(
        PROCEDURE,
        [(columns, {**WARM, "standby_power": motor.standby})],
        ACCURACY,
        phase_resistance=motor.resistance,
        nameplate_rated_voltage=36.0,
    )
    for name, true in truth(motor).items():
        cover = interval(result.forms[name])
        assert cover.low <= true <= cover.high, name
    assert any(f"{count} steady stretches" in " ".join(result.report.notes) for count in (8, 9))
    left_out = [s for panel in result.report.panels for s in panel.series if s.role == "left out"]
    assert left_out, "what was not steady must be seen in the figure"


def test_exact_readings_give_exact_constants() -> None:
    # V = K w + 2 R I and K I = c + b w, solved by hand for I: no noise, no other loss.
    K, R, c, b, standby = 0.9, 0.1, 0.35, 0.012, 2.0
    voltage = np.linspace(10, 40, 6)
    current = (c + b * voltage / K) / (K + 2 * R * b / K)
    speed = (voltage - 2 * R * current) / K
    columns = {
        "supply_voltage": np.append(voltage, [10.0, 40.0]),
        "supply_current": np.append(current + standby / voltage, [standby / 10, standby / 40]),
        "speed": np.append(speed, [0.0, 0.0]),
    }
    result = outcome(PROCEDURE, [(columns, {"winding_temperature": 20.0})], phase_resistance=R)
    values = {name: form.value for name, form in result.forms.items()}
    assert values["coulomb_friction"] == pytest.approx(c, rel=1e-6)
    assert values["viscous_friction"] == pytest.approx(b, rel=1e-6)
    assert values["emf_constant_dc"] == pytest.approx(K, rel=1e-6)
    assert values["no_load_current"] == pytest.approx(current[-1] + standby / 40, rel=1e-6)


def test_a_throttle_with_duty_gives_the_same_constants() -> None:
    K, R, c, b, standby, supply = 0.9, 0.1, 0.35, 0.012, 2.0, 40.0
    duty = np.linspace(0.25, 1.0, 7)
    motor_current = (c + b * duty * supply / K) / (K + 2 * R * b / K)
    speed = (duty * supply - 2 * R * motor_current) / K
    columns = {
        "supply_voltage": np.full(7, supply),
        "supply_current": duty * motor_current + standby / supply,
        "speed": speed,
        "duty": duty,
    }
    conditions = {"winding_temperature": 20.0, "standby_power": standby}
    values = outcome(PROCEDURE, [(columns, conditions)], phase_resistance=R).forms
    assert values["coulomb_friction"].value == pytest.approx(c, rel=1e-6)
    assert values["emf_constant_dc"].value == pytest.approx(K, rel=1e-6)


def test_a_throttle_without_duty_is_no_cross_check() -> None:
    speed = np.linspace(10, 40, 7)
    columns = {
        "supply_voltage": np.full(7, 40.0),
        "supply_current": (0.35 + 0.012 * speed) * speed / 40.0,
        "speed": speed,
    }
    fit = outcome(
        PROCEDURE, [(columns, {"winding_temperature": 20.0, "standby_power": 0.0})], phase_resistance=1e-6
    ).fit
    assert "duty" in fit.missing["emf_constant_dc"]
    assert "no_load_current" in fit.missing, "one reading at full throttle leaves the scatter unknown"


@pytest.mark.parametrize(
    ("conditions", "given", "word"),
    [
        ({"winding_temperature": 25.0}, {}, "line_resistance"),
        ({}, {"phase_resistance": 0.1}, "winding_temperature"),
    ],
)
def test_what_is_missing_is_named_and_never_assumed(conditions: dict, given: dict, word: str) -> None:
    columns = no_load_table(BenchMotor(), np.random.default_rng(0), standstill=True)
    result = outcome(PROCEDURE, [(columns, conditions)], **given)
    assert word in result.fit.missing["coulomb_friction"]
    assert set(result.forms) == {"no_load_current"}


def test_two_voltages_are_too_few() -> None:
    columns = {name: v[[0, 1, 4, 5]] for name, v in no_load_table(
        BenchMotor(), np.random.default_rng(0), standstill=False).items()}  # fmt: skip
    fit = outcome(PROCEDURE, [(columns, WARM)], phase_resistance=0.11).fit
    assert "4 or more voltages" in fit.missing["viscous_friction"]


def test_a_run_that_never_turned_is_refused() -> None:
    columns = {"supply_voltage": np.full(6, 36.0), "supply_current": np.full(6, 0.03), "speed": np.zeros(6)}
    with pytest.raises(FitError, match="zero throughout"):
        outcome(PROCEDURE, [(columns, WARM)], phase_resistance=0.11)


def test_standby_power_is_never_negative() -> None:
    """Noise leaves a standby power a little below zero: it is held between none and what the readings allow."""
    speed = np.linspace(5.0, 40.0, 8)
    own = (0.3 + 0.01 * speed) / 1.2
    columns = {
        "supply_voltage": 1.2 * speed + 0.2 * own,
        "supply_current": own - 0.03 / (1.2 * speed + 0.2 * own) - 5e-3 * np.tile([1.0, -1.0], 4),
        "speed": speed,
    }
    result = outcome(PROCEDURE, [(columns, {"winding_temperature": 20.0})], phase_resistance=0.1)
    assert any("below zero" in note for note in result.report.notes)
    cover = interval(result.forms["coulomb_friction"])
    assert cover.low <= 0.3 <= cover.high


def test_a_standby_power_far_below_zero_is_refused_with_the_ways_out() -> None:
    speed = np.linspace(5.0, 40.0, 8)
    own = (0.3 + 0.01 * speed) / 1.2
    voltage = 1.2 * speed + 0.2 * own
    columns = {"supply_voltage": voltage, "supply_current": own - 0.5 / voltage, "speed": speed}
    result = outcome(PROCEDURE, [(columns, {"winding_temperature": 20.0})], phase_resistance=0.1)
    why = result.fit.missing["coulomb_friction"]
    assert "state 'standby_power' as a condition" in why and "a last row with the throttle off" in why


NAMEPLATE = {"nameplate_rated_voltage": 36.0, "nameplate_rated_power": 250.0}


def rows(resistance: float, share: float = 0.04) -> dict[str, np.ndarray]:
    """Return a run of V = K w + 2 R I, K = 0.9 V s/rad, with a current of ``share`` (A/V) and 2 W of standby."""
    voltage = np.linspace(12.0, 30.0, 6)
    current = share * voltage
    speed = (voltage - 2 * resistance * current) / 0.9
    return {"supply_voltage": voltage, "supply_current": current + 2.0 / voltage, "speed": speed}


@pytest.mark.parametrize("resistance", [0.04, 0.15, 0.4])
def test_a_nameplate_bounds_what_the_winding_takes_and_the_speed_constant_holds_that_doubt(resistance: float) -> None:
    # By hand: 250 W at 36 V and 8.68 A turn 2 to 28 % to heat in 0.033 to 0.46 ohm from line to neutral.
    conditions = {"standby_power": 2.0, "winding_temperature": 20.0, "resistance_from": 0.0, "magnet_temperature": 20.0}
    found = outcome(PROCEDURE, [(rows(resistance), conditions)], **NAMEPLATE)
    cover = interval(found.forms["speed_constant"])
    assert cover.low <= 1 / 0.9 <= cover.high
    # 0.04 A/V through 0.03 to 0.4 ohm twice takes 0.2 to 3 % of the voltage.
    assert 0.01 < cover.expanded_uncertainty * 0.9 < 0.03
    assert found.forms["speed_constant"].value * found.forms["emf_constant_dc"].value == pytest.approx(1.0)
    assert any("2 to 28 percent of rated power" in note for note in found.report.notes)
    assert any("not measured" in note for note in found.report.notes)
    resting = {"coulomb_friction", "viscous_friction", "emf_constant_dc", "speed_constant"}
    assert set(found.report.stated) == resting & set(found.forms)
    assert set(found.report.stated.values()) == {"winding resistance by rated power 250 W at 8.68 A"}
    assert not outcome(PROCEDURE, [(rows(resistance), conditions)], phase_resistance=0.15, **NAMEPLATE).report.stated


def test_no_nameplate_stands_in_unasked() -> None:
    found = outcome(PROCEDURE, [(rows(0.15), {"standby_power": 2.0})], **NAMEPLATE)
    assert not {"speed_constant", "emf_constant_dc"} & set(found.forms)
    assert "the winding resistance is not known" in found.fit.missing["emf_constant_dc"]


def test_a_run_under_load_is_named_by_the_rated_current() -> None:
    conditions = {"standby_power": 2.0, "winding_temperature": 20.0}
    for share, named in ((0.04, False), (0.2, True)):
        found = outcome(PROCEDURE, [(rows(0.15, share), conditions)], phase_resistance=0.15, **NAMEPLATE)
        assert any("these points are under load" in problem.message for problem in found.report.warnings) == named
