"""The layout wizard proposes what the reader then reads. The exports are invented after common forms."""

from __future__ import annotations

import numpy as np
import pytest
import yaml

from rotorproof.__main__ import main
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
