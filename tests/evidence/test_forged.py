"""Archives that a dishonest signer, or whoever passes them on, made to hold: each is told apart, by its own reason.

The signer is trusted in these tests: whoever has a key can make every list and hash fit, so what is left is that
what is signed must agree with itself, with where it lies, and with what the raw logs give.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import unicodedata
from pathlib import Path
from typing import Any

import pytest

from rotorproof.evidence.bag import finish_bag
from rotorproof.evidence.signature import quiet_libraries
from rotorproof.evidence.trust import read_certificates
from rotorproof.evidence.verify import Verified, verify_archive
from rotorproof.files import sha256_of

from .conftest import Workshop, copy_of
from .forging import SIGN_OFF, forge, with_evidence, writable


@pytest.fixture(autouse=True)
def _quiet() -> None:
    quiet_libraries()


def verified(workshop: Workshop, archive: Path) -> Verified:
    return verify_archive(archive, read_certificates([workshop.public]))


def content(archive: Path, name: str) -> Any:
    return json.loads((archive / "data" / name).read_bytes())


def test_the_forger_of_these_tests_is_found_out_by_nothing_but_what_is_forged(signed: Workshop, archive: Path) -> None:
    forge(signed, archive)
    found = verified(signed, archive)
    assert (found.faults, found.trusted) == ([], True)


# ----- The archive as a whole


def test_bag_info_is_in_the_signed_list(signed: Workshop, archive: Path) -> None:
    info = archive / "bag-info.txt"
    info.write_text(info.read_text(encoding="utf-8").replace("accepted", "rejected"), encoding="utf-8")
    for path in archive.glob("*manifest-sha256.txt"):
        path.unlink()
    finish_bag(archive)
    assert verified(signed, archive).faults == ["bag-info.txt is not the file that was signed"]


def test_every_file_but_the_manifests_is_in_the_signed_list(archive: Path) -> None:
    present = {p.relative_to(archive).as_posix() for p in archive.rglob("*") if p.is_file()}
    listed = set(content(archive, "sign-off.json")["files"])
    own = {"data/report.pdf", SIGN_OFF}  # the one is signed, the other is attached to it
    assert present - listed - own == {"manifest-sha256.txt", "tagmanifest-sha256.txt"}


@pytest.mark.parametrize("name", ["bag-info.txt", "bagit.txt", "data/raw/CT-1/steps.csv", "data/certificate.pem"])
def test_a_file_that_the_signer_left_out_of_the_list(signed: Workshop, archive: Path, name: str) -> None:
    forge(signed, archive, leave_out=(name,))
    assert f"{name} was not among the files signed" in verified(signed, archive).faults


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("archive/CT-1/r3", "the folder is called r3, but what was signed is r1"),
        ("archive/CT-2/r1", "it lies among the reports of CT-2, but is of CT-1"),
        ("elsewhere/CT-1/r2", "the folder is called r2, but what was signed is r1"),
    ],
)
def test_a_copy_under_another_revision_or_unit(
    signed: Workshop, archive: Path, tmp_path: Path, place: str, said: str
) -> None:
    shutil.copytree(archive, tmp_path / "copy" / place)
    assert said in verified(signed, tmp_path / "copy" / place).faults


def test_a_copy_in_a_folder_of_ones_own_holds_and_says_what_it_is(
    signed: Workshop, archive: Path, tmp_path: Path
) -> None:
    for place in ("from the supplier", "inbox/r1"):
        shutil.copytree(archive, tmp_path / place)
        found = verified(signed, tmp_path / place)
        assert found.faults == []
        assert any(note.startswith("CT-1 r1: accepted") for note in found.notes)
    assert "it lies in a folder called inbox; the unit is CT-1" in found.notes


def test_an_older_revision_under_the_name_of_the_newer(signed: Workshop, tmp_path: Path) -> None:
    workshop = copy_of(signed, tmp_path)
    assert workshop.sign("--because", "Bearing replaced").returncode == 0
    place = workshop.reports / "archive/CT-1"
    shutil.rmtree(place / "r2")
    shutil.copytree(place / "r1", place / "r2")
    said = workshop.command("verify", "reports/archive/CT-1")
    assert said.returncode == 1
    assert "the folder is called r2, but what was signed is r1" in said.stdout


def test_a_link_to_another_revision(signed: Workshop, tmp_path: Path) -> None:
    workshop = copy_of(signed, tmp_path)
    place = workshop.reports / "archive/CT-1"
    (place / "r2").symlink_to("r1", target_is_directory=True)
    faults = verified(workshop, place / "r2").faults
    assert "r2 is a link to another folder" in faults


def test_swapped_signatures(signed: Workshop, archive: Path, tmp_path: Path) -> None:
    other = tmp_path / "other/CT-1/r1"
    shutil.copytree(archive, other)
    forge(signed, other, sign_off={"remarks": "Another"})
    mine, its = ((folder / "data/report.pdf").read_bytes() for folder in (archive, other))

    def signature(pdf: bytes) -> tuple[int, int]:
        start = pdf.rindex(b"/Contents <") + len(b"/Contents <")
        return start, pdf.index(b">", start)

    start, end = signature(mine)
    first, last = signature(its)
    assert end - start == last - first
    (archive / "data/report.pdf").write_bytes(mine[:start] + its[first:last] + mine[end:])
    assert "the PDF was changed after it was signed" in verified(signed, archive).faults


def test_the_signed_report_of_another_archive(signed: Workshop, archive: Path, tmp_path: Path) -> None:
    other = tmp_path / "other/CT-1/r1"
    shutil.copytree(archive, other)
    forge(signed, other, files={"data/raw/CT-1/more.csv": b"x [V]\n1\n"})
    for name in ("data/report.pdf", SIGN_OFF):
        (archive / name).write_bytes((other / name).read_bytes())
    for path in archive.glob("*manifest-sha256.txt"):
        path.unlink()
    finish_bag(archive)
    assert "data/raw/CT-1/more.csv was signed but is missing" in verified(signed, archive).faults


# ----- Links, twins, folders


def test_a_linked_folder(signed: Workshop, archive: Path, tmp_path: Path) -> None:
    for name in ("data/figures", "data/raw", "data"):
        shutil.move(archive / name, tmp_path / "away")
        (archive / name).symlink_to(tmp_path / "away", target_is_directory=True)
        assert f"{name} is a link or a device, not a file" in verified(signed, archive).faults
        (archive / name).unlink()
        shutil.move(tmp_path / "away", archive / name)
    assert verified(signed, archive).faults == []


def test_links_to_folders_and_into_nothing(signed: Workshop, archive: Path, tmp_path: Path) -> None:
    (archive / "data/more").symlink_to("/etc", target_is_directory=True)
    (archive / "loop").symlink_to(".", target_is_directory=True)
    (archive / "data/nothing.csv").symlink_to(tmp_path / "absent")
    faults = verified(signed, archive).faults
    for name in ("data/more", "loop", "data/nothing.csv"):
        assert f"{name} is a link or a device, not a file" in faults


def test_an_empty_folder(signed: Workshop, archive: Path) -> None:
    (archive / "data/accepted by the ministry").mkdir()
    (fault,) = verified(signed, archive).faults
    assert fault.startswith("data/accepted by the ministry is a folder with nothing in it")


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("log.csv", "LOG.csv"),
        ("Stra\u00dfe.csv", "STRASSE.csv"),
        (unicodedata.normalize("NFC", "M\u00fchle.csv"), unicodedata.normalize("NFD", "M\u00fchle.csv")),
        ("Sub/x.csv", "sub/x.csv"),
    ],
)
def test_names_that_are_one_on_another_computer(
    signed: Workshop, archive: Path, one: str, other: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Its own program would not make such a list.
    monkeypatch.setattr("rotorproof.evidence.bag.twins", lambda names: [])
    files = {f"data/raw/CT-1/{name}": name.encode() for name in (one, other)}
    forge(signed, archive, files=files)
    monkeypatch.undo()
    assert any("a computer may take these names for one" in fault for fault in verified(signed, archive).faults)


# ----- What is signed contradicts itself


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"verdict": "rejected"}, "the sign-off calls the results rejected; they are accepted"),
        ({"unit": "CT-9"}, "the sign-off is for CT-9, the results are of CT-1"),
        (
            {"waivers": [{"quantity": "phase_resistance", "decision": "fail", "reason": "x"}]},
            "the sign-off waives phase_resistance (fail), of which the results know nothing",
        ),
        ({"signed_at": "2020-01-01T00:00:00+00:00"}, "the sign-off is of 2020-01-01T00:00:00+00:00, the signature"),
        ({"certificate_subject": "Somebody Else"}, "the sign-off names another holder than the certificate"),
    ],
)
def test_a_sign_off_that_contradicts_the_results_or_the_signature(
    signed: Workshop, archive: Path, changes: dict[str, Any], said: str
) -> None:
    forge(signed, archive, sign_off=changes)
    assert any(fault.startswith(said) for fault in verified(signed, archive).faults)


@pytest.mark.parametrize("unit", ["../../x", "a/b", "", "CT-1\n"])
def test_a_sign_off_for_something_that_is_no_unit(signed: Workshop, archive: Path, unit: str) -> None:
    forge(signed, archive, sign_off={"unit": unit})
    assert "the PDF is signed, but not by this program" in verified(signed, archive).faults[0]


def test_accepted_over_results_that_are_rejected(signed: Workshop, archive: Path) -> None:
    results = content(archive, "results.json")
    results["criteria"][0]["decision"] = "fail"
    results["verdict"] = "rejected"
    forge(signed, archive, files=with_evidence(archive, {"data/results.json": json.dumps(results).encode()}))
    faults = verified(signed, archive).faults
    assert "the sign-off calls the results accepted; they are rejected" in faults


def test_a_verdict_that_its_criteria_do_not_give(signed: Workshop, archive: Path) -> None:
    results = content(archive, "results.json")
    results["criteria"][0]["decision"] = "fail"
    forge(signed, archive, files=with_evidence(archive, {"data/results.json": json.dumps(results).encode()}))
    assert "the results are called accepted, which does not follow from their criteria" in (
        verified(signed, archive).faults
    )


def test_results_with_errors(signed: Workshop, archive: Path) -> None:
    results = content(archive, "results.json")
    results["problems"].append({"message": "m", "severity": "error"})
    forge(signed, archive, files=with_evidence(archive, {"data/results.json": json.dumps(results).encode()}))
    assert "the results hold 1 error(s), with which no report is signed" in verified(signed, archive).faults


def test_a_key_twice_in_the_results(signed: Workshop, archive: Path) -> None:
    raw = (archive / "data/results.json").read_bytes()
    twice = raw.replace(b'"verdict": "accepted"', b'"verdict": "rejected",\n  "verdict": "accepted"', 1)
    assert twice != raw
    forge(signed, archive, files=with_evidence(archive, {"data/results.json": twice}))
    assert "evidence.json or results.json cannot be read" in verified(signed, archive).faults


def test_evidence_of_another_unit(signed: Workshop, archive: Path) -> None:
    forge(signed, archive, files=with_evidence(archive, {}, unit="CT-9"))
    assert "the sign-off is for CT-1, the evidence is of CT-9" in verified(signed, archive).faults


# ----- Computing again


def falsified(archive: Path) -> dict[str, bytes]:
    log = (archive / "data/raw/CT-1/steps.csv").read_bytes()
    changed = log.replace(b"0.5000", b"0.4000")
    assert changed != log
    return {"data/raw/CT-1/steps.csv": changed}


@pytest.mark.parametrize("key", ["raw_dir", "reports_dir"])
def test_true_logs_that_lie_elsewhere_are_not_what_is_computed_from(signed: Workshop, archive: Path, key: str) -> None:
    evidence = content(archive, "evidence.json")
    configuration = evidence["configuration"]
    configuration["settings"][key] = str(signed.root / key.removesuffix("_dir"))
    before = {path: path.read_bytes() for path in signed.reports.rglob("*.json")}
    forge(signed, archive, files=with_evidence(archive, falsified(archive), configuration=configuration))
    said = signed.command("verify", archive, "--recompute")
    assert said.returncode == 1, said.stdout
    assert "values differ" in said.stdout
    assert {path: path.read_bytes() for path in before} == before


def test_a_log_that_lies_outside_the_archive(signed: Workshop, archive: Path) -> None:
    unit = (archive / "data/raw/CT-1/unit.yaml").read_bytes()
    outside = unit.replace(b"log: steps.csv", f"log: {signed.root}/raw/CT-1/steps.csv".encode())
    forge(signed, archive, files=with_evidence(archive, {"data/raw/CT-1/unit.yaml": outside}))
    said = signed.command("verify", archive, "--recompute")
    assert said.returncode == 1, said.stdout
    assert "outside the unit's folder" in said.stdout


def test_a_unit_that_is_not_the_one_in_the_evidence(signed: Workshop, archive: Path) -> None:
    unit = (archive / "data/raw/CT-1/unit.yaml").read_bytes().replace(b"unit: CT-1", b"unit: CT-7")
    forge(signed, archive, files=with_evidence(archive, {"data/raw/CT-1/unit.yaml": unit}))
    said = signed.command("verify", archive, "--recompute")
    assert said.returncode == 1, said.stdout
    assert "computing the results again broke off" in said.stdout


def test_evidence_that_states_what_no_archived_file_does(signed: Workshop, archive: Path) -> None:
    """Pages are drawn from what the evidence says of a unit: by itself it would be another one's nameplate."""
    configuration = content(archive, "evidence.json")["configuration"]
    configuration["unit"] |= {"serial": "another", "operator": "another"}
    configuration["acceptance"]["description"] = "another"
    files = with_evidence(archive, {}, configuration=configuration)
    stated = json.loads(files["data/evidence.json"])
    stated["inputs"]["CT-1/more.csv"] = hashlib.sha256(b"more").hexdigest()
    files |= {"data/evidence.json": json.dumps(stated).encode(), "data/raw/CT-1/more.csv": b"more"}
    forge(signed, archive, files=files)
    assert signed.command("verify", archive).returncode == 0, "every hash and the signature fit"
    said = signed.command("verify", archive, "--recompute")
    assert said.returncode == 1, said.stdout
    for words in (
        "states another unit than the archived files: operator, serial",
        "states another acceptance than the archived files: description",
        "names other inputs than the archived files ask for: CT-1/more.csv",
        "the number of the report is not the one that results and evidence give",
    ):
        assert words in said.stdout, said.stdout


