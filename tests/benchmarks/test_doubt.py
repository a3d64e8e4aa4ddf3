"""The study of slips: its interval of a share, and that every kind changes what it says."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from tests.benchmarks.doubt import share
from tests.benchmarks.slip_kinds import CONTROLLER_KINDS, KINDS, Bench, Kind, names

PAIRS = ("ab", "bc", "ca")


def bench() -> Bench:
    """Return a few readings of every log that a slip may touch."""
    ones = np.linspace(1.0, 2.0, 9)
    columns = {f"{kind}_{pair}": ones for kind in ("voltage", "current") for pair in PAIRS}
    columns |= dict.fromkeys(
        ("time", "speed", "torque", "angle", "supply_voltage", "supply_current", "temperature_winding"), ones
    )
    columns |= {f"inductance_{pair}": ones for pair in PAIRS}
    procedures = ("winding-resistance", "open-circuit", "hall-sensors", "no-load", "coast-down", "cogging",
                  "locked-rotor", "load", "heat-run", "winding-inductance")  # fmt: skip
    tests: list[dict[str, object]] = [{"procedure": name, "log": f"{name}.csv"} for name in procedures]
    tests[0]["conditions"] = {"winding_temperature": "21.0 degC"}
    tests[4]["conditions"] = {"added_inertia": "0.05000 +/- 0.00020 kg m^2"}
    plate = {"rated_voltage": "36 V", "rated_speed": "230 rpm", "pole_pairs": 20}
    unit: dict[str, object] = {"tests": tests, "nameplate": plate, "ambient": {"temperature": "21.0 degC"}}
    return Bench([dict(columns) for _ in procedures], unit)


def controller() -> Bench:
    """Return a few readings of every log of a controller that a slip may touch."""
    ones = np.linspace(1.0, 2.0, 9)
    common = dict.fromkeys(("time", "supply_voltage", "supply_current", "throttle", "current_a", "current_b"), ones)
    procedures = ("supply-window", "throttle", "current-limit", "controller-loss", "controller-loss")
    tests: list[dict[str, object]] = [{"procedure": name, "log": f"{k}.csv"} for k, name in enumerate(procedures)]
    logs = [dict(common) for _ in procedures]
    logs[3]["phase_power"] = ones
    plate = {"rated_voltage": "36 V", "supply_current_limit": "15 A"}
    return Bench(logs, {"tests": tests, "nameplate": plate})


def _changes_something(kind: Kind, drawn: Callable[[], Bench]) -> None:
    for seed in range(12):
        sound, slipped = drawn(), drawn()
        what, pattern = kind.put(slipped, np.random.default_rng(seed))
        assert what
        assert pattern
        changed = sound.unit != slipped.unit or any(
            not np.array_equal(before[name], after[name])
            for before, after in zip(sound.logs, slipped.logs, strict=True)
            for name in before
        )
        assert changed or "exchanged" in what  # the columns are alike here


@pytest.mark.parametrize("kind", CONTROLLER_KINDS)
def test_every_kind_of_a_controller_changes_something(kind: str) -> None:
    _changes_something(CONTROLLER_KINDS[kind], controller)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_changes_something(kind: str) -> None:
    _changes_something(KINDS[kind], bench)


def test_words_that_name_another_slip_do_not_count() -> None:
    assert names("supply current is ten times too small (a decimal)", r"current.*ten times")
    assert not names("supply voltage is ten times too small", r"current.*ten times")


def test_the_interval_of_a_share() -> None:
    """8 of 10: 49.0 % to 94.3 % by Wilson's formula (a textbook example, from memory)."""
    assert share(8, 10) == "8 of 10: 80.0 % (49.0 % to 94.3 %)"
