"""The signed reports of each unit: ``archive/<unit>/r1``, ``r2``, ... under the reports.

One is never changed but for time stamps added later.
"""

from __future__ import annotations

import fcntl
import re
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import InputError, Problem
from ..files import sha256, sha256_of
from ..jsonio import strictly
from .bag import sync
from .lasting import MOST_STAMPS
from .signoff import SignOff
from .standing import signed_so

FOLDER = "archive"
REPORT = "data/report.pdf"
SIGN_OFF = "data/sign-off.json"
_REVISION = re.compile(r"r([1-9][0-9]{0,5})")
_PARTIAL = ".partial"
#: Before the name of an archive that is being replaced by the same one with a further time stamp.
ASIDE = ".replaced-"
#: Where a PDF ends, and each earlier state of one that was added to (ISO 32000-2, 7.5.5 and 7.5.6).
_END = re.compile(rb"%%EOF(\r\n|\r|\n)?")


@dataclass(frozen=True)
class Revision:
    """One signed report in the archive."""

    number: int
    folder: Path

    @property
    def report(self) -> Path:
        """Return the signed PDF."""
        return self.folder / REPORT

    def sign_off(self) -> SignOff:
        """Return what was signed, as the file beside the report states it.

        Raises ``OSError`` or ``ValueError`` for a file that was damaged; ``standing`` tells whether it was signed so.
        """
        return SignOff.model_validate(strictly((self.folder / SIGN_OFF).read_bytes()))

    def report_sha256(self) -> str:
        """Return the hash by which a later revision names this one."""
        return sha256(self.report)

    def was(self, report_sha256: str) -> bool:
        """Tell whether the report is, or was before time stamps were added to it, the one of this hash.

        Raises ``OSError``.
        """
        content = self.report.read_bytes()
        ends = [match.end() for match in _END.finditer(content)]
        # A report's own end, and one for each time that something was added to it.
        states = {len(content), *ends[-2 * MOST_STAMPS :]}
        return any(sha256_of(content[:end]) == report_sha256 for end in states)


def revisions(reports: Path, unit: str) -> list[Revision]:
    """Return the signed reports of a unit, the oldest first."""
    return lying_in(reports / FOLDER / unit)


def lying_in(folder: Path) -> list[Revision]:
    """Return the signed reports in a unit's folder of archives, the oldest first."""
    return [Revision(number, folder / f"r{number}") for number in _numbers(folder) if (folder / f"r{number}").is_dir()]


def number_of(name: str) -> int | None:
    """Return the number of the revision that a folder of this name holds, if it is such a name."""
    match = _REVISION.fullmatch(name)
    return int(match[1]) if match else None


def _numbers(folder: Path) -> list[int]:
    """Return the numbers that are taken, sorted, whatever it is that bears them."""
    names = [path.name for path in folder.iterdir()] if folder.is_dir() else []
    return sorted(number for name in names if (number := number_of(name)) is not None)


def signed_reports(reports: Path, unit: str) -> list[dict[str, Any]]:
    """Return what the register shows of each signed report of a unit, the oldest first.

    ``current`` tells whether it was made from the results that lie in the unit's folder now.
    """
    results = reports / unit / "results.json"
    now = sha256(results) if results.is_file() else None
    found: list[dict[str, Any]] = []
    for revision in revisions(reports, unit):
        row: dict[str, Any] = {"revision": revision.number, "report": f"{FOLDER}/{unit}/r{revision.number}/{REPORT}"}
        note = reports / ".work" / "signed.json"
        stated = signed_so(revision.folder / SIGN_OFF, revision.report, unit, revision.number, note)
        if stated is None:
            found.append({**row, "verdict": "damaged", "waived": [], "name": "", "signed_at": "", "current": False})
            continue
        found.append(
            {
                **row,
                "verdict": stated.verdict,
                "waived": [waiver.quantity for waiver in stated.waivers],
                "name": stated.name,
                "signed_at": stated.signed_at[:10],
                "current": stated.files.get("data/results.json") == now,
            }
        )
    return found


def all_signed(reports: Path, units: Iterable[str]) -> dict[str, list[dict[str, Any]]]:
    """Return the ``signed_reports`` of every unit that has any."""
    found = {unit: signed_reports(reports, unit) for unit in units}
    return {unit: rows for unit, rows in found.items() if rows}


def recover(place: Path) -> None:
    """Put back what a renewal of time stamps, killed between its last two steps, had moved aside in a unit's folder.

    The caller holds the folder's lock.
    """
    for aside in place.glob(f"{ASIDE}r*"):
        folder = place / aside.name.removeprefix(ASIDE)
        if folder.exists():
            shutil.rmtree(aside)
        else:
            aside.rename(folder)


@contextmanager
def alone(place: Path, busy: Problem) -> Iterator[None]:
    """Keep every other run out of a unit's folder of archives, and clear up what a killed renewal left there.

    Raises ``InputError`` with ``busy`` where another run is at work in it.
    """
    with (place / ".lock").open("w") as lock:
        try:
            # Freed by the system however the program ends.
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InputError(busy) from None
        recover(place)
        yield


@contextmanager
def new_revision(reports: Path, unit: str) -> Iterator[tuple[int, list[Revision], Path]]:
    """Give the next number, the earlier revisions and an empty folder that becomes the revision at the end.

    The folder appears under its final name in one step, and only when the block ends without an error. What an
    interrupted run left behind is cleared by the next.
    """
    place = reports / FOLDER / unit
    place.mkdir(parents=True, exist_ok=True)
    with alone(place, Problem(f"another run is signing {unit}; wait for it to end")):
        partial = place / _PARTIAL
        if partial.exists():
            shutil.rmtree(partial)
        partial.mkdir()
        earlier = revisions(reports, unit)
        number = max(_numbers(place), default=0) + 1
        try:
            yield number, earlier, partial
            # Fails where the name is taken by anything but an empty folder.
            partial.rename(place / f"r{number}")
        finally:
            if partial.exists():
                shutil.rmtree(partial)
        sync(place)
