"""Put another time stamp over a signed report, so that it can still be verified when certificates have expired.

PATH is an archive folder (reports/archive/UNIT/r1). The archive must hold. What the authorities say of the
certificates is put into the report and a time stamp over all of it; nothing that was signed is changed. `verify`
says before which day this is to be done again.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from ..errors import InputError, Problem


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="archive folder")
    parser.add_argument("--timestamp", required=True, metavar="URL", help="time stamp service (RFC 3161)")
    parser.add_argument(
        "--trust",
        action="append",
        default=[],
        type=Path,
        metavar="FILE",
        help="the certificate of an authority, of the signer or the time stamp service, PEM or DER (may be repeated; "
        "the one `certificate` made here is always taken)",
    )


def run(args: argparse.Namespace) -> int:
    """Renew each archive; what cannot be renewed does not keep the others from it."""
    from ..evidence.certificate import default_folder
    from ..evidence.renewal import renew
    from ..evidence.signature import quiet_libraries
    from ..evidence.trust import read_certificates

    quiet_libraries()
    own = default_folder() / "certificate.pem"
    trust = read_certificates([*args.trust, *([own] if own.is_file() else [])])
    problems: list[Problem] = []
    for path in args.paths:
        try:
            renew(path, timestamp_url=args.timestamp, trust=trust)
            print(f"{os.path.relpath(path)}  renewed")
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return 0
