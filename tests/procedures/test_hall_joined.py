"""Position sensors by instruments of too few channels: captures joined through whatever two of them hold.

Truth: the seats that the invented sensors were given (``tests/simulation/hall.py``), in captures taken one after the
other at other speeds and other moments; on the kitchen-table bench the same by ``definitions.sensors`` of the
independent bench, which knows no fit.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome
from rotorproof.logs.table import read_table
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.layout import Layout, LayoutColumn
from rotorproof.uncertainty.coverage import interval
from tests.procedures.runs import outcome
from tests.simulation.hall import Sensors, hall_log
from tests.simulation.independent import definitions
from tests.simulation.kitchen.bench import Table, scope_beside_levels, sensors_by_analyser
from tests.simulation.kitchen.units import DIRECT, GEARED
from tests.simulation.open_circuit import Machine, Scope

PROCEDURE = procedures()["hall-sensors"]
PLACES = (58.0, 185.0, 300.0)  # 60, 180 and 300 degrees behind A-B, out of place by -2, 5 and 0
FORWARD = {"driven_direction": 0.0}

TWO_CHANNELS = [
    ("voltage_ab", "hall_a"),
    ("voltage_ab", "hall_b"),
    ("voltage_ab", "hall_c"),
    ("voltage_ab", "voltage_bc"),
]
THREE_SENSORS = ("hall_a", "hall_b", "hall_c")
BY_A_LEVEL = [THREE_SENSORS, ("voltage_ab", "hall_b"), ("voltage_bc", "hall_b")]
BY_A_CHAIN = [THREE_SENSORS, ("voltage_ab", "hall_c"), ("voltage_ab", "voltage_bc")]


def _captures(channels: list[tuple[str, ...]], seed: int = 1) -> list[dict[str, np.ndarray]]:
    rng = np.random.default_rng(seed)
    sensors, machine = Sensors(PLACES, jitter=0.3), Machine()
    made = []
    for number, names in enumerate(channels):
        log = hall_log(sensors, machine, Scope(), rng, speed_rpm=60.0 + 7.0 * number, seconds=1.0)
        made.append({name: log[name] for name in ("time", *names)})
    return made


def _run(captures: list[dict[str, np.ndarray]], *conditions: dict[str, float]) -> Outcome:
    stated = conditions or [FORWARD] * len(captures)
    return outcome(PROCEDURE, list(zip(captures, stated, strict=True)))


@pytest.mark.parametrize("channels", [TWO_CHANNELS, BY_A_LEVEL, BY_A_CHAIN])
def test_captures_of_few_channels_give_the_table_of_one_of_six(channels: list[tuple[str, ...]]) -> None:
    whole = _run(_captures([("voltage_ab", "voltage_bc", "voltage_ca", *THREE_SENSORS)]), {})
    found = _run(_captures(channels))
    for name in ("commutation_table", "hall_sequence", "hall_spacing"):
        assert found.forms[name].value == whole.forms[name].value
    mean = np.mean(np.array(PLACES) - (60, 180, 300))
    for sensor, place, ideal in zip("abc", PLACES, (60.0, 180.0, 300.0), strict=True):
        cover = interval(found.forms[f"hall_placement_{sensor}"])
        assert np.degrees(cover.low) - 0.2 < place - ideal - mean < np.degrees(cover.high) + 0.2
    # Behind the place at which a six-step drive should commutate, by as much as the seats are on the mean.
    cover = interval(found.forms["hall_offset"])
    assert np.degrees(cover.low) - 0.2 < mean < np.degrees(cover.high) + 0.2
    assert f"{len(channels)} captures were joined" in " ".join(found.report.notes)


def test_what_joining_leaves_open_is_in_the_budget() -> None:
    found = _run(_captures(BY_A_CHAIN))
    shares = {i.source: abs(c) for i, c in found.forms["hall_offset"].terms.items() if i.source.startswith("joining")}
    # Two captures of some twenty turns: edges that scatter by 0.3 degrees, between readings half a degree apart.
    assert 0.02 < np.degrees(shares["joining of the captures"]) < 0.5
    # The sensors were seen together, so their places among each other know nothing of it.
    assert not [i for i in found.forms["hall_placement_b"].terms if i.source.startswith("joining")]


def test_without_a_direction_there_is_no_table_but_what_one_capture_shows() -> None:
    found = _run(_captures(BY_A_LEVEL), {}, FORWARD, FORWARD)
    assert "hall_placement_a" in found.forms
    assert "commutation_table" not in found.forms
    assert "driven_direction" in found.fit.missing["commutation_table"]
    found = _run(_captures(TWO_CHANNELS), {}, {}, {}, {})
    assert "driven_direction" in found.fit.missing["hall_placement_a"]


def test_what_cannot_be_joined() -> None:
    with pytest.raises(FitError, match="captures 2 and 3 have no sensor and no line in common"):
        _run(_captures([("voltage_ab", "hall_a"), ("voltage_bc", "hall_b"), ("voltage_ca", "hall_c")]))
    with pytest.raises(FitError, match="sensor C was not captured"):
        _run(_captures([("voltage_ab", "hall_a"), ("voltage_ab", "hall_b")]))
    with pytest.raises(FitError, match="in both directions"):
        _run(_captures(BY_A_LEVEL), FORWARD, FORWARD, {"driven_direction": 1.0})


def test_one_line_alone_tells_no_order_of_the_lines() -> None:
    found = _run(_captures([THREE_SENSORS, ("voltage_ab", "hall_b")]))
    assert "only one line voltage" in found.fit.missing["commutation_table"]


def test_a_level_upside_down_in_one_capture_is_seen_where_two_channels_join_it() -> None:
    captures = _captures([THREE_SENSORS, ("voltage_ab", "hall_a", "hall_b"), ("voltage_ab", "voltage_bc")])
    captures[1]["hall_b"] = 1 - captures[1]["hall_b"]
    with pytest.raises(FitError, match="agree in the angle of sensor A and of sensor B only within 180"):
        _run(captures)


def test_a_line_of_the_wrong_polarity_is_seen_where_another_capture_holds_a_second() -> None:
    captures = _captures(BY_A_LEVEL)
    captures[2]["voltage_bc"] = -captures[2]["voltage_bc"]
    with pytest.raises(FitError, match="60 electrical degrees apart instead of 120"):
        _run(captures)


@pytest.mark.parametrize("motor", [DIRECT, GEARED])
def test_scope_and_analyser_on_the_kitchen_table(motor, tmp_path: Path) -> None:
    # Seeds 100 to 124, two motors each: 9 of 350 intervals missed the truth, none of them that of the offset.
    table = Table(np.random.default_rng(7))
    sensors_by_analyser(tmp_path / "halls.vcd", motor, table.rng)
    scope_beside_levels(tmp_path, motor, table)
    volts = LayoutColumn(column=3, unit="V", threshold=2.5)
    layouts = {
        f"scope-a-{pair}.csv": Layout(
            skip_rows=6,
            header=False,
            columns={
                "time": LayoutColumn(column=1, unit="s"),
                f"voltage_{pair}": LayoutColumn(column=2, unit="V", invert=pair == "bc"),
                "hall_a": volts,
            },
        )
        for pair in ("ab", "bc")
    } | {"halls.vcd": Layout(columns={n: LayoutColumn(column=f"D{k}", unit="1") for k, n in enumerate(THREE_SENSORS)})}
    read = [
        read_table(tmp_path / log, layout, PROCEDURE.columns(), shown=log, time_ordered=True, minimum_rows=12).columns
        for log, layout in layouts.items()
    ]
    accuracy = {"time": "0.005 %", "voltage_ab": "2 % + 0.08 V", "voltage_bc": "2 % + 0.08 V"}
    found = outcome(PROCEDURE, [(columns, FORWARD) for columns in read], accuracy)
    true = definitions.sensors(motor)
    assert found.forms["commutation_table"].value == true["commutation_table"]
    missed = []
    for name, form in found.forms.items():
        factor = {"number": 1.0, "ratio": 100.0, "angle": 180 / np.pi}[
            next(q.kind for q in PROCEDURE.quantities if q.name == name)
        ]
        cover = interval(form)
        if not factor * cover.low - 1e-9 <= true[name] <= factor * cover.high + 1e-9:
            missed.append(name)
    assert set(found.forms) == set(PROCEDURE.gives)
    assert len(missed) <= 1


def test_the_check_says_before_the_test_what_the_captures_do_not_tell() -> None:
    def lacks(*channels: tuple[str, ...], stated: dict[str, float]) -> dict[str, tuple[str, ...]]:
        logs = [Log("x", {name: np.ones(1) for name in ("time", *names)}, stated) for names in channels]
        return {lack.why: lack.quantities for lack in PROCEDURE.lacks(logs, ())}

    assert lacks(*BY_A_LEVEL, stated=FORWARD) == {}
    ((why, of),) = lacks(*BY_A_LEVEL, stated={}).items()
    assert "driven_direction" in why
    assert of == ("hall_offset", "commutation_table")
    ((why, of),) = lacks(THREE_SENSORS, stated={}).items()
    assert "no line voltages" in why
    ((why, of),) = lacks(("hall_a", "voltage_ab"), ("hall_b", "voltage_ab"), stated=FORWARD).items()
    assert "sensor C" in why
    assert of == ()
