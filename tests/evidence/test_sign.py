"""Signing: what it refuses, what it writes, and what of it independent programs confirm.

Independent: Debian's ``pdfsig`` (Poppler with NSS), OpenSSL's ``cms`` and the BagIt library of the Library of
Congress. Definitions: PAdES is ETSI EN 319 142-1, BagIt is RFC 8493, CMS is RFC 5652.
"""

from __future__ import annotations

import json
import re
import shutil
import stat
import subprocess
from pathlib import Path

import bagit
import pytest

from .conftest import PASSPHRASE, Workshop, copy_of


def sign_off(workshop: Workshop, revision: int = 1) -> dict[str, object]:
    path = workshop.reports / f"archive/CT-1/r{revision}/data/sign-off.json"
    found: dict[str, object] = json.loads(path.read_bytes())
    return found


def text_of_first_page(pdf: Path) -> str:
    done = subprocess.run(["pdftotext", "-l", "1", str(pdf), "-"], capture_output=True, text=True, check=True)
    return " ".join(done.stdout.split())


def test_pdfsig_finds_the_signature_valid(signed: Workshop) -> None:
    pdf = signed.reports / "archive/CT-1/r1/data/report.pdf"
    said = subprocess.run(["pdfsig", "-nocert", str(pdf)], capture_output=True, text=True, check=False).stdout
    assert "Signature is Valid" in said
    assert "Total document signed" in said
    assert "Signature Type: ETSI.CAdES.detached" in said
    assert "Signer Certificate Common Name: Ann Example" in said


