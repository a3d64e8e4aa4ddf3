"""The invented units go into a folder of their own; what is the user's own stays, and nothing is lost."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from rotorproof.__main__ import main
from rotorproof.commands import demo
from rotorproof.settings.load import load_project, load_settings
from tests.simulation.demo import RAW

HERE = Path(__file__).parents[2]
COMPARED = "# Units set side by side\ncomparisons:\n  - {name: both, units: [AL-M1, AL-D1]}\n"


@pytest.fixture
def project(bench, monkeypatch):
    monkeypatch.setattr(demo, "ROOT", bench.root)
    for name in ("AL-M1", "AL-C1", "AL-D1"):
        shutil.copytree(RAW / name, bench.root / "raw" / name)
    shutil.copytree(HERE / "config" / "acceptance", bench.root / "config" / "acceptance", dirs_exist_ok=True)
    (bench.root / "config/config.yaml").write_text("config_version: 1\n" + COMPARED)
    return bench


def held(folder):
    return {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def loaded(root, **override):
    return load_project(load_settings(root / "config/config.yaml", override), root / "config", root)


def test_the_units_move_whole_and_both_folders_work(project, capsys):
    before = held(project.root / "raw")
    assert main(["demo"]) == 0
    out = capsys.readouterr().out
    assert "moved 3 invented units to demo/raw: AL-C1, AL-D1, AL-M1" in out
    goes_on = "--config raw_dir=demo/raw reports_dir=demo/reports"
    assert f'make compare ARGS="--units AL-M1 AL-D1 {goes_on}"' in out
    assert sorted(loaded(project.root).units) == ["BAD", "GOOD"]
    moved = loaded(project.root, raw_dir="demo/raw")
    assert (sorted(moved.units), moved.refused) == (["AL-C1", "AL-D1", "AL-M1"], {})
    after = held(project.root / "raw") | held(project.root / "demo/raw")
    assert {path: text for path, text in after.items() if path.name != ".gitkeep"} == before
    text = (project.root / "config/config.yaml").read_text()
    assert text == "config_version: 1\n# Units set side by side\ncomparisons: []\n"
    # A second time there is nothing to do.
    assert main(["demo"]) == 0
    assert "holds none of the invented units; they are in demo/raw" in capsys.readouterr().out


def test_a_comparison_of_ones_own_stays(project, capsys):
    own = "  - {name: mine, units: [GOOD, BAD]}   # mine\n"
    (project.root / "config/config.yaml").write_text("config_version: 1\n" + COMPARED + own)
    assert main(["demo"]) == 0
    assert (project.root / "config/config.yaml").read_text().endswith("comparisons:\n" + own)
    assert [one.name for one in load_settings(project.root / "config/config.yaml").comparisons] == ["mine"]


def test_one_that_runs_over_lines_is_named(project, capsys):
    long = "config_version: 1\ncomparisons:\n  - name: both\n    units: [AL-M1, AL-D1]\n"
    (project.root / "config/config.yaml").write_text(long)
    assert main(["demo"]) == 0
    assert "take the comparison both out of config/config.yaml" in capsys.readouterr().out
    assert (project.root / "config/config.yaml").read_text() == long


def test_a_unit_begun_from_an_invented_one_is_ones_own(project):
    shutil.copytree(RAW / "AL-M1", project.root / "raw/CT-A1")
    assert main(["demo"]) == 0
    assert (project.root / "raw/CT-A1/unit.yaml").exists()


def test_nothing_is_put_over_anything(project, capsys):
    (project.root / "demo/raw/AL-D1").mkdir(parents=True)
    assert main(["demo"]) == 2
    assert "holds AL-D1 already; nothing was changed" in capsys.readouterr().err
    assert (project.root / "raw/AL-M1/unit.yaml").exists()
    assert main(["demo", "--to", "example"]) == 0
    assert (project.root / "example/raw/AL-M1/unit.yaml").exists()
