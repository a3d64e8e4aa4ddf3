"""Signatures that outlast their certificates: PAdES baseline B-LT and B-LTA (ETSI EN 319 142-1, 5.4 and 5.5).

What the authorities say of the certificates today (their chains, and that they were not revoked) is put into the
signed PDF, and a time stamp over all of it. Before the certificate of that time stamp ends, or its algorithm ages,
another is put over it, with what is said of the former; so the proof goes on for as long as somebody renews it.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import io
import itertools
import uuid
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from ..errors import InputError, Problem
from .trust import among, authorities, subject_of, unfit

if TYPE_CHECKING:
    from asn1crypto.x509 import Certificate
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.sign.diff_analysis import DiffPolicy
    from pyhanko_certvalidator import ValidationContext

#: More than one a year for a working life: what holds more was not made by renewing.
MOST_STAMPS: Final = 60
#: How long a time stamp service is waited for, in seconds.
_PATIENCE: Final = 20


# ----- Make


def strengthen(pdf: bytes, *, timestamp_url: str, trust: Sequence[Certificate]) -> bytes:
    """Return a signed PDF with the authorities' word on its certificates and a time stamp over everything.

    ``trust`` holds the authorities of the signer and of the time stamp service, or their certificates themselves.
    Nothing that was there is changed. Raises ``InputError``: no word, or a bad one, on a certificate; no time stamp.
    """
    from pyhanko.sign.timestamps.common_utils import TimestampRequestError
    from pyhanko_certvalidator.errors import PathError, ValidationError

    try:
        return asyncio.run(_strengthened(pdf, timestamp_url, trust))
    except (TimestampRequestError, OSError, TimeoutError) as error:
        raise InputError(Problem(f"no time stamp from {timestamp_url}: {error}; nothing was changed")) from None
    except (PathError, ValidationError) as error:
        words = " ".join(str(error).split()).rstrip(".")
        problem = (
            f"the word of its authority on a certificate cannot be had, or is not good: {words}. Nothing was changed; "
            "name the certificate of the authority with --trust, and see that the computer is on the net"
        )
        raise InputError(Problem(problem)) from None


async def _strengthened(pdf: bytes, timestamp_url: str, trust: Sequence[Certificate]) -> bytes:
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign import fields
    from pyhanko.sign.signers import PdfTimeStamper
    from pyhanko.sign.timestamps.aiohttp_client import HTTPTimeStamper
    from pyhanko.sign.validation.dss import DocumentSecurityStore, collect_validation_info

    reader = PdfFileReader(io.BytesIO(pdf))
    stamps = reader.embedded_timestamp_signatures
    # What a time stamp covers was looked into before it was set; only the last one itself was not.
    last = stamps[-1] if stamps else reader.embedded_regular_signatures[0]
    itself = [one for one in trust if among(one, [last.signer_cert, *stampers(last)])]
    async with _fetching([*authorities(trust), *itself]) as context:
        paths = await collect_validation_info(last, context)
        writer = adding_to(pdf)
        DocumentSecurityStore.supply_dss_in_writer(
            writer, last.pkcs7_content.hex().encode("ascii"), paths=paths, validation_context=context
        )
    stamper = PdfTimeStamper(
        HTTPTimeStamper(timestamp_url, timeout=_PATIENCE),
        field_name=f"Stamp-{uuid.uuid4()}",
        # As the signature's: not visible, and outside the page.
        invis_settings=fields.InvisSigSettings(box_out_of_bounds=True),
        readable_field_name="Time stamp of the report",
    )
    return bytes((await stamper.async_timestamp_pdf(writer, "sha256")).getvalue())


def adding_to(pdf: bytes) -> IncrementalPdfFileWriter:
    """Return a writer that adds to a PDF and leaves the description of the document alone.

    That is of the content, in the form PDF/A asks for, and part of what is signed.
    """
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

    class Writer(IncrementalPdfFileWriter):
        def _update_meta(self) -> None:
            pass

    return Writer(io.BytesIO(pdf))


@contextlib.asynccontextmanager
async def _fetching(roots: Sequence[Any]) -> AsyncIterator[ValidationContext]:
    """Give a context that asks the authorities over the net, and lets go of its connections at the end."""
    from pyhanko_certvalidator import ValidationContext

    context = ValidationContext(trust_roots=list(roots), allow_fetching=True, revocation_mode="hard-fail")
    try:
        yield context
    finally:
        await context.aclose()


def stampers(signature: Any) -> list[Certificate]:
    """Return the certificates in the time stamp that a signature holds; none where it holds none."""
    from pyhanko.sign.general import extract_certificate_info
    from pyhanko.sign.validation.generic_cms import extract_tst_data_iter

    return [
        extract_certificate_info(token).signer_cert
        for token in extract_tst_data_iter(signature.signer_info, signed=False)
    ]


# ----- Check


@dataclass(frozen=True)
class Stamp:
    """A time stamp over the whole PDF as it was then."""

    when: datetime.datetime
    service: Certificate
    trusted: bool


@dataclass(frozen=True)
class Lasting:
    """What was found behind the signature: the time stamps, the oldest first, and what does not hold."""

    stamps: Sequence[Stamp]
    faults: Sequence[str]
    #: The authority's word in the PDF: ``True`` not revoked then, ``False`` revoked, ``None`` there is none.
    good: bool | None = None


def check_lasting(
    reader: Any,
    signature: Any,
    trust: Sequence[Certificate],
    *,
    claimed: datetime.datetime,
    proved: datetime.datetime | None,
) -> Lasting:
    """Check all that was added to a PDF after ``signature``: only time stamps and the authorities' words may be.

    Whether the signer's certificate was revoked is judged for the earliest time that is ``proved``, by a time stamp in
    the signature or behind it; for the ``claimed`` one only where nothing is proved, as whoever steals a key sets the
    clock back. Raises what the library raises for bytes that it cannot read.
    """
    stamps = reader.embedded_timestamp_signatures
    if len(stamps) > MOST_STAMPS:
        return Lasting((), [f"the PDF holds {len(stamps)} time stamps; at most {MOST_STAMPS} are read"])
    held = _held(reader)
    faults = _additions(signature)
    found = []
    for number, stamp in enumerate(stamps, start=1):
        status = asyncio.run(_stamped(stamp, held, trust))
        if status is None or not (status.intact and status.valid) or status.timestamp is None:
            faults.append(f"time stamp {number} does not belong to the PDF that it is in")
            continue
        service = stamp.signer_cert
        fit = unfit(service, status.timestamp, stamps=True) is None
        found.append(Stamp(status.timestamp, service, fit and (among(service, trust) or bool(status.trusted))))
    if any(later.when < earlier.when for earlier, later in itertools.pairwise(found)):
        faults.append("the time stamps are not in the order of their times")
    times = [*([proved] if proved else []), *(stamp.when for stamp in found if stamp.trusted)]
    good = None
    signer = signature.signer_cert
    if not faults and not among(signer, trust):
        good = asyncio.run(_not_revoked(signature, held, trust, min(times, default=claimed)))
        if good is False:
            faults.append(f"the certificate ({subject_of(signer)}) had been revoked when it signed")
    return Lasting(tuple(found), faults, good)


def _additions(signature: Any) -> list[str]:
    from pyhanko.sign.diff_analysis import ModificationLevel, SuspiciousModification
    from pyhanko.sign.validation.status import SignatureCoverageLevel

    signature.compute_integrity_info(diff_policy=_allowed())
    result = signature.diff_result
    more = isinstance(result, SuspiciousModification) or result.modification_level > ModificationLevel.LTA_UPDATES
    if more or signature.coverage < SignatureCoverageLevel.ENTIRE_REVISION:
        return ["something was added to the PDF after it was signed, beside time stamps and what belongs to them"]
    newest = signature.reader.embedded_timestamp_signatures[-1]
    newest.compute_integrity_info(diff_policy=_allowed())
    if newest.coverage != SignatureCoverageLevel.ENTIRE_FILE:
        return ["something was added to the PDF after its last time stamp"]
    return []


def _allowed() -> DiffPolicy:
    """Return what may be added: as the library's own policy, without its leave to change the description."""
    from pyhanko.sign.diff_analysis import (
        CatalogModificationRule,
        DSSCompareRule,
        FormUpdatingRule,
        ModificationLevel,
        ObjectStreamRule,
        SigFieldCreationRule,
        SigFieldModificationRule,
        StandardDiffPolicy,
        XrefStreamRule,
    )

    level = ModificationLevel.LTA_UPDATES
    return StandardDiffPolicy(
        global_rules=[
            CatalogModificationRule(),
            *(rule().as_qualified(level) for rule in (XrefStreamRule, ObjectStreamRule, DSSCompareRule)),
        ],
        form_rule=FormUpdatingRule(field_rules=[SigFieldCreationRule(), SigFieldModificationRule()]),
    )