def test_pdfsig_finds_a_changed_byte(archive: Path) -> None:
    pdf = archive / "data/report.pdf"
    content = bytearray(pdf.read_bytes())
    content[len(content) // 3] ^= 1
    pdf.write_bytes(content)
    said = subprocess.run(["pdfsig", "-nocert", str(pdf)], capture_output=True, text=True, check=False).stdout
    assert "Signature is Valid" not in said


def test_openssl_verifies_the_signed_bytes(signed: Workshop, tmp_path: Path) -> None:
    content = (signed.reports / "archive/CT-1/r1/data/report.pdf").read_bytes()
    match = re.search(rb"/ByteRange ?\[ ?(\d+) (\d+) (\d+) (\d+)", content)
    assert match
    _, first, second, rest = (int(number) for number in match.groups())
    (tmp_path / "content").write_bytes(content[:first] + content[second : second + rest])
    (tmp_path / "signature").write_bytes(bytes.fromhex(content[first + 1 : second - 1].decode()))
    command = ["openssl", "cms", "-verify", "-binary", "-inform", "DER", "-in", "signature", "-content", "content"]
    command += ["-CAfile", str(signed.public), "-purpose", "any", "-out", "out"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert "CMS Verification successful" in done.stderr or "Verification successful" in done.stderr, done.stderr


# The library's own call; Python 3.13 warns of how it is written.
@pytest.mark.filterwarnings("ignore:'count' is passed as positional argument:DeprecationWarning")
def test_the_archive_is_a_valid_bag_of_read_only_files(signed: Workshop) -> None:
    folder = signed.reports / "archive/CT-1/r1"
    bagit.Bag(str(folder)).validate()
    files = [path for path in folder.rglob("*") if path.is_file()]
    assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o444}
    names = {path.relative_to(folder).as_posix() for path in files}
    assert {
        "data/report.pdf",
        "data/results.json",
        "data/evidence.json",
        "data/sign-off.json",
        "data/certificate.pem",
        "data/raw/CT-1/unit.yaml",
        "data/raw/CT-1/steps.csv",
        "data/config/config.yaml",
        "data/config/acceptance/small.yaml",
        "data/software/rotorproof-source.zip",
    } <= names
    assert (folder / "data/raw/CT-1/steps.csv").read_bytes() == (signed.root / "raw/CT-1/steps.csv").read_bytes()


def test_page_one_says_who_signed(signed: Workshop) -> None:
    text = text_of_first_page(signed.reports / "archive/CT-1/r1/data/report.pdf")
    for words in ("Ann Example", "workshop manager", "Bearing a little loud", "revision 1"):
        assert words in text


def test_a_second_report_names_the_first_and_leaves_it(signed: Workshop, tmp_path: Path) -> None:
    workshop = copy_of(signed, tmp_path)
    first = workshop.reports / "archive/CT-1/r1"
    before = {path: path.read_bytes() for path in first.rglob("*") if path.is_file()}
    refused = workshop.sign()
    assert refused.returncode == 2
    assert "say with --because why another replaces it" in refused.stderr
    done = workshop.sign("--because", "Bearing replaced")
    assert done.returncode == 0, done.stderr
    assert {path: path.read_bytes() for path in first.rglob("*") if path.is_file()} == before
    stated = sign_off(workshop, 2)["supersedes"]
    assert isinstance(stated, dict)
    assert stated["revision"] == 1
    assert stated["reason"] == "Bearing replaced"
    text = text_of_first_page(workshop.reports / "archive/CT-1/r2/data/report.pdf")
    assert "Bearing replaced" in text
    assert "revision 2" in text
    said = workshop.command("verify", "reports/archive/CT-1")
    assert said.returncode == 0, said.stdout
    assert "r1, which it replaces, lies beside it unchanged" in said.stdout
    assert "it has since been replaced by r2" in said.stdout
    first.rename(first.with_name("elsewhere"))
    said = workshop.command("verify", "reports/archive/CT-1/r2")
    assert said.returncode == 0, said.stdout
    assert "note     r1, which it replaces, is not beside it" in said.stdout
    first.with_name("elsewhere").rename(first)
    register = (workshop.reports / "index.html").read_text(encoding="utf-8")
    assert "archive/CT-1/r2/data/report.pdf" in register


def changes(name: str, root: Path) -> None:
    log, limits = root / "raw/CT-1/steps.csv", root / "config/acceptance/small.yaml"
    if name == "log":
        log.write_text(log.read_text().replace("0.5000", "0.5001", 1))
    elif name == "log gone":
        log.unlink()
    elif name == "unit file":
        file = root / "raw/CT-1/unit.yaml"
        file.write_text(file.read_text().replace("A. Tester", "B. Tester"))
    elif name == "limits":
        limits.write_text(limits.read_text().replace("3 percent", "4 percent"))
    elif name == "settings":
        (root / "config/config.yaml").write_text("config_version: 1\nworkshop: Other\n")
    elif name == "code":
        module = root / "scripts/rotorproof/physics/winding.py"
        module.write_text(module.read_text(encoding="utf-8") + "\n# later\n", encoding="utf-8")
    elif name == "results":
        file = root / "reports/CT-1/results.json"
        file.write_text(file.read_text().replace('"accepted"', '"rejected"'))
    elif name == "fit":
        file = root / "reports/.work/CT-1/fit.json"
        file.write_text(file.read_text() + " ")
    elif name == "figure":
        file = next((root / "reports/CT-1/figures").glob("*.svg"))
        file.write_text(file.read_text() + " ")
    else:
        raise AssertionError(name)


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("log", "CT-1/steps.csv: the file has changed since the report was made"),
        ("log gone", "CT-1/steps.csv: the file that the report was made from is gone"),
        ("unit file", "CT-1/unit.yaml: the file has changed"),
        ("limits", "config/acceptance/small.yaml: the file has changed"),
        ("settings", "the settings have changed since the report was made"),
        ("code", "the program's own code has changed"),
        ("results", "results.json: the file is not the one that the report was made with"),
        ("fit", "fit.json: the file is not the one"),
        ("figure", ".svg: the file is not the one"),
    ],
)
def test_what_has_changed_since_is_not_signed(workshop: Workshop, what: str, said: str) -> None:
    changes(what, workshop.root)
    done = workshop.sign()
    assert done.returncode == 2, done.stdout
    assert said in done.stderr
    assert not (workshop.reports / "archive/CT-1/r1").exists()


def test_a_report_with_errors_is_not_signed(workshop: Workshop) -> None:
    log = workshop.root / "raw/CT-1/steps.csv"
    log.write_text(log.read_text().replace("0.5000", "half", 1))
    workshop.project.run()
    done = workshop.sign()
    assert done.returncode == 2
    assert "the report has 1 error(s) and cannot be signed" in done.stderr
    assert "'half' is not a number" in done.stderr
    assert not (workshop.reports / "archive/CT-1/r1").exists()


def test_a_waiver_needs_a_reason_and_stands_on_page_one(rejected: Workshop, tmp_path: Path) -> None:
    workshop = copy_of(rejected, tmp_path)
    for wrong, said in [
        ("phase_resistance=", "the reason may not be empty"),
        ("phase_resistance", "the reason may not be empty"),
        ("resistance_unbalance=why not", "resistance_unbalance needs no waiver"),
        ("nonsense=why not", "nonsense is no criterion of this unit"),
    ]:
        done = workshop.sign("--waive", wrong)
        assert done.returncode == 2
        assert said in done.stderr
    done = workshop.sign("--waive", "phase_resistance=Long supply leads, agreed with the customer")
    assert done.returncode == 0, done.stderr
    stated = sign_off(workshop)
    assert stated["verdict"] == "rejected"
    assert [waiver["quantity"] for waiver in stated["waivers"]] == ["phase_resistance"]
    text = text_of_first_page(workshop.reports / "archive/CT-1/r1/data/report.pdf")
    assert "Long supply leads, agreed with the customer" in text
    assert "rejected" in text.lower()
    assert not [word for word in ("accepted", "undecided", "incomplete", "unsigned") if word in text.lower()]


