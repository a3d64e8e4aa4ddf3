"""Sign a PDF and check its signature: PAdES baseline B-B, or B-T with a time stamp (ETSI EN 319 142-1).

``lasting`` makes B-LTA of it, by adding to it.
"""

from __future__ import annotations

import datetime
import io
import logging
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InputError, Problem
from .lasting import about, adding_to, check_lasting
from .trust import among, authorities, days_of, fingerprint_of, subject_of, unfit

if TYPE_CHECKING:
    from asn1crypto.x509 import Certificate
    from pyhanko.sign.signers import SimpleSigner

FIELD = "SignOff"


def quiet_libraries() -> None:
    """Keep the signature library from logging what it finds: the findings are told in our own words."""
    for name in ("pyhanko", "pyhanko_certvalidator"):
        logging.getLogger(name).setLevel(logging.CRITICAL)


def load_signer(certificate: Path, key: Path | None, passphrase: bytes | None) -> SimpleSigner:
    """Return a signer from a PKCS#12 file, or from a PEM certificate and its ``key``.

    Raises ``InputError``: file missing, wrong passphrase, certificate not valid today. No message holds the
    passphrase.
    """
    from pyhanko.sign.signers import SimpleSigner

    for path in (certificate, key):
        if path is not None and not path.is_file():
            raise InputError(Problem("the file does not exist; 'make certificate' makes a certificate", file=str(path)))
    _check_readable(certificate if key is None else key, passphrase, pkcs12=key is None)
    try:
        if key is None:
            signer = SimpleSigner.load_pkcs12_data(certificate.read_bytes(), [], passphrase)
        else:
            signer = SimpleSigner.load(str(key), str(certificate), key_passphrase=passphrase)
    except Exception as error:  # the library raises whatever its parsers raise
        raise InputError(
            Problem(f"the certificate cannot be used ({type(error).__name__})", str(certificate))
        ) from None
    if signer is None or signer.signing_cert is None:
        raise InputError(Problem("the file holds no certificate with its key", file=str(certificate)))
    if why := unfit(signer.signing_cert, datetime.datetime.now(datetime.UTC)):
        raise InputError(Problem(f"the certificate {why}; make or get another one", file=str(certificate)))
    return signer


def needs_passphrase(certificate: Path, key: Path | None) -> bool:
    """Tell whether the key is encrypted, as far as the file can be read."""
    path = certificate if key is None else key
    return path.is_file() and not _opens(path, None, pkcs12=key is None)


def _check_readable(path: Path, passphrase: bytes | None, *, pkcs12: bool) -> None:
    if not _opens(path, passphrase, pkcs12=pkcs12):
        what = "PKCS#12 file" if pkcs12 else "PEM key"
        raise InputError(
            Problem(f"the {what} cannot be opened: the passphrase is wrong, or the file is something else", str(path))
        )


def _opens(path: Path, passphrase: bytes | None, *, pkcs12: bool) -> bool:
    from cryptography.hazmat.primitives.serialization import load_pem_private_key
    from cryptography.hazmat.primitives.serialization.pkcs12 import load_key_and_certificates

    try:
        if pkcs12:
            load_key_and_certificates(path.read_bytes(), passphrase)
        else:
            load_pem_private_key(path.read_bytes(), passphrase)
    except (ValueError, TypeError):
        return False
    return True


