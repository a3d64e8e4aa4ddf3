"""Every error of a bench that once passed unseen, put into a log of the demonstration: found, and named right.

Each unit goes the way of a report, from readings in SI to results with their problems; the same tests as they are
raise nothing. What is said is looked for in the problems, which are printed under the verdict.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rotorproof.decision.models import Results
from rotorproof.decision.reasons import doubt
from rotorproof.logs.unit_logs import read_unit
from rotorproof.settings.documents import read_document
from rotorproof.settings.layout import Layout
from rotorproof.settings.unit import UnitFile
from tests.benchmarks.doubt import results_of
from tests.benchmarks.slip_kinds import Bench

RAW = Path(__file__).parents[2] / "raw"
RPM = 60 / (2 * math.pi)
Columns = dict[str, np.ndarray]
_PAIRS = ("ab", "bc", "ca")
_VOLTS = tuple(f"voltage_{pair}" for pair in _PAIRS)


@dataclass(frozen=True)
class Error:
    """One error: its name, the tests of the demonstration that it is put into, how, and the words that name it.

    ``lost`` are quantities that must not come out; ``doubted`` tells whether a line stands beside the verdict.
    """

    name: str
    tests: tuple[str, ...]
    change: Callable[[Bench], None]
    words: str
    lost: tuple[str, ...] = ()
    doubted: bool = True
    unit: str = "AL-M1"


@cache
def _read(unit: str, tests: tuple[str, ...]) -> tuple[dict[str, Any], list[Columns]]:
    data = read_document(RAW / unit / "unit.yaml").data
    data["tests"] = [test for test in data["tests"] if test["procedure"] in tests or test.get("label") in tests]
    model = UnitFile.model_validate(data)
    read = read_unit(unit, RAW / unit, model.tests, {"plain": Layout()})
    return data, [dict(columns or {}) for columns in read.columns]


def bench(unit: str, tests: tuple[str, ...]) -> Bench:
    data, logs = _read(unit, tests)
    return Bench([dict(log) for log in logs], deepcopy(data))


@cache
def sound(unit: str, tests: tuple[str, ...]) -> Results:
    made = bench(unit, tests)
    return results_of(made.unit, made.logs)


def times(procedure: str, factor: float, *columns: str) -> Callable[[Bench], None]:
    return lambda made: made.scale(procedure, columns, factor)


def columns(procedure: str, change: Callable[[Columns], Mapping[str, np.ndarray]]) -> Callable[[Bench], None]:
    def put(made: Bench) -> None:
        for place in made.places(procedure):
            made.logs[place] |= change(made.logs[place])

    return put


def condition(procedure: str, name: str, value: str) -> Callable[[Bench], None]:
    def put(made: Bench) -> None:
        for place in made.places(procedure):
            stated = made.tests[place].get("conditions")
            if isinstance(stated, dict) and name in stated:
                stated[name] = value

    return put


def ambient(made: Bench) -> None:
    made.unit["ambient"] = {"temperature": "70 degC"}


def braked(made: Bench) -> None:
    """A controller that regenerates on release: thirty times as fast, a current that drives backwards."""
    for place in made.places("coast-down"):
        log = made.logs[place]
        log["time"] = log["time"] / 30
        log["supply_current"] = np.where(log["speed"] > 0.2 * log["speed"].max(), -8.0, 0.0)
        made.tests[place]["instruments"] = {"supply_current": "meters"}


def milli(log: Columns) -> Mapping[str, np.ndarray]:
    """The columns of mV and A exchanged and read under each other's unit."""
    return {
        name: values
        for pair in _PAIRS
        for name, values in (
            (f"voltage_{pair}", log[f"current_{pair}"] * 1e-3),
            (f"current_{pair}", log[f"voltage_{pair}"] * 1e3),
        )
    }


def exchanged(log: Columns) -> Mapping[str, np.ndarray]:
    return {"supply_voltage": log["supply_current"], "supply_current": log["supply_voltage"]}


