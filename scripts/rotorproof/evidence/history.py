"""Signed reports of units that a run has no results of any more, read back as they were signed.

A check standard's earlier days are such units once the reports were cleaned up and the logs put away: the archive
is what is left of them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from ..decision.models import Results
from ..files import sha256_of
from .record import read_evidence
from .revisions import FOLDER, REPORT, SIGN_OFF, Revision, revisions
from .standing import content_within, signed_so

#: In bytes: many times what the longest unit file and its limits, or the results of the most tests, take.
_LARGEST: Final = 16_000_000
_RESULTS: Final = "data/results.json"
_EVIDENCE: Final = "data/evidence.json"


@dataclass(frozen=True)
class Past:
    """One unit as its newest signed report holds it."""

    #: Its file, as the evidence has it.
    unit: dict[str, Any]
    results: Results
    #: The signed report, seen from the folder of the reports.
    report: str


@dataclass
class History:
    """What the archive holds beside the units of a run."""

    units: list[Past] = field(default_factory=list)
    #: Why others were not taken, by the folder of the revision seen from that of the reports.
    not_taken: dict[str, str] = field(default_factory=dict)


def archived_names(reports: Path, known: Collection[str]) -> list[str]:
    """Return the newest revision of each archived unit that is not among the ``known``, as ``unit/r1``."""
    return [f"{unit}/r{revision.number}" for unit, revision in _newest(reports, known)]


def history(reports: Path, known: Collection[str], wanted: Mapping[str, str]) -> History:
    """Return the archived units that are not among the ``known``, each by its newest signed report.

    Only those whose file says what is ``wanted``.
    A report is taken where the signature stands and covers, by their hashes, the results and the unit's file; else it
    is named with the reason. Who signed is not asked.
    """
    found = History()
    note = reports / ".work" / "signed.json"
    for unit, revision in _newest(reports, known):
        place = f"{FOLDER}/{unit}/r{revision.number}"
        try:
            evidence = content_within(revision.folder / _EVIDENCE, _LARGEST)
            # To look for the words takes a hundredth of the time that reading it does.
            if not all(value.encode() in evidence for value in wanted.values()):
                continue
            facts = read_evidence(evidence).configuration.get("unit")
            if not isinstance(facts, dict) or not wanted.items() <= facts.items():
                continue
            results = content_within(revision.folder / _RESULTS, _LARGEST)
            stated = signed_so(revision.folder / SIGN_OFF, revision.report, unit, revision.number, note)
            hashes = {_RESULTS: sha256_of(results), _EVIDENCE: sha256_of(evidence)}
            if stated is None or any(stated.files.get(name) != value for name, value in hashes.items()):
                found.not_taken[place] = "it is not what was signed"
                continue
            # The archive's folder names it; a file that names another unit was never signed here.
            past = Past({**facts, "unit": unit}, Results.model_validate_json(results), f"{place}/{REPORT}")
        except (OSError, ValueError, RecursionError) as error:
            found.not_taken[place] = f"it cannot be read: {type(error).__name__}"
            continue
        found.units.append(past)
    return found


def _newest(reports: Path, known: Collection[str]) -> list[tuple[str, Revision]]:
    folder = reports / FOLDER
    names = sorted(path.name for path in folder.iterdir() if path.is_dir()) if folder.is_dir() else []
    found = [(name, revisions(reports, name)) for name in names if name not in known]
    return [(name, signed[-1]) for name, signed in found if signed]