def sign_pdf(pdf: bytes, signer: SimpleSigner, *, name: str, reason: str, timestamp_url: str | None) -> bytes:
    """Return the PDF with a certifying signature after which no change is permitted.

    Raises ``InputError`` when the time stamp service does not answer as it should.
    """
    from pyhanko.sign import fields, signers
    from pyhanko.sign.timestamps.aiohttp_client import HTTPTimeStamper
    from pyhanko.sign.timestamps.common_utils import TimestampRequestError

    metadata = signers.PdfSignatureMetadata(
        field_name=FIELD,
        md_algorithm="sha256",
        subfilter=fields.SigSeedSubFilter.PADES,
        name=name,
        reason=reason,
        certify=True,
        docmdp_permissions=fields.MDPPerm.NO_CHANGES,
    )
    timestamper = HTTPTimeStamper(timestamp_url, timeout=20) if timestamp_url else None

    writer = adding_to(pdf)
    # Not visible (page 1 says who signed), and outside the page, where PDF/UA asks for no tag (ISO 14289-1, 7.18.1).
    place = fields.InvisSigSettings(box_out_of_bounds=True)
    field = fields.SigFieldSpec(
        FIELD, on_page=0, readable_field_name="Signature of the report", invis_sig_settings=place
    )
    fields.append_signature_field(writer, field)
    try:
        signed = signers.PdfSigner(metadata, signer=signer, timestamper=timestamper).sign_pdf(writer)
    except (TimestampRequestError, OSError, ValueError) as error:
        if timestamp_url is None:
            raise
        raise InputError(
            Problem(f"no time stamp from {timestamp_url}: {error}; nothing was signed. Try again, or sign without")
        ) from None
    return bytes(signed.getvalue())


@dataclass(frozen=True)
class Checked:
    """What the signature of a PDF proves. ``faults`` says in plain words what does not hold."""

    faults: Sequence[str]
    trusted: bool
    subject: str = ""
    fingerprint: str = ""
    signed_at: datetime.datetime | None = None
    time_stamped_at: datetime.datetime | None = None
    time_stamp_trusted: bool = False
    notes: Sequence[str] = field(default_factory=tuple)
    #: The PDF can be read and holds no signature at all.
    unsigned: bool = False
    #: The bytes that the signature covers: without what was added later to make it last.
    signed: bytes = b""


def check_signature(pdf: bytes, trust: Sequence[Certificate]) -> Checked:
    """Check the one signature of a PDF: mathematics, coverage of the whole file, certificate, time.

    ``trust`` holds the certificates the reader trusts: the signer's own, or those of authorities. The
    certificate is judged at the time of signing, not at the time of reading: it may have expired since.
    Raises ``MemoryError`` for a PDF that unpacks to more than there is.
    """
    from pyhanko.pdf_utils.misc import PdfDecodeLimitError
    from pyhanko.pdf_utils.reader import PdfFileReader

    # The parsers below meet bytes that anyone may have altered and raise errors of many kinds.
    try:
        reader = PdfFileReader(io.BytesIO(pdf))
        every = list(reader.embedded_signatures)
        signatures, stamps = list(reader.embedded_regular_signatures), list(reader.embedded_timestamp_signatures)
    except MemoryError:
        raise
    except PdfDecodeLimitError:
        return Checked(["the PDF is packed so that it unpacks to far more than a report holds; it was not read"], False)
    except Exception as error:
        return Checked([f"the PDF cannot be read ({type(error).__name__}): it is damaged or changed"], False)
    if len(signatures) != 1 or len(every) != 1 + len(stamps):
        count = "no signature" if not signatures else f"{len(every)} signatures, not one"
        return Checked([f"the PDF holds {count}"], False, unsigned=not every)
    try:
        if not stamps:
            return _check(pdf, signatures[0], trust)
        return _check_lasting(pdf, reader, signatures[0], trust)
    except MemoryError:
        raise
    except Exception as error:
        return Checked([f"the signature cannot be read ({type(error).__name__}): it is damaged or changed"], False)


