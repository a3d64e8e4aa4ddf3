"""No change of a file or folder goes by without showing in what the system states of its entry."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from rotorproof import untouched
from rotorproof.untouched import Look, Tree, ended, look, note


@pytest.fixture
def raw(tmp_path: Path) -> Path:
    """Return a folder with two units, one of them with a log behind a link."""
    raw = tmp_path / "raw"
    for name in ("A", "B"):
        (raw / name / "logs").mkdir(parents=True)
        (raw / name / "unit.yaml").write_text("unit: A")
        (raw / name / "logs" / "one.csv").write_text("1,2")
    (tmp_path / "elsewhere.csv").write_text("3,4")
    (raw / "A" / "two.csv").symlink_to(tmp_path / "elsewhere.csv")
    return raw


def _same_size_and_time(raw: Path) -> None:
    file = raw / "A/unit.yaml"
    before = file.stat()
    file.write_text("unit: B")
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))


def _replaced(raw: Path) -> None:
    file = raw / "A/unit.yaml"
    other = file.with_name("new")
    shutil.copy2(file, other)
    other.replace(file)


def _behind_a_link(raw: Path) -> None:
    (raw.parent / "elsewhere.csv").write_text("3,5")


def _link_elsewhere(raw: Path) -> None:
    (raw / "A/two.csv").unlink()
    (raw / "A/two.csv").symlink_to(raw / "B/logs/one.csv")


def _added(raw: Path) -> None:
    (raw / "A/logs/photo.jpg").write_bytes(b"")


def _gone(raw: Path) -> None:
    (raw / "A/logs/one.csv").unlink()


def _link_to_nothing(raw: Path) -> None:
    (raw.parent / "elsewhere.csv").unlink()


def _renamed(raw: Path) -> None:
    (raw / "B").rename(raw / "C")


def _closed(raw: Path) -> None:
    (raw / "A").chmod(0o500)


@pytest.mark.parametrize(
    "change",
    [
        _same_size_and_time,
        _replaced,
        _behind_a_link,
        _link_elsewhere,
        _added,
        _gone,
        _link_to_nothing,
        _renamed,
        _closed,
    ],
)
def test_each_change_shows(raw: Path, change: Callable[[Path], None]) -> None:
    trees = [Tree(str(raw))]
    before = look(trees)
    assert before is not None
    assert look(trees) == before
    time.sleep(0.05)  # longer than the clock of any file system in use here stands still
    change(raw)
    assert look(trees) != before


def test_what_python_keeps_beside_modules_is_no_change(raw: Path) -> None:
    (raw / "A/__pycache__").mkdir()
    before = look([Tree(str(raw))])
    (raw / "A/__pycache__/one.pyc").write_bytes(b"x")
    assert look([Tree(str(raw))]) == before


def test_a_tree_is_looked_at_down_to_its_depth(raw: Path) -> None:
    before = look([Tree(str(raw), depth=1)])
    (raw / "A/logs/one.csv").write_text("another")
    assert look([Tree(str(raw), depth=1)]) == before
    (raw / "D").mkdir()
    assert look([Tree(str(raw), depth=1)]) != before


def test_a_tree_that_is_absent_is_known_and_a_file_is_not(raw: Path) -> None:
    archive = [Tree(str(raw.parent / "archive"))]
    before = look(archive)
    assert before is not None
    (raw.parent / "archive").mkdir()
    assert look(archive) != before
    assert look([], [str(raw / "nothing")]) is None


def test_a_unit_may_be_a_link_and_links_to_folders_within_it_are_in_doubt(raw: Path) -> None:
    shutil.move(raw / "B", raw.parent / "B")
    (raw / "B").symlink_to(raw.parent / "B")
    before = look([Tree(str(raw))])
    assert before is not None
    (raw.parent / "B/logs/one.csv").write_text("another")
    assert look([Tree(str(raw))]) != before
    (raw / "A/round").symlink_to(raw)
    assert look([Tree(str(raw))]) is None


@pytest.fixture
def later(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a minute pass."""
    now = time.time_ns
    monkeypatch.setattr("rotorproof.untouched.time.time_ns", lambda: now() + 60_000_000_000)


def _noted(raw: Path, before: Look | None) -> None:
    made = [str(raw.parent / "made.txt")]
    Path(made[0]).write_text("x")
    note(raw.parent, ["raw_dir=raw"], before, [Tree(str(raw))], look((), made), made, {"rows": [1]})


