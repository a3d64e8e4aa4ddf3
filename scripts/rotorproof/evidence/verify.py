"""Say in plain words what a signed report or its archive still proves."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from ..decision.models import Results
from .archive import input_place
from .attachments import attached
from .bag import check_bag, digest
from .record import read_evidence
from .revisions import REPORT, SIGN_OFF, revisions
from .signature import Checked, check_signature, fingerprint_of
from .signoff import SignOff

if TYPE_CHECKING:
    from asn1crypto.x509 import Certificate


@dataclass
class Verified:
    """What was found about one signed report. It holds when there is no fault.

    ``sources`` are the inputs that a recomputation can start from, by their names in the evidence: the content
    of an attachment or the path of an archived file.
    """

    path: Path
    holds: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    trusted: bool = False
    #: A sound PDF without any signature: there is nothing to check.
    unsigned: bool = False
    results: Mapping[str, Any] | None = None
    evidence: Mapping[str, Any] | None = None
    sources: dict[str, bytes | Path] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)


def verify_pdf(path: Path, trust: Sequence[Certificate]) -> Verified:
    """Verify a signed PDF by itself: its signature and the files attached to it."""
    found = Verified(path)
    pdf = path.read_bytes()
    files, sign_off = _signed_content(found, pdf, trust)
    if found.unsigned:
        # No sign of a change either: such is every report before it is signed.
        found.faults.clear()
        found.notes.append(
            "the PDF is not signed, so nothing in it can be checked; the signed reports of a unit lie in "
            "reports/archive/UNIT"
        )
    if sign_off is None:
        return found
    for name in ("results.json", "evidence.json"):
        content = files.get(name)
        if content is None or digest(content) != sign_off.files.get(f"data/{name}"):
            found.faults.append(f"the attachment {name} is missing or not the one signed")
    _evidence(found, files.get("evidence.json"), files.get("results.json"))
    if found.evidence is not None:
        by_hash = {digest(content): content for content in files.values()}
        for name, value in found.evidence["inputs"].items():
            if value in by_hash:
                found.sources[name] = by_hash[value]
            else:
                found.missing.append(name)
        found.holds.append(f"{len(found.sources)} of {len(found.evidence['inputs'])} inputs are attached, unchanged")
        if found.missing:
            found.notes.append(f"not in the PDF, only their hashes: {', '.join(found.missing)}")
    return found


def verify_archive(folder: Path, trust: Sequence[Certificate]) -> Verified:
    """Verify an archive: every file's hash, the signature, and that the files are those that were signed."""
    found = Verified(folder)
    hashes, faults = check_bag(folder)
    found.faults += faults
    if not faults:
        found.holds.append(f"all {len(hashes)} files are those of the archive's lists, and none was added")
    if REPORT not in hashes:
        found.faults.append("the archive holds no report.pdf")
        return found
    files, sign_off = _signed_content(found, (folder / REPORT).read_bytes(), trust)
    if sign_off is None:
        return found
    signed = {**sign_off.files, SIGN_OFF: digest(files["sign-off.json"])}
    others = {name: value for name, value in hashes.items() if name != REPORT}
    changed = [name for name in signed if name in others and others[name] != signed[name]]
    absent = [name for name in signed if name not in others]
    added = [name for name in others if name not in signed]
    # What the archive's own lists have named already is named once; lists that were made to fit name nothing.
    for names, listed, words in (
        (changed, "was changed", "is not the file that was signed"),
        (absent, "is missing", "was signed but is missing"),
        (added, "was added to the archive", "was not among the files signed"),
    ):
        found.faults += [f"{name} {words}" for name in names if f"{name} {listed}" not in faults]
    if not (changed or absent or added):
        found.holds.append(f"the signature covers all {len(hashes)} files of the archive")
    stray = [name for name, content in files.items() if digest(content) not in signed.values()]
    found.faults += [f"the attachment {name} is not among the archived files" for name in stray]
    _evidence(found, _read(folder / "data/evidence.json"), _read(folder / "data/results.json"))
    if found.evidence is not None:
        for name, value in found.evidence["inputs"].items():
            place = input_place(sign_off.unit, name)
            if hashes.get(place) == value:
                found.sources[name] = folder / place
            elif place not in changed and place not in absent:
                found.faults.append(f"{name} is not the file that the report was made from")
    _neighbours(found, folder, sign_off)
    return found


