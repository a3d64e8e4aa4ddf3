"""The unit command writes what the checks accept, and never over anything."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
import yaml

from rotorproof.__main__ import main
from rotorproof.procedures import procedures
from rotorproof.settings.documents import read_document


def test_every_kind_gives_a_file_that_can_be_read(bench, capsys):
    for kind in ("motor", "controller", "drive"):
        assert main(["unit", "--name", f"new-{kind}", "--kind", kind]) == 0
        folder = bench.root / "raw" / f"new-{kind}"
        data = yaml.safe_load((folder / "unit.yaml").read_text())
        # What the parts of a drive were tested for counts for it.
        names = [p.name for p in procedures().values() if kind in p.unit_kinds and kind != "drive"]
        assert [test["procedure"] for test in data["tests"] or []] == names
        assert sorted(p.name for p in folder.glob("*.csv")) == sorted(f"{name}.csv" for name in names)
        capsys.readouterr()
        main(["check", f"new-{kind}"])
        out = capsys.readouterr().out
        # What is open is either a condition to state or a log to fill: nothing else is wrong with the draft.
        for line in out.splitlines():
            if "error:" in line:
                assert "needs the condition" in line or "0 rows" in line, line


def test_the_draft_can_be_uncommented(bench):
    """Every example that stands behind '# ' reads as YAML once the mark is taken away, as an editor does it."""
    assert main(["unit", "--name", "M4", "--kind", "motor"]) == 0
    path = bench.root / "raw/M4/unit.yaml"
    example = re.compile(r"^( *)# ( *[a-z_]+:( .*)?)$", re.MULTILINE)
    path.write_text(example.sub(r"\1\2", path.read_text()))
    data = read_document(path).data
    assert data["instruments"]["dmm"]["accuracy"]["voltage"] == "0.05 % + 2 mV"
    assert data["nameplate"]["rated_speed"] == "230 rpm"
    assert data["nameplate"]["rated_current"] == "8.7 A"
    resistance = next(test for test in data["tests"] if test["procedure"] == "winding-resistance")
    assert resistance["conditions"]["winding_temperature"] == "... degC"


@pytest.mark.parametrize("kind", ["motor", "controller", "drive"])
def test_each_draft_offers_the_rated_current(bench, kind):
    assert main(["unit", "--name", "M5", "--kind", kind]) == 0
    assert "\n#   rated_current: 8.7 A" in (bench.root / "raw/M5/unit.yaml").read_text()


def test_the_acceptance_set_chooses_the_tests(bench):
    args = ["unit", "--name", "M2", "--kind", "motor", "--acceptance", "small", "--operator", "A: B #1"]
    assert main([*args, "--rated-voltage", "48 V", "--pole-pairs", "23"]) == 0
    text = (bench.root / "raw/M2/unit.yaml").read_text()
    data = yaml.safe_load(text)
    assert [test["procedure"] for test in data["tests"]] == ["winding-resistance"]
    assert data["operator"] == "A: B #1"
    assert data["nameplate"] == {"rated_voltage": "48 V", "pole_pairs": 23}
    assert "winding_temperature: ... degC   # state it, or have it as the column temperature_winding" in text
    *_, rows, header = (bench.root / "raw/M2/winding-resistance.csv").read_text().splitlines()
    assert f"at least {procedures()['winding-resistance'].minimum_rows} rows of readings follow" in rows
    assert header.startswith("voltage_ab [V],")
    assert "temperature_winding [degC]" in header


def test_nothing_is_overwritten(bench, capsys):
    before = (bench.root / "raw/GOOD/unit.yaml").read_bytes()
    assert main(["unit", "--name", "GOOD", "--kind", "motor"]) == 2
    assert "exists already" in capsys.readouterr().err
    assert (bench.root / "raw/GOOD/unit.yaml").read_bytes() == before


def test_a_folder_of_logs_gets_its_unit_file(bench, capsys):
    folder = bench.root / "raw/LOGS"
    folder.mkdir()
    (folder / "winding-resistance.csv").write_text("of the bench\n")
    assert main(["unit", "--name", "LOGS", "--kind", "motor", "--tests", "winding-resistance", "no-load"]) == 0
    told = capsys.readouterr().out
    assert "unit.yaml and 1 empty log" in told
    assert "the folder holds winding-resistance.csv: name in 'tests'" in told
    assert (folder / "unit.yaml").is_file()
    assert (folder / "winding-resistance.csv").read_text() == "of the bench\n"


def test_wrong_arguments_write_nothing(bench, capsys):
    for extra, words in (
        (["--name", "a/b"], "letters, digits"),
        (["--name", "../x"], "letters, digits"),
        ([], "letters, digits"),
        (["--name", "X", "--acceptance", "none"], "no acceptance set 'none'; there are: small"),
        (["--name", "X", "--tests", "spin"], "is no test of a motor"),
        (["--name", "X", "--rated-voltage", "48"], "--rated-voltage: a unit is missing"),
        (["--name", "X", "--rated-power", "48 V"], "--rated-power: unit 'V' does not measure a power"),
    ):
        assert main(["unit", "--kind", "motor", *extra]) == 2
        assert words in capsys.readouterr().err
    assert not (bench.root / "raw/X").exists()


def test_questions_on_a_terminal(bench, typed):
    typed("M3", "", "HM 250", "A-17", "36 V", "", "230 rpm", "", "small", "Kim")
    assert main(["unit"]) == 0
    data = yaml.safe_load((bench.root / "raw/M3/unit.yaml").read_text())
    assert (data["kind"], data["acceptance"], data["operator"]) == ("motor", "small", "Kim")
    assert (data["model"], data["serial"]) == ("HM 250", "A-17")
    assert data["nameplate"] == {"rated_voltage": "36 V", "rated_speed": "230 rpm"}


SETS = {
    "motors-36V": "unit_kind: motor\nrated_voltage: 36 V\ncriteria: [{quantity: phase_resistance, max: 1 ohm}]\n",
    "motors-48V": "unit_kind: motor\nrated_voltage: 48 V\ncriteria: [{quantity: phase_resistance, max: 1 ohm}]\n",
    "controllers-36V": "unit_kind: controller\nrated_voltage: 36 V\ncriteria: [{quantity: standby_power, max: 5 W}]\n",
}


def test_a_set_is_proposed_by_kind_and_voltage(bench, typed, capsys):
    for name, text in SETS.items():
        (bench.root / f"config/acceptance/{name}.yaml").write_text(text)
    for kind, voltage, expected in (
        ("motor", "36 V", "motors-36V"),
        ("motor", "48.0 V", "motors-48V"),
        ("motor", "24 V", None),
        ("controller", "37 V", "controllers-36V"),
        ("drive", "36 V", None),
    ):
        name = f"P-{kind}-{voltage[:2]}"
        assert main(["unit", "--name", name, "--kind", kind, "--rated-voltage", voltage]) == 0
        text = (bench.root / f"raw/{name}/unit.yaml").read_text()
        out = capsys.readouterr().out
        # Proposed, never chosen without a word.
        assert "acceptance" not in yaml.safe_load(text)
        assert (f"# acceptance: {expected}\n" in text) == (expected is not None)
        assert (f"there is the acceptance set {expected}; it is not chosen yet" in out) == (expected is not None)
    typed("P-9", "", "", "", "36 V", "", "", "", "", "Kim")
    assert main(["unit"]) == 0
    assert "acceptance set, '-' for none (motors-36V, motors-48V, small, -) [motors-36V]" in capsys.readouterr().err
    assert yaml.safe_load((bench.root / "raw/P-9/unit.yaml").read_text())["acceptance"] == "motors-36V"


def test_a_set_for_another_kind_is_refused(bench, capsys):
    (bench.root / "config/acceptance/controllers-36V.yaml").write_text(SETS["controllers-36V"])
    bench.edit("raw/BAD/unit.yaml", "acceptance: small", "acceptance: controllers-36V")
    main(["check", "BAD"])
    assert "is for a controller, and this unit is a motor" in capsys.readouterr().out


def test_a_drive_names_its_parts(bench, capsys):
    args = ["unit", "--name", "D-1", "--kind", "drive", "--model", "kit", "--serial", "007"]
    for extra, words in (
        (["--motor", "GOOD"], "name both"),
        (["--motor", "GOOD", "--controller", "GONE"], "--controller 'GONE': there is no such unit in raw"),
        (["--motor", "GOOD", "--controller", "../BAD"], "no such unit"),
    ):
        assert main([*args, *extra]) == 2
        assert words in capsys.readouterr().err
    assert not (bench.root / "raw/D-1").exists()
    assert main([*args, "--motor", "GOOD", "--controller", "BAD"]) == 0
    data = yaml.safe_load((bench.root / "raw/D-1/unit.yaml").read_text())
    assert data["parts"] == {"motor": "GOOD", "controller": "BAD"}
    assert (data["tests"], data["serial"]) == ([], "007")
    assert main(["unit", "--name", "M-1", "--kind", "motor", "--motor", "GOOD"]) == 2
    assert main(["unit", "--name", "D-2", "--kind", "drive", "--tests", "load"]) == 0
    assert [t["procedure"] for t in yaml.safe_load((bench.root / "raw/D-2/unit.yaml").read_text())["tests"]] == ["load"]


def test_end_of_input_stops(bench, typed, capsys):
    typed("M4")
    assert main(["unit"]) == 130
    assert not (bench.root / "raw/M4").exists()


def test_a_wrong_answer_is_asked_for_again(bench, typed, capsys):
    answers = ["My Motor 1", "GOOD", "M5", "", "", "", "36", "36 V", "250 V", "", "230 rpm", "many", "23", "-", "Kim"]
    typed(*answers)
    assert main(["unit"]) == 0
    said = capsys.readouterr().err
    for words in ("for example 'My-Motor-1'", "GOOD exists already", "a unit is missing", "does not measure a power"):
        assert words in said
    data = yaml.safe_load((bench.root / "raw/M5/unit.yaml").read_text())
    assert data["nameplate"] == {"rated_voltage": "36 V", "rated_speed": "230 rpm", "pole_pairs": 23}


def test_a_name_with_blanks_reaches_the_program_whole():
    makefile = Path(__file__).parents[2]
    dry = ["make", "-n", "unit", "NAME=My Motor 1", "ROTORPROOF=printf '<%s>'", "PY=python3"]
    recipe = subprocess.run(dry, cwd=makefile, capture_output=True, text=True, check=True).stdout
    line = next(line for line in recipe.splitlines() if line.startswith("printf"))
    env = {"NAME": "My Motor 1", "PATH": "/usr/bin:/bin"}
    said = subprocess.run(["bash", "-c", line], env=env, capture_output=True, text=True, check=True).stdout
    assert said == "<unit><--name><My Motor 1>"
