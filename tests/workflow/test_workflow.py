"""The workflow as a whole: what it makes, what it makes again, and what a bad input does to the others."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema

from .conftest import Project

SCHEMA = json.loads((Path(__file__).parents[2] / "config/schemas/results.schema.json").read_bytes())


def test_one_run_makes_everything_and_a_second_makes_nothing(project: Project) -> None:
    project.add_unit("CT-1")
    project.add_unit("CT-2", seed=2)
    first = project.run()
    for unit in ("CT-1", "CT-2"):
        folder = project.root / "reports" / unit
        results = json.loads((folder / "results.json").read_bytes())
        jsonschema.validate(results, SCHEMA)
        assert results["verdict"] == "accepted"
        assert (folder / "report.pdf").read_bytes().startswith(b"%PDF")
        assert f"{unit}  accepted" in first.stdout
    assert (project.root / "reports" / "index.html").exists()
    before = project.stamps()
    project.run()
    assert project.changed(before) == set()


def test_a_changed_limit_reads_and_fits_nothing_again(project: Project) -> None:
    project.add_unit("CT-1")
    project.run()
    before = project.stamps()
    limits = project.root / "config/acceptance/small.yaml"
    limits.write_text(limits.read_text().replace("0.13 ohm", "0.11 ohm"), encoding="utf-8")
    assert "rejected" in project.run().stdout
    assert project.changed(before) == {
        "CT-1/results.json",
        "CT-1/report.pdf",
        "CT-1/evidence.json",
        "index.html",
        "results.csv",
        "results.parquet",
    }


def test_a_changed_log_touches_its_own_unit_only(project: Project) -> None:
    folder = project.add_unit("CT-1")
    project.add_unit("CT-2")
    project.run()
    before = project.stamps()
    log = folder / "steps.csv"
    log.write_text(log.read_text().replace("0.5000", "0.5001"), encoding="utf-8")
    project.run()
    changed = project.changed(before)
    assert ".work/CT-1/fit.json" in changed
    assert not [name for name in changed if "CT-2" in name]


def test_a_log_replaced_by_an_older_one_is_read_again(project: Project) -> None:
    folder = project.add_unit("CT-1")
    project.run()
    log = folder / "steps.csv"
    log.write_text(log.read_text().replace("0.5000", "0.9000"), encoding="utf-8")
    os.utime(log, (1_700_000_000, 1_700_000_000))
    before = project.stamps()
    project.run()
    assert {".work/CT-1/readings.npz", "CT-1/results.json"} <= project.changed(before)


def test_results_of_an_earlier_run_do_not_stand_in_for_a_step_that_failed(project: Project) -> None:
    project.add_unit("CT-1")
    project.run()
    adapter = project.root / "scripts/fit.py"
    text = adapter.read_text(encoding="utf-8")
    adapter.write_text(
        text.replace("    model = UnitFile", "    raise MemoryError\n    model = UnitFile"), encoding="utf-8"
    )
    result = project.run(check=False)
    assert result.returncode == 1
    assert "CT-1  not reported" in result.stdout


def test_a_changed_formula_fits_again(project: Project) -> None:
    project.add_unit("CT-1")
    project.run()
    before = project.stamps()
    module = project.root / "scripts/rotorproof/physics/winding.py"
    module.write_text(module.read_text(encoding="utf-8").replace("/ 6.0", "/ 12.0"), encoding="utf-8")
    project.run()
    changed = project.changed(before)
    assert {".work/CT-1/fit.json", "CT-1/results.json", "CT-1/report.pdf"} <= changed
    assert ".work/CT-1/readings.npz" not in changed
    results = json.loads((project.root / "reports/CT-1/results.json").read_bytes())
    assert abs(results["quantities"]["phase_resistance"]["value"] - 0.0602) < 0.0005


def test_a_unit_that_cannot_be_reported_fails_the_run_and_stops_no_other(project: Project) -> None:
    project.add_unit("CT-1")
    broken = project.add_unit("CT-2")
    file = broken / "unit.yaml"
    file.write_text(file.read_text().replace("kind: motor", "kind: moter\ncolour: red"), encoding="utf-8")
    result = project.run(check=False)
    assert result.returncode == 1
    assert "CT-1  accepted" in result.stdout
    assert "CT-2  not reported" in result.stdout
    place = "error: CT-2/unit.yaml, line"
    assert f"{place} 2, key 'kind': must be one of 'motor', 'controller' or 'drive' (found 'moter')" in result.stderr
    assert f"{place} 3, key 'colour': the key 'colour' is not known" in result.stderr


def test_a_log_that_cannot_be_used_is_named_and_the_rest_goes_on(project: Project) -> None:
    folder = project.add_unit("CT-1")
    log = folder / "steps.csv"
    log.write_text(log.read_text().replace("0.5000", "half", 1), encoding="utf-8")
    result = project.run()
    assert "error: CT-1/steps.csv, line 2, column 'current_ab': 'half' is not a number" in result.stderr
    assert "CT-1  incomplete" in result.stdout
    results = json.loads((project.root / "reports/CT-1/results.json").read_bytes())
    jsonschema.validate(results, SCHEMA)
    assert results["quantities"] == {}
    assert [c["decision"] for c in results["criteria"]] == ["not measured", "not measured"]


def test_an_absent_log_is_named_and_read_once_it_is_there(project: Project) -> None:
    folder = project.add_unit("CT-1")
    content = (folder / "steps.csv").read_bytes()
    (folder / "steps.csv").unlink()
    result = project.run()
    assert "CT-1/steps.csv: the log named in unit.yaml is not there" in result.stderr
    (folder / "steps.csv").write_bytes(content)
    assert "CT-1  accepted" in project.run().stdout


def test_raw_logs_and_reports_may_lie_elsewhere(project: Project, tmp_path: Path) -> None:
    project.add_unit("CT-1")
    elsewhere = tmp_path / "bench"
    (project.root / "raw").rename(elsewhere)
    project.run("--config", f"raw_dir={elsewhere}", f"reports_dir={tmp_path / 'out'}")
    assert (tmp_path / "out/CT-1/report.pdf").exists()


def test_settings_that_cannot_be_used_say_so_before_any_job(project: Project) -> None:
    project.add_unit("CT-1")
    (project.root / "config/config.yaml").write_text("config_version: 1\nraw_dirr: raw\n", encoding="utf-8")
    result = project.run(check=False)
    assert result.returncode == 2
    assert "config/config.yaml, line 2, key 'raw_dirr': the key 'raw_dirr' is not known; did you mean 'raw_dir'?" in (
        result.stderr
    )
    assert not (project.root / "reports").exists()


def test_a_bare_workflow_run_from_elsewhere_writes_into_the_project(project: Project, tmp_path: Path) -> None:
    project.add_unit("CT-1")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(project.root / "Snakefile"), "--cores", "1"]
    subprocess.run([*command, "reports/CT-1/results.json"], cwd=elsewhere, check=True, capture_output=True, timeout=240)
    assert (project.root / "reports/CT-1/results.json").exists()
    # The engine's own log of the run is all it leaves where it was started.
    assert [path for path in elsewhere.rglob("*") if path.is_file() and path.suffix != ".log"] == []
