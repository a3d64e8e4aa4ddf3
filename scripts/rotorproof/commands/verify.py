"""Check a signed report or its archive: what still holds, and what does not.

PATH is an archive folder (reports/archive/UNIT/r1), a unit's folder of archives, or a signed PDF. Checked are the
signature, the hash of every file, and that the files are those that were signed. With --recompute the results
are computed again from the archived raw logs and the pages drawn again, and every number and page is compared.
Nothing in an archive is run, and what reads it may take so much memory and time and no more: --memory and --minutes
set other limits.

The exit status is 0 when everything holds, 1 when something does not, 2 when there is nothing to check, 3 when
nothing was changed but the signer's certificate is none that you trust (see --trust), and 4 when computing again
reached a limit of this computer: what was compared until then holds. Pages are compared with the software they were
made with; with other software the status is 0, and the last line says that they were not.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import textwrap
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InputError, Problem, visible

if TYPE_CHECKING:
    from asn1crypto.x509 import Certificate

    from ..bounded import Limits

_UNKNOWN_SIGNER = 3
_STOPPED = 4


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="archive folder or signed PDF")
    parser.add_argument("--recompute", action="store_true", help="compute the results again and compare every number")
    parser.add_argument(
        "--trust",
        action="append",
        default=[],
        type=Path,
        metavar="FILE",
        help="a certificate you trust, PEM or DER (default: the one `certificate` made here, if any)",
    )
    parser.add_argument("--memory", type=float, metavar="GB", help="memory that reading, or computing again, may take")
    parser.add_argument("--minutes", type=float, help="time that it may take for one report")
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


@dataclass
class _Found:
    """What a child found out about one report; ``units`` and the rest are there where it can be computed again."""

    path: str
    holds: list[str]
    faults: list[str]
    notes: list[str]
    trusted: bool = False
    unsigned: bool = False
    missing: list[str] = field(default_factory=list)
    units: list[str] = field(default_factory=list)
    software: dict[str, str] = field(default_factory=dict)
    code: str = ""
    #: What was asked for and could not be done, as the last line says it.
    undone: str = ""
    stopped: bool = False


def run(args: argparse.Namespace) -> int:
    """Check every path and print the findings."""
    from ..evidence.recompute import LIMITS as COMPUTING
    from ..evidence.signature import quiet_libraries
    from ..evidence.standing import LIMITS as READING
    from ..evidence.trust import read_certificates

    quiet_libraries()
    reading, computing = (_limits(args, usual) for usual in (READING, COMPUTING))
    trust = read_certificates(args.trust or _own_certificate())
    found = []
    for path in [path for given in args.paths for path in _targets(given)]:
        with tempfile.TemporaryDirectory(prefix="rotorproof-") as place:
            one = _verify(path, trust, reading, Path(place) if args.recompute else None)
            if args.recompute:
                _recompute(one, Path(place), reading, computing)
        found.append(one)
    if args.json:
        rows = [
            {
                "path": v.path,
                "signed": not v.unsigned,
                "trusted": v.trusted,
                "holds": v.holds,
                "faults": v.faults,
                "notes": v.notes,
                "not_done": v.undone,
            }
            for v in found
        ]
        print(json.dumps(rows, indent=2))
    else:
        for one in found:
            _print(one)
    if any(one.faults for one in found):
        return 1
    if any(one.unsigned for one in found):
        return 2
    if not all(one.trusted for one in found):
        return _UNKNOWN_SIGNER
    return _STOPPED if any(one.stopped for one in found) else 0


def _limits(args: argparse.Namespace, usual: Limits) -> Limits:
    for name in ("memory", "minutes"):
        given = getattr(args, name)
        if given is not None and not 0.1 <= given <= 100_000:
            raise InputError(Problem(f"--{name} takes a number from 0.1 to 100000"))
    memory = usual.memory if args.memory is None else int(args.memory * 1024**3)
    return replace(usual, memory=memory, seconds=usual.seconds if args.minutes is None else args.minutes * 60)


def _own_certificate() -> list[Path]:
    from ..evidence.certificate import default_folder

    own = default_folder() / "certificate.pem"
    return [own] if own.is_file() else []


def _targets(path: Path) -> list[Path]:
    from ..evidence.revisions import lying_in

    if path.is_file():
        return [path]
    if not path.is_dir():
        raise InputError(Problem("there is no such file or folder", file=str(path)))
    if any((path / name).exists() for name in ("bagit.txt", "data", "manifest-sha256.txt")):
        return [path]
    found = [path / revision.folder.name for revision in lying_in(path.absolute())]
    if not found:
        raise InputError(Problem("the folder is no archive and holds none", file=str(path)))
    return found


def _verify(path: Path, trust: list[Certificate], limits: Limits, place: Path | None) -> _Found:
    """Verify in a child; where ``place`` is given, lay out there what the results can be computed from again."""
    from ..bounded import bounded
    from ..evidence.recompute import lay_out
    from ..evidence.verify import verify_archive, verify_pdf

    def work() -> dict[str, Any]:
        found = verify_pdf(path, trust) if path.is_file() else verify_archive(path, trust)
        if place is not None and found.evidence is not None and not (found.faults or found.missing):
            lay_out(place, found)
        return {
            "holds": found.holds,
            "faults": found.faults,
            "notes": found.notes,
            "trusted": found.trusted,
            "unsigned": found.unsigned,
            "missing": found.missing,
            "units": found.units,
            "software": found.evidence.software if found.evidence else {},
            "code": found.evidence.code_sha256 if found.evidence else "",
        }

    try:
        return _Found(path=str(path), **bounded(work, limits, "reading it"))
    except InputError as error:
        return _Found(str(path), [], [problem.message for problem in error.problems], [])


def _recompute(one: _Found, place: Path, reading: Limits, limits: Limits) -> None:
    from ..bounded import LimitError, bounded
    from ..evidence.recompute import compared, compute, other_software

    if one.unsigned:
        return
    if one.faults or not one.units:
        one.notes.append("not computed again: what is there is not what was signed")
        return
    if one.missing:
        one.faults.append("the results cannot be computed again from the PDF alone: it does not hold every log")
        return
    try:
        compute(place, one.units[0], limits)
        again = bounded(lambda: compared(place, one.units[0]), reading, "comparing the results")
    except LimitError as error:
        one.notes += [f"not computed again: {problem.message}" for problem in error.problems]
        one.undone, one.stopped = "it was not computed again", True
        return
    except InputError as error:
        one.faults += [problem.message for problem in error.problems]
        return
    if again["different"]:
        one.faults.append(f"computed again, {again['different']} of {again['numbers']} values differ:")
        one.faults += again["differences"]
    elif again["identical"]:
        one.holds.append(
            f"computed again from the raw logs, all {again['numbers']} numbers are the same to the last digit"
        )
    else:
        one.holds.append(
            f"computed again from the raw logs, all {again['numbers']} numbers agree to one step of their last digit"
        )
    one.faults += again["evidence"]
    changed = other_software(one.software, one.code)
    if changed:
        one.notes.append(f"computed with other software than the report was made with: {'; '.join(changed)}")
        one.notes.append("its pages were not drawn again and compared, which takes the software it was made with")
    if again["pages"] is None:
        one.undone = "its pages were not compared"
    elif again["pages"]:
        one.faults.append(
            f"the pages are not those of these results and this sign-off: {', '.join(again['pages'])} drawn otherwise"
        )
    else:
        one.holds.append("drawn again from the results and the sign-off, the pages are the same in all they consist of")


def _print(one: _Found) -> None:
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else 0

    def say(head: str, sentence: str) -> None:
        # A long line would go on at the edge of the screen, where a text from the archive might look like a finding.
        line = f"  {head:<9}{visible(sentence)}"
        print(textwrap.fill(line, max(width, 40), subsequent_indent=" " * 11) if width else line)

    print(visible(one.path))
    for sentence in one.holds:
        say("holds", sentence)
    for sentence in one.faults:
        say("BROKEN", sentence)
    for sentence in one.notes:
        say("note", sentence)
    if one.faults:
        print("  => DOES NOT HOLD")
    elif one.unsigned:
        print("  => NOTHING TO CHECK")
    elif one.trusted:
        print(f"  => HOLDS, BUT {one.undone.upper()}" if one.undone else "  => HOLDS")
    else:
        print(f"  => UNCHANGED, BUT {f'{one.undone}, and '.upper() if one.undone else ''}THE SIGNER IS NOT KNOWN HERE")