def _signed_content(
    found: Verified, pdf: bytes, trust: Sequence[Certificate]
) -> tuple[dict[str, bytes], SignOff | None]:
    """Check the signature and return the attachments and the sign-off, or ``None`` if there is nothing to rely on."""
    checked = check_signature(pdf, trust)
    found.faults += checked.faults
    found.unsigned = checked.unsigned
    if checked.fingerprint:
        _signer(found, checked, trust)
    if checked.faults:
        return {}, None
    try:
        files = attached(pdf)
        sign_off = SignOff.model_validate_json(files["sign-off.json"])
    except (KeyError, ValueError, ValidationError):
        found.faults.append("the PDF is signed, but not by this program: it holds no readable sign-off.json")
        return {}, None
    if sign_off.certificate_sha256 != checked.fingerprint:
        found.faults.append("the sign-off names another certificate than the one that signed")
    waivers = f", waived: {', '.join(w.quantity for w in sign_off.waivers)}" if sign_off.waivers else ""
    found.notes.append(
        f"{sign_off.unit} r{sign_off.revision}: {sign_off.outcome}{waivers}; signed by {sign_off.name}, {sign_off.role}"
    )
    if sign_off.supersedes:
        found.notes.append(f"replaces r{sign_off.supersedes.revision}: {sign_off.supersedes.reason}")
    return files, sign_off


def _signer(found: Verified, checked: Checked, trust: Sequence[Certificate]) -> None:
    if not checked.faults:
        found.holds.append("the PDF is byte for byte what was signed")
    letters = " ".join(checked.fingerprint[i : i + 4] for i in range(0, 64, 4))
    if checked.trusted:
        found.trusted = True
        known = checked.fingerprint in {fingerprint_of(c) for c in trust}
        how = "a certificate you trust" if known else "a certificate issued by an authority you trust"
        found.holds.append(f"it was signed with {how} ({checked.subject})")
    elif not checked.faults:
        found.notes.append(
            f"who signed is not proved: nothing here says whether you trust the certificate ({checked.subject}). "
            f"Ask the workshop for its certificate and give it with --trust, or compare its SHA-256: {letters}"
        )
    if checked.time_stamped_at is not None:
        by = "a time stamp service you trust" if checked.time_stamp_trusted else "a time stamp service unknown here"
        found.notes.append(f"time stamp: {checked.time_stamped_at:%Y-%m-%d %H:%M:%S} UTC, by {by}")
    elif checked.signed_at is not None:
        found.notes.append(
            f"time: {checked.signed_at:%Y-%m-%d %H:%M:%S %Z} by the signer's own clock; no time stamp proves it"
        )


def _evidence(found: Verified, evidence: bytes | None, results: bytes | None) -> None:
    try:
        content = read_evidence(evidence or b"")
        recorded = content["outputs"]["results.json"]
        Results.model_validate_json(results or b"")
        found.evidence, found.results = content, json.loads(results or b"")
    except (ValueError, KeyError, RecursionError):
        found.evidence = found.results = None
        found.faults.append("evidence.json or results.json cannot be read")
        return
    if digest(results or b"") != recorded:
        found.faults.append("results.json is not the file that evidence.json names")


def _neighbours(found: Verified, folder: Path, sign_off: SignOff) -> None:
    """Look at the revisions that lie beside this one, as far as they do."""
    beside = {
        revision.number: revision
        for revision in revisions(folder.resolve().parents[2], sign_off.unit)
        if revision.folder.parent == folder.resolve().parent
    }
    earlier = sign_off.supersedes
    if earlier and earlier.revision in beside:
        if beside[earlier.revision].report_sha256() == earlier.report_sha256:
            found.holds.append(f"r{earlier.revision}, which it replaces, lies beside it unchanged")
        else:
            found.faults.append(f"r{earlier.revision}, which lies beside it, is not the report that it replaces")
    elif earlier:
        found.notes.append(
            f"r{earlier.revision}, which it replaces, is not beside it: this archive was copied alone, or the earlier "
            "one was removed"
        )
    later = [number for number in beside if number > sign_off.revision]
    if later:
        found.notes.append(f"it has since been replaced by r{max(later)}")


def _read(path: Path) -> bytes | None:
    return path.read_bytes() if path.is_file() else None
