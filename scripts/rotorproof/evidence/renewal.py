"""Put another time stamp over a signed report in the archive, so that its proof outlasts the last one."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ..errors import InputError, Problem
from .bag import finish_bag, sync
from .lasting import strengthen
from .revisions import ASIDE, REPORT, alone
from .signature import check_signature
from .verify import verify_archive

if TYPE_CHECKING:
    from asn1crypto.x509 import Certificate

_NEW: Final = ".renewed-"


def renew(folder: Path, *, timestamp_url: str, trust: Sequence[Certificate]) -> None:
    """Renew the signed report of one archive; the report, and the lists that name its hash, are written anew.

    The new archive takes the place of the old one as a whole. Raises ``InputError``: the archive does not hold, no
    word of an authority, no time stamp, another run is at work on it.
    """
    folder = folder.absolute()
    if not folder.parent.is_dir():
        raise InputError(Problem("there is no such archive folder", str(folder)))
    with alone(folder.parent, Problem("another run is signing or renewing here; wait for it to end", str(folder))):
        if not folder.is_dir():
            raise InputError(Problem("there is no such archive folder", str(folder)))
        found = verify_archive(folder, trust)
        if found.faults or found.unsigned:
            raise InputError(
                [
                    Problem("the archive does not hold, so it is not renewed", str(folder)),
                    *(Problem(fault, str(folder)) for fault in found.faults),
                ]
            )
        signed = strengthen((folder / REPORT).read_bytes(), timestamp_url=timestamp_url, trust=trust)
        if faults := check_signature(signed, trust).faults:
            raise InputError(Problem(f"the renewed report does not verify: {'; '.join(faults)}; nothing was changed"))
        new = folder.with_name(f"{_NEW}{folder.name}")
        shutil.rmtree(new, ignore_errors=True)
        # Links, not copies: the logs may be large, and only three files differ.
        shutil.copytree(folder, new, copy_function=_link)
        for name in (REPORT, *(path.name for path in new.glob("*manifest-sha256.txt"))):
            (new / name).unlink()
        (new / REPORT).write_bytes(signed)
        finish_bag(new)
        old = folder.with_name(f"{ASIDE}{folder.name}")
        folder.rename(old)
        new.rename(folder)
        sync(folder.parent)
        shutil.rmtree(old)


def _link(source: str, target: str) -> None:
    try:
        os.link(source, target)
    except OSError:  # not every file system has links
        shutil.copy2(source, target)
