"""The check command on a small project."""

from __future__ import annotations

import json

import pytest

from rotorproof.__main__ import main
from rotorproof.commands import _project
from tests.errors.bench import Bench, log_text


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setattr(_project, "ROOT", tmp_path)
    return Bench(tmp_path).build()


def test_sound_units(bench, capsys):
    (bench.root / "raw" / "GOOD" / "steps.csv").write_text(log_text(1))
    assert main(["check"]) == 0
    out = capsys.readouterr().out
    assert "winding-resistance: steps.csv: 10 rows, 6 columns, looks plausible" in out
    assert "2 units checked: 0 errors, 0 warnings" in out
    assert "missing" not in out


def test_the_log_of_another_unit_and_a_test_of_tomorrow(bench, capsys):
    bench.edit("raw/BAD/unit.yaml", "tested_on: 2026-05-02", "tested_on: 9999-05-02")
    assert main(["check"]) == 0
    out = capsys.readouterr().out
    assert "warning: GOOD/steps.csv: holds the same readings, to the byte, as BAD/steps.csv" in out
    assert "'tested_on': the test is dated 9999-05-02, later than today" in out
    assert "2 units checked: 0 errors, 2 warnings" in out
    assert main(["check", "--json"]) == 0
    assert [len(unit["problems"]) for unit in json.loads(capsys.readouterr().out)["units"]] == [1, 1]


def test_errors_warnings_and_what_is_missing(bench, capsys):
    bench.edit("raw/BAD/steps.csv", "2.5000", "x")
    bench.edit("raw/GOOD/steps.csv", "voltage_bc [V]", "voltage_bc [kV]")
    bench.edit(
        "config/acceptance/small.yaml", "criteria:", "criteria:\n  - {quantity: insulation_resistance, min: 5 Mohm}"
    )
    assert main(["check"]) == 1
    out = capsys.readouterr().out
    assert "error: BAD/steps.csv, line 6, column 'current_ab': 'x' is not a number" in out
    assert "missing: no test gives insulation_resistance; add insulation-resistance" in out
    assert "1000 times" in out


def test_refused_unit_json_and_unknown_name(bench, capsys):
    bench.edit("raw/BAD/unit.yaml", "36 V", "36")
    assert main(["check", "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["refused"]["BAD"][0]["line"] == 4
    assert found["units"][0]["logs"][0]["rows"] == 10
    assert main(["check", "GOOD"]) == 0
    assert main(["check", "NONE"]) == 2


@pytest.mark.parametrize(
    ("written", "words"),
    [
        (None, "are not there: copy the results.json of the earlier report"),
        ("{}", "are no results.json of this program"),
    ],
)
def test_earlier_results_are_looked_at_before_a_report_needs_them(bench, capsys, written, words):
    entry = "earlier:\n  - {results: old.json, tested_on: 2025-05-02, drift: {resistance_20c: 1 %}}\n"
    bench.edit("raw/GOOD/unit.yaml", "tested_on: 2026-05-02\n", f"tested_on: 2026-05-02\n{entry}")
    if written is not None:
        (bench.root / "raw" / "GOOD" / "old.json").write_text(written)
    assert main(["check"]) == 1
    out = capsys.readouterr().out
    assert f"the earlier results 'old.json' {words}" in out
    assert "1 error," in out


def test_settings_that_cannot_be_used(bench, capsys):
    (bench.root / "config" / "config.yaml").write_text("config_version: 2\n")
    assert main(["check"]) == 2
    assert "config/config.yaml, line 1" in capsys.readouterr().err


def test_what_a_drive_lacks_may_be_added_to_a_part() -> None:
    from rotorproof.checking.missing import missing
    from rotorproof.settings.acceptance import AcceptanceSet
    from rotorproof.settings.unit import UnitFile

    drive = UnitFile.model_validate({"unit": "D", "kind": "drive", "parts": {"motor": "M", "controller": "C"}})
    motor = UnitFile.model_validate(
        {"unit": "M", "kind": "motor", "tests": [{"procedure": "winding-resistance", "log": "r.csv"}]}
    )
    controller = UnitFile.model_validate({"unit": "C", "kind": "controller"})
    limits = AcceptanceSet.model_validate({"criteria": [{"quantity": "pack_road_speed", "min": "20 km/h"}]})
    said = missing(drive, limits, [motor, controller])
    assert not [line for line in said if "phase_resistance" in line]
    assert "pack_road_speed needs supply_current_limit; add current-limit to D or M or C" in said
