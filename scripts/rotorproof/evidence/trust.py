"""Whom a reader trusts, and what a certificate may be used for at a given time (RFC 5280, 4.1.2.5 and 4.2.1)."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ..errors import InputError, Problem
from ..files import sha256_of

if TYPE_CHECKING:
    from asn1crypto.x509 import Certificate
    from pyhanko_certvalidator.authority import CertTrustAnchor

#: Purposes (extended key usage) of certificates that people sign documents with: any, e-mail, client, documents by
#: RFC 9336, and the two of the makers of PDF readers and offices, from memory. One for servers is not among them.
_DOCUMENTS: Final = {
    "2.5.29.37.0",
    "1.3.6.1.5.5.7.3.2",
    "1.3.6.1.5.5.7.3.4",
    "1.3.6.1.5.5.7.3.36",
    "1.2.840.113583.1.1.5",
    "1.3.6.1.4.1.311.10.3.12",
}
_TIME_STAMPING: Final = "1.3.6.1.5.5.7.3.8"


def subject_of(certificate: Certificate) -> str:
    """Return the subject as text a person can read."""
    return str(certificate.subject.human_friendly)


def fingerprint_of(certificate: Certificate) -> str:
    """Return the SHA-256 of a certificate in hexadecimal."""
    return sha256_of(certificate.dump())


def among(certificate: Certificate, trust: Iterable[Certificate]) -> bool:
    """Tell whether a certificate is itself one of those that are trusted."""
    return fingerprint_of(certificate) in {fingerprint_of(other) for other in trust}


def days_of(certificate: Certificate) -> str:
    """Return the first and the last day of a certificate in words."""
    return f"from {certificate.not_valid_before:%Y-%m-%d} to {certificate.not_valid_after:%Y-%m-%d}"


def unfit(certificate: Certificate, when: datetime.datetime, *, stamps: bool = False) -> str | None:
    """Return why a certificate may not be used at ``when`` to sign documents (or to stamp the time), or ``None``.

    One that is trusted for itself is held to this as well: to trust it is to trust what it says about itself.
    """
    if not certificate.not_valid_before <= when <= certificate.not_valid_after:
        return f"is valid {days_of(certificate)} only, not on {when:%Y-%m-%d}"
    usage = certificate.key_usage_value
    if usage is not None and not {"digital_signature", "non_repudiation"} & usage.native:
        return "is not made for signatures (key usage)"
    purposes = certificate.extended_key_usage_value
    named = None if purposes is None else {purpose.dotted for purpose in purposes}
    if stamps and _TIME_STAMPING not in (named or ()):
        return "is not made for time stamps (extended key usage)"
    if not stamps and named is not None and not named & _DOCUMENTS:
        return "is not made for signing documents (extended key usage)"
    return None


def authorities(trust: Iterable[Certificate]) -> list[CertTrustAnchor]:
    """Return those of the trusted certificates that may vouch for others, with the limits they state themselves.

    The days, the length of chains and the names that an authority's certificate allows are kept to.
    """
    from pyhanko_certvalidator.authority import CertTrustAnchor

    found = []
    for certificate in trust:
        usage = certificate.key_usage_value
        if certificate.ca and (usage is None or "key_cert_sign" in usage.native):
            found.append(CertTrustAnchor(certificate, derive_default_quals_from_cert=True))
    return found


def read_certificates(paths: Sequence[Path]) -> list[Certificate]:
    """Return the certificates in PEM or DER files. Raises ``InputError``."""
    from asn1crypto import pem, x509

    found = []
    for path in paths:
        try:
            raw = path.read_bytes()
            ders = [der for _, _, der in pem.unarmor(raw, multiple=True)] if pem.detect(raw) else [raw]
            for der in ders:
                certificate = x509.Certificate.load(der, strict=True)
                certificate.subject.native  # noqa: B018  parsed when first asked for
                found.append(certificate)
        except OSError as error:
            raise InputError(Problem(f"the certificate cannot be read: {error.strerror}", str(path))) from None
        except (ValueError, TypeError):
            raise InputError(Problem("the file holds no certificate (PEM or DER)", str(path))) from None
    return found
