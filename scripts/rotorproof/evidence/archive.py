"""Make a signed report and the archive around it: everything needed to judge it, in one folder."""

from __future__ import annotations

import datetime
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..decision.models import Results
from ..errors import InputError, Problem
from ..files import sha256
from ..jsonio import to_json
from .attachments import Attachment, attach
from .bag import begin_bag, check_name, finish_bag
from .lasting import strengthen
from .record import Evidence, plain_files
from .revisions import REPORT, SIGN_OFF, Revision, new_revision
from .signature import check_signature, sign_pdf
from .signoff import SignOff, Superseded, acknowledged, waived
from .software import source_archive
from .trust import fingerprint_of, subject_of

if TYPE_CHECKING:
    from asn1crypto.x509 import Certificate
    from pyhanko.sign.signers import SimpleSigner


@dataclass(frozen=True)
class Statement:
    """What the signer states: name, role, remarks, waivers (reason by quantity), why an earlier report is replaced."""

    name: str
    role: str
    remarks: str | None
    waivers: Mapping[str, str]
    because: str | None
    #: Why criteria that were neither measured nor waived do not matter.
    incomplete: str | None = None


@dataclass(frozen=True)
class Reported:
    """A unit's report as it lies in the reports folder, and the paths of its inputs by the names in its evidence."""

    unit: str
    results: Results
    results_path: Path
    evidence: Evidence
    evidence_path: Path
    figures: Path
    inputs: Mapping[str, Path]


#: Renders the report with a sign-off on page 1 and returns the PDF with all attachments of the unsigned one.
Render = Callable[[SignOff], tuple[bytes, list[Attachment]]]


def input_place(name: str) -> str:
    """Return where an input lies in an archive, by its name in ``evidence.json``."""
    return f"data/{name}" if name.startswith("config/") else f"data/raw/{name}"


def sign_report(
    reports: Path,
    reported: Reported,
    statement: Statement,
    signer: SimpleSigner,
    render: Render,
    timestamp_url: str | None,
    authorities: Sequence[Certificate] | None = None,
) -> Revision:
    """Write the next revision of a unit's signed report into the archive.

    Where ``authorities`` are given, what they say of the certificates and a time stamp over all of it go in too.

    Raises ``InputError``: a log that could not be used, a waiver without a reason, criteria neither measured nor
    waived and no word on it, an earlier revision and no reason for another, an input that changes meanwhile, no time
    stamp.
    """
    _check_usable(reported.results)
    waivers = waived(reported.results, statement.waivers)
    incomplete = acknowledged(reported.results, waivers, statement.incomplete)
    with new_revision(reports, reported.unit) as (number, earlier, folder):
        supersedes = _superseded(reported.unit, earlier, statement.because)
        certificate = signer.signing_cert
        assert certificate is not None
        _gather(folder, reported)
        _write(folder / "data" / "software" / "rotorproof-source.zip", source_archive())
        _write(folder / "data" / "certificate.pem", _pem(signer))
        signed_at = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        named = begin_bag(
            folder,
            {
                "External-Identifier": f"{reported.unit} r{number}",
                "External-Description": f"Signed acceptance report of {reported.unit}, {reported.results.verdict}",
                "Contact-Name": statement.name,
                "Bagging-Date": signed_at[:10],
                "Bag-Software-Agent": f"rotorproof {reported.evidence.software['rotorproof']}",
            },
        )
        files = {name: sha256(folder / name) for name in named}
        sign_off = SignOff(
            unit=reported.unit,
            revision=number,
            name=statement.name,
            role=statement.role,
            remarks=statement.remarks,
            incomplete=incomplete,
            signed_at=signed_at,
            certificate_subject=subject_of(certificate),
            certificate_sha256=fingerprint_of(certificate),
            verdict=reported.results.verdict,
            waivers=waivers,
            supersedes=supersedes,
            files=files,
        )
        stated = to_json(sign_off.model_dump(by_alias=True, exclude_none=True)).encode()
        _write(folder / SIGN_OFF, stated)
        pdf, attachments = render(sign_off)
        mine = Attachment(
            "sign-off.json", stated, "Who signed, what was waived, the hash of every archived file", "Data"
        )
        signed = sign_pdf(
            attach(pdf, [*attachments, mine]),
            signer,
            name=statement.name,
            reason=f"{statement.role}: {sign_off.verdict}",
            timestamp_url=timestamp_url,
        )
        if authorities is not None and timestamp_url is not None:
            signed = strengthen(signed, timestamp_url=timestamp_url, trust=authorities)
        checked = check_signature(signed, [])
        if checked.faults:
            raise InputError(Problem(f"the signature does not verify: {'; '.join(checked.faults)}; nothing was signed"))
        _write(folder / REPORT, signed)
        finish_bag(folder)
    return Revision(number, reports / "archive" / reported.unit / f"r{number}")


def _check_usable(results: Results) -> None:
    errors = [p for p in results.problems if p.severity == "error"]
    if errors:
        raise InputError(
            [
                Problem(f"the report has {len(errors)} error(s) and cannot be signed; mend them and run it again"),
                *(Problem(p.message, p.file, p.line, p.column) for p in errors),
            ]
        )


def _superseded(unit: str, earlier: list[Revision], because: str | None) -> Superseded | None:
    if not earlier:
        if because is not None:
            raise InputError(Problem(f"{unit} has no signed report yet, so --because has nothing to explain"))
        return None
    last = earlier[-1]
    if because is None or not because.strip():
        raise InputError(
            Problem(f"{unit} has a signed report, r{last.number}; say with --because why another replaces it")
        )
    try:
        return Superseded(revision=last.number, report_sha256=last.report_sha256(), reason=because.strip())
    except OSError:
        raise InputError(
            Problem("the report that is to be replaced cannot be read; bring it back from a copy", str(last.report))
        ) from None


def _gather(folder: Path, reported: Reported) -> None:
    """Copy results, evidence, figures, settings and logs; the copies must be what the evidence names."""
    copies = {
        "data/results.json": reported.results_path,
        "data/evidence.json": reported.evidence_path,
        **{f"data/figures/{p.name}": p for p in plain_files(reported.figures)},
        **{input_place(name): path for name, path in reported.inputs.items()},
    }
    for place, path in copies.items():
        check_name(place)
        target = folder / place
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)
    problems = []
    expected = {input_place(name): value for name, value in reported.evidence.inputs.items()}
    expected |= {f"data/{n}": v for n, v in reported.evidence.outputs.items() if f"data/{n}" in copies}
    for place, value in expected.items():
        if place not in copies or sha256(folder / place) != value:
            problems.append(Problem("the file changed while it was being archived; run the report again", place))
    if problems:
        raise InputError(problems)


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def _pem(signer: SimpleSigner) -> bytes:
    from asn1crypto import pem

    chain = [signer.signing_cert, *(c for c in signer.cert_registry if c != signer.signing_cert)]
    return b"".join(pem.armor("CERTIFICATE", certificate.dump()) for certificate in chain if certificate is not None)
