"""Verifying: every changed byte is found, whoever changed it, and what holds is said to hold."""

from __future__ import annotations

import contextlib
import datetime
import io
import json
import random
import shutil
import time
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import NameOID

from rotorproof.errors import InputError
from rotorproof.evidence.attachments import Attachment, attach, attached
from rotorproof.evidence.bag import check_bag, finish_bag
from rotorproof.evidence.signature import check_signature, load_signer, quiet_libraries, sign_pdf
from rotorproof.evidence.signoff import SignOff
from rotorproof.evidence.trust import fingerprint_of, read_certificates, subject_of
from rotorproof.evidence.verify import verify_archive, verify_pdf
from rotorproof.files import sha256_of

from .conftest import PASSPHRASE, Workshop, copy_of


@pytest.fixture(autouse=True)
def _quiet() -> None:
    quiet_libraries()


def test_an_untouched_archive_holds(signed: Workshop) -> None:
    said = signed.command("verify", "reports/archive/CT-1/r1")
    assert said.returncode == 0, said.stdout
    assert said.stdout.rstrip().endswith("=> HOLDS")
    assert "BROKEN" not in said.stdout
    assert "no time stamp proves it" in said.stdout


def test_a_stranger_learns_that_the_signer_is_not_proved(signed: Workshop) -> None:
    said = signed.command("verify", "reports/archive/CT-1/r1", trust=False)
    assert said.returncode == 3
    assert "who signed is not proved" in said.stdout
    said = signed.command("verify", "reports/archive/CT-1/r1", "--trust", signed.public, trust=False)
    assert said.returncode == 0


def test_every_number_is_computed_again(signed: Workshop) -> None:
    said = signed.command("verify", "reports/archive/CT-1/r1", "--recompute")
    assert said.returncode == 0, said.stdout
    assert "computed again from the raw logs, all" in said.stdout
    assert "the same to the last digit" in said.stdout


def test_the_signed_pdf_alone_is_enough_to_compute_again(signed: Workshop, tmp_path: Path) -> None:
    shutil.copy(signed.reports / "archive/CT-1/r1/data/report.pdf", tmp_path / "mail.pdf")
    said = signed.command("verify", tmp_path / "mail.pdf", "--recompute")
    assert said.returncode == 0, said.stdout
    assert "inputs are attached, unchanged" in said.stdout
    assert "the same to the last digit" in said.stdout


def test_other_software_is_named_and_other_numbers_are_found(signed: Workshop, tmp_path: Path) -> None:
    workshop = copy_of(signed, tmp_path)
    module = workshop.root / "scripts/rotorproof/physics/winding.py"
    module.write_text(module.read_text(encoding="utf-8").replace("/ 6.0", "/ 6.001"), encoding="utf-8")
    said = workshop.command("verify", "reports/archive/CT-1/r1", "--recompute")
    assert said.returncode == 1
    assert "values differ" in said.stdout
    assert "quantities.phase_resistance.value" in said.stdout
    assert "computed with other software than the report was made with: the program's own code" in said.stdout
    assert "pages were not drawn again" in said.stdout


def test_a_report_that_is_not_signed_is_nothing_to_check(signed: Workshop, archive: Path) -> None:
    said = signed.command("verify", "reports/CT-1/report.pdf")
    assert said.returncode == 2
    assert "the PDF is not signed" in said.stdout
    assert said.stdout.rstrip().endswith("=> NOTHING TO CHECK")
    assert "BROKEN" not in said.stdout
    # In an archive it is a fault: there a signed one was.
    shutil.copy(signed.reports / "CT-1/report.pdf", archive / "data/report.pdf")
    assert "the PDF holds no signature" in verify_archive(archive, []).faults


def test_a_changed_log_is_named_once(archive: Path) -> None:
    log = archive / "data/raw/CT-1/steps.csv"
    log.write_bytes(log.read_bytes().replace(b"1", b"2", 1))
    found = verify_archive(archive, [])
    assert found.faults == ["data/raw/CT-1/steps.csv was changed"]
    assert not any("the signature covers all" in sentence for sentence in found.holds)


def test_a_broken_file_raises_no_question_of_trust(signed: Workshop, tmp_path: Path) -> None:
    content = bytearray((signed.reports / "archive/CT-1/r1/data/report.pdf").read_bytes())
    content[200] ^= 1
    (tmp_path / "x.pdf").write_bytes(content)
    found = verify_pdf(tmp_path / "x.pdf", read_certificates([signed.public]))
    assert found.faults
    assert not any("trust" in note for note in found.notes)


