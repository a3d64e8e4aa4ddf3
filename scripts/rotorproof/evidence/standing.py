"""Whether the sign-off that lies beside a signed report is the one its signature covers: what the register may show.

To check a signature takes a third of a second, so reports that were found sound are noted, by the hashes of both files.
"""

from __future__ import annotations

import contextlib
import errno
from pathlib import Path
from typing import Final

from ..bounded import Limits, bounded
from ..errors import InputError
from ..files import open_regular, sha256_of
from ..jsonio import read_json, strictly, write_json
from .attachments import LOGS_LIMIT, attached
from .signature import check_signature, quiet_libraries
from .signoff import SignOff

#: In bytes: ten times a report with the most logs that one carries, and far more than a sign-off takes.
LARGEST_REPORT: Final = 10 * LOGS_LIMIT
LARGEST_SIGN_OFF: Final = 1_000_000
#: Enough for a report with all its attachments, far from all that a computer has.
LIMITS: Final = Limits(memory=2 * 1024**3, seconds=300, raised_by=("--memory", "--minutes"))


def signed_so(sign_off: Path, report: Path, unit: str, revision: int, note: Path) -> SignOff | None:
    """Return what was signed, or ``None`` where the report does not cover it or it is that of another revision.

    ``note`` is the file with the hashes of what was found sound before.
    """
    try:
        raw, pdf = content_within(sign_off, LARGEST_SIGN_OFF), content_within(report, LARGEST_REPORT)
        stated = SignOff.model_validate(strictly(raw))
        if (stated.unit, stated.revision) != (unit, revision):
            return None
        key = f"{sha256_of(raw)} {sha256_of(pdf)}"
        known = _known(note)
        if key not in known:
            if not bounded(lambda: _covers(pdf, raw), LIMITS, "checking a signed report"):
                return None
            # Where nothing can be written it is only checked again.
            with contextlib.suppress(OSError):
                write_json(note, sorted([*known, key]))
    except (OSError, ValueError, RecursionError, InputError):
        return None
    return stated


def content_within(path: Path, most: int) -> bytes:
    """Return the content of a file of an archive. Raises ``OSError`` for a link, what is no file, or a larger one."""
    if path.is_symlink() or path.parent.is_symlink():
        raise OSError(errno.ELOOP, "it is a link")
    with open_regular(path) as stream:
        content = stream.read(most + 1)
    if len(content) > most:
        raise OSError(errno.EFBIG, "it is larger than any that is signed here")
    return content


def _known(note: Path) -> list[str]:
    try:
        found = read_json(note)
    except (OSError, ValueError):
        return []
    return [key for key in found if isinstance(key, str)] if isinstance(found, list) else []


def _covers(pdf: bytes, sign_off: bytes) -> bool:
    quiet_libraries()
    checked = check_signature(pdf, [])
    return not checked.faults and attached(checked.signed).get("sign-off.json") == sign_off
