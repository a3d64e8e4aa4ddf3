"""The workflow as a whole: what it makes, what it makes again, and what a bad input does to the others.

A run costs seconds of processor time, whatever it has to do. So one project with a unit for each case is run five
times, and what is to be seen after each run is kept; the tests look at that.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from .conftest import Project

SCHEMA = json.loads((Path(__file__).parents[2] / "config/schemas/results.schema.json").read_bytes())
#: Left alone; log changed; log replaced by an older file; log that comes late; log with a word in it; unit.yaml wrong.
SOUND, CHANGED, OLDER, LATE, SPOILED, WRONG = (f"CT-{k}" for k in range(1, 7))

pytestmark = pytest.mark.xdist_group("workflow")


@dataclass(frozen=True)
class Seen:
    """What a run said, which files of the reports it wrote, and the results that then lay there."""

    said: str
    errors: str
    status: int
    changed: set[str]
    results: dict[str, dict[str, Any]]

    def of(self, unit: str) -> set[str]:
        """Return the files written for a unit, without its name."""
        return {name.replace(unit, "*") for name in self.changed if unit in name}


def _edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def _run(project: Project, *units: str) -> Seen:
    before = project.stamps()
    done = project.run(*units, check=False)
    results = {
        path.parent.name: json.loads(path.read_bytes()) for path in (project.root / "reports").glob("CT-*/results.json")
    }
    for found in results.values():
        jsonschema.validate(found, SCHEMA)
    return Seen(done.stdout, done.stderr, done.returncode, project.changed(before), results)


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Seen]:
    """Return what each of the runs gave: the first, one after changes of logs, and three of the sound unit alone."""
    project = Project.fresh(tmp_path_factory.mktemp("story") / "project")
    raw, root = project.root / "raw", project.root
    for name in (SOUND, CHANGED, OLDER, LATE, SPOILED, WRONG):
        project.add_unit(name)
    late = (raw / LATE / "steps.csv").read_bytes()
    (raw / LATE / "steps.csv").unlink()
    _edit(raw / SPOILED / "steps.csv", "0.5000", "half")
    _edit(raw / WRONG / "unit.yaml", "kind: motor", "kind: moter\ncolour: red")
    seen = {"first": _run(project)}

    _edit(raw / CHANGED / "steps.csv", "0.5000", "0.5001")
    _edit(raw / OLDER / "steps.csv", "0.5000", "0.9000")
    os.utime(raw / OLDER / "steps.csv", (1_700_000_000, 1_700_000_000))
    (raw / LATE / "steps.csv").write_bytes(late)
    seen["logs"] = _run(project)

    _edit(root / "config/acceptance/small.yaml", "0.13 ohm", "0.11 ohm")
    seen["limits"] = _run(project, SOUND)

    _edit(root / "scripts/rotorproof/physics/winding.py", "/ 6.0", "/ 12.0")
    seen["formula"] = _run(project, SOUND)

    _edit(root / "scripts/fit.py", "    model = UnitFile", "    raise MemoryError\n    model = UnitFile")
    seen["failing step"] = _run(project, SOUND)
    return seen


def test_a_run_makes_reports_and_a_register(story: dict[str, Seen]) -> None:
    first = story["first"]
    for unit in (SOUND, CHANGED, OLDER):
        assert first.results[unit]["verdict"] == "accepted"
        assert {f"{unit}/report.pdf", f"{unit}/evidence.json", f".work/{unit}/fit.json"} <= first.changed
        assert f"{unit}  accepted" in first.said
    assert {"index.html", "results.csv", "results.parquet"} <= first.changed


def test_a_unit_that_cannot_be_reported_fails_the_run_and_stops_no_other(story: dict[str, Seen]) -> None:
    first = story["first"]
    assert first.status == 1
    assert f"{SOUND}  accepted" in first.said
    assert f"{WRONG}  not reported" in first.said
    place = f"error: {WRONG}/unit.yaml, line"
    assert f"{place} 2, key 'kind': must be one of 'motor', 'controller' or 'drive' (found 'moter')" in first.errors
    assert f"{place} 3, key 'colour': the key 'colour' is not known" in first.errors


def test_a_log_that_cannot_be_used_is_named_and_the_rest_goes_on(story: dict[str, Seen]) -> None:
    first = story["first"]
    assert f"error: {SPOILED}/steps.csv, line 2, column 'current_ab': 'half' is not a number" in first.errors
    assert f"{SPOILED}  incomplete" in first.said
    assert first.results[SPOILED]["quantities"] == {}
    assert [c["decision"] for c in first.results[SPOILED]["criteria"]] == ["not measured", "not measured"]


def test_an_absent_log_is_named_and_read_once_it_is_there(story: dict[str, Seen]) -> None:
    assert f"{LATE}/steps.csv: the log named in unit.yaml is not there" in story["first"].errors
    assert f"{LATE}  incomplete" in story["first"].said
    assert f"{LATE}  accepted" in story["logs"].said


def test_a_changed_log_touches_its_own_unit_only(story: dict[str, Seen]) -> None:
    assert ".work/*/fit.json" in story["logs"].of(CHANGED)
    assert story["logs"].of(SOUND) == set()


def test_a_log_replaced_by_an_older_one_is_read_again(story: dict[str, Seen]) -> None:
    assert {".work/*/readings.npz", "*/results.json"} <= story["logs"].of(OLDER)


def test_a_changed_limit_reads_and_fits_nothing_again(story: dict[str, Seen]) -> None:
    limits = story["limits"]
    assert f"{SOUND}  rejected" in limits.said
    # The report notes beside itself which readings and fit it was rendered from: the same as before.
    assert limits.of(SOUND) == {"*/results.json", "*/report.pdf", "*/evidence.json", ".work/*/stages.json"}
    assert {"index.html", "results.csv", "results.parquet"} <= limits.changed
    assert {Path(name).name for name in limits.changed if name.startswith(".work")} == {"stages.json"}


def test_a_changed_formula_fits_again(story: dict[str, Seen]) -> None:
    formula = story["formula"]
    assert {".work/*/fit.json", "*/results.json", "*/report.pdf"} <= formula.of(SOUND)
    assert ".work/*/readings.npz" not in formula.of(SOUND)
    halved = formula.results[SOUND]["quantities"]["phase_resistance"]["value"]
    assert halved == pytest.approx(0.5 * story["first"].results[SOUND]["quantities"]["phase_resistance"]["value"])


def test_results_of_an_earlier_run_do_not_stand_in_for_a_step_that_failed(story: dict[str, Seen]) -> None:
    assert story["failing step"].status == 1
    assert f"{SOUND}  not reported" in story["failing step"].said


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
    """And reads raw logs that lie elsewhere."""
    project.add_unit("CT-1")
    bench, elsewhere = tmp_path / "bench", tmp_path / "elsewhere"
    (project.root / "raw").rename(bench)
    elsewhere.mkdir()
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(project.root / "Snakefile"), "--cores", "1"]
    command += ["--config", f"raw_dir={bench}", "--", "reports/CT-1/results.json"]
    subprocess.run(command, cwd=elsewhere, check=True, capture_output=True)
    assert (project.root / "reports/CT-1/results.json").exists()
    # The engine's own log of the run is all it leaves where it was started.
    assert [path for path in elsewhere.rglob("*") if path.is_file() and path.suffix != ".log"] == []


def test_texts_and_names_with_braces_are_never_filled_in(project: Project) -> None:
    project.add_unit("A")
    for name, old, new in (
        ("B", "nameplate: {winding_material: copper}", "nameplate: {rated_voltage: '{voltage} V'}"),
        ("C", "log: steps.csv", "log: '{unit}.csv'"),
        ("D", "log: steps.csv", "log: '<b>.csv'"),
        ("{unit}", "unit: '{unit}'", "unit: '{unit}'"),
    ):
        folder = project.add_unit(name.strip("{}"))
        file = folder / "unit.yaml"
        file.write_text(file.read_text(encoding="utf-8").replace("unit: unit", "unit: '{unit}'").replace(old, new))
        folder.rename(folder.parent / name)
        for log in ("{unit}.csv", "<b>.csv"):
            (folder.parent / name / log).write_text("x [V]\n1\n")
    # What a title may hold, an acceptance set's words and a report's may too.
    unit = project.root / "raw" / "A" / "unit.yaml"
    unit.write_text(unit.read_text(encoding="utf-8") + "description: '{unit} <b> {wildcards.unit} %s'\n")
    result = project.run(check=False)
    assert result.returncode != 0
    for words in ("'{voltage} V' is not a number", "'{unit}.csv' is no name for a log", "'<b>.csv' is no name"):
        assert words in result.stderr
    assert (project.root / "reports/A/report.pdf").is_file()
    assert (project.root / "reports/index.html").is_file()