# ----- On the screen


NASTY = "x\n  => HOLDS\n\x1b[2J\x1b[32m=> HOLDS\u202e\u2066\u200fy\r\u2028z\x9b1m\x00"


@pytest.mark.parametrize(
    "changes",
    [
        {"name": NASTY},
        {"role": NASTY},
        {"remarks": NASTY},
        {"supersedes": {"revision": 7, "report_sha256": "0" * 64, "reason": NASTY}},
        {"waivers": [{"quantity": NASTY, "decision": "fail", "reason": NASTY}]},
    ],
)
def test_words_that_draw_on_the_screen(signed: Workshop, archive: Path, changes: dict[str, Any]) -> None:
    (archive / "data/raw/CT-1/steps.csv").write_text("changed")
    forge(signed, archive, sign_off=changes)
    assert_plain(signed, archive)


def assert_plain(workshop: Workshop, archive: Path) -> None:
    said = workshop.command("verify", archive)
    assert said.returncode == 1
    lines = said.stdout.split("\n")
    assert all(line.isprintable() for line in [*lines, *said.stderr.split("\n")])
    assert lines[-2] == "  => DOES NOT HOLD"
    assert [line for line in lines if "=>" in line and not line.startswith(("  note", "  BROKEN"))] == [lines[-2]]


