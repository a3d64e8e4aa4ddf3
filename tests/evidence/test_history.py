"""Units of which signed reports alone are left are read back as they were signed, or named."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from rotorproof.evidence import standing
from rotorproof.evidence.history import archived_names, history
from rotorproof.rendering.register import write_register

from .conftest import Workshop

MOTORS = {"kind": "motor"}


@pytest.fixture
def reports(signed: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder of reports that was cleaned of everything but the archive."""
    # The process of the tests may hold more by now than any of the program's.
    monkeypatch.setattr(standing, "LIMITS", replace(standing.LIMITS, memory=2**40))
    shutil.copytree(signed.reports / "archive", tmp_path / "archive")
    for path in tmp_path.rglob("*"):
        if path.is_file():
            path.chmod(0o644)
    return tmp_path


def test_a_cleaned_folder_keeps_its_history(reports: Path, signed: Workshop) -> None:
    assert archived_names(reports, ()) == ["CT-1/r1"]
    found = history(reports, (), MOTORS)
    assert not found.not_taken
    (one,) = found.units
    assert one.unit["unit"] == "CT-1"
    assert (reports / one.report).is_file()
    assert one.results.as_json() == {**one.results.read(signed.reports / "CT-1" / "results.json").as_json()}


def test_what_a_run_knows_and_what_is_not_asked_for_is_left_alone(reports: Path) -> None:
    assert archived_names(reports, ("CT-1",)) == []
    assert not history(reports, ("CT-1",), MOTORS).units
    assert not history(reports, (), {"role": "check standard"}).units
    assert not history(reports / "nowhere", (), MOTORS).units


@pytest.mark.parametrize("name", ["results.json", "evidence.json", "sign-off.json", "report.pdf"])
def test_what_is_not_what_was_signed_is_named_and_not_taken(reports: Path, name: str) -> None:
    path = reports / "archive/CT-1/r1/data" / name
    content = path.read_bytes()
    spoilt = content.replace(b"CT-1", b"CT-2", 1) if name != "report.pdf" else content[:-2000] + bytes(2000)
    assert spoilt != content
    path.write_bytes(spoilt)
    found = history(reports, (), MOTORS)
    assert not found.units
    assert list(found.not_taken) == ["archive/CT-1/r1"]


def test_a_link_to_another_file_is_not_followed(reports: Path) -> None:
    path = reports / "archive/CT-1/r1/data/results.json"
    path.rename(reports / "elsewhere.json")
    path.symlink_to(reports / "elsewhere.json")
    assert list(history(reports, (), MOTORS).not_taken) == ["archive/CT-1/r1"]


def test_the_register_shows_a_unit_of_which_the_archive_alone_is_left(reports: Path) -> None:
    write_register(units=[], refused={}, signed=(), reports=reports)
    page = (reports / "index.html").read_text(encoding="utf-8")
    assert "archive/CT-1/r1/data/report.pdf" in page
    assert "its folder is gone, this is from the archive" in page
    assert "the results have changed since" not in page
    # A unit that a run refuses has its own row, with the reason.
    refused = {"CT-1": [{"message": "no log", "severity": "error"}]}
    write_register(units=[], refused=refused, signed=("CT-1",), reports=reports)
    assert "from the archive" not in (reports / "index.html").read_text(encoding="utf-8")


def test_the_register_names_an_archive_that_is_not_what_was_signed(reports: Path) -> None:
    path = reports / "archive/CT-1/r1/data/results.json"
    path.write_bytes(path.read_bytes().replace(b"CT-1", b"CT-2", 1))
    write_register(units=[], refused={}, signed=(), reports=reports)
    page = (reports / "index.html").read_text(encoding="utf-8")
    assert "(archive/CT-1/r1) is not shown: it is not what was signed" in page