def test_a_rejected_unit_is_signed_as_rejected(rejected: Workshop, tmp_path: Path) -> None:
    workshop = copy_of(rejected, tmp_path)
    done = workshop.sign()
    assert done.returncode == 0
    assert sign_off(workshop)["verdict"] == "rejected"
    doubted = "Readings look as if a unit or a scale were wrong"
    assert f"warning: CT-1: {doubted}" in done.stderr  # before the passphrase is asked for
    assert doubted in done.stdout


def test_a_wrong_passphrase_signs_nothing(workshop: Workshop, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_text("not the passphrase\n")
    done = workshop.command("sign", "CT-1", "--role", "x", "--passphrase-file", other)
    assert done.returncode == 2
    assert "the passphrase is wrong" in done.stderr
    assert "not the passphrase" not in done.stderr
    done = workshop.command("sign", "CT-1", "--role", "x")
    assert done.returncode == 2
    assert "give --passphrase-file" in done.stderr
    assert not (workshop.reports / "archive/CT-1/r1").exists()


def test_the_passphrase_is_in_no_file_of_the_project(signed: Workshop) -> None:
    for path in signed.root.rglob("*"):
        if path.is_file():
            assert PASSPHRASE.encode() not in path.read_bytes(), path


def test_evidence_that_cannot_be_read_and_words_that_do_not_fit_are_named(workshop: Workshop) -> None:
    assert "--role takes at most 100 letters" in workshop.sign("--role", "x" * 101).stderr
    assert "--role is empty" in workshop.sign("--role", " ").stderr
    assert "--name is empty" in workshop.sign("--name", " ").stderr
    assert "shorten the reason" in workshop.sign("--waive", f"a={'x' * 1501}").stderr
    for name in ("evidence.json", "results.json"):
        path = workshop.reports / "CT-1" / name
        content = path.read_bytes()
        for broken in (b"", b"{}", content[:-9], b"[" * 100_000):
            path.write_bytes(broken)
            done = workshop.sign()
            assert done.returncode == 2
            assert "results.json or evidence.json of CT-1 cannot be read" in done.stderr
        path.write_bytes(content)


def test_a_unit_without_a_report_or_unknown_is_not_signed(workshop: Workshop) -> None:
    shutil.rmtree(workshop.reports / "CT-1")
    assert "CT-1 has no report yet" in workshop.sign().stderr
    done = workshop.command("sign", "CT-9", "--role", "x", "--passphrase-file", workshop.passphrase)
    assert done.returncode == 2
    assert "there is no unit 'CT-9'; there are: CT-1" in done.stderr


def test_a_certificate_is_never_replaced_and_its_key_is_private(workshop: Workshop) -> None:
    secret = workshop.home / "rotorproof/certificate.p12"
    assert stat.S_IMODE(secret.stat().st_mode) == 0o600
    before = secret.read_bytes()
    done = workshop.command("certificate", "--name", "Other", "--passphrase-file", workshop.passphrase)
    assert done.returncode == 2
    assert "there is a certificate already" in done.stderr
    assert secret.read_bytes() == before
    short = workshop.home / "short"
    short.write_text("seven77\n")
    done = workshop.command("certificate", "--name", "O", "--folder", workshop.home / "n", "--passphrase-file", short)
    assert done.returncode == 2
    assert "8 letters or more" in done.stderr


def test_a_pem_certificate_from_elsewhere_signs_too(workshop: Workshop, tmp_path: Path) -> None:
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
    command += ["-subj", "/CN=Ben Example", "-days", "30", "-keyout", "key.pem", "-out", "cert.pem"]
    command += ["-addext", "keyUsage=digitalSignature", "-addext", "basicConstraints=critical,CA:FALSE"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    given = ("--certificate", tmp_path / "cert.pem", "--key", tmp_path / "key.pem")
    done = workshop.command("sign", "CT-1", "--role", "tester", *given)
    assert done.returncode == 0, done.stderr
    assert sign_off(workshop)["name"] == "Ben Example"
    archive = workshop.reports / "archive/CT-1/r1"
    said = workshop.command("verify", archive, "--trust", tmp_path / "cert.pem")
    assert said.returncode == 0, said.stdout
    assert workshop.command("verify", archive).returncode == 3
