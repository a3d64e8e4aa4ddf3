"""A workshop's own signing certificate: one self-signed key pair, for a workshop without a certificate authority."""

from __future__ import annotations

import datetime
import os
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError, Problem

if TYPE_CHECKING:
    from cryptography.x509 import KeyUsage

#: RSA with SHA-256 is what every PDF reader verifies; 3072 bits are held to last beyond 2030 (NIST SP 800-57).
_BITS = 3072


def default_folder() -> Path:
    """Return where the workshop's certificate lies unless told otherwise: the user's own data folder."""
    base = os.environ.get("XDG_DATA_HOME")
    return (Path(base) if base else Path.home() / ".local" / "share") / "rotorproof"


def make_certificate(
    folder: Path, *, name: str, organisation: str | None, years: int, passphrase: bytes
) -> tuple[Path, Path]:
    """Write ``certificate.p12`` (the secret key, encrypted) and ``certificate.pem`` (to hand out); return both.

    Raises ``InputError`` when either is there already: a key that signed reports is never replaced in place.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import rsa
    from cryptography.hazmat.primitives.serialization import pkcs12
    from cryptography.x509.oid import NameOID

    secret, public = folder / "certificate.p12", folder / "certificate.pem"
    for path in (secret, public):
        if path.exists():
            raise InputError(
                Problem("there is a certificate already; move both files away first, and keep them", file=str(path))
            )
    key = rsa.generate_private_key(public_exponent=65537, key_size=_BITS)
    parts = [x509.NameAttribute(NameOID.COMMON_NAME, name)]
    if organisation:
        parts.append(x509.NameAttribute(NameOID.ORGANIZATION_NAME, organisation))
    subject = x509.Name(parts)
    # A minute back: the clock of the computer that verifies may be a little behind.
    start = datetime.datetime.now(datetime.UTC).replace(microsecond=0) - datetime.timedelta(minutes=1)
    identifier = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(start + datetime.timedelta(days=round(365.25 * years)))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_key_usage(), critical=True)
        .add_extension(identifier, critical=False)
        .sign(key, hashes.SHA256())
    )
    folder.mkdir(parents=True, exist_ok=True)
    bundle = pkcs12.serialize_key_and_certificates(
        name.encode(), key, certificate, None, serialization.BestAvailableEncryption(passphrase)
    )
    # The secret last: an interrupted run leaves at most a public certificate that nothing was signed with.
    _write_new(public, certificate.public_bytes(serialization.Encoding.PEM), 0o644)
    try:
        _write_new(secret, bundle, 0o600)
    except BaseException:
        public.unlink(missing_ok=True)
        raise
    return secret, public


def _key_usage() -> KeyUsage:
    from cryptography.x509 import KeyUsage

    return KeyUsage(
        digital_signature=True,
        content_commitment=True,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=False,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )


def _write_new(path: Path, content: bytes, mode: int) -> None:
    """Write a new file, readable as ``mode`` says from its first moment, whole or not at all."""
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    descriptor = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    try:
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        # link, not rename: it fails where another run was faster.
        os.link(partial, path)
    finally:
        partial.unlink(missing_ok=True)
