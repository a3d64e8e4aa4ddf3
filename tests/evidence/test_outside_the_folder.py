"""Nothing outside a unit's folder is read or attached because a file in it says so."""

from __future__ import annotations

import json
import logging
from pathlib import Path
from typing import Any

import pytest

from rotorproof.errors import InputError
from rotorproof.evidence.attachments import attached
from rotorproof.evidence.bag import check_name
from rotorproof.evidence.recompute import lay_out
from rotorproof.evidence.record import Evidence, evidence_attachments, read_evidence
from rotorproof.evidence.verify import Verified
from rotorproof.files import sha256_of
from rotorproof.settings.documents import read_document
from rotorproof.settings.folder import SettingsFolder
from rotorproof.settings.load import load_unit

from .conftest import Workshop

SECRET = "outside-7c2f"
UNIT = """\
unit: U
kind: motor
tests:
  - procedure: winding-resistance
    log: {log}
    conditions: {{winding_temperature: 24 degC}}
"""


def evidence_of(settings: dict[str, Any], **known: Any) -> Evidence:
    """Return the evidence of a unit "U" with these facts."""
    nothing: dict[str, Any] = {"inputs": {}, "not_attached": [], "outputs": {}, "software": {}}
    about = {"schema": 1, "unit": "U", "code_sha256": "0" * 64, "configuration": {"settings": settings}}
    return Evidence(**about, **{**nothing, **known})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "secret.csv").write_text(f"voltage_ab [V]\n{SECRET}\n")
    (tmp_path / "config").mkdir()
    unit = tmp_path / "raw" / "U"
    unit.mkdir(parents=True)
    return unit


def refused(folder: Path) -> str:
    with pytest.raises(InputError) as caught:
        load_unit(folder, SettingsFolder(folder.parents[1] / "config"), "U/unit.yaml")
    said = "\n".join(str(problem) for problem in caught.value.problems)
    assert SECRET not in said
    return said


@pytest.mark.parametrize(
    "log",
    [
        "../../secret.csv",
        "sub/../../../secret.csv",
        "/etc/passwd",
        "./../../secret.csv",
        '"\\x2e\\x2e/../secret.csv"',
        "..",
    ],
)
def test_a_log_by_a_path_out_of_the_folder(folder: Path, log: str) -> None:
    (folder / "unit.yaml").write_text(UNIT.format(log=log))
    assert "lies outside the unit's folder" in refused(folder)


@pytest.mark.parametrize("log", ['"a\\0b.csv"', '"a\\nb.csv"', '"a\\x1b[2Jb.csv"', '""', "'C:\\temp\\x.csv'"])
def test_a_log_by_a_name_that_is_no_file_name(folder: Path, log: str) -> None:
    (folder / "unit.yaml").write_text(UNIT.format(log=log))
    assert "is no name for a log" in refused(folder)


@pytest.mark.parametrize("log", ["./x.csv", "sub//x.csv", "x.csv/", "sub/./x.csv", "' x.csv'", "'x.csv '"])
def test_a_log_by_another_spelling_of_its_name(folder: Path, log: str) -> None:
    (folder / "unit.yaml").write_text(UNIT.format(log=log))
    said = refused(folder)
    assert "write the log" in said
    assert ("as 'sub/x.csv'" if "sub" in log else "as 'x.csv'") in said


def test_a_log_that_is_a_link_out_of_the_folder(folder: Path) -> None:
    (folder / "unit.yaml").write_text(UNIT.format(log="inside.csv"))
    (folder / "inside.csv").symlink_to("../../secret.csv")
    assert "lies outside the unit's folder" in refused(folder)
    (folder / "inside.csv").unlink()
    (folder / "unit.yaml").write_text(UNIT.format(log="sub/secret.csv"))
    (folder / "sub").symlink_to("../..", target_is_directory=True)
    assert "lies outside the unit's folder" in refused(folder)


def test_a_unit_file_that_is_a_link_out_of_the_folder(folder: Path) -> None:
    (folder.parents[1] / "other.yaml").write_text(UNIT.format(log="x.csv"))
    (folder / "unit.yaml").symlink_to("../../other.yaml")
    assert "unit.yaml is a link out of the unit's folder" in refused(folder)


@pytest.mark.parametrize("name", ["archive", "plans", "comparisons", "Archive"])
def test_a_unit_with_the_name_of_something_else_in_the_reports(folder: Path, name: str) -> None:
    place = folder.parent / name
    place.mkdir()
    (place / "unit.yaml").write_text(f"unit: {name}\nkind: motor\n")
    assert "no unit can be called" in refused(place)


@pytest.mark.parametrize("key", ["acceptance: ../../secret", "acceptance: /etc/passwd", "unit: ../U"])
def test_names_that_are_paths(folder: Path, key: str) -> None:
    (folder / "unit.yaml").write_text(f"kind: motor\n{'' if key.startswith('unit') else 'unit: U'}\n{key}\n")
    assert "may hold letters, digits" in refused(folder)


