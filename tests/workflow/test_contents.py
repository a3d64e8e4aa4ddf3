"""What a log holds decides whether it is read again: not its size, nor its times, which may be anything."""

from __future__ import annotations

import json
import os
import time
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest

import recompute
from rotorproof import contents
from rotorproof.contents import Contents
from rotorproof.logs import photograph
from rotorproof.workflow import RunPlan

from .conftest import Project


def replace(path: Path, old: str, new: str) -> None:
    """Put another file in the place of one, of the same size and with the same times."""
    state = path.stat()
    content = path.read_text(encoding="utf-8").replace(old, new)
    path.unlink()
    path.write_text(content, encoding="utf-8")
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (state.st_size, state.st_mtime_ns)


def test_a_hash_is_looked_up_only_for_a_file_that_was_not_touched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log, note = tmp_path / "log.csv", tmp_path / "note.json"
    log.write_text("1.0")
    first = Contents(note)
    before = first.sha256(log)
    first.note()
    with monkeypatch.context() as patch:
        patch.setattr(contents, "sha256", lambda path: "read again")
        assert Contents(note).sha256(log) == before
        time.sleep(0.02)  # a tick of the clock that the system notes changes by
        replace(log, "1.0", "2.0")
        assert Contents(note).sha256(log) == "read again"
    for broken in ("", "[]", '{"a": 1}', '{"a": [1]}'):
        note.write_text(broken)
        assert len(Contents(note).sha256(log)) == 64


def test_a_log_that_lies_under_another_name_is_another_log(project: Project) -> None:
    folder, unit = project.add_unit("CT-1"), SimpleNamespace(unit="CT-1")
    before = RunPlan.load(project.root, {}).stamps(unit)
    assert list(before) == ["steps.csv"]
    (folder / "steps.csv").rename(folder / "again.csv")
    (folder / "unit.yaml").write_text((folder / "unit.yaml").read_text().replace("steps.csv", "again.csv"))
    assert RunPlan.load(project.root, {}).stamps(unit) == {"again.csv": before["steps.csv"]}


def test_times_to_come_and_a_log_replaced_under_the_same_size_and_time(project: Project) -> None:
    folder = project.add_unit("CT-1")
    late = time.time() + 5 * 365 * 86400
    for path in (folder / "steps.csv", folder / "unit.yaml", folder):
        os.utime(path, (late, late))
    project.run()
    before = project.stamps()
    project.run()
    assert project.changed(before) == set()
    # A clock that was ahead, and was set back.
    for path in (project.root / "reports").rglob("*"):
        os.utime(path, (late, late))
    project.run()
    now = time.time_ns()
    assert all(path.lstat().st_mtime_ns <= now for path in (project.root / "reports/CT-1").rglob("*"))
    before = project.stamps()
    project.run()
    assert project.changed(before) == set()
    replace(folder / "steps.csv", "0.5000", "0.5001")
    before = project.stamps()
    project.run()
    assert "CT-1/report.pdf" in project.changed(before)


def test_a_photograph_is_an_input_whose_content_counts(project: Project) -> None:
    folder, at = project.add_unit("CT-1", seed=1), SimpleNamespace(unit="CT-1")
    seen = []
    for content in (None, b"one", b"two"):
        if content is not None:
            (folder / "photo.jpg").write_bytes(content)
        plan = RunPlan.load(project.root, {})
        # It is looked at with the logs, and again when the report is rendered.
        seen.append((plan.stamps(at), plan.hashes(at)))
        assert ("CT-1/photo.jpg" in plan.inputs(at)) == (content is not None)
    for first, second in pairwise(seen):
        assert first[0] != second[0] and first[1] != second[1]
    assert recompute.main(project.root, "CT-1") is None
    said = json.loads((project.root / "reports/CT-1/results.json").read_bytes())["problems"]
    assert [p["severity"] for p in said if p.get("file") == "CT-1/photo.jpg"] == ["warning"]


def test_results_say_nothing_of_a_photograph_that_no_list_of_inputs_holds(project: Project) -> None:
    """An archive holds what the lists name; computed again from it, results must say the same."""
    at = SimpleNamespace(unit="CT-1")
    folder = project.add_unit("CT-1", seed=1)
    problems = []
    for large in (False, True):
        if large:
            (folder / "photo.jpg").write_bytes(bytes(photograph.MOST_BYTES + 1))
            (folder / "photo.png").symlink_to(project.root / "config/config.yaml")
        plan = RunPlan.load(project.root, {})
        assert not [name for name in plan.inputs(at) if "photo" in name]
        recompute.main(project.root, "CT-1")
        problems.append(json.loads((project.root / "reports/CT-1/results.json").read_bytes())["problems"])
        said = [problem.file for problem in plan.photographs_left_out(["CT-1"])]
        assert said == (["CT-1/photo.png", "CT-1/photo.jpg"] if large else [])
    assert problems[0] == problems[1]