def test_any_flipped_byte_in_any_file_is_found(archive: Path) -> None:
    chance = random.Random(1)
    flips = 0
    for path in sorted(p for p in archive.rglob("*") if p.is_file()):
        name = path.relative_to(archive).as_posix()
        content = path.read_bytes()
        assert content, name
        # Every byte of the archive's own lists, which nothing else covers; some of each other file.
        listed = not name.startswith("data/")
        places = range(len(content)) if listed else [0, len(content) - 1, *chance.choices(range(len(content)), k=6)]
        for place in places:
            # 0x20 turns the case of a letter, 0x01 a line feed into a vertical tab.
            for mask in (0x01, 0x20) if listed else (0x01, 0x20, 0x80):
                changed = bytearray(content)
                changed[place] ^= mask
                path.write_bytes(changed)
                faults = check_bag(archive)[1]
                assert any(name in fault for fault in faults) or (listed and faults), (name, place, mask)
                flips += 1
        found = verify_archive(archive, [])
        assert found.faults, name
        path.write_bytes(content)
    assert check_bag(archive)[1] == []
    print(f"{flips} flips found")


def test_a_change_with_mended_lists_is_found_by_the_signature(archive: Path) -> None:
    for path in sorted(p for p in (archive / "data").rglob("*") if p.is_file()):
        content = path.read_bytes()
        changed = bytearray(content)
        changed[len(changed) // 2] ^= 1
        path.write_bytes(changed)
        _mend(archive)
        assert check_bag(archive)[1] == []
        assert verify_archive(archive, []).faults, path
        path.chmod(0o644)
        path.write_bytes(content)
    _mend(archive)
    assert verify_archive(archive, []).faults == []


def _mend(archive: Path) -> None:
    for path in archive.glob("*manifest-sha256.txt"):
        path.unlink()
    finish_bag(archive)
    for path in archive.rglob("*"):
        if path.is_file():
            path.chmod(0o644)


@pytest.mark.parametrize("name", ["data/raw/CT-1/steps.csv", "bag-info.txt", "data/sign-off.json", "data/report.pdf"])
def test_a_missing_file_is_named(archive: Path, name: str) -> None:
    (archive / name).unlink()
    assert any(name in fault for fault in verify_archive(archive, []).faults)


def test_an_added_file_is_named_even_with_mended_lists(archive: Path) -> None:
    (archive / "data/raw/CT-1/more.csv").write_text("x [V]\n1\n")
    assert "data/raw/CT-1/more.csv was added to the archive" in verify_archive(archive, []).faults
    _mend(archive)
    assert "data/raw/CT-1/more.csv was not among the files signed" in verify_archive(archive, []).faults
    (archive / "fetch.txt").write_text("http://127.0.0.1/x 1 data/x\n")
    assert "fetch.txt was added to the archive" in verify_archive(archive, []).faults


def test_a_link_in_the_archive_is_no_file(archive: Path, tmp_path: Path) -> None:
    log = archive / "data/raw/CT-1/steps.csv"
    shutil.copy(log, tmp_path / "same.csv")
    log.unlink()
    log.symlink_to(tmp_path / "same.csv")
    assert "data/raw/CT-1/steps.csv is a link or a device, not a file" in verify_archive(archive, []).faults


def test_flips_in_the_pdf_alone_are_found_and_so_is_an_addition(signed: Workshop) -> None:
    content = (signed.reports / "archive/CT-1/r1/data/report.pdf").read_bytes()
    trust = read_certificates([signed.public])
    assert check_signature(content, trust).trusted
    chance = random.Random(2)
    start = content.rindex(b"/Contents <") + len(b"/Contents <")
    # The signature's own bytes are covered by no signature: its head, frame, certificates and padding.
    own = [start - 1, *range(start, start + 120), *range(start + 120, start + 5000, 67)]
    for place in [*own, *chance.choices(range(len(content)), k=60)]:
        changed = bytearray(content)
        changed[place] ^= 0x20 if chance.random() < 0.3 else 0x01
        found = check_signature(bytes(changed), trust)
        assert found.faults and not found.trusted, place
    for more in (b"\n", b"%x\n", b"\n1 0 obj\n<<>>\nendobj\n"):
        assert check_signature(content + more, trust).faults


def test_a_report_signed_again_by_another_is_not_trusted(signed: Workshop, archive: Path, tmp_path: Path) -> None:
    import pikepdf

    pdf = archive / "data/report.pdf"
    with pikepdf.open(pdf) as document:
        # What a forger does: strip the signature, change the numbers, sign with a certificate of the same name.
        del document.Root["/AcroForm"]
        del document.Root["/Perms"]
        for page in document.pages:
            if "/Annots" in page:
                del page["/Annots"]
        buffer = io.BytesIO()
        document.save(buffer)
    workshop = signed
    done = workshop.command(
        "certificate", "--name", "Ann Example", "--folder", tmp_path, "--passphrase-file", workshop.passphrase
    )
    assert done.returncode == 0
    signer = load_signer(tmp_path / "certificate.p12", None, PASSPHRASE.encode())
    forged = sign_pdf(buffer.getvalue(), signer, name="Ann Example", reason="x", timestamp_url=None)
    (tmp_path / "forged.pdf").write_bytes(forged)
    found = verify_pdf(tmp_path / "forged.pdf", read_certificates([workshop.public]))
    assert not found.trusted
    assert "the sign-off names another certificate than the one that signed" in found.faults


def test_attachments_of_the_pdf_are_the_archived_files(archive: Path) -> None:
    files = attached((archive / "data/report.pdf").read_bytes())
    assert files["results.json"] == (archive / "data/results.json").read_bytes()
    assert files["evidence.json"] == (archive / "data/evidence.json").read_bytes()
    assert files["sign-off.json"] == (archive / "data/sign-off.json").read_bytes()
    assert files["CT-1_steps.csv"] == (archive / "data/raw/CT-1/steps.csv").read_bytes()
    assert files["CT-1_unit.yaml"] == (archive / "data/raw/CT-1/unit.yaml").read_bytes()


def test_what_is_no_report_says_so(signed: Workshop, tmp_path: Path) -> None:
    (tmp_path / "x.pdf").write_text("no pdf")
    said = signed.command("verify", tmp_path / "x.pdf")
    assert said.returncode == 1
    assert "the PDF cannot be read" in said.stdout
    said = signed.command("verify", tmp_path / "absent")
    assert said.returncode == 2
    (tmp_path / "empty").mkdir()
    said = signed.command("verify", tmp_path / "empty")
    assert said.returncode == 2
    assert "the folder is no archive and holds none" in said.stderr


def short_lived(folder: Path, end: datetime.datetime) -> tuple[Path, Path]:
    """Write a certificate that is valid for a day before ``end``, and its key."""
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Short")])
    usage = dict.fromkeys(
        ("key_encipherment", "data_encipherment", "key_agreement", "key_cert_sign", "crl_sign"), False
    )
    certificate = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(end - datetime.timedelta(days=1))
        .not_valid_after(end)
        .add_extension(
            x509.KeyUsage(True, True, encipher_only=False, decipher_only=False, **usage),
            critical=True,
        )
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    (folder / "cert.pem").write_bytes(certificate.public_bytes(pem))
    plain = serialization.NoEncryption()
    (folder / "key.pem").write_bytes(key.private_bytes(pem, serialization.PrivateFormat.PKCS8, plain))
    return folder / "cert.pem", folder / "key.pem"


def _now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


def test_a_certificate_that_has_expired_since_still_verifies_but_signs_no_more(
    reported: Workshop, tmp_path: Path
) -> None:
    pdf = (reported.reports / "CT-1/report.pdf").read_bytes()
    seconds = 2
    signed = b""
    while not signed:  # the busier the machine, the longer the certificate must last for signing with it
        end = (_now() + datetime.timedelta(seconds=seconds)).replace(microsecond=0)
        certificate, key = short_lived(tmp_path, end)
        with contextlib.suppress(InputError):
            made = sign_pdf(pdf, load_signer(certificate, key, None), name="x", reason="x", timestamp_url=None)
            signed = made if _now() < end else b""
        seconds *= 3
    while _now() < end + datetime.timedelta(seconds=1):
        time.sleep(0.2)
    found = check_signature(signed, read_certificates([certificate]))
    assert found.faults == []
    assert found.trusted
    with pytest.raises(InputError, match="the certificate is valid from"):
        load_signer(certificate, key, None)


@pytest.mark.parametrize(
    "evidence",
    [
        b"",
        b"[]",
        b"{}",
        b'{"schema": 1, "unit": "../../x"}',
        b'{"schema": 1, "unit": "U", "inputs": [], "outputs": {"results.json": 3}}',
        b"[" * 100_000,
    ],
)
def test_a_signed_file_with_nonsense_in_it_is_told_apart(reported: Workshop, tmp_path: Path, evidence: bytes) -> None:
    signer = load_signer(reported.home / "rotorproof/certificate.p12", None, PASSPHRASE.encode())
    assert signer.signing_cert is not None
    stated = SignOff(
        unit="U",
        revision=1,
        name="x",
        role="x",
        signed_at=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        certificate_subject=subject_of(signer.signing_cert),
        certificate_sha256=fingerprint_of(signer.signing_cert),
        verdict="accepted",
        files={"data/evidence.json": sha256_of(evidence), "data/results.json": sha256_of(b"{}")},
    )
    files = [
        Attachment("evidence.json", evidence, "x", "Data"),
        Attachment("results.json", b"{}", "x", "Data"),
        Attachment("sign-off.json", stated.model_dump_json(by_alias=True).encode(), "x", "Data"),
    ]
    pdf = attach((reported.reports / "CT-1/report.pdf").read_bytes(), files)
    (tmp_path / "x.pdf").write_bytes(sign_pdf(pdf, signer, name="x", reason="x", timestamp_url=None))
    found = verify_pdf(tmp_path / "x.pdf", [])
    assert found.faults == ["evidence.json or results.json cannot be read"]


def test_the_findings_as_json(signed: Workshop) -> None:
    said = signed.command("verify", "reports/archive/CT-1/r1", "--json")
    (row,) = json.loads(said.stdout)
    assert row["trusted"] is True
    assert row["faults"] == []
