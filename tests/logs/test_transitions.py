"""Tables of single changes, read as the same capture sampled or dumped is.

The same capture is written in several ways: as rows of all channels, as a value change dump by another library
(pyvcd), and a row for each change of one channel.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rotorproof.errors import InputError
from rotorproof.logs.capture import read_reduced
from rotorproof.logs.table import read_table
from rotorproof.logs.unit_logs import _require
from rotorproof.physics import hall
from rotorproof.procedures import procedures
from rotorproof.settings.layout import Layout, LayoutColumn, Transitions
from rotorproof.uncertainty.coverage import interval
from tests.procedures.runs import outcome
from tests.simulation.gate_capture import CHANNELS, Capture, GateBench
from tests.simulation.hall import Sensors, hall_log
from tests.simulation.open_circuit import Machine, Scope

RATE = 24e6
SENSORS = ("hall_a", "hall_b", "hall_c")
LONG = Transitions(channel="Channel", level="Level")
TIME = LayoutColumn(column="Time", unit="s")


def layout(names: tuple[str, ...], **more: Any) -> Layout:
    levels = {name: LayoutColumn(column=name, unit="1") for name in names}
    return Layout(transitions=LONG, columns={"time": TIME, **levels}, **more)


def written(path: Path, rows: list[tuple[float, str, str]], head: str = "Time,Channel,Level") -> Path:
    path.write_text("\n".join([head, *(f"{t:.9f},{name},{level}" for t, name, level in rows)]) + "\n", encoding="utf-8")
    return path


def changes(capture: Capture) -> list[tuple[float, str, str]]:
    names = list(capture.initial)
    rows = [(0.0, name, str(level)) for name, level in capture.initial.items()]
    return rows + [(tick / RATE, names[channel], str(level)) for tick, channel, level in capture.events.tolist()]


def test_a_capture_of_gates_is_what_it_is_as_a_table_of_all_channels(tmp_path: Path) -> None:
    capture = GateBench().capture(0.05, RATE, np.random.default_rng(3), clock_error=3e-6)
    capture.write_csv(tmp_path / "wide.csv")
    written(tmp_path / "long.csv", changes(capture))
    procedure: Any = procedures()["gate-timing"]
    found = [
        read_reduced(
            tmp_path / name, how, procedure, procedure.reducer({"sample_rate": RATE}), shown=name, require=_require
        ).columns
        for name, how in (("wide.csv", Layout()), ("long.csv", layout(CHANNELS)))
    ]
    for name, values in found[0].items():
        # The end of a capture is no change, so this table does not hold it: the last sector and window are shorter.
        if name not in ("span", "gate_on_time", "window_duty", "window_middle"):
            np.testing.assert_allclose(found[1][name], values, atol=2e-9, rtol=1e-6, err_msg=name)


def test_sensors_by_transitions_have_intervals_as_good_as_sampled(tmp_path: Path) -> None:
    procedure = procedures()["hall-sensors"]
    log = hall_log(Sensors((62.0, 178.0, 301.0)), Machine(), Scope(50_000.0, 0.0, 0.0), np.random.default_rng(2))
    rows = [(float(log["time"][0]), s, f"{log[s][0]:.0f}") for s in SENSORS]
    for s in SENSORS:
        at = np.flatnonzero(np.diff(log[s])) + 1
        # Midway between two readings, where a change is on average.
        rows += [(float(log["time"][k] + log["time"][k - 1]) / 2, s, f"{log[s][k]:.0f}") for k in at]
    written(tmp_path / "long.csv", sorted(rows))
    read = read_table(
        tmp_path / "long.csv", layout(SENSORS), procedure.columns(), shown="long", time_ordered=True, minimum_rows=12
    ).columns
    sampled = {name: log[name] for name in ("time", *SENSORS)}
    one, other = (outcome(procedure, [(columns, {})]) for columns in (read, sampled))
    assert one.forms["hall_sequence"].value == other.forms["hall_sequence"].value
    for name in ("hall_placement_a", "hall_placement_b", "hall_placement_c", "hall_duty_error"):
        first, second = interval(one.forms[name]), interval(other.forms[name])
        assert first.high - first.low < 1.1 * (second.high - second.low)
        assert abs(one.forms[name].value - other.forms[name].value) < 0.2 * (second.high - second.low)
    # Changes of another channel stand between, as a dump and a table of transitions name the channel of each.
    at_times = read["time"]
    rng = np.random.default_rng(1)
    extra = np.sort(rng.uniform(at_times[0], at_times[-1], 4000)).tolist()
    written(tmp_path / "more.csv", sorted(rows + [(t, "D7", str(k % 2)) for k, t in enumerate(extra)]))
    moments = {round(t * 1e9): [] for t in [*extra, *(t for t, _, _ in rows)]}
    for k, t in enumerate(extra):
        moments[round(t * 1e9)].append(f"{k % 2}x")
    for t, name, level in rows:
        moments[round(t * 1e9)].append(level + name[-1])
    head = "$timescale 1 ns $end\n" + "".join(f"$var wire 1 {s[-1]} {s} $end\n" for s in SENSORS)
    head += "$var wire 1 x other $end\n$enddefinitions $end\n"
    body = "\n".join(line for at in sorted(moments) for line in (f"#{at}", *moments[at]))
    (tmp_path / "more.vcd").write_text(head + body + "\n", encoding="utf-8")
    for name, how in (("more.csv", layout(SENSORS)), ("more.vcd", Layout())):
        again = read_table(
            tmp_path / name, how, procedure.columns(), shown=name, time_ordered=True, minimum_rows=12
        ).columns
        assert hall.rows_of(again["time"], np.stack([again[s] for s in SENSORS])) == "by event"
        other = outcome(procedure, [(again, {})])
        for quantity in ("hall_placement_a", "hall_duty_error", "hall_jitter"):
            assert other.forms[quantity].value == pytest.approx(one.forms[quantity].value, abs=2e-5)
    # In a table of all channels nothing names them: rows at which no sensor changes, at no even pace, may be readings.
    time = np.unique(np.concatenate([read["time"], extra]))
    place = np.searchsorted(read["time"], time, side="right") - 1
    wide = {"time": time, **{s: read[s][place] for s in SENSORS}}
    third = outcome(procedure, [(wide, {})])
    for name in ("hall_placement_a", "hall_duty_error"):
        cover = interval(third.forms[name])
        assert cover.low < one.forms[name].value < cover.high
    assert "hall_jitter" not in third.forms


GOOD = [
    (0.0, "hall_a", "0"), (0.0, "hall_b", "1"), (0.0, "hall_c", "low"),
    (0.1, "hall_a", "High"), (0.2, "D7", "1"), (0.3, "hall_b", "falling"), (0.3, "hall_c", "1"), (0.4, "hall_a", "0"),
]  # fmt: skip


def test_rows_of_one_instant_are_one_and_levels_hold(tmp_path: Path) -> None:
    inverted = layout(SENSORS).model_copy(deep=True)
    assert inverted.columns is not None
    inverted.columns["hall_c"] = LayoutColumn(column="hall_c", unit="1", invert=True)
    found = read_table(
        written(tmp_path / "a.csv", GOOD), inverted, ["time", *SENSORS], shown="a", time_ordered=True, minimum_rows=2
    ).columns
    np.testing.assert_allclose(found["time"], [0.0, 0.1, 0.3, 0.4])
    np.testing.assert_array_equal(found["hall_a"], [0, 1, 1, 0])
    np.testing.assert_array_equal(found["hall_b"], [1, 1, 0, 0])
    np.testing.assert_array_equal(found["hall_c"], [1, 1, 0, 0])


def test_semicolons_commas_words_above_and_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rotorproof.logs.limits.BLOCK_BYTES", 64)
    rows = [f"{t:.6f}".replace(".", ",") + f";{name};{level}" for t, name, level in GOOD]
    text = "\n".join(["Analyser (invented)", "24 MHz", "Time;Channel;Level", *rows]) + "\n"
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    how = layout(SENSORS, delimiter=";", decimal=",", skip_rows=2)
    found = read_table(tmp_path / "a.csv", how, ["time", *SENSORS], shown="a", time_ordered=True, minimum_rows=2)
    np.testing.assert_allclose(found.columns["time"], [0.0, 0.1, 0.3, 0.4])


@pytest.mark.parametrize(
    ("rows", "line", "words"),
    [
        ([*GOOD, (0.35, "hall_a", "1")], 10, "time runs backwards"),
        ([*GOOD, (0.5, "hall_a", "perhaps")], 10, "'perhaps' is no level"),
        ([row for row in GOOD if row[1] != "hall_b"], None, "no row is of the channel 'hall_b'"),
        ([], None, "no row is of the channel"),
    ],
)
def test_what_is_wrong_is_named(
    rows: list[tuple[float, str, str]], line: int | None, words: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError) as caught:
        read_table(
            written(tmp_path / "a.csv", rows),
            layout(SENSORS),
            ["time", *SENSORS],
            shown="a",
            time_ordered=True,
            minimum_rows=2,
        )
    problem = caught.value.problems[0]
    assert words in problem.message
    assert problem.line == line


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"time": TIME}, "must name time and the channels"),
        ({"time": TIME, "speed": LayoutColumn(column="n", unit="rpm")}, "is no logic level"),
        ({"time": TIME, "hall_a": LayoutColumn(column="a", unit="V", threshold=1)}, "levels already"),
    ],
)
def test_what_a_layout_of_transitions_must_say(columns: dict[str, LayoutColumn], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Layout(transitions=LONG, columns=columns)