def _check_lasting(pdf: bytes, reader: Any, signature: Any, trust: Sequence[Certificate]) -> Checked:
    """Check the PDF as it was signed, and then what was added since."""
    _, _, start, length = (int(n) for n in signature.byte_range)
    if start + length >= len(pdf):
        return Checked(["a time stamp stands in the PDF before its signature"], False)
    first = check_signature(pdf[: start + length], trust)
    if first.faults:
        return first
    now = _now()
    proved = first.time_stamped_at if first.time_stamp_trusted else None
    later = check_lasting(reader, signature, trust, claimed=first.signed_at or now, proved=proved)
    known = [stamp.when for stamp in later.stamps if stamp.trusted]
    stamped = first.time_stamp_trusted or bool(known)
    notes = [*first.notes, *about(later, now)]
    if known and not first.time_stamp_trusted:
        notes[: len(first.notes)] = _about_days(signature.signer_cert, known[0], now, proved_by_stamp=True)
    return replace(
        first,
        faults=[*later.faults],
        trusted=first.trusted and not later.faults,
        time_stamped_at=first.time_stamped_at if first.time_stamp_trusted or not known else known[0],
        time_stamp_trusted=stamped and not later.faults,
        notes=() if later.faults else tuple(notes),
    )


#: A clock may be wrong by this much before it is taken to state a time that has not come yet.
_CLOCKS = datetime.timedelta(hours=1)


def _check(pdf: bytes, signature: Any, trust: Sequence[Certificate]) -> Checked:
    from pyhanko.sign.validation.status import SignatureCoverageLevel

    certificate = signature.signer_cert
    now = _now()
    claimed = signature.self_reported_timestamp
    token = _time_stamp(signature)
    own_tsa = [] if token is None else _certificates(token)
    # First as if signer and time stamp service were known, to see whether all else holds.
    when = claimed or now
    status = _validated(signature, [certificate], own_tsa, when)
    stamped = status.timestamp_validity
    if stamped is not None and stamped.timestamp is not None:
        when = stamped.timestamp
        status = _validated(signature, [certificate], own_tsa, when)
    faults = []
    if not status.intact:
        faults.append("the PDF was changed after it was signed")
    if not status.valid:
        faults.append("the signature does not belong to the certificate in the PDF")
    if status.coverage != SignatureCoverageLevel.ENTIRE_FILE:
        faults.append("something was added to the PDF after it was signed")
    if status.docmdp_ok is False:
        faults.append("the PDF was changed in a way that its signature forbids")
    moments = [claimed or now, *([when] if when != claimed else [])]
    why = next((words for moment in moments if (words := unfit(certificate, moment))), None)
    if why is None and not status.trusted and status.intact and status.valid:
        why = f"was not fit for signing on {when:%Y-%m-%d}"
    if why is not None:
        faults.append(f"the certificate {why}")
    if max(moments) > now + _CLOCKS:
        faults.append(f"it says that it was signed on {max(moments):%Y-%m-%d %H:%M} UTC, which is yet to come")
    if token is not None and (stamped is None or not (stamped.intact and stamped.valid)):
        faults.append("the time stamp does not belong to the signature")
    faults += _container_faults(pdf, signature)
    stamp_trusted = token is not None and not faults and _stamp_trusted(signature, stamped, certificate, trust)
    proved = stamped.timestamp if stamp_trusted else claimed
    return Checked(
        faults,
        trusted=not faults and _trusted(signature, certificate, trust, when),
        subject=subject_of(certificate),
        fingerprint=fingerprint_of(certificate),
        signed_at=claimed,
        time_stamped_at=stamped.timestamp if stamped is not None else None,
        time_stamp_trusted=stamp_trusted,
        notes=() if faults else _about_days(certificate, proved, now, proved_by_stamp=stamp_trusted),
        signed=pdf,
    )


def _now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


def _validated(signature: Any, signers: Sequence[Any], stampers: Sequence[Any], moment: datetime.datetime) -> Any:
    """Return the library's findings with these certificates, or authorities, as those that are trusted."""
    from pyhanko.sign.validation import validate_pdf_signature
    from pyhanko.sign.validation.settings import KeyUsageConstraints
    from pyhanko_certvalidator import ValidationContext

    def context(roots: Sequence[Any]) -> ValidationContext:
        return ValidationContext(trust_roots=list(roots), moment=moment, allow_fetching=False)

    # Authorities mark certificates for people with either usage.
    usage = KeyUsageConstraints({"digital_signature", "non_repudiation"}, match_all_key_usages=False)
    return validate_pdf_signature(signature, context(signers), context(stampers), key_usage_settings=usage)


