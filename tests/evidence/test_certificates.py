"""What a certificate may be used for, and when: RFC 5280, 4.1.2.5 (days), 4.2.1.3, 4.2.1.9, 4.2.1.10 and 4.2.1.12."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import pytest
from cryptography.x509.oid import ExtendedKeyUsageOID

from rotorproof.errors import InputError
from rotorproof.evidence.signature import Checked, check_signature, load_signer, quiet_libraries, sign_pdf
from rotorproof.evidence.trust import read_certificates

from .conftest import Workshop
from .forging import NOW, Holder, another_key, holder

DAY = datetime.timedelta(days=1)
CA = {"authority": True, "usage": ("key_cert_sign", "crl_sign")}


@pytest.fixture(autouse=True)
def _quiet() -> None:
    quiet_libraries()


def signed_by(who: Holder, reported: Workshop, folder: Path, *chain: Holder) -> bytes:
    """Return a report signed with a certificate that ``sign`` itself may refuse."""
    signer = who.signer(folder)
    for number, one in enumerate(chain):
        signer.cert_registry.register_multiple(read_certificates([one.write(folder, f"chain{number}")]))
    pdf = (reported.reports / "CT-1/report.pdf").read_bytes()
    return sign_pdf(pdf, signer, name="x", reason="x", timestamp_url=None)


def checked(pdf: bytes, folder: Path, *trusted: Holder) -> Checked:
    trust = [one.write(folder, f"trust{number}") for number, one in enumerate(trusted)]
    return check_signature(pdf, read_certificates(trust))


@pytest.mark.parametrize(
    ("certificate", "said"),
    [
        ({"first": datetime.datetime(2020, 1, 1), "last": datetime.datetime(2020, 12, 31)}, "2020-01-01 to 2020-12-31"),
        ({"first": NOW + 1000 * DAY, "last": NOW + 2000 * DAY}, "is valid from"),
        ({"first": NOW - 9 * DAY, "last": NOW - DAY}, "is valid from"),
        ({"usage": ("key_encipherment",)}, "the certificate is not made for signatures (key usage)"),
        ({"usage": ("key_cert_sign", "crl_sign"), "authority": True}, "is not made for signatures (key usage)"),
        ({"purposes": (ExtendedKeyUsageOID.SERVER_AUTH,)}, "is not made for signing documents (extended key usage)"),
        ({"purposes": (ExtendedKeyUsageOID.TIME_STAMPING,)}, "is not made for signing documents"),
    ],
)
def test_a_trusted_certificate_that_is_not_fit_does_not_hold(
    reported: Workshop, tmp_path: Path, certificate: dict[str, Any], said: str
) -> None:
    who = holder("N", **certificate)
    found = checked(signed_by(who, reported, tmp_path), tmp_path, who)
    assert not found.trusted
    assert any(said in fault for fault in found.faults), found.faults
    with pytest.raises(InputError, match="the certificate is"):
        load_signer(tmp_path / "forger.pem", tmp_path / "forger.key", None)


def test_a_fit_one_holds_and_its_days_are_said(reported: Workshop, tmp_path: Path) -> None:
    who = holder("N", purposes=(ExtendedKeyUsageOID.EMAIL_PROTECTION,))
    found = checked(signed_by(who, reported, tmp_path), tmp_path, who)
    assert (found.faults, found.trusted) == ([], True)
    (note,) = found.notes
    assert f"valid from {NOW - 30 * DAY:%Y-%m-%d} to {NOW + 365 * DAY:%Y-%m-%d}" in note
    assert "when it was signed" in note


def test_one_that_has_expired_since_rests_on_the_signers_clock_and_that_is_said(
    reported: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    who = holder("N", last=NOW + 5 * DAY)
    pdf = signed_by(who, reported, tmp_path)

    monkeypatch.setattr("rotorproof.evidence.signature._now", lambda: NOW + 100 * DAY)
    found = checked(pdf, tmp_path, who)
    assert (found.faults, found.trusted) == ([], True)
    assert "it has expired since, and that it was signed before is the word of the signer's clock" in found.notes[0]


def test_a_time_of_signing_that_is_yet_to_come(
    reported: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    who = holder("N")
    pdf = signed_by(who, reported, tmp_path)

    monkeypatch.setattr("rotorproof.evidence.signature._now", lambda: NOW - 3 * DAY)
    found = checked(pdf, tmp_path, who)
    assert any("which is yet to come" in fault for fault in found.faults)


def test_an_authority_vouches_for_others(reported: Workshop, tmp_path: Path) -> None:
    root = holder("Root", **CA, key=another_key())
    who = holder("N", issuer=root)
    pdf = signed_by(who, reported, tmp_path)
    assert checked(pdf, tmp_path, root).trusted
    assert not checked(pdf, tmp_path, holder("Root", **CA)).trusted  # of the same name, with another key
    middle = holder("Middle", issuer=root, **CA, key=another_key())
    pdf = signed_by(holder("N", issuer=middle), reported, tmp_path, middle)
    assert checked(pdf, tmp_path, root).trusted


@pytest.mark.parametrize(
    "issuer",
    [
        {"authority": False},
        {"authority": False, "usage": None},
        {"authority": None, "usage": None},
        {"authority": True, "usage": ("digital_signature",)},
        {"authority": True, "usage": ("key_cert_sign",), "first": NOW - 9 * DAY, "last": NOW - DAY},
        {"authority": True, "usage": ("key_cert_sign",), "first": NOW + DAY, "last": NOW + 9 * DAY},
    ],
)
def test_one_that_is_no_authority_today_vouches_for_nobody(
    reported: Workshop, tmp_path: Path, issuer: dict[str, Any]
) -> None:
    root = holder("Root", **issuer, key=another_key())
    found = checked(signed_by(holder("N", issuer=root), reported, tmp_path), tmp_path, root)
    assert (found.faults, found.trusted) == ([], False)


def test_a_chain_longer_than_its_authority_allows(reported: Workshop, tmp_path: Path) -> None:
    root = holder("Root", **CA, path_length=0, key=another_key())
    middle = holder("Middle", issuer=root, **CA, key=another_key())
    pdf = signed_by(holder("N", issuer=middle), reported, tmp_path, middle)
    assert not checked(pdf, tmp_path, root).trusted
    assert checked(signed_by(holder("N", issuer=root), reported, tmp_path), tmp_path, root).trusted


def test_a_chain_through_one_that_is_no_authority(reported: Workshop, tmp_path: Path) -> None:
    root = holder("Root", **CA, key=another_key())
    middle = holder("Middle", issuer=root, authority=False, key=another_key())
    pdf = signed_by(holder("N", issuer=middle), reported, tmp_path, middle)
    assert not checked(pdf, tmp_path, root).trusted
