"""One lever, one meter, one rounding: what several procedures share stays one error in what combines their results.

Source: the correlation that the package `uncertainties` 3 finds where one variable enters two formulae (an independent
implementation of JCGM 100:2008, 5.2.2); torques and currents are chosen.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from uncertainties import covariance_matrix, ufloat

from rotorproof.fitting.assign import assign
from rotorproof.fitting.assumed import assume
from rotorproof.fitting.engine import run
from rotorproof.fitting.grouping import TestLog
from rotorproof.fitting.unit_fit import best_forms, fit_unit
from rotorproof.procedures import procedures
from rotorproof.procedures.assumption import STANDBY_GROWTH
from rotorproof.procedures.base import Log
from rotorproof.settings.load import conditions_of
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.uncertainty.forms import Form
from rotorproof.units import parse
from tests.simulation.cogging import CoggingTruth, cogging_log

ARM, U_ARM, TORQUE_PER_AMPERE = 0.200, 0.002, 1.25


def held_on_one_lever(second: str = "0.200 +/- 0.002 m") -> dict[str, Form]:
    """Return torque per ampere and static friction of a rotor held and turned by a lever."""
    rng = np.random.default_rng(5)
    turned = cogging_log(CoggingTruth(friction=0.12, seed=2), rng, per_turn=900, noise=1e-5)
    current = np.linspace(2, 20, 10)
    torque = TORQUE_PER_AMPERE * current + rng.normal(0, 1e-5, 10)
    logs = {
        "cogging": {"angle": turned["angle"], "force": turned["torque"] / ARM},
        "locked-rotor": {"force": torque / ARM, "current_ab": current},
    }
    conditions = {
        "cogging": {"lever_arm": "0.200 +/- 0.002 m"},
        # With the magnets' temperature stated, the lever is the only error of any size.
        "locked-rotor": {"lever_arm": second, "rotor_position": "mean", "magnet_temperature": "20 degC"},
    }
    unit = UnitFile.model_validate(
        {
            "unit": "U-1",
            "kind": "motor",
            "nameplate": {"slots": 12, "pole_pairs": 5},
            "tests": [{"procedure": name, "log": name, "conditions": conditions[name]} for name in logs],
        }
    )
    entries = []
    for test in unit.tests:
        written = conditions_of(test)
        values = {key: measured.value for key, measured in written.items()}
        entries.append(TestLog(test, Log(test.procedure, logs[test.procedure], values), written))
    return best_forms(fit_unit(unit, entries, RunSettings(config_version=1), "U-1/unit.yaml").outcomes)


def test_one_lever_stated_in_two_tests_is_one_error() -> None:
    forms = held_on_one_lever()
    held, turned = forms["torque_constant"], forms["static_friction"]
    arm = ufloat(ARM, U_ARM)
    theirs = covariance_matrix([TORQUE_PER_AMPERE * arm / ARM, turned.value * arm / ARM])
    assert held.covariance(turned) == pytest.approx(theirs[0][1], rel=1e-3)
    assert held.standard_uncertainty == pytest.approx(theirs[0][0] ** 0.5, rel=1e-2)


def test_the_same_length_in_another_unit_is_the_same_statement_and_another_length_is_not() -> None:
    same, other = held_on_one_lever("200 +/- 2 mm"), held_on_one_lever("0.250 +/- 0.002 m")
    shared = same["torque_constant"].covariance(same["static_friction"])
    assert shared == pytest.approx(0.01**2 * TORQUE_PER_AMPERE * same["static_friction"].value, rel=1e-3)
    assert other["torque_constant"].covariance(other["static_friction"]) == 0.0


def names_of(instruments: dict[str, Any], procedure: str, column: str, top: float, key: str) -> list[str]:
    test = {"procedure": procedure, "log": "one.csv", "instruments": {column: key}}
    unit = UnitFile.model_validate({"unit": "U", "kind": "motor", "instruments": instruments, "tests": [test]})
    log = Log("one", {column: np.full(6, top)})
    found = assign(unit, procedures()[procedure], unit.tests, [log], [{}], "U/unit.yaml")
    return [error.influence.name for error in found.instruments]


def test_a_meter_is_one_error_in_all_procedures_of_a_unit() -> None:
    meter = {"m": {"serial": "7", "accuracy": {"current": {"accuracy": "0.2 %", "resolution": "1 mA", "shunt": "1 %"}}}}
    first, second = (names_of(meter, name, "supply_current", 5.0, "m") for name in ("no-load", "locked-rotor"))
    assert first == second
    assert len(first) == 3  # its accuracy, its shunt, and the rounding of this one column of this one log


def test_a_name_means_one_error_whichever_run_meets_it_first() -> None:
    """Two shunts of one meter, each met alone by another procedure, are two errors."""
    ranges = [
        {"range": "1 A", "accuracy": "0.2 %", "shunt": "0.1 %"},
        {"range": "20 A", "accuracy": "0.2 %", "shunt": "1 %"},
    ]
    meter = {"m": {"serial": "7", "accuracy": {"current": ranges}}}
    small = names_of(meter, "no-load", "supply_current", 0.5, "m")
    large = names_of(meter, "load", "supply_current", 15.0, "m")
    assert not set(small) & set(large)
    two = {
        "a": {"serial": "7", "accuracy": {"current": "0.1 %"}},
        "b": {"serial": "7", "accuracy": {"current": "2 %"}},
    }
    one, other = (names_of(two, "load", "supply_current", 15.0, key) for key in ("a", "b"))
    assert not set(one) & set(other)


def test_a_stated_temperature_is_one_error_in_both_runs() -> None:
    stated = {"winding_temperature": parse("24 +/- 1 degC", "temperature")}
    found = []
    for name in ("no-load", "load"):
        test = {"procedure": name, "log": name, "conditions": {"winding_temperature": "24 +/- 1 degC"}}
        unit = UnitFile.model_validate({"unit": "U", "kind": "motor", "tests": [test]})
        log = Log(name, {}, {"winding_temperature": 24.0})
        (form,) = assign(unit, procedures()[name], unit.tests, [log], [stated], "U").uncertain_conditions.values()
        found.append(form)
    assert found[0].correlation(found[1]) == pytest.approx(1.0)


def test_a_temperature_of_the_air_that_nobody_stated_is_one_error_in_all_tests() -> None:
    rng = np.random.default_rng(6)
    current = np.linspace(2, 20, 10)
    forms = []
    for label in ("first", "second"):
        columns = {"torque": 1.25 * current + rng.normal(0, 1e-3, 10), "current_ab": current}
        for given in ({}, {"ambient_temperature": Form(22.0)}):
            found = run(
                procedures()["locked-rotor"],
                [Log(label, columns, {})],
                label=label,
                unit="U",
                given=given,
                instruments=[],
                uncertain_conditions={},
            )
            forms.append(found.forms["torque_constant"])
    # 10 K either way at 0.1 % per kelvin, rectangular; the coefficient, within 0.03 %, over 2.5 K of the test's heat.
    per_share = 1.25 / 0.9975**2
    both = ((per_share * 0.01) ** 2 + (per_share * 2.5 * 0.0003) ** 2) / 3
    assert forms[0].covariance(forms[2]) == pytest.approx(both, rel=2e-3)
    # About known air each test has magnets of its own; only what they are worth per kelvin is the same.
    assert abs(forms[1].correlation(forms[3])) < 0.1


def test_one_bench_controller_is_assumed_once() -> None:
    ((_, first),), ((_, second),) = (assume([STANDBY_GROWTH], {}, "U", name) for name in ("no-load", "load"))
    assert first.correlation(second) == pytest.approx(1.0)