@pytest.mark.parametrize(
    "text",
    [
        "unit: !!python/object/apply:os.system ['touch pwned']",
        "unit: !!python/name:os.system",
        "unit: !include /etc/passwd",
        "unit: &a [x]\nkind: *a",
        "a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b]",
        "unit: U\n<<: {kind: motor}\nkind: drive",
    ],
)
def test_yaml_is_data_and_nothing_else(tmp_path: Path, text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "unit.yaml").write_text(text + "\n")
    with pytest.raises(InputError, match="not allowed"):
        read_document(tmp_path / "unit.yaml")
    assert not (tmp_path / "pwned").exists()


@pytest.mark.parametrize("name", ["../x", "/etc/x", "U/../../x", "raw/x"])
def test_evidence_that_names_a_path_out_of_the_folder_is_not_laid_out(tmp_path: Path, name: str) -> None:
    evidence = evidence_of({"config_version": 1}, inputs={name: sha256_of(b"x")})
    found = Verified(tmp_path, results={}, evidence=evidence, sources={name: b"x"})
    with pytest.raises(InputError, match="outside the unit"):
        lay_out(tmp_path, found)
    assert not (tmp_path.parent / "x").exists()


@pytest.mark.parametrize("name", ["data/a\nb", "data/a\\b", "data/a\x07", "data/a\u2028b"])
def test_names_that_an_archive_cannot_hold(name: str) -> None:
    with pytest.raises(InputError, match="cannot store"):
        check_name(name)


def test_only_what_the_report_was_made_from_is_attached_and_archived(workshop: Workshop) -> None:
    folder = workshop.root / "raw/CT-1"
    (folder / "private.txt").write_text(SECRET)
    (folder / "link.csv").symlink_to("/etc/passwd")
    assert workshop.sign().returncode == 0
    logging.getLogger("pyhanko").setLevel(logging.CRITICAL)
    archive = workshop.reports / "archive/CT-1/r1"
    names = {path.name for path in archive.rglob("*")}
    assert not {"private.txt", "link.csv"} & names
    for content in attached((archive / "data/report.pdf").read_bytes()).values():
        assert SECRET.encode() not in content


def test_a_log_that_becomes_a_link_after_the_report_is_not_signed(workshop: Workshop, tmp_path: Path) -> None:
    log = workshop.root / "raw/CT-1/steps.csv"
    (tmp_path / "copy.csv").write_bytes(log.read_bytes())
    log.unlink()
    log.symlink_to(tmp_path / "copy.csv")
    done = workshop.sign()
    assert done.returncode == 2
    assert "lies outside the unit's folder" in done.stderr


@pytest.mark.parametrize("names", [("U/a", "U/a/b"), ("config/a", "config/a/b")])
def test_evidence_that_names_a_file_in_the_place_of_another_is_not_laid_out(tmp_path: Path, names: list[str]) -> None:
    inputs = {name: sha256_of(b"x") for name in names}
    evidence = evidence_of({"config_version": 1}, inputs=inputs)
    for order in (names, names[::-1]):
        root = tmp_path / order[0].replace("/", "-")
        found = Verified(tmp_path, results={}, evidence=evidence, sources={name: b"x" for name in order})
        with pytest.raises(InputError, match=r"in the place of another|where another name needs a folder"):
            lay_out(root, found)


def test_what_is_attached_is_called_what_it_is(tmp_path: Path) -> None:
    names = ("U/unit.yaml", "config/config.yaml", "U/intake.sha256", "U/steps.csv")
    (tmp_path / "x").write_bytes(b"x")
    record = evidence_of({}, inputs=dict.fromkeys(names, sha256_of(b"x")))
    found = evidence_attachments(b"", b"", record, dict.fromkeys(names, tmp_path / "x"))[2:]
    said = {one.description.split(": ")[1]: one.description.split(": ")[0] for one in found}
    assert [said[name] for name in names] == [
        "Settings as used",
        "Settings as used",
        "Logs as they were taken in",
        "Raw log as read",
    ]


PART = {"report_id": "x", "results_sha256": "0" * 64}


@pytest.mark.parametrize(
    "parts", [{".": PART}, {"..": PART}, {"a/b": PART}, {"": PART}, {"P": "x"}, ["P"], None, {"P": {}}]
)
def test_evidence_of_parts_that_are_no_units_is_not_read(parts: Any) -> None:
    content = evidence_of({}).as_json()
    assert read_evidence(json.dumps({**content, "parts": {"P-1": PART}}).encode()).as_json()["parts"] == {"P-1": PART}
    with pytest.raises(ValueError, match="parts"):
        read_evidence(json.dumps({**content, "parts": parts}).encode())


def test_the_settings_laid_out_are_those_of_the_evidence_whatever_their_letters(tmp_path: Path) -> None:
    settings = {"config_version": 1, "laboratory": "\U0001d6fa \u2126 Example"}
    evidence = evidence_of(settings)
    lay_out(tmp_path, Verified(tmp_path, results={}, evidence=evidence, sources={}))
    assert read_document(tmp_path / "config" / "config.yaml").data == settings