@dataclass(frozen=True)
class _Held:
    """What the authorities said, as the PDF holds it."""

    certificates: Sequence[Certificate]
    answers: Sequence[Any]
    lists: Sequence[Any]


def _held(reader: Any) -> _Held:
    from pyhanko.sign.validation.dss import DocumentSecurityStore
    from pyhanko.sign.validation.errors import NoDSSFoundError

    try:
        store = DocumentSecurityStore.read_dss(reader)
    except NoDSSFoundError:
        return _Held((), (), ())
    context = store.as_validation_context({"trust_roots": [], "allow_fetching": False})
    return _Held(tuple(store.load_certs()), tuple(context.ocsps), tuple(context.crls))


def _offline(held: _Held, roots: Sequence[Any], moment: datetime.datetime, mode: str) -> ValidationContext:
    from pyhanko_certvalidator import ValidationContext

    return ValidationContext(
        trust_roots=list(roots),
        other_certs=list(held.certificates),
        ocsps=list(held.answers),
        crls=list(held.lists),
        moment=moment,
        allow_fetching=False,
        revocation_mode=mode,
        # What was said a moment after the signature tells of the moment of the signature too.
        retroactive_revinfo=True,
    )


async def _stamped(stamp: Any, held: _Held, trust: Sequence[Certificate]) -> Any:
    """Return the library's findings on a time stamp, its certificate judged at its own time."""
    from pyhanko.sign.validation.errors import SignatureValidationError
    from pyhanko.sign.validation.pdf_embedded import async_validate_pdf_timestamp

    moment = stamp.self_reported_timestamp or datetime.datetime.now(datetime.UTC)
    roots = [*authorities(trust), *(one for one in trust if among(one, [stamp.signer_cert]))]
    context = _offline(held, roots, moment, "soft-fail")
    try:
        return await async_validate_pdf_timestamp(stamp, context, skip_diff=True)
    except SignatureValidationError:
        return None