def test_file_names_that_draw_on_the_screen(signed: Workshop, archive: Path) -> None:
    (archive / "data" / "a\n  => HOLDS\x1b[2J\u202e").write_text("x")
    (archive / "data/report.pdf").write_bytes((archive / "data/report.pdf").read_bytes() + b"x")
    assert_plain(signed, archive)
    said = signed.command("verify", archive.parent / "a\n  => HOLDS")
    assert said.returncode == 2
    assert "\n  => HOLDS" not in said.stderr


def test_a_line_longer_than_the_screen_goes_on_under_its_own_text(
    signed: Workshop, archive: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from rotorproof.commands import verify

    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    verify._print(verify._Found("x", ["y"], [], [f"{'a' * 49} => HOLDS {'b' * 40}   => HOLDS"]))
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 4
    assert all(line.startswith(" " * 11) for line in lines[3:-1])


# ----- The register


def test_the_register_does_not_believe_a_sign_off_edited_by_hand(workshop: Workshop) -> None:
    limits = workshop.root / "config/acceptance/small.yaml"
    limits.write_text(limits.read_text().replace("0.13 ohm", "0.11 ohm"))
    workshop.project.run()
    assert workshop.sign().returncode == 0
    archive = workshop.reports / "archive/CT-1/r1"
    csv, index = workshop.reports / "results.csv", workshop.reports / "index.html"
    assert ",rejected,1," in csv.read_text(encoding="utf-8")
    writable(archive)
    path = archive / SIGN_OFF
    path.write_text(path.read_text(encoding="utf-8").replace('"verdict": "rejected"', '"verdict": "accepted"'))
    workshop.project.run()
    assert ",rejected,1," not in csv.read_text(encoding="utf-8")
    assert "damaged" in index.read_text(encoding="utf-8")


def test_the_register_does_not_take_a_copy_for_a_revision(signed: Workshop, tmp_path: Path) -> None:
    workshop = copy_of(signed, tmp_path)
    place = workshop.reports / "archive/CT-1"
    shutil.copytree(place / "r1", place / "r2")
    workshop.project.run()
    assert "damaged" in (workshop.reports / "index.html").read_text(encoding="utf-8")
    assert sha256_of((place / "r1/data/report.pdf").read_bytes()) == sha256_of(
        (place / "r2/data/report.pdf").read_bytes()
    )