@pytest.mark.usefixtures("later")
def test_what_a_run_ended_with_is_known_until_something_is_written(raw: Path) -> None:
    assert ended(raw.parent, ["raw_dir=raw"]) is None
    _noted(raw, look([Tree(str(raw))]))
    assert ended(raw.parent, ["raw_dir=raw"]) == {"rows": [1]}
    assert ended(raw.parent, []) is None, "another question"
    (raw / "B/new.csv").write_text("5,6")
    assert ended(raw.parent, ["raw_dir=raw"]) is None


@pytest.mark.usefixtures("later")
def test_a_copy_of_a_project_has_no_note_of_its_own(raw: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    _noted(raw, look([Tree(str(raw))]))
    copy = tmp_path_factory.mktemp("copy") / "project"
    shutil.copytree(raw.parent, copy)
    assert ended(raw.parent, ["raw_dir=raw"]) == {"rows": [1]}
    assert ended(copy, ["raw_dir=raw"]) is None


@pytest.mark.usefixtures("later")
def test_nothing_is_noted_where_something_was_written_during_the_run(raw: Path) -> None:
    before = look([Tree(str(raw))])
    (raw / "B/new.csv").write_text("5,6")
    _noted(raw, before)
    assert ended(raw.parent, ["raw_dir=raw"]) is None


def test_nothing_is_noted_of_what_was_written_just_before_the_run(raw: Path) -> None:
    _noted(raw, look([Tree(str(raw))]))
    assert ended(raw.parent, ["raw_dir=raw"]) is None


@pytest.mark.usefixtures("later")
def test_what_was_made_is_looked_at_too(raw: Path) -> None:
    before, made = look([Tree(str(raw))]), [str(raw.parent / "made.txt")]
    _noted(raw, before)
    assert ended(raw.parent, ["raw_dir=raw"]) is not None
    Path(made[0]).write_text("y")
    assert ended(raw.parent, ["raw_dir=raw"]) is None
    shown = look((), made)
    Path(made[0]).write_text("zz")
    note(raw.parent, ["raw_dir=raw"], before, [Tree(str(raw))], shown, made, {"rows": [2]})
    assert ended(raw.parent, ["raw_dir=raw"]) is None, "the table was made of what is no longer there"


@pytest.mark.usefixtures("later")
def test_other_software_or_another_user_is_no_answer(raw: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _noted(raw, look([Tree(str(raw))]))
    with monkeypatch.context() as other:
        other.setattr(untouched, "software", lambda: {"numpy": "0.0"})
        assert ended(raw.parent, ["raw_dir=raw"]) is None
    with monkeypatch.context() as other:
        other.setattr("rotorproof.untouched.os.geteuid", lambda: 12345)
        assert ended(raw.parent, ["raw_dir=raw"]) is None
    assert ended(raw.parent, ["raw_dir=raw"]) is not None


@pytest.mark.usefixtures("later")
def test_a_spoilt_note_is_no_answer(raw: Path) -> None:
    _noted(raw, look([Tree(str(raw))]))
    (place,) = (raw.parent / "build/untouched").iterdir()
    for content in ("", "[]", "{}", '{"trees": 1, "made": [], "by": 1}'):
        place.write_text(content)
        assert ended(raw.parent, ["raw_dir=raw"]) is None


def _fat(text: str) -> str:
    """Return a table of mounts in which every disk is a memory card."""
    return re.sub(r" - [^ ]+ ", " - vfat ", text)


@pytest.mark.usefixtures("later")
@pytest.mark.parametrize("table", [_fat, lambda text: "", lambda text: "spoilt"])
def test_where_no_time_of_change_is_kept_nothing_is_told_by_entries(
    raw: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, table: Callable[[str], str]
) -> None:
    _noted(raw, look([Tree(str(raw))]))
    assert ended(raw.parent, ["raw_dir=raw"]) is not None
    mounted = tmp_path / "mountinfo"
    mounted.write_text(table(Path("/proc/self/mountinfo").read_text()))
    monkeypatch.setattr("rotorproof.mounts._TABLE", mounted)
    assert look([Tree(str(raw))]) is None
    assert ended(raw.parent, ["raw_dir=raw"]) is None
