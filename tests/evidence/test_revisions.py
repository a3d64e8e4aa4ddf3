"""Revisions appear whole or not at all, one at a time, and are found in the order of their numbers."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rotorproof.errors import InputError
from rotorproof.evidence.revisions import new_revision, revisions, signed_reports


def test_a_revision_appears_when_the_block_ends(tmp_path: Path) -> None:
    with new_revision(tmp_path, "U") as (number, earlier, folder):
        (folder / "x").write_text("1")
        assert (number, earlier) == (1, [])
        assert revisions(tmp_path, "U") == []
    assert [(r.number, r.folder) for r in revisions(tmp_path, "U")] == [(1, tmp_path / "archive/U/r1")]
    assert (tmp_path / "archive/U/r1/x").read_text() == "1"


def test_an_error_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), new_revision(tmp_path, "U") as (_, _, folder):
        (folder / "x").write_text("1")
        raise RuntimeError
    assert [path.name for path in (tmp_path / "archive/U").iterdir()] == [".lock"]


def test_what_a_killed_run_left_is_cleared_and_never_taken_for_a_revision(tmp_path: Path) -> None:
    left = tmp_path / "archive/U/.partial"
    left.mkdir(parents=True)
    (left / "half").write_text("1")
    assert revisions(tmp_path, "U") == []
    with new_revision(tmp_path, "U") as (_, _, folder):
        assert list(folder.iterdir()) == []
        (folder / "x").write_text("1")
    assert not left.exists()


def test_two_at_once_are_told_apart(tmp_path: Path) -> None:
    with new_revision(tmp_path, "U"):
        with pytest.raises(InputError, match="another run is signing U"), new_revision(tmp_path, "U"):
            pass
        with new_revision(tmp_path, "V") as (number, _, folder):
            (folder / "x").write_text("1")
            assert number == 1


def test_the_tenth_comes_after_the_ninth_and_strangers_are_passed_over(tmp_path: Path) -> None:
    for name in ("r9", "r10", "r1", "r02", "rx", "copy of r1", "r0"):
        (tmp_path / "archive/U" / name).mkdir(parents=True)
    assert [revision.number for revision in revisions(tmp_path, "U")] == [1, 9, 10]
    # A name that is taken by something else is never overwritten.
    (tmp_path / "archive/U/r11").write_text("a file")
    with new_revision(tmp_path, "U") as (number, earlier, folder):
        (folder / "x").write_text("1")
    assert (number, earlier[-1].number) == (12, 10)
    assert (tmp_path / "archive/U/r11").read_text() == "a file"


def test_a_damaged_archive_is_shown_as_such(tmp_path: Path) -> None:
    (tmp_path / "archive/U/r1/data").mkdir(parents=True)
    (tmp_path / "archive/U/r1/data/sign-off.json").write_text(json.dumps({"unit": "U"}))
    (row,) = signed_reports(tmp_path, "U")
    assert row["outcome"] == "damaged"
    assert row["current"] is False