def by_speed(log: Columns) -> Mapping[str, np.ndarray]:
    """Torque per ampere that falls by a tenth from the slowest to the fastest of three characteristics."""
    share = (log["speed"] - log["speed"].min()) / np.ptp(log["speed"])
    # Full throttle at three voltages: the current of the supply is that of the motor.
    return {"torque": log["torque"] * (1.0 - 0.1 * share), "duty": np.ones(share.size)}


def above_all(log: Columns) -> Mapping[str, np.ndarray]:
    """A third of the points above 100 %."""
    torque = log["torque"].copy()
    torque[log["torque"] > 5] *= 1.35
    return {"torque": torque}


def one_row(row: int, name: str) -> Callable[[Columns], Mapping[str, np.ndarray]]:
    def change(log: Columns) -> Mapping[str, np.ndarray]:
        values = log[name].copy()
        values[row] *= 10
        return {name: values}

    return change


def padded(log: Columns) -> Mapping[str, np.ndarray]:
    return {name: np.append(values, np.zeros(12)) for name, values in log.items()}


def under_load(log: Columns) -> Mapping[str, np.ndarray]:
    """A propeller: torque as the square of the speed, up to five times the friction."""
    share = (log["speed"] / log["speed"].max()) ** 2
    return {"supply_current": log["supply_current"] + 4.0 * share}


def constant_load(log: Columns) -> Mapping[str, np.ndarray]:
    return {"supply_current": log["supply_current"] + np.where(log["speed"] > 0, 6.0, 0.0)}


def too_little(log: Columns) -> Mapping[str, np.ndarray]:
    """A current probe whose zero is off by all that a free motor takes."""
    return {"supply_current": log["supply_current"] - np.where(log["speed"] > 0, 0.5, 0.0)}


def fahrenheit(log: Columns) -> Mapping[str, np.ndarray]:
    return {name: 1.8 * log[name] + 32.0 for name in log if name.startswith("temperature")}


ERRORS = [
    Error("no-load current too small", ("winding-resistance", "no-load"), columns("no-load", too_little),
          "Coulomb friction.*cannot be.*a current", ("coulomb_friction",)),
    Error("braked run-down taken for a coast-down", ("no-load", "coast-down"), braked,
          "braked", ("moment_of_inertia",), doubted=False),
    Error("no-load run under a propeller", ("winding-resistance", "no-load"), columns("no-load", under_load),
          "under load|propeller", ("coulomb_friction",), doubted=False),
    Error("no-load run under a steady load", ("winding-resistance", "no-load"), columns("no-load", constant_load),
          "under load", doubted=False),
    Error("torque per ampere that differs by speed", ("load",), columns("load", by_speed),
          "torque over DC current.*(twist|bend)", doubted=False),
    Error("load points above 100 percent", ("load",), columns("load", above_all),
          "more comes out than goes in|above 100", ("efficiency_max",)),
    Error("70 degF of the winding typed as degC", ("winding-resistance",),
          condition("winding-resistance", "winding_temperature", "70 degC"), "°F written as °C"),
    Error("70 degF of the room typed as degC", ("winding-resistance",), ambient, "°F written as °C"),
    Error("a heat run in degF", ("heat-run",), columns("heat-run", fahrenheit), "°F written as °C"),
    Error("mV and A exchanged and relabelled", ("winding-resistance",), columns("winding-resistance", milli),
          "current exchanged"),
    Error("supply columns exchanged", ("no-load",), columns("no-load", exchanged), "exchanged"),
    Error("x10 probe on every channel", ("60rpm", "no-load"), times("open-circuit", 0.1, *_VOLTS),
          r"×10 probe|ten times too small"),
    Error("x10 probe on one channel", ("60rpm", "no-load"), times("open-circuit", 0.1, "voltage_bc"),
          r"×10 probe|ten times too small|tenth"),
    Error("x10 probe on a record of position sensors", ("hall-sensors", "no-load"),
          times("hall-sensors", 0.1, *_VOLTS), r"×10 probe|ten times too small"),
    Error("rpm as rad/s without a second test", ("60rpm",), times("open-circuit", RPM, "speed"),
          "rpm written as rad/s|rpm and rad/s"),
    Error("kg as N", ("locked-rotor", "no-load"), times("locked-rotor", 1 / 9.80665, "torque"), r"9\.81"),
    Error("an added inertia ten times too large", ("no-load", "coast-down", "winding-resistance"),
          condition("coast-down", "added_inertia", "0.500 +/- 0.002 kg m^2"), "inertia is ten times too large"),
    Error("a tenfold slip in one torque reading", ("load",), columns("load", one_row(9, "torque")), r"reading 10\b"),
    Error("zero rows of a logger's padding", ("no-load",), columns("no-load", padded), "rows are zero|rows of zeros"),
]  # fmt: skip


