"""Revisions appear whole or not at all, one at a time, and are found in the order of their numbers."""

from __future__ import annotations

import json
import os
from csv import DictReader
from pathlib import Path

import pytest

import register
from rotorproof.errors import InputError
from rotorproof.evidence import standing
from rotorproof.evidence.revisions import all_signed, new_revision, revisions, signed_reports
from rotorproof.evidence.signoff import SignOff
from rotorproof.evidence.verify import Verified, _place
from rotorproof.files import sha256
from rotorproof.jsonio import write_json
from tests import entries


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
    assert row["verdict"] == "damaged"
    assert row["current"] is False


def test_the_register_looks_when_it_is_written_whether_the_results_are_those_that_were_signed(tmp_path: Path) -> None:
    results = tmp_path / "U/results.json"
    content = entries.results(quantities={"phase_resistance": entries.quantity_entry()}).as_json()
    write_json(results, content)
    stated = SignOff(
        unit="U",
        revision=1,
        name="N",
        role="R",
        signed_at="2026-05-03T10:00:00+00:00",
        certificate_subject="N",
        certificate_sha256="0" * 64,
        verdict="accepted",
        files={"data/results.json": sha256(results)},
    )
    write_json(tmp_path / "archive/U/r1/data/sign-off.json", stated.model_dump(by_alias=True, exclude_none=True))
    report = tmp_path / "archive/U/r1/data/report.pdf"
    report.write_bytes(b"stands for a signed report, which was found to cover the sign-off before")
    sound = " ".join(sha256(path) for path in (report.with_name("sign-off.json"), report))
    write_json(tmp_path / ".work/signed.json", [sound])
    # As a run plans it: with the results of the run before.
    planned = all_signed(tmp_path, ["U", "V"])
    assert list(planned) == ["U"]

    def shown() -> tuple[bool, bool]:
        index, csv = tmp_path / "index.html", tmp_path / "results.csv"
        units = [{"unit": "U", "kind": "motor"}]
        register.main(units=units, refused={}, signed=planned, reports=tmp_path)
        changed = "the results have changed since" in index.read_text(encoding="utf-8")
        with csv.open(encoding="utf-8", newline="") as stream:
            return changed, any(row["signed_revision"] != "" for row in DictReader(stream))

    assert shown() == (False, True)
    write_json(results, {**content, "problems": [{"message": "m", "severity": "warning"}]})
    assert shown() == (True, False)


@pytest.mark.parametrize("name", ["report.pdf", "sign-off.json"])
@pytest.mark.parametrize("kind", ["pipe", "device", "link", "large", "folder that is a link"])
def test_what_is_no_file_of_an_archive_is_not_read(tmp_path: Path, name: str, kind: str) -> None:
    data = tmp_path / "archive/U/r1/data"
    data.mkdir(parents=True)
    for other in ("report.pdf", "sign-off.json"):
        (data / other).write_text("{}")
    path = data / name
    path.unlink()
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "link":
        (tmp_path / "elsewhere").write_text("{}")
        path.symlink_to(tmp_path / "elsewhere")
    elif kind == "large":
        path.touch()
        os.truncate(path, 1 << 40)  # a hole, which takes no room
    else:
        path.write_text("{}")
        data.rename(tmp_path / "elsewhere")
        data.symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    most = {"report.pdf": standing.LARGEST_REPORT, "sign-off.json": standing.LARGEST_SIGN_OFF}[name]
    with pytest.raises(OSError, match=r"link|not a regular file|larger than any"):
        standing.content_within(path, most)
    assert [row["verdict"] for row in signed_reports(tmp_path, "U")] == ["damaged"]


def test_an_archive_at_the_root_of_a_file_system_has_a_place_too() -> None:
    found = Verified(Path("/r1"))
    _place(found, Path("/r1"), SignOff.model_construct(unit="U", revision=1))
    assert (found.faults, len(found.notes)) == ([], 1)
