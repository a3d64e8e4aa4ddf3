"""What the readings of one test say of a constant that another gives: units of the independent bench.

Their logs come from a bridge solved in time that shares no formula with the program.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import numpy as np
import pytest

from rotorproof.procedures.base import Log
from rotorproof.witness.crossed import fed, full_share, locked_out
from tests.benchmarks.doubt import Fitted, pairs
from tests.benchmarks.slip_kinds import Bench

MOTOR = ("winding-resistance", "winding-inductance", "load", "locked-rotor", "heat-run")
CONTROLLER = ("supply-window", "controller-loss", "current-limit")
LINES = tuple(f"inductance_{pair}" for pair in ("ab", "bc", "ca"))


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Bench]:
    """One motor and its controller, with those of their tests that are compared here."""
    found = {}
    for _, unit, logs in pairs(80, 0, tmp_path_factory.mktemp("bench"), together=1):
        wanted = MOTOR if unit["kind"] == "motor" else CONTROLLER
        kept = [k for k, test in enumerate(unit["tests"]) if test["procedure"] in wanted]
        unit["tests"] = [unit["tests"][k] for k in kept]
        found[unit["kind"]] = Bench([logs[k] for k in kept], unit)
    return found


def put(bench: Bench, slip: Callable[[Bench], None]) -> Bench:
    slipped = Bench([dict(log) for log in bench.logs], deepcopy(bench.unit))
    slip(slipped)
    return slipped


def scaled(procedure: str, names: tuple[str, ...], factor: float) -> Callable[[Bench], None]:
    return lambda bench: bench.scale(procedure, names, factor)


def standby(bench: Bench, factor: float) -> None:
    (place,) = (k for k in bench.places("controller-loss") if "phase_power" not in bench.logs[k])
    bench.logs[place]["supply_current"] = factor * bench.logs[place]["supply_current"]


def exchanged(bench: Bench) -> None:
    (place,) = bench.places("heat-run")
    log = bench.logs[place]
    log["supply_voltage"], log["supply_current"] = log["supply_current"], log["supply_voltage"]


SLIPS: list[tuple[str, Callable[[Bench], None], str]] = [
    ("motor", scaled("winding-inductance", LINES, 10.0), "inductance (every column) is ten times too large"),
    ("motor", exchanged, "supply voltage and supply current are exchanged"),
    ("controller", functools.partial(standby, factor=10.0), "supply current is ten times too large"),
    ("controller", functools.partial(standby, factor=0.1), "supply current is ten times too small"),
    ("controller", scaled("current-limit", ("current_a", "current_b"), 10.0), "ten times too large"),
    ("controller", scaled("current-limit", ("supply_current",), 10.0), "supply current is ten times too large"),
]


@pytest.mark.parametrize("kind", ["motor", "controller"])
def test_sound_readings_agree(drawn: dict[str, Bench], kind: str) -> None:
    bench = drawn[kind]
    assert Fitted(bench.unit, bench.logs).judged().line == ""


@pytest.mark.parametrize(("kind", "slip", "words"), SLIPS)
def test_a_slip_of_ten_is_named(drawn: dict[str, Bench], kind: str, slip: Callable[[Bench], None], words: str) -> None:
    slipped = put(drawn[kind], slip)
    found = Fitted(slipped.unit, slipped.logs).judged()
    assert any(words in str(problem.slip) for problem in found.problems), found.said


def heated(**columns: Any) -> dict[int, Log]:
    warm = np.linspace(20.0, 80.0, 13)
    made = {"temperature_winding": warm, "supply_current": np.full(13, 10.0), **columns}
    return {0: Log("heat-run", made)}


def test_a_winding_at_rest_is_known_by_its_copper() -> None:
    """Resistance over temperature by IEC 60034-1: (235 + T)/(235 + 20)."""
    copper = 2.0 * (235.0 + np.linspace(20.0, 80.0, 13)) / 255.0
    plate = {"rated_voltage": 36.0}
    assert fed(heated(supply_voltage=10.0 * copper), [0], plate) == pytest.approx(1.0)
    # A controller on a supply of 24 V, and a motor that it turns.
    assert fed(heated(supply_voltage=np.full(13, 24.0)), [0], plate) is None
    assert fed(heated(supply_voltage=10.0 * copper, speed=np.ones(13)), [0], plate) is None


def test_a_bridge_at_full_duty_passes_the_current_on() -> None:
    blocks = np.array([20.0, -20.0, 0.0] * 20)
    columns = {"current_a": blocks, "current_b": np.roll(blocks, 1), "supply_current": np.full(60, 20.0)}
    found = full_share(Log("current-limit", columns))
    assert found is not None
    assert found[0] == pytest.approx(1.0)
    assert full_share(Log("current-limit", {"supply_current": blocks})) is None


def test_the_power_while_locked_out() -> None:
    volt = np.linspace(20.0, 40.0, 100)
    ampere = np.where(volt > 30.0, 1.3, 0.1)
    found = locked_out(Log("supply-window", {"supply_voltage": volt, "supply_current": ampere}))
    assert found is not None
    assert found[0] == pytest.approx(2.5, rel=0.02)
    assert locked_out(Log("supply-window", {"supply_voltage": volt})) is None