@pytest.mark.parametrize("error", ERRORS, ids=lambda error: error.name)
def test_an_error_is_found_and_named_right(error: Error) -> None:
    good = sound(error.unit, error.tests)
    assert doubt(good) == "", "the tests as they are raise no doubt"
    said = [problem.slip or problem.message for problem in good.problems]
    assert not any(re.search(error.words, text) for text in said)
    assert set(error.lost) <= set(good.quantities)
    made = bench(error.unit, error.tests)
    error.change(made)
    found = results_of(made.unit, made.logs)
    texts = [problem.slip or problem.message for problem in found.problems]
    assert any(re.search(error.words, text) for text in texts), texts
    assert not set(error.lost) & set(found.quantities)
    assert bool(doubt(found)) == error.doubted


#: Those that are held elsewhere, by readings made for them.
ELSEWHERE = {
    "standby power found by an iteration that diverges": (
        "procedures/test_no_load.py::test_standby_power_is_never_negative"
    ),
    "torque per ampere that differs by speed, from its formula": (
        "fitting/test_adequacy.py::test_a_slope_that_changes_with_another_column_is_found"
    ),
    "nine of 26 load points above 100 percent": (
        "procedures/test_what_a_test_is_not.py::test_nine_of_26_points_above_100_percent_leave_no_efficiency"
    ),
    "one quantity that cannot be followed costs itself alone": (
        "fitting/test_engine.py::test_a_quantity_that_cannot_be_followed_costs_itself_alone"
    ),
    "a sound controller that falls to its standby": (
        "procedures/test_throttle.py::test_a_sound_controller_that_falls_to_its_standby_passes"
    ),
    "a count on a noisy scope": "procedures/test_throttle.py::test_a_count_is_whole_on_a_noisy_scope",
    "a sweep up and back, twice": "procedures/test_throttle.py::test_two_sweeps_are_read_by_their_own_turns",
    "a spring scale of percent of range alone": (
        "uncertainty/test_specification.py::test_percent_of_range_alone_may_be_gain_as_well_as_offset"
    ),
    "kilograms and a factor of ten on a lever": (
        "checking/test_slips.py::test_kilograms_typed_as_newtons_and_a_tenfold_scale"
    ),
    "a reading of a record off by ten": "checking/test_slips.py::test_one_reading_of_a_record_is_off_by_ten",
}


@pytest.mark.parametrize("place", ELSEWHERE.values(), ids=ELSEWHERE)
def test_an_error_has_its_test(place: str) -> None:
    file, _, name = place.partition("::")
    assert f"\ndef {name}(" in (Path(__file__).parents[1] / file).read_text(encoding="utf-8")


def test_a_gain_within_percent_of_range_lies_within_the_interval() -> None:
    """A torque sensor of 1 % of 60 N m that reads 0.9 % steep: its statement allows it, so the interval holds it."""
    made = bench("AL-M1", ("locked-rotor",))
    instruments = made.unit["instruments"]
    assert isinstance(instruments, dict)
    instruments["brake"]["accuracy"] = {"torque": {"range": "60 N m", "accuracy": "1 % of range"}}
    true = results_of(made.unit, made.logs).quantities["torque_constant"]
    made.scale("locked-rotor", ("torque",), 1.009)
    steep = results_of(made.unit, made.logs).quantities["torque_constant"]
    low, high = steep.interval
    assert low < true.value < high
    assert steep.value == pytest.approx(1.009 * true.value, rel=1e-4)
