"""A second witness: sound tests agree with each other and the nameplate, and each single slip is named.

The unit is the invented one of the demonstration; the slips are those of the trade, put into its readings.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rotorproof.errors import Problem
from rotorproof.fitting.grouping import TestLog
from rotorproof.fitting.points import Points
from rotorproof.fitting.unit_fit import UnitFit, fit_unit
from rotorproof.logs.unit_logs import read_unit
from rotorproof.procedures.base import Log
from rotorproof.settings.acceptance import ProcessFile
from rotorproof.settings.documents import read_document
from rotorproof.settings.layout import Layout
from rotorproof.settings.load import conditions_of
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.witness.expected import expected
from rotorproof.witness.search import second_witness

RAW = Path(__file__).parents[2] / "raw" / "AL-M1"
SETTINGS = RunSettings.model_validate({"config_version": 1})
#: Those of its tests that are fitted in a moment.
QUICK = ("winding-resistance", "no-load", "coast-down", "locked-rotor", "load", "heat-run")
RPM = 60 / (2 * np.pi)


@pytest.fixture(scope="module")
def sound() -> tuple[UnitFile, list[TestLog], UnitFit]:
    return fitted(QUICK)


def fitted(procedures: Sequence[str]) -> tuple[UnitFile, list[TestLog], UnitFit]:
    data = read_document(RAW / "unit.yaml").data
    data["tests"] = [test for test in data["tests"] if test["procedure"] in procedures]
    unit = UnitFile.model_validate(data)
    entries = []
    for test, columns in zip(
        unit.tests, read_unit(unit.unit, RAW, unit.tests, {"plain": Layout()}).columns, strict=True
    ):
        written = conditions_of(test)
        values = {name: measured.value for name, measured in written.items()}
        entries.append(TestLog(test, Log(test.label or test.procedure, columns or {}, values), written))
    return unit, entries, fit_unit(unit, entries, SETTINGS, "unit.yaml")


def slipped(
    entries: Sequence[TestLog], procedure: str, change: Callable[[dict[str, np.ndarray]], Mapping[str, np.ndarray]]
) -> list[TestLog]:
    """Return the logs with those of one procedure changed."""
    return [
        replace(e, log=replace(e.log, columns={**e.log.columns, **change(dict(e.log.columns))}))
        if e.test.procedure == procedure
        else e
        for e in entries
    ]


def times(factor: float, *names: str) -> Callable[[dict[str, np.ndarray]], Mapping[str, np.ndarray]]:
    return lambda columns: {name: factor * columns[name] for name in names}


def exchanged(columns: dict[str, np.ndarray]) -> Mapping[str, np.ndarray]:
    return {"supply_voltage": columns["supply_current"], "supply_current": columns["supply_voltage"]}


def test_sound_tests_agree(sound: tuple[UnitFile, list[TestLog], UnitFit]) -> None:
    unit, entries, fit = sound
    assert second_witness(unit, entries, SETTINGS, fit) == []


def test_what_is_fitted_already_is_as_if_fitted_again(sound: tuple[UnitFile, list[TestLog], UnitFit]) -> None:
    unit, entries, fit = sound
    kept, again = Points(unit, entries, SETTINGS, fitted=fit.outcomes), Points(unit, entries, SETTINGS)
    before, after = kept.at(kept.logs), again.at(again.logs)
    assert [one.values for one in before] == [one.values for one in after]
    assert {id(one.fit) for one in before} == {id(one.fit) for one in fit.outcomes}
    # Nothing is kept of other readings, of the same numbers though they are.
    same = {place: replace(log) for place, log in kept.logs.items()}
    assert not {id(one.fit) for one in kept.at(same)} & {id(one.fit) for one in fit.outcomes}


SLIPS = [
    ("locked-rotor", times(1 / 9.80665, "torque"), "9.81"),
    ("load", times(10.0, "torque"), "torque is ten times too large"),
    ("no-load", times(0.1, "supply_voltage"), "supply voltage is ten times too small"),
    ("no-load", times(RPM, "speed"), "rpm written as rad/s"),
    ("locked-rotor", times(0.7, "torque"), ""),
    ("heat-run", times(10.0, "supply_current"), "supply current is ten times too large"),
    ("no-load", exchanged, "supply voltage and supply current are exchanged"),
]


@pytest.mark.parametrize(("procedure", "change", "words"), SLIPS, ids=[f"{p}: {w or 'odd'}" for p, _, w in SLIPS])
def test_a_slip_is_named(
    sound: tuple[UnitFile, list[TestLog], UnitFit],
    procedure: str,
    change: Callable[[dict[str, np.ndarray]], Mapping[str, np.ndarray]],
    words: str,
) -> None:
    unit, entries, fit = sound
    found = second_witness(unit, slipped(entries, procedure, change), SETTINGS, fit)
    assert found
    assert all(problem.doubt == "unit" and problem.severity == "warning" for problem in found)
    assert any(f"/{procedure}" in str(problem.file) for problem in found)
    if words:
        (problem,) = found
        assert words in str(problem.slip)
        assert str(problem.slip) in problem.message
        assert len(problem.message) < 600


def test_an_added_inertia_ten_times_too_large(sound: tuple[UnitFile, list[TestLog], UnitFit]) -> None:
    unit, entries, fit = sound
    name = "added_inertia"
    wrong = [
        replace(e, log=replace(e.log, conditions={**e.log.conditions, name: 10 * e.log.conditions[name]}))
        if name in e.log.conditions
        else e
        for e in entries
    ]
    (problem,) = second_witness(unit, wrong, SETTINGS, fit)
    assert "added inertia is ten times too large" in str(problem.slip)


@pytest.mark.parametrize(("procedure", "column", "row"), [("load", "torque", 9), ("no-load", "supply_current", 4)])
def test_one_reading_off_by_ten_is_named(
    sound: tuple[UnitFile, list[TestLog], UnitFit], procedure: str, column: str, row: int
) -> None:
    unit, entries, _ = sound

    def change(columns: dict[str, np.ndarray]) -> Mapping[str, np.ndarray]:
        values = columns[column].copy()
        values[row] *= 10.0
        return {column: values}

    found: list[Problem] = second_witness(unit, slipped(entries, procedure, change), SETTINGS, UnitFit())
    assert [f"reading {row + 1} of" in str(problem.slip) for problem in found] == [True]


def test_a_nameplate_speed_in_the_wrong_unit(sound: tuple[UnitFile, list[TestLog], UnitFit]) -> None:
    unit, entries, fit = sound
    speed = unit.nameplate.rated_speed
    assert speed is not None
    plate = unit.nameplate.model_copy(update={"rated_speed": replace(speed, value=RPM * speed.value)})
    (problem,) = second_witness(unit.model_copy(update={"nameplate": plate}), entries, SETTINGS, fit)
    assert "rated speed" in str(problem.slip)


@pytest.mark.parametrize("factor", [0.5, 1.0, 2.0])
def test_other_units_of_the_model_tell_what_no_nameplate_does(factor: float) -> None:
    """Half or twice the inductance is the inductance of another sound motor, but not of this model."""
    unit, entries, fit = fitted(("winding-inductance",))
    slip = times(factor, *(f"inductance_{pair}" for pair in ("ab", "bc", "ca")))
    wrong = slipped(entries, "winding-inductance", slip)
    assert second_witness(unit, wrong, SETTINGS, fit) == []
    # An RL network at 1 kHz of 0.43 mH between lines is 0.217 mH a phase; nine units within a tenth of that.
    measured = {"phase_inductance": {"low": "196 uH", "high": "243 uH"}}
    model = ProcessFile.model_validate({"model": "HM", "units": 9, "quantities": {}, "ranges": measured})
    found = second_witness(unit, wrong, SETTINGS, fit, (), model)
    words = {0.5: "is half of what it should be", 2.0: "is twice what it should be"}
    assert [problem.doubt for problem in found] == (["unit"] if factor in words else [])
    for problem in found:
        assert words[factor] in str(problem.slip)
        assert "the scatter of 9 units of the model HM lets expect 0.000196 to 0.000243 H" in problem.message


def test_the_ranges_hold_certified_machines() -> None:
    """A range that leaves out a machine with a published data sheet is too narrow.

    The figures are of the order of makers' tables of hub motors, from memory: 36 V, 250 W, 24 rad/s, no-load speed
    a fifth above it, 0.2 Ω between lines, 0.8 A at no load.
    """
    ranges = expected("motor", {"rated_voltage": 36.0, "rated_power": 250.0, "rated_speed": 24.0, "pole_pairs": 20.0})
    for name, value in {
        "emf_constant_dc": 36.0 / 29.0,
        "phase_resistance": 0.1,
        "no_load_current": 0.8,
        "pole_pair_ratio": 20.0,
        "efficiency_max": 0.82,
    }.items():
        assert ranges[name].low < value < ranges[name].high, name
