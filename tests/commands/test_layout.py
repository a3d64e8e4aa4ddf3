"""The layout wizard proposes what the reader then reads. The exports are invented after common forms."""

from __future__ import annotations

import csv
import datetime

import numpy as np
import openpyxl
import pandas as pd
import pytest
import yaml
from vcd import VCDWriter

from rotorproof.__main__ import main
from rotorproof.columns import COLUMNS
from rotorproof.errors import InputError
from rotorproof.logs.headings import recognised
from rotorproof.logs.table import read_table
from rotorproof.settings.layout import Layout

EXPORTS = {
    "logger": (
        "Model;L1\nSerial;7\n\nElapsed Time (ms);Battery Voltage (V);Battery Current (A);Speed (rpm);Note\n"
        + "".join(f"{k * 100};36,{k};1,5{k};20{k},5;x\n" for k in range(9)),
        "cp1252",
        {"time": 0.1, "supply_voltage": 36.1, "supply_current": 1.51, "speed": 201.5 * 2 * np.pi / 60},
    ),
    "scope": (
        "Time [s]\tU_ab [V]\tU_bc [V]\tCH4\n" + "".join(f"{k}.5e-3\t-{k}.25\t{k}.75\t5\n" for k in range(9)),
        "utf-8",
        {"time": 1.5e-3, "voltage_ab": -1.25, "voltage_bc": 1.75},
    ),
    "table": (
        "torque/Nm,current_a [A],Winding Temp (°C)\n" + "".join(f"{k}.5,{k},2{k}.5\n" for k in range(9)),
        "utf-8",
        {"torque": 1.5, "current_a": 1.0, "temperature_winding": 21.5},
    ),
}


@pytest.mark.parametrize("name", sorted(EXPORTS))
def test_the_proposal_reads_the_export(bench, tmp_path, name):
    text, encoding, expected = EXPORTS[name]
    path = tmp_path / f"{name}.csv"
    path.write_bytes(text.encode(encoding))
    assert main(["layout", str(path), "--write", "--name", "found"]) == 0
    proposal = (bench.root / "config/layouts/found.yaml").read_text()
    layout = Layout.model_validate(yaml.safe_load(proposal))
    found = read_table(path, layout, tuple(expected), shown="x", time_ordered=True, minimum_rows=5).columns
    for column, value in expected.items():
        np.testing.assert_allclose(found[column][1], value, rtol=1e-12)


def test_a_file_that_is_not_there(bench, tmp_path, capsys):
    (tmp_path / "nine.xlsx").write_text("")
    assert main(["layout", str(tmp_path / "none.xlsx")]) == 2
    said = capsys.readouterr().err
    assert "none.xlsx: the file does not exist; is 'nine.xlsx' meant?" in said
    assert "unit.yaml" not in said


def test_a_text_without_a_table_is_not_sent_round_in_a_circle(bench, tmp_path, capsys):
    path = tmp_path / "words.csv"
    path.write_text("hello\nworld\n")
    assert main(["layout", str(path)]) == 2
    said = capsys.readouterr().err
    assert "give --delimiter, or write a layout file" in said
    assert "make layout" not in said


def test_on_the_screen_and_never_over_a_file(bench, tmp_path, capsys):
    path = tmp_path / "logger.csv"
    path.write_text(EXPORTS["scope"][0])
    assert main(["layout", str(path)]) == 0
    out = capsys.readouterr().out
    assert yaml.safe_load(out)["columns"]["voltage_ab"] == {"column": "U_ab [V]", "unit": "V"}
    assert '#  ...: {column: "CH4", unit: ...}' in out
    before = (bench.root / "config/layouts/logger.yaml").read_bytes()
    assert main(["layout", str(path), "--write"]) == 2
    assert (bench.root / "config/layouts/logger.yaml").read_bytes() == before


def test_two_readings_are_asked_for_and_answered(bench, tmp_path, capsys):
    path = tmp_path / "a.csv"
    path.write_text("time [s];torque [Nm]\n1,234;2,345\n2,345;3,456\n")
    assert main(["layout", str(path)]) == 2
    assert "may be a decimal comma or thousands" in capsys.readouterr().err
    assert main(["layout", str(path), "--decimal", ","]) == 0
    assert yaml.safe_load(capsys.readouterr().out)["decimal"] == ","


