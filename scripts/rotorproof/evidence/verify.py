"""Say in plain words what a signed report or its archive still proves."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from ..decision.models import Results
from ..files import sha256_of
from ..jsonio import strictly
from .archive import input_place
from .attachments import attached
from .bag import check_bag
from .record import Evidence, read_evidence
from .revisions import FOLDER, REPORT, SIGN_OFF, lying_in, number_of
from .signature import Checked, check_signature
from .signoff import SignOff, disagreements
from .trust import fingerprint_of

if TYPE_CHECKING:
    from asn1crypto.x509 import Certificate


#: The sign-off is written a moment before the signature.
_CLOCKS = datetime.timedelta(hours=1)


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
    evidence: Evidence | None = None
    sources: dict[str, bytes | Path] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)
    #: The PDF as it was signed, and the sign-off in it.
    signed: bytes = b""
    sign_off: SignOff | None = None

    @property
    def units(self) -> list[str]:
        """Return the unit and the parts it is made of, as far as the evidence can be read."""
        return [self.evidence.unit, *self.evidence.parts] if self.evidence else []


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
        if content is None or sha256_of(content) != sign_off.files.get(f"data/{name}"):
            found.faults.append(f"the attachment {name} is missing or not the one signed")
    _evidence(found, sign_off, files.get("evidence.json"), files.get("results.json"))
    if found.evidence is not None:
        by_hash = {sha256_of(content): content for content in files.values()}
        for name, value in found.evidence.inputs.items():
            if value in by_hash:
                found.sources[name] = by_hash[value]
            else:
                found.missing.append(name)
        found.holds.append(f"{len(found.sources)} of {len(found.evidence.inputs)} inputs are attached, unchanged")
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
    _place(found, folder, sign_off)
    signed = {**sign_off.files, SIGN_OFF: sha256_of(files["sign-off.json"])}
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
    stray = [name for name, content in files.items() if sha256_of(content) not in signed.values()]
    found.faults += [f"the attachment {name} is not among the archived files" for name in stray]
    _evidence(found, sign_off, *(_read(folder, f"data/{name}.json", hashes) for name in ("evidence", "results")))
    if found.evidence is not None:
        for name, value in found.evidence.inputs.items():
            place = input_place(name)
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
        files = attached(checked.signed)
        sign_off = SignOff.model_validate(strictly(files["sign-off.json"]))
    except (KeyError, ValueError, ValidationError):
        found.faults.append("the PDF is signed, but not by this program: it holds no readable sign-off.json")
        return {}, None
    except RecursionError:
        found.faults.append("the sign-off.json in the PDF cannot be read")
        return {}, None
    found.signed, found.sign_off = checked.signed, sign_off
    stated = datetime.datetime.fromisoformat(sign_off.signed_at)
    if checked.signed_at is not None and abs(stated - checked.signed_at) > _CLOCKS:
        found.faults.append(f"the sign-off is of {sign_off.signed_at}, the signature of another time")
    if sign_off.certificate_subject != checked.subject:
        found.faults.append("the sign-off names another holder than the certificate that signed")
    if sign_off.certificate_sha256 != checked.fingerprint:
        found.faults.append("the sign-off names another certificate than the one that signed")
    waivers = f", waived: {', '.join(w.quantity for w in sign_off.waivers)}" if sign_off.waivers else ""
    found.notes.append(
        f"{sign_off.unit} r{sign_off.revision}: {sign_off.verdict}{waivers}; signed by '{sign_off.name}' as "
        f"'{sign_off.role}'"
    )
    if sign_off.supersedes:
        found.notes.append(f"replaces r{sign_off.supersedes.revision}, because: '{sign_off.supersedes.reason}'")
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
    found.notes += checked.notes
    if checked.time_stamped_at is not None:
        by = "a time stamp service you trust" if checked.time_stamp_trusted else "a time stamp service unknown here"
        found.notes.append(f"time stamp: {checked.time_stamped_at:%Y-%m-%d %H:%M:%S} UTC, by {by}")
    elif checked.signed_at is not None:
        found.notes.append(
            f"time: {checked.signed_at:%Y-%m-%d %H:%M:%S %Z} by the signer's own clock; no time stamp proves it"
        )


def _evidence(found: Verified, sign_off: SignOff, evidence: bytes | None, results: bytes | None) -> None:
    try:
        content = read_evidence(evidence or b"")
        recorded = content.outputs["results.json"]
        numbers = strictly(results or b"")
        # The bytes, not the numbers: the models take the text of JSON for dates and tuples.
        stated = Results.model_validate_json(results or b"")
        found.evidence, found.results = content, numbers
    except (ValueError, KeyError, RecursionError):
        found.evidence = found.results = None
        found.faults.append("evidence.json or results.json cannot be read")
        return
    if sha256_of(results or b"") != recorded:
        found.faults.append("results.json is not the file that evidence.json names")
    if content.unit != sign_off.unit:
        found.faults.append(f"the sign-off is for {sign_off.unit}, the evidence is of {content.unit}")
    wrong = disagreements(sign_off, stated)
    found.faults += wrong
    if not wrong:
        found.holds.append(f"what was signed ({sign_off.verdict}) follows from the results")


def _place(found: Verified, folder: Path, sign_off: SignOff) -> None:
    """Say it where an archive lies under the name of another revision or unit than was signed."""
    place = folder.absolute()
    number = number_of(place.name)
    if place.is_symlink():
        found.faults.append(f"{place.name} is a link to another folder")
    if number is not None and number != sign_off.revision:
        found.faults.append(f"the folder is called {place.name}, but what was signed is r{sign_off.revision}")
    if number is not None and place.parent.name != sign_off.unit:
        if place.parent.parent.name == FOLDER:
            found.faults.append(f"it lies among the reports of {place.parent.name}, but is of {sign_off.unit}")
        else:
            found.notes.append(f"it lies in a folder called {place.parent.name}; the unit is {sign_off.unit}")


def _neighbours(found: Verified, folder: Path, sign_off: SignOff) -> None:
    """Look at the revisions that lie beside this one, as far as they do."""
    place = folder.absolute()
    if number_of(place.name) is None or place.parent.name != sign_off.unit:
        return
    beside = {revision.number: revision for revision in lying_in(place.parent)}
    earlier = sign_off.supersedes
    if earlier and earlier.revision in beside:
        try:
            same = beside[earlier.revision].was(earlier.report_sha256)
        except OSError:
            same = False
        if same:
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


def _read(folder: Path, name: str, hashes: Mapping[str, str]) -> bytes | None:
    """Return the content of a file of the archive, if it is one."""
    return (folder / name).read_bytes() if name in hashes else None
