"""What somebody does who has a key and writes whatever they like: archives that agree with themselves throughout."""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import NameOID

from rotorproof.evidence.attachments import Attachment, attach
from rotorproof.evidence.bag import finish_bag
from rotorproof.evidence.signature import load_signer, sign_pdf
from rotorproof.evidence.trust import fingerprint_of, subject_of
from rotorproof.files import sha256

from .conftest import PASSPHRASE, Workshop

REPORT, SIGN_OFF = "data/report.pdf", "data/sign-off.json"


def writable(folder: Path) -> None:
    """Let the files of an archive be changed."""
    for path in folder.rglob("*"):
        if path.is_file():
            path.chmod(0o644)


def own_signer(workshop: Workshop) -> Any:
    """Return the workshop's own signer: a forger who is trusted."""
    return load_signer(workshop.home / "rotorproof/certificate.p12", None, PASSPHRASE.encode())


def forge(
    workshop: Workshop,
    archive: Path,
    *,
    sign_off: Mapping[str, Any] | None = None,
    files: Mapping[str, bytes] | None = None,
    signer: Any = None,
    leave_out: tuple[str, ...] = (),
    attachments: Mapping[str, bytes] | None = None,
    rework: Callable[[bytes], bytes] = bytes,
    unit: str = "CT-1",
) -> None:
    """Make an archive anew over changed ``files`` and ``sign_off``, every list and the signature made to fit.

    ``leave_out`` are not put into the signed list; ``rework`` changes the PDF before it is signed, which is that of
    ``unit``.
    """
    writable(archive)
    signer = signer or own_signer(workshop)
    for name, content in (files or {}).items():
        (archive / name).parent.mkdir(parents=True, exist_ok=True)
        (archive / name).write_bytes(content)
    stated = json.loads((archive / SIGN_OFF).read_bytes())
    for path in [archive / REPORT, archive / SIGN_OFF, *archive.glob("*manifest-sha256.txt")]:
        path.unlink(missing_ok=True)
    listed = sorted(p.relative_to(archive).as_posix() for p in archive.rglob("*") if p.is_file())
    stated["files"] = {name: sha256(archive / name) for name in listed if name not in leave_out}
    stated["signed_at"] = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    stated["certificate_sha256"] = fingerprint_of(signer.signing_cert)
    stated["certificate_subject"] = subject_of(signer.signing_cert)
    stated |= sign_off or {}
    (archive / SIGN_OFF).write_text(json.dumps(stated), encoding="utf-8")
    carried = {
        "results.json": (archive / "data/results.json").read_bytes(),
        "evidence.json": (archive / "data/evidence.json").read_bytes(),
        "sign-off.json": (archive / SIGN_OFF).read_bytes(),
        **(attachments or {}),
    }
    pdf = attach(
        (workshop.reports / unit / "report.pdf").read_bytes(),
        [Attachment(name, content, "x", "Data") for name, content in carried.items()],
    )
    signed = sign_pdf(rework(pdf), signer, name="x", reason="x", timestamp_url=None)
    (archive / REPORT).write_bytes(signed)
    finish_bag(archive)
    writable(archive)


def with_evidence(archive: Path, files: Mapping[str, bytes], **changes: Any) -> dict[str, bytes]:
    """Return ``files`` of an archive with an ``evidence.json`` that names them, and with ``changes`` to it."""
    evidence = json.loads((archive / "data/evidence.json").read_bytes()) | changes
    for place, content in files.items():
        name = place.removeprefix("data/").removeprefix("raw/")
        value = hashlib.sha256(content).hexdigest()
        if name == "results.json":
            evidence["outputs"][name] = value
        else:
            evidence["inputs"][name] = value
    return {**files, "data/evidence.json": json.dumps(evidence).encode()}


@dataclass(frozen=True)
class Holder:
    """A key with its certificate."""

    key: rsa.RSAPrivateKey
    certificate: x509.Certificate

    def write(self, folder: Path, name: str) -> Path:
        """Write the certificate as PEM, and the key beside it; return the certificate's path."""
        path = folder / f"{name}.pem"
        path.write_bytes(self.certificate.public_bytes(serialization.Encoding.PEM))
        plain = serialization.NoEncryption()
        raw = self.key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain)
        (folder / f"{name}.key").write_bytes(raw)
        return path

    def signer(self, folder: Path, name: str = "forger") -> Any:
        """Return a signer, however unfit the certificate is."""
        from pyhanko.sign.signers import SimpleSigner

        path = self.write(folder, name)
        return SimpleSigner.load(str(folder / f"{name}.key"), str(path))


#: One key for all: to make one takes longer than all that is done with it.
KEY = rsa.generate_private_key(public_exponent=65537, key_size=2048)
NOW = datetime.datetime.now(datetime.UTC).replace(microsecond=0)


def holder(
    name: str,
    *,
    issuer: Holder | None = None,
    first: datetime.datetime = NOW - datetime.timedelta(days=30),
    last: datetime.datetime = NOW + datetime.timedelta(days=365),
    authority: bool | None = False,
    usage: tuple[str, ...] | None = ("digital_signature", "content_commitment"),
    purposes: tuple[x509.ObjectIdentifier, ...] = (),
    path_length: int | None = None,
    key: rsa.RSAPrivateKey = KEY,
) -> Holder:
    """Return a certificate, self-signed or by ``issuer``."""
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    by = issuer.certificate.subject if issuer else subject
    builder = x509.CertificateBuilder(by, subject, key.public_key(), x509.random_serial_number())
    builder = builder.not_valid_before(first).not_valid_after(last)
    if authority is not None:
        builder = builder.add_extension(x509.BasicConstraints(authority, path_length), critical=True)
    if usage is not None:
        kinds = ("digital_signature", "content_commitment", "key_encipherment", "data_encipherment", "key_agreement")
        kinds += ("key_cert_sign", "crl_sign", "encipher_only", "decipher_only")
        builder = builder.add_extension(x509.KeyUsage(**{kind: kind in usage for kind in kinds}), critical=True)
    if purposes:
        builder = builder.add_extension(x509.ExtendedKeyUsage(purposes), critical=False)
    return Holder(key, builder.sign(issuer.key if issuer else key, hashes.SHA256()))


def another_key() -> rsa.RSAPrivateKey:
    """Return a key that is not the one all others share."""
    return rsa.generate_private_key(public_exponent=65537, key_size=2048)
