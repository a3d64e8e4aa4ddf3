"""Where nothing has changed the workflow engine is not even started; wherever anything has, it is."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from rotorproof.commands._report import read_by_a_run
from rotorproof.settings.load import load_settings
from rotorproof.settled import causes_of, is_settled, made_files, settle, unsettle
from rotorproof.untouched import ended, look
from rotorproof.workflow import STEPS, RunPlan

from .conftest import Project


def engine_runs(project: Project) -> int:
    """Return how often the workflow engine has been started: it keeps a log of each."""
    return len(list((project.root / ".snakemake/log").glob("*.log")))


def test_the_engine_is_left_alone_until_something_changes(project: Project) -> None:
    project.add_unit("CT-1")
    project.add_unit("CT-2", seed=2)
    project.run("CT-1")
    register = (project.root / "reports/index.html").read_text(encoding="utf-8")
    assert "accepted" in register
    assert "make report UNIT=CT-2" in register
    project.run()
    assert "make report UNIT=CT-2" not in (project.root / "reports/index.html").read_text(encoding="utf-8")
    runs = engine_runs(project)
    assert runs == 2, "a run of one unit says nothing about the others"
    again = project.run()
    assert "CT-2  accepted" in again.stdout
    project.run("CT-2")
    assert engine_runs(project) == runs
    assert ended(project.root, []) is not None, "nothing was written for seconds before that run"
    third = project.run()
    assert (third.stdout, third.stderr) == (again.stdout, again.stderr)
    (project.root / "raw/CT-2/steps.csv").touch()
    assert ended(project.root, []) is None
    assert project.run().stdout == again.stdout
    assert engine_runs(project) == runs, "a log that was only touched is the same log"

    before = project.stamps()
    (project.root / "reports/CT-2/report.pdf").unlink()
    project.run("CT-2")
    assert engine_runs(project) == runs + 1
    assert {"CT-2/report.pdf", "index.html"} <= project.changed(before)
    plan = RunPlan.load(project.root, {})
    assert not is_settled(plan, causes_of(plan)), (
        "whether the other units are as they should be only a run of all tells"
    )


def _log(root: Path) -> None:
    with (root / "raw/CT-1/steps.csv").open("a", encoding="utf-8") as stream:
        stream.write("# looked at again\n")


def _older_log(root: Path) -> None:
    log = root / "raw/CT-1/steps.csv"
    content = log.read_bytes().replace(b"0.5000", b"0.5001")
    log.unlink()
    log.write_bytes(content)


def _unit(root: Path) -> None:
    file = root / "raw/CT-1/unit.yaml"
    file.write_text(file.read_text().replace("24.0 degC", "25.0 degC"), encoding="utf-8")


def _limits(root: Path) -> None:
    file = root / "config/acceptance/small.yaml"
    file.write_text(file.read_text().replace("0.13 ohm", "0.14 ohm"), encoding="utf-8")


def _settings(root: Path) -> None:
    (root / "config/config.yaml").write_text("config_version: 1\ncoverage_probability: 0.9\n", encoding="utf-8")


def _comment_in_settings(root: Path) -> None:
    with (root / "config/config.yaml").open("a", encoding="utf-8") as stream:
        stream.write("# evidence names the hash of this file\n")


def _new_unit(root: Path) -> None:
    shutil.copytree(root / "raw/CT-1", root / "raw/CT-2")
    file = root / "raw/CT-2/unit.yaml"
    file.write_text(file.read_text().replace("CT-1", "CT-2"), encoding="utf-8")


def _no_log(root: Path) -> None:
    (root / "raw/CT-1/steps.csv").unlink()


def _no_unit(root: Path) -> None:
    shutil.rmtree(root / "raw/CT-1")


def _no_results(root: Path) -> None:
    (root / "reports/CT-1/results.json").unlink()


def _no_figure(root: Path) -> None:
    (root / "reports/CT-1/figures/a.svg").unlink()


def _figure_in_place(root: Path) -> None:
    with (root / "reports/CT-1/figures/a.svg").open("r+b") as stream:
        stream.write(b"y")


def _touched_report(root: Path) -> None:
    with (root / "reports/CT-1/report.pdf").open("ab") as stream:
        stream.write(b" ")


@pytest.mark.parametrize(
    "change",
    [
        _log,
        _older_log,
        _unit,
        _limits,
        _settings,
        _comment_in_settings,
        _new_unit,
        _no_log,
        _no_unit,
        _no_results,
        _no_figure,
        _figure_in_place,
        _touched_report,
    ],
)
def test_every_change_asks_the_engine(project: Project, change: Callable[[Path], None]) -> None:
    project.add_unit("CT-1")
    reports = project.root / "reports"
    for name in STEPS:
        (reports / ".work/CT-1").mkdir(parents=True, exist_ok=True)
        (reports / ".work/CT-1" / name).write_bytes(b"x")
    (reports / "CT-1/figures").mkdir(parents=True)
    (reports / "CT-1/figures/a.svg").write_bytes(b"x")
    for name in ("CT-1/results.json", "CT-1/report.pdf", "CT-1/evidence.json"):
        (reports / name).write_bytes(b"x")
    for name in ("index.html", "bench.html", "models.html", "refused.json", "results.csv", "results.parquet"):
        (reports / name).write_bytes(b"x")

    plan = RunPlan.load(project.root, {})
    assert not is_settled(plan, causes_of(plan))
    settle(plan, causes_of(plan))
    plan = RunPlan.load(project.root, {})
    assert is_settled(plan, causes_of(plan))
    trees = read_by_a_run(project.root, load_settings(project.root / "config/config.yaml", {}))
    made = [str(path) for path in made_files(plan)]
    entries = look(trees, made)
    assert entries is not None
    assert look(trees, made) == entries
    change(project.root)
    plan = RunPlan.load(project.root, {})
    assert not is_settled(plan, causes_of(plan))
    assert look(trees, made) != entries


def test_other_settings_code_or_page_styles_ask_the_engine(project: Project) -> None:
    project.add_unit("CT-1")
    causes = causes_of(RunPlan.load(project.root, {}))
    assert causes == causes_of(RunPlan.load(project.root, {}))
    assert causes != causes_of(RunPlan.load(project.root, {"coverage_probability": 0.9}))
    for name in ("scripts/decide.py", "templates/report.css", "Snakefile"):
        with (project.root / name).open("a", encoding="utf-8") as stream:
            stream.write("\n")
        changed = causes_of(RunPlan.load(project.root, {}))
        assert changed != causes, name
        causes = changed


def test_what_was_noted_can_be_forgotten(project: Project) -> None:
    plan = RunPlan.load(project.root, {})
    unsettle(plan)
    assert not is_settled(plan, causes_of(plan))