async def _not_revoked(
    signature: Any, held: _Held, trust: Sequence[Certificate], moment: datetime.datetime
) -> bool | None:
    from pyhanko_certvalidator import CertificateValidator
    from pyhanko_certvalidator.errors import PathError, RevokedError, ValidationError

    roots = authorities(trust)
    if not roots or not (held.answers or held.lists):
        return None
    validator = CertificateValidator(
        signature.signer_cert,
        intermediate_certs=signature.other_embedded_certs,
        validation_context=_offline(held, roots, moment, "require"),
    )
    try:
        await validator.async_validate_usage(key_usage=set())
    except RevokedError:
        return False
    except (PathError, ValidationError):
        return None
    return True


def about(found: Lasting, now: datetime.datetime) -> list[str]:
    """Say in plain words how long the time stamps carry the proof, and what they prove."""
    words = []
    if found.good:
        words.append("the authority's word that the certificate was not revoked when it signed is in the report")
    if not found.stamps:
        return words
    last = found.stamps[-1]
    until = last.service.not_valid_after
    count = "a time stamp" if len(found.stamps) == 1 else f"{len(found.stamps)} time stamps"
    service = f"{subject_of(last.service)}{'' if last.trusted else ', a service unknown here'}"
    end = (
        f"renew it before {until:%Y-%m-%d}" if now <= until else f"it should have been renewed before {until:%Y-%m-%d}"
    )
    words.append(f"{count} over the whole report, the last of {last.when:%Y-%m-%d} by {service}; {end}")
    return words
