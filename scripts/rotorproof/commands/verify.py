"""Check a signed report or its archive: what still holds, and what does not.

PATH is an archive folder (reports/archive/UNIT/r1), a unit's folder of archives, or a signed PDF. Checked are the
signature, the hash of every file, and that the files are those that were signed. With --recompute the results
are computed again from the archived raw logs, and every number is compared.

The exit status is 0 when everything holds, 1 when something does not, 2 when there is nothing to check, and 3
when nothing was changed but the signer's certificate is none that you trust (see --trust).
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError, Problem

if TYPE_CHECKING:
    from asn1crypto.x509 import Certificate

    from ..evidence.verify import Verified

_UNKNOWN_SIGNER = 3


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
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


def run(args: argparse.Namespace) -> int:
    """Check every path and print the findings."""
    from ..evidence.signature import quiet_libraries, read_certificates

    quiet_libraries()
    trust = read_certificates(args.trust or _own_certificate())
    found = [_verify(path, trust) for given in args.paths for path in _targets(given)]
    if args.recompute:
        for one in found:
            _recompute(one)
    if args.json:
        rows = [
            {
                "path": str(v.path),
                "signed": not v.unsigned,
                "trusted": v.trusted,
                "holds": v.holds,
                "faults": v.faults,
                "notes": v.notes,
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
    return 0 if all(one.trusted for one in found) else _UNKNOWN_SIGNER


def _own_certificate() -> list[Path]:
    from ..evidence.certificate import default_folder

    own = default_folder() / "certificate.pem"
    return [own] if own.is_file() else []


def _targets(path: Path) -> list[Path]:
    from ..evidence.revisions import revisions

    if path.is_file():
        return [path]
    if not path.is_dir():
        raise InputError(Problem("there is no such file or folder", file=str(path)))
    if any((path / name).exists() for name in ("bagit.txt", "data", "manifest-sha256.txt")):
        return [path]
    place = path.resolve()
    found = [path / revision.folder.name for revision in revisions(place.parents[1], place.name)]
    if not found:
        raise InputError(Problem("the folder is no archive and holds none", file=str(path)))
    return found


def _verify(path: Path, trust: list[Certificate]) -> Verified:
    from ..evidence.verify import verify_archive, verify_pdf

    return verify_pdf(path, trust) if path.is_file() else verify_archive(path, trust)


def _recompute(one: Verified) -> None:
    from ..evidence.recompute import recompute
    from ..evidence.software import code_hash, software

    if one.unsigned:
        return
    if one.faults or one.evidence is None or one.results is None:
        one.notes.append("not computed again: what is there is not what was signed")
        return
    if one.missing:
        one.faults.append("the results cannot be computed again from the PDF alone: it does not hold every log")
        return
    try:
        again = recompute(one.evidence["unit"], one.sources, one.evidence["configuration"], one.results)
    except InputError as error:
        one.faults += [problem.message for problem in error.problems]
        return
    if again.differences:
        one.faults.append(f"computed again, {len(again.differences)} of {again.numbers} values differ:")
        one.faults += again.differences[:20]
    elif again.identical:
        one.holds.append(
            f"computed again from the raw logs, all {again.numbers} numbers are the same to the last digit"
        )
    else:
        one.holds.append(
            f"computed again from the raw logs, all {again.numbers} numbers agree to a millionth, or to a thousandth "
            "of their own uncertainty"
        )
    now, then = software(), one.evidence["software"]
    changed = [
        f"{name} {then.get(name, '-')} then, {now.get(name, '-')} now"
        for name in sorted({*now, *then})
        if now.get(name) != then.get(name)
    ]
    if one.evidence["code_sha256"] != code_hash():
        changed.append("the program's own code, which the archive holds as it was")
    if changed:
        one.notes.append(f"computed with other software than the report was made with: {'; '.join(changed)}")


def _print(one: Verified) -> None:
    print(one.path)
    for sentence in one.holds:
        print(f"  holds    {sentence}")
    for sentence in one.faults:
        print(f"  BROKEN   {sentence}")
    for sentence in one.notes:
        print(f"  note     {sentence}")
    if one.faults:
        print("  => DOES NOT HOLD")
    elif one.unsigned:
        print("  => NOTHING TO CHECK")
    elif one.trusted:
        print("  => HOLDS")
    else:
        print("  => UNCHANGED, BUT THE SIGNER IS NOT KNOWN HERE")
