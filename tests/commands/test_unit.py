"""The unit command writes what the checks accept, and never over anything."""

from __future__ import annotations

import subprocess
from pathlib import Path

import yaml

from rotorproof.__main__ import main
from rotorproof.procedures import procedures


def test_every_kind_gives_a_file_that_can_be_read(bench, capsys):
    for kind in ("motor", "controller", "drive"):
        assert main(["unit", "--name", f"new-{kind}", "--kind", kind]) == 0
        folder = bench.root / "raw" / f"new-{kind}"
        data = yaml.safe_load((folder / "unit.yaml").read_text())
        names = [p.name for p in procedures().values() if kind in p.unit_kinds]
        assert [test["procedure"] for test in data["tests"] or []] == names
        assert sorted(p.name for p in folder.glob("*.csv")) == sorted(f"{name}.csv" for name in names)
        capsys.readouterr()
        main(["check", f"new-{kind}"])
        out = capsys.readouterr().out
        # What is open is either a condition to state or a log to fill: nothing else is wrong with the draft.
        for line in out.splitlines():
            if "error:" in line:
                assert "needs the condition" in line or "0 rows" in line, line


def test_the_acceptance_set_chooses_the_tests(bench):
    args = ["unit", "--name", "M2", "--kind", "motor", "--acceptance", "small", "--operator", "A: B #1"]
    assert main([*args, "--rated-voltage", "48 V", "--pole-pairs", "23"]) == 0
    text = (bench.root / "raw/M2/unit.yaml").read_text()
    data = yaml.safe_load(text)
    assert [test["procedure"] for test in data["tests"]] == ["winding-resistance"]
    assert data["operator"] == "A: B #1"
    assert data["nameplate"] == {"rated_voltage": "48 V", "pole_pairs": 23}
    header = (bench.root / "raw/M2/winding-resistance.csv").read_text().splitlines()[-1]
    assert header.startswith("voltage_ab [V],")
    assert "temperature_winding [degC]" in header


def test_nothing_is_overwritten(bench, capsys):
    before = (bench.root / "raw/GOOD/unit.yaml").read_bytes()
    assert main(["unit", "--name", "GOOD", "--kind", "motor"]) == 2
    assert "exists already" in capsys.readouterr().err
    assert (bench.root / "raw/GOOD/unit.yaml").read_bytes() == before


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
    typed("M3", "", "small", "36 V", "", "230 rpm", "", "Kim")
    assert main(["unit"]) == 0
    data = yaml.safe_load((bench.root / "raw/M3/unit.yaml").read_text())
    assert (data["kind"], data["acceptance"], data["operator"]) == ("motor", "small", "Kim")
    assert data["nameplate"] == {"rated_voltage": "36 V", "rated_speed": "230 rpm"}


def test_end_of_input_stops(bench, typed, capsys):
    typed("M4")
    assert main(["unit"]) == 130
    assert not (bench.root / "raw/M4").exists()


def test_a_wrong_answer_is_asked_for_again(bench, typed, capsys):
    typed("My Motor 1", "GOOD", "M5", "", "small", "36", "36 V", "250 V", "", "230 rpm", "many", "23", "Kim")
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