def _trusted(signature: Any, certificate: Certificate, trust: Sequence[Certificate], when: datetime.datetime) -> bool:
    """Tell whether the signer is known: by the certificate itself, or by an authority that vouches for it."""
    if among(certificate, trust):
        return True
    roots = authorities(trust)
    return bool(roots) and bool(_validated(signature, roots, roots, when).trusted)


def _stamp_trusted(signature: Any, stamped: Any, signer: Certificate, trust: Sequence[Certificate]) -> bool:
    """Tell whether the service that stamped the time is known, and its certificate made for that."""
    service = stamped.signing_cert
    if unfit(service, stamped.timestamp, stamps=True) is not None:
        return False
    if among(service, trust):
        return True
    roots = authorities(trust)
    if not roots:
        return False
    again = _validated(signature, [signer], roots, stamped.timestamp).timestamp_validity
    return again is not None and bool(again.trusted)


def _about_days(
    certificate: Certificate, when: datetime.datetime | None, now: datetime.datetime, *, proved_by_stamp: bool
) -> tuple[str, ...]:
    """Say at which time the certificate was judged, and what rests on a clock that nobody vouches for."""
    judged = f"on {when:%Y-%m-%d}, when it was signed" if when else "today, as no time of signing is stated"
    words = f"the certificate is valid {days_of(certificate)} and was judged {judged}"
    if now <= certificate.not_valid_after:
        return (words,)
    if proved_by_stamp:
        return (f"{words}; it has expired since",)
    return (f"{words}; it has expired since, and that it was signed before is the word of the signer's clock alone",)


def _time_stamp(signature: Any) -> Any:
    """Return the signed data of the time stamp in a signature, or ``None``."""
    for attribute in signature.signer_info["unsigned_attrs"]:
        if attribute["type"].native == "signature_time_stamp_token":
            return attribute["values"][0]["content"]
    return None


def _certificates(signed_data: Any) -> list[Certificate]:
    return [choice.chosen for choice in signed_data["certificates"] if choice.name == "certificate"]


def _container_faults(pdf: bytes, signature: Any) -> list[str]:
    """Return what is wrong with the bytes a signature cannot cover: those that hold the signature itself.

    They must be exactly '<', one DER value in hexadecimal, zeros, '>'.
    """
    start, length, next_start, next_length = (int(n) for n in signature.byte_range)
    faults = []
    if start != 0 or next_start + next_length != len(pdf):
        faults.append("the signature does not cover the whole PDF")
    gap = pdf[start + length : next_start]
    content = signature.signed_data
    from asn1crypto import cms

    whole = cms.ContentInfo({"content_type": "signed_data", "content": content}).dump(force=True)
    digits = (whole.hex().encode(), whole.hex().upper().encode())
    if gap not in [b"<" + written.ljust(len(gap) - 2, b"0") + b">" for written in digits]:
        faults.append("the space that holds the signature was changed")
    # Framing that verification itself passes over (RFC 5652, 5.1 and 5.3).
    info = signature.signer_info
    named = [algorithm.dump() for algorithm in content["digest_algorithms"]]
    parameters = [info[name]["parameters"] for name in ("digest_algorithm", "signature_algorithm")]
    plain = all(p.native is not None or p.dump() in (b"", b"\x05\x00") for p in parameters)
    framed = (
        {content["version"].native, info["version"].native} == {"v1"}
        and named == [info["digest_algorithm"].dump()]
        and info["signature_algorithm"]["algorithm"].native != "rsassa_pkcs1v15"
    )
    if not (framed and plain):
        faults.append("the frame of the signature was changed")
    return faults
