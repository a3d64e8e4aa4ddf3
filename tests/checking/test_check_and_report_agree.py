"""What the report will refuse or leave out, the check says before, in the same words."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from rotorproof.__main__ import main
from rotorproof.checking.missing import missing
from rotorproof.checking.ungiven import ungiven
from rotorproof.commands import _project
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.settings.unit import Nameplate, UnitFile
from tests.errors.bench import HEADER, Bench, log_text, process
from tests.errors.catalogue import timed


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setattr(_project, "ROOT", tmp_path)
    return Bench(tmp_path).build()


_SCRIPTS = {**os.environ, "PYTHONPATH": str(Path(_project.__file__).parents[2])}


def said(bench, capsys):
    """Return what the check prints of the unit BAD, and the messages of its report."""
    main(["check", "BAD"])
    return capsys.readouterr().out, [problem["message"] for problem in process(bench.root).problems["BAD"]]


def test_a_misspelt_column_is_named_and_only_what_is_missing(bench, capsys):
    bench.edit("raw/BAD/steps.csv", "voltage_ab", "votlage_ab")
    out, messages = said(bench, capsys)
    words = "no column of this name is known, so it is left out; did you mean voltage_ab?"
    assert f"column 'votlage_ab': {words}" in out
    assert words in messages
    assert "looks plausible" not in out
    assert any("the log has no voltage_ab; measure" in message for message in messages)


def test_a_winding_temperature_that_is_nowhere_is_an_error(bench, capsys):
    bench.edit("raw/BAD/unit.yaml", "    conditions: {winding_temperature: 24.0 degC}\n", "")
    assert main(["check", "BAD"]) == 1
    out, messages = said(bench, capsys)
    words = "the winding temperature is not stated; give it as the condition 'winding_temperature' or as the column"
    assert f"column 'temperature_winding': {words}" in out
    assert any(words in message for message in messages)
    assert f"missing: no test gives phase_resistance; {words}" in out
    assert "looks plausible" not in out


def test_a_line_pair_without_its_voltage_is_a_warning(bench, capsys):
    lines = [line.split(",") for line in log_text().splitlines()]
    (bench.bad / "steps.csv").write_text("\n".join(",".join(row[:2] + row[3:]) for row in lines) + "\n")
    assert main(["check", "BAD"]) == 0
    out, messages = said(bench, capsys)
    words = "the log has no voltage_bc; measure this line pair too"
    assert f"warning: BAD/steps.csv, column 'voltage_bc': {words}" in out
    assert any(words in message for message in messages)
    assert f"missing: no test gives resistance_unbalance; {words}" in out


def unit_of(*tests):
    return UnitFile.model_validate({"unit": "M", "kind": "motor", "tests": list(tests)})


INERTIA = {"added_inertia": "0.05 kg m^2"}


@pytest.mark.parametrize(
    ("coasts", "others", "told"),
    [
        ([{}], [], False),
        ([INERTIA], [], False),
        ([{}, INERTIA], [], True),
        ([{"moment_of_inertia": "0.1 kg m^2"}], [], True),
        ([{}], [{"line_resistance": "0.24 ohm", "winding_temperature": "20 degC"}], True),
        # A run without load gives no torques where nothing tells the winding's resistance.
        ([{}], [{}], False),
    ],
)
def test_what_a_coast_down_gives_without_an_inertia(coasts, others, told):
    """J a = T: one deceleration tells T/J alone; two with a known difference of J, or a known T, tell both."""
    tests = [{"procedure": "coast-down", "log": f"{i}.csv", "conditions": c} for i, c in enumerate(coasts)]
    unit = unit_of(*tests, *({"procedure": "no-load", "log": "o.csv", "conditions": c} for c in others))
    found = ungiven(unit, [["time", "speed"]] * len(unit.tests))
    assert [p.severity for p in found.problems[0]] == ([] if told else ["warning"])
    limits = AcceptanceSet.model_validate({"criteria": [{"quantity": "moment_of_inertia", "max": "1 kg m^2"}]})
    lines = missing(unit, limits, ungiven=found.why)
    assert any("a single coast-down gives friction over inertia only" in line for line in lines) != told


def braked() -> str:
    """Return a load run of a motor of 0.9 N m/A on 36 V, 0.24 ohm between lines and 0.4 N m of friction."""
    rows = ["torque [N m],speed [rad/s],supply_voltage [V],supply_current [A]"]
    for torque in range(1, 13):
        current = (torque + 0.4) / 0.9
        rows.append(f"{torque},{(36 - 0.24 * current) / 0.9:.5f},36.00,{current:.5f}")
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize("stated", [False, True])
def test_a_torque_at_rated_power_without_a_rated_power(bench, capsys, stated):
    (bench.bad / "load.csv").write_text(braked())
    bench.edit("raw/BAD/unit.yaml", "acceptance:", "  - {procedure: load, log: load.csv}\nacceptance:")
    limits = bench.root / "config/acceptance/small.yaml"
    limits.write_text(limits.read_text() + "  - {quantity: rated_torque, min: 4 N m}\n")
    if stated:
        bench.edit("raw/BAD/unit.yaml", "nameplate:\n", "nameplate:\n  rated_power: 250 W\n")
    out, messages = said(bench, capsys)
    words = "the nameplate states no rated power; add 'rated_power' to the unit file"
    found = (
        f"warning: BAD/load.csv: {words}" in out,
        f"missing: no test gives rated_torque; {words}" in out,
        any(words in message for message in messages),
        "rated_torque" not in process(bench.root).results["BAD"]["quantities"],
        not any("load.csv" in line and "looks plausible" in line for line in out.splitlines()),
    )
    assert found == (not stated,) * 5


COUNTED = {"procedure": "open-circuit", "log": "o.csv", "conditions": {"speed": "100 rpm"}}
RECORD = {
    "procedure": "telemetry",
    "log": "t.csv",
    "conditions": {"transform": "rms", "speed_kind": "electrical", "winding_temperature": "20 degC"},
}
STEPS, LINES = ["time", "voltage_q", "current_q", "voltage_d", "current_d", "speed"], ["time", "voltage_ab"]


@pytest.mark.parametrize(
    ("tests", "nameplate", "told"),
    [
        ([], {}, False),
        ([], {"pole_pairs": 23}, True),
        ([COUNTED], {}, True),
        # Without a speed nothing counts them, so what needs them lacks them.
        ([{**COUNTED, "conditions": {}}], {}, False),
    ],
)
def test_pole_pairs_of_the_nameplate_or_of_another_test(tests, nameplate, told):
    unit = unit_of(RECORD, *tests).model_copy(update={"nameplate": Nameplate.model_validate(nameplate)})
    found = ungiven(unit, [STEPS, *([LINES] * len(tests))])
    assert (("telemetry", "torque_constant_q") not in found.why) == told
    assert [p.severity for p in found.problems[0]] == ([] if told else ["error"])


def test_what_the_parts_of_a_drive_state_and_give_is_known():
    drive = UnitFile.model_validate(
        {"unit": "D", "kind": "drive", "parts": {"motor": "M", "controller": "C"}, "tests": [RECORD]}
    )
    silent, counted = unit_of(), unit_of(COUNTED)
    stated = silent.model_copy(update={"nameplate": Nameplate(pole_pairs=23)})
    controller = stated.model_copy(update={"kind": "controller"})
    lacking = [bool(ungiven(drive, [STEPS], [part]).why) for part in (silent, counted, stated, controller)]
    assert lacking == [True, False, False, True]


def test_unknown_columns_with_a_unit_are_listed_and_remarks_are_not(bench, capsys):
    lines = log_text().splitlines()
    rows = [f"{lines[0]},bearing [degC],remark", *(f"{line},21.0,7" for line in lines[1:])]
    (bench.bad / "steps.csv").write_text("\n".join(rows) + "\n")
    out, messages = said(bench, capsys)
    assert messages == ["the column 'bearing' is not known and is left out"]
    assert messages[0] in out


def test_renamed_heads_are_proposed_and_what_is_left_is_not_called_padding(bench, capsys):
    """Each line pair by itself, as with one meter: the others are zero, and with A-B unread so are the first rows."""
    rows = []
    for pair in range(3):
        for line in log_text().splitlines()[1:]:
            cells = line.split(",")
            kept = ["0.0"] * 6
            kept[2 * pair : 2 * pair + 2] = cells[2 * pair : 2 * pair + 2]
            rows.append(",".join(kept))
    head = log_text().splitlines()[0]
    renamed = head.replace("current_ab", "I ab").replace("voltage_ab", "U ab")
    (bench.bad / "steps.csv").write_text("\n".join([renamed, *rows]) + "\n")
    out, messages = said(bench, capsys)
    for name, column in (("I ab", "current_ab"), ("U ab", "voltage_ab")):
        words = f"so it is left out; did you mean {column}? Then rename it to {column!r}"
        assert any(f"column {name!r}" in line and words in line for line in out.splitlines())
        assert any(words in message for message in messages)
    assert "fill up its file" not in out + "".join(messages)
    padded = [head, *log_text().splitlines()[1:], *["0,0,0,0,0,0"] * 4]
    (bench.bad / "steps.csv").write_text("\n".join(padded) + "\n")
    out, messages = said(bench, capsys)
    assert "fill up its file" in out
    assert any("fill up its file" in message for message in messages)


def test_columns_of_another_test_are_missing_columns_not_missing_rows(bench, capsys):
    timed("", "")(bench)
    (bench.bad / "steps.csv").write_text(log_text())
    out, messages = said(bench, capsys)
    assert "coast-down needs the column time" in out
    assert any("coast-down needs the column time" in message for message in messages)
    assert " 0 rows" not in out


@pytest.mark.parametrize(("unit", "words"), [("mV", "a 1000th of the others"), ("uV", "1000 times too small")])
def test_a_wrong_prefix_is_said_by_both(bench, capsys, unit, words):
    bench.edit("raw/BAD/steps.csv", "voltage_ab [V]", f"voltage_ab [{unit}]")
    out, messages = said(bench, capsys)
    assert any(words in message for message in messages)
    assert all(message in out for message in messages)


def test_a_log_without_its_header(bench, capsys):
    (bench.bad / "steps.csv").write_text(log_text().replace(HEADER + "\n", ""))
    out, messages = said(bench, capsys)
    assert "the log has no header" in out
    assert any("the log has no header" in message for message in messages)
    assert " 0 rows" not in out


@pytest.mark.parametrize("timeless", [True, False])
def test_a_window_that_leaves_nothing(bench, capsys, timeless):
    if not timeless:
        timed("", "")(bench)
    bench.edit("raw/BAD/unit.yaml", "log: steps.csv", "log: steps.csv\n    window: [50 s, 99 s]")
    out, messages = said(bench, capsys)
    words = "its log has no time column" if timeless else "the window 50 s to 99 s holds 0 of the 30 readings"
    assert words in out
    assert any(words in message for message in messages)


def test_what_a_window_leaves_out_is_not_looked_at(bench, capsys):
    """A spike, and a unit that seems wrong, outside the window are named by neither; inside it they are by both."""
    timed("1.0,190", "1.0,190000")(bench)
    bench.edit("raw/BAD/unit.yaml", "log: steps.csv", "log: steps.csv\n    window: [2 s, 20 s]")
    out, messages = said(bench, capsys)
    assert "26 rows" in out
    assert "looks plausible" in out
    assert [message for message in messages if "far" in message or "unit" in message] == []
    bench.edit("raw/BAD/unit.yaml", "window: [2 s", "window: [0 s")
    out, messages = said(bench, capsys)
    seen = [message for message in messages if "window" not in message and message in out]
    assert seen
    assert all("looks plausible" not in line for line in out.splitlines() if "steps.csv" in line)


@pytest.mark.parametrize(("old", "new"), [("2.5000", "2500.0"), ("2.5000", "25.0"), ("0.60960", "609.60")])
def test_a_reading_far_off_the_line_of_the_others_is_named_with_its_line(bench, capsys, old, new):
    bench.edit("raw/BAD/steps.csv", old, new)
    out, messages = said(bench, capsys)
    assert "warning: BAD/steps.csv, line 6, column 'voltage_ab'" in out
    assert "where the other readings lead to" in out
    assert any("where the other readings lead to" in message for message in messages)
    assert not any("vary enough" in message for message in messages)


@pytest.mark.parametrize("pairs", [1, 3])
def test_a_lead_that_is_reversed_gives_no_resistance(bench, capsys, pairs):
    header, *rows = log_text().splitlines()
    cells = [row.split(",") for row in rows]
    for row in cells:
        for position in range(0, 2 * pairs, 2):
            row[position] = f"-{row[position]}"
    (bench.bad / "steps.csv").write_text("\n".join([header, *map(",".join, cells)]) + "\n")
    out, messages = said(bench, capsys)
    assert out.count("is negative: are the leads of one meter exchanged?") == pairs
    assert any("the resistance comes out negative for A-B (−0.2" in message for message in messages)
    assert process(bench.root).results["BAD"]["verdict"] == "incomplete"


def test_the_program_ends_at_once_and_prints_all():
    """Threads of pyarrow once aborted the interpreter at its end; atexit shows that it does not get there."""
    code = (
        "import atexit, sys, rotorproof.__main__ as m; atexit.register(print, 'late'); "
        "m.main = lambda: print('said') or 3; m.program()"
    )
    ended = subprocess.run([sys.executable, "-c", code], env=_SCRIPTS, capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout, ended.stderr) == (3, "said\n", "")


def test_nobody_reads_any_more():
    code = "import rotorproof.__main__ as m; m.main = lambda: print('said') or 0; m.program()"
    reader, writer = os.pipe()
    os.close(reader)
    ended = subprocess.run(
        [sys.executable, "-c", code], env=_SCRIPTS, stdout=writer, stderr=subprocess.PIPE, check=False
    )
    os.close(writer)
    assert (ended.returncode, ended.stderr) == (141, b"")