def test_no_table(bench, tmp_path, capsys):
    path = tmp_path / "a.csv"
    path.write_text("Dear reader\nthis is a letter\n")
    assert main(["layout", str(path)]) == 2
    assert main(["layout", str(tmp_path / "absent.csv")]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_answers_on_the_terminal_win(bench, tmp_path, typed):
    path = tmp_path / "scope.csv"
    path.write_text(EXPORTS["scope"][0])
    typed("", "", "-", "", "", "supply_volt", "supply_voltage", "V")
    assert main(["layout", str(path), "--write"]) == 0
    columns = yaml.safe_load((bench.root / "config/layouts/scope.yaml").read_text())["columns"]
    assert list(columns) == ["time", "voltage_bc", "supply_voltage"]


def test_a_header_of_blanks_without_end_is_passed_over_at_once(bench, tmp_path, capsys):
    path = tmp_path / "blanks.csv"
    path.write_text("time [s],voltage" + " " * 100_000 + "x\n" + "".join(f"{k},{k}.5\n" for k in range(9)))
    assert main(["layout", str(path)]) == 0
    assert "too long for a name" in capsys.readouterr().out


# ----- Heads

#: As loggers, meters and people write them; common practice, no source.
HEADS = {
    "iq (A)": ("current_q", "sure"),
    "Id [A]": ("current_d", "sure"),
    "T (Nm)": ("torque", "sure"),
    "Torque [N·m]": ("torque", "sure"),
    "M/Nm": ("torque", "sure"),
    "T measured (Nm)": ("torque", "sure"),
    "bus V": ("supply_voltage", "sure"),
    "bus v (V) at drive": ("supply_voltage", "sure"),
    "Vdc (V)": ("supply_voltage", "sure"),
    "I_bat (A)": ("supply_current", "sure"),
    "omega (rad/s)": ("speed", "sure"),
    "rpm": ("speed", "sure"),
    "n (1/min)": ("speed", "sure"),
    "speed rpm": ("speed", "sure"),
    "Drehzahl [U/min]": ("speed", "sure"),
    "U1-2 (V)": ("voltage_ab", "sure"),
    "U12 [V]": ("voltage_ab", "sure"),
    "V_ab [V]": ("voltage_ab", "sure"),
    "U_L2-L3 (mV)": ("voltage_bc", "sure"),
    "time (s)": ("time", "sure"),
    "t [ms]": ("time", "sure"),
    "Elapsed Time (sec)": ("time", "sure"),
    "Winding Temp (°C)": ("temperature_winding", "sure"),
    "T_amb (C)": ("temperature_ambient", "sure"),
    "R12 (mOhm)": ("resistance_ab", "likely"),
    "load cell (N)": ("force", "sure"),
    "duty (%)": ("duty", "sure"),
    "I1 (A)": ("current_a", "likely"),
    "Sensor 7 (Nm)": ("torque", "likely"),
    "Hall A": ("hall_a", "likely"),
    "AH": ("gate_ah", "likely"),
    # The quantity is clear, its unit is not.
    "i_q": ("current_q", "open"),
    "Vdc": ("supply_voltage", "open"),
    "omega": ("speed", "open"),
    "n": ("speed", "open"),
    "t": ("time", "open"),
    "U1-2": ("voltage_ab", "open"),
    # Several would fit, or none.
    "temp (°C)": (None, "open"),
    "T (°C)": (None, "open"),
    "Current (A)": (None, "open"),
    "CH1 (V)": (None, "open"),
    "CH4": (None, "open"),
    "Speed [Hz]": (None, "open"),
    "Remark": (None, "open"),
}


@pytest.mark.parametrize("head", HEADS)
def test_usual_heads_are_recognised_and_no_more_than_that(head):
    found = recognised(head)
    assert (found.canonical, found.sure) == HEADS[head]
    assert found.sure == "open" or found.unit
    if "temp" in head and found.canonical is None:
        assert set(found.candidates) == {name for name in COLUMNS if name.startswith("temperature_")}


def test_canonical_names_are_recognised_whatever_the_unit(bench):
    units = {"time": "s", "voltage": "mV", "current": "A", "speed": "rpm", "torque": "Nm", "angle": "deg", "logic": "1"}
    units |= {"ratio": "%", "temperature": "degC", "resistance": "ohm", "inductance": "uH", "force": "N", "power": "W"}
    for name, column in COLUMNS.items():
        found = recognised(f"{name} [{units[column.kind]}]")
        assert found.canonical == name
        assert found.sure == "sure"


def test_what_is_open_is_asked_and_the_rest_says_how_sure_it_is(bench, tmp_path, capsys):
    path = tmp_path / "a.csv"
    path.write_text("t [s],I1 (A),temp (°C),n,M (Nm),Torque (Nm),Remark\n0.5,1,20,5,1.5,1.6,good\n1,2,21,6,2,2,bad\n")
    assert main(["layout", str(path)]) == 0
    out = capsys.readouterr().out
    assert list(yaml.safe_load(out)["columns"]) == ["time", "current_a", "torque"]
    assert 'time: {column: "t [s]", unit: "s"}   # sure: by its name and unit; the first reading is 0.5' in out
    assert "# likely: by its name and unit; its number may be a channel's" in out
    assert '#  ...: {column: "temp (°C)", unit: °C}' in out
    assert "temperature_winding or temperature_case or temperature_ambient" in out
    assert '#  speed: {column: "n", unit: rad/s?}' in out
    assert "like column 5; by its name and unit" in out
    assert "#   \"Remark\": holds text, 'good'" in out


def test_a_meter_with_clock_times_twelve_lines_and_commas(bench, tmp_path):
    path = tmp_path / "meter.csv"
    with path.open("w", encoding="cp1252", newline="") as stream:
        writer = csv.writer(stream, delimiter=";")
        writer.writerows([[f"Key {k}", "µ"] for k in range(12)])
        writer.writerow(["Date", "Time", "Speed (rpm)", "Temp Motor (°C)", "Note"])
        for k in range(9):
            row = ["28.11.2026", f"23:59:5{k}", f"20{k},25", f"2{k},5", "x"]
            writer.writerow(row)
    assert main(["layout", str(path), "--write"]) == 0
    layout = Layout.model_validate(yaml.safe_load((bench.root / "config/layouts/meter.yaml").read_text()))
    assert layout.columns["time"].date == "Date"
    wanted = ("time", "speed", "temperature_winding")
    found = read_table(path, layout, wanted, shown="x", time_ordered=True, minimum_rows=5)
    np.testing.assert_allclose(found.columns["time"], np.arange(9.0))
    np.testing.assert_allclose(found.columns["speed"], (200.25 + np.arange(9)) * np.pi / 30)


def test_units_in_a_row_of_their_own(bench, tmp_path):
    path = tmp_path / "scope.csv"
    path.write_text("Model,X\nTime,U12,U23\n(s),(V),(mV)\n" + "".join(f"{k}.5,{k},{k}\n" for k in range(9)))
    assert main(["layout", str(path), "--write"]) == 0
    layout = Layout.model_validate(yaml.safe_load((bench.root / "config/layouts/scope.yaml").read_text()))
    found = read_table(path, layout, ("time", "voltage_ab", "voltage_bc"), shown="x", time_ordered=True, minimum_rows=5)
    np.testing.assert_allclose(found.columns["voltage_bc"], np.arange(9) * 1e-3)


# ----- Workbooks


def written(tmp_path, sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for place, row in rows.items():
            for column, cell in enumerate(row, start=1):
                sheet.cell(place, column, cell)
    path = tmp_path / "table.xlsx"
    book.save(path)
    return path


def read_by_proposal(bench, path, wanted, *more):
    assert main(["layout", str(path), "--write", "--name", "found", *more]) == 0
    text = (bench.root / "config/layouts/found.yaml").read_text()
    layout = Layout.model_validate(yaml.safe_load(text))
    return text, read_table(path, layout, wanted, shown="x", time_ordered="time" in wanted, minimum_rows=2).columns


def test_a_workbook_with_notes_and_blank_rows(bench, tmp_path):
    rows = {1: ["Motor 7, heat run"], 3: ["Ambient", 21.5], 7: ["Time", "R12 (mOhm)", None, "T motor (°C)", "notes"]}
    for k in range(6):
        rows[8 + k] = [datetime.time(9, 5 * k, 0), 210 + k, None, 20.5 + k, "fan off" if k == 2 else None]
    # Notes in rows of their own, below a blank one: beside the readings, and in a column of readings.
    rows[15] = [None, None, None, None, "stopped here"]
    rows[16] = [None, "coffee"]
    rows[17] = ["then it rained"]
    path = written(tmp_path, {"Notes": {1: ["bought 2026"], 2: ["tested by Kim"]}, "Run 1": rows})
    wanted = ("time", "resistance_ab", "temperature_winding")
    text, found = read_by_proposal(bench, path, wanted)
    assert "sheet: \"Run 1\"   # beside it there are: 'Notes'" in text
    assert "header_row: 7   # the names; as the spreadsheet counts, blank rows and all" in text
    np.testing.assert_allclose(found["time"], 300.0 * np.arange(6))
    np.testing.assert_allclose(found["resistance_ab"], 0.210 + 1e-3 * np.arange(6))
    np.testing.assert_allclose(found["temperature_winding"], 20.5 + np.arange(6))


@pytest.mark.parametrize("shown", ["OL", "Lo", "---", "#DIV/0!", "12,5 V"])
def test_a_reading_that_failed_is_no_note(bench, tmp_path, shown):
    rows = {1: ["time (s)", "U12 (V)"]} | {2 + k: [k, k / 2] for k in range(5)} | {7: [None, shown]}
    with pytest.raises(InputError) as caught:
        read_by_proposal(bench, written(tmp_path, {"A": rows}), ("time", "voltage_ab"))
    assert repr(shown) in str(caught.value) and "line 7" in str(caught.value)


def test_transitions_of_a_logic_analyser_are_asked_about(bench, tmp_path, capsys):
    path = tmp_path / "capture.vcd"
    with path.open("w") as stream, VCDWriter(stream, timescale="1 us") as writer:
        for name in ("hall_a", "D1"):
            writer.register_var("logic", name, "wire", size=1, init=0)
        writer.register_var("logic", "count", "wire", size=8, init=0)
    assert main(["layout", str(path)]) == 0
    out = capsys.readouterr().out
    assert yaml.safe_load(out)["columns"] == {"hall_a": {"column": "hall_a", "unit": "1"}}
    assert '#  ...: {column: "D1", unit: 1}   # a level; gate_ah or hall_a?' in out
    assert "count" not in out


@pytest.mark.parametrize("head", ["U1-2 (V AC)", "U ab Vrms", "Vab [V~]", "U12 (VAC)"])
def test_alternating_volts_are_those_of_a_meter(head):
    found = recognised(head)
    assert (found.canonical, found.unit, found.sure) == ("ac_voltage_ab", "V", "sure")


def test_volts_that_may_be_alternating_or_between_two_lines_are_asked_about():
    assert recognised("Vac (V)").sure == "open"


def test_a_scale_in_kilograms_shows_kilograms_force():
    # 1 kgf = 9.80665 N (ISO 80000-4, annex of units not to be used).
    found = recognised("scale (kg)")
    assert (found.canonical, found.unit) == ("force", "kgf")


def test_a_workbook_written_by_pandas(bench, tmp_path):
    frame = pd.DataFrame({"t (s)": np.arange(5) / 2, "bus V": 36.0, "rpm": 200 + np.arange(5), "comment": "ok"})
    path = tmp_path / "frame.xlsx"
    frame.to_excel(path, index=False, startrow=4)
    _, found = read_by_proposal(bench, path, ("time", "supply_voltage", "speed"))
    np.testing.assert_allclose(found["time"], np.arange(5) / 2)
    np.testing.assert_allclose(found["speed"], (200 + np.arange(5)) * np.pi / 30)


def test_a_workbook_whose_units_stand_below_the_names(bench, tmp_path):
    rows = {2: ["t", "U12"], 3: ["ms", "V"]} | {4 + k: [k, k / 2] for k in range(5)}
    text, found = read_by_proposal(bench, written(tmp_path, {"A": rows}), ("time", "voltage_ab"))
    assert "header_row: 3   # the units, below the names" in text
    np.testing.assert_allclose(found["time"], np.arange(5) * 1e-3)


def test_several_sheets_are_asked_about(bench, tmp_path, capsys):
    rows = {1: ["time (s)", "rpm"]} | {2 + k: [k, 5 * k] for k in range(5)}
    path = written(tmp_path, {"A": rows, "B": rows})
    assert main(["layout", str(path)]) == 2
    assert "several sheets hold such a table (A, B); name one with --sheet" in capsys.readouterr().err
    assert main(["layout", str(path), "--sheet", "C"]) == 2
    assert "no sheet 'C'; there are: A, B" in capsys.readouterr().err
    _, found = read_by_proposal(bench, path, ("time", "speed"), "--sheet", "B")
    assert found["time"].size == 5


def test_a_workbook_without_a_table_and_other_formats(bench, tmp_path, capsys):
    assert main(["layout", str(written(tmp_path, {"A": {1: ["Dear reader"]}}))]) == 2
    assert "no sheet of the workbook holds a table of numbers" in capsys.readouterr().err
    pd.DataFrame({"t [s]": [0.0, 1.0], "iq (A)": [1.0, 2.0], "x": [1, 2]}).to_parquet(tmp_path / "a.parquet")
    assert main(["layout", str(tmp_path / "a.parquet")]) == 0
    out = capsys.readouterr().out
    assert list(yaml.safe_load(out)["columns"]) == ["time", "current_q"]
    assert "delimiter" not in out


def test_the_row_of_the_header_counts_as_an_editor_does(tmp_path):
    text = "Logger\n\n\n# made by\ntime [s],speed [rpm]\n" + "".join(f"{k},{k}\n" for k in range(6))
    (tmp_path / "a.csv").write_text(text)
    for layout in (Layout(header_row=5), Layout(header_row=5, delimiter="auto", decimal="auto"), Layout(skip_rows=1)):
        found = read_table(tmp_path / "a.csv", layout, ("time", "speed"), shown="x", time_ordered=True, minimum_rows=2)
        assert found.columns["time"].size == 6
    with pytest.raises(ValueError, match="keep one"):
        Layout(header_row=5, skip_rows=1)


def test_a_table_of_single_changes_is_recognised_by_its_heads(bench, tmp_path, capsys):
    rows = "".join(f"0.{k},D{k % 3},{k // 3 % 2}\n" for k in range(1, 10))
    (tmp_path / "changes.csv").write_text("Time [s],Channel,Level\n" + rows)
    assert main(["layout", str(tmp_path / "changes.csv")]) == 0
    said = capsys.readouterr().out
    (line,) = [line for line in said.splitlines() if line.startswith("# transitions:")]
    proposed = yaml.safe_load(said)
    proposed |= yaml.safe_load(line.removeprefix("# "))
    for place, name in enumerate(("hall_a", "hall_b", "hall_c")):
        proposed["columns"][name] = {"column": f"D{place}", "unit": "1"}
    layout = Layout.model_validate(proposed)
    found = read_table(
        tmp_path / "changes.csv", layout, ["time", "hall_a"], shown="x", time_ordered=True, minimum_rows=2
    )
    assert set(found.columns["hall_a"]) == {0.0, 1.0}


def test_a_level_in_volts_without_a_threshold_is_told_of_one():
    with pytest.raises(ValueError, match="give the 'threshold' above which it is high"):
        Layout(columns={"hall_a": {"column": "CH2", "unit": "V"}})


def test_a_unit_of_another_kind_is_asked_for_again(bench, tmp_path, typed, capsys):
    path = tmp_path / "bench.csv"
    path.write_text("U (V),I (A)\n" + "".join(f"{k},{k}\n" for k in range(9)))
    typed("supply_voltage", "supply_current", "A", "mV", "supply_current", "")
    assert main(["layout", str(path), "--write", "--name", "found"]) == 0
    columns = yaml.safe_load((bench.root / "config/layouts/found.yaml").read_text())["columns"]
    assert columns["supply_voltage"]["unit"] == "mV" and columns["supply_current"]["unit"] == "A"
    said = capsys.readouterr().err
    assert "unit 'supply_current' is not known" in said and "does not measure a voltage" in said


def test_a_head_in_ohms_is_not_sure_since_winding_resistance_takes_none():
    found = recognised("R1-2 (mOhm)")
    assert (found.canonical, found.sure) == ("resistance_ab", "likely")
    assert "winding-resistance reads volts and amperes" in found.why
