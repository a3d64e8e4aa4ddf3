"""Make a signing certificate of the workshop's own.

It writes two files: certificate.p12 holds the secret key, encrypted with a passphrase; keep it, with a copy in a
safe place, and give it to nobody. certificate.pem is public: hand it to whoever is to verify your reports.

What it proves and what not: a report signed with it was signed by whoever holds the key and passphrase, and was
not changed since. That this is your workshop, a reader knows only from having got certificate.pem from you by a
way they trust; no authority vouches for it, and nobody can revoke it. For more, sign with a certificate from a
certificate authority.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from ..errors import InputError, Problem
from ._passphrase import ask_new, from_file

_SHORTEST = 8


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("--name", required=True, help="who signs, as it stands in the signature")
    parser.add_argument("--organisation", help="the workshop")
    parser.add_argument("--years", type=int, default=5, help="years it can sign for (default: 5)")
    parser.add_argument("--folder", type=Path, help="where to write (default: the user's data folder)")
    parser.add_argument("--passphrase-file", type=Path, metavar="FILE", help="read the passphrase from its first line")


def run(args: argparse.Namespace) -> int:
    """Make the certificate and say where it is."""
    from ..evidence.certificate import default_folder, make_certificate
    from ..evidence.trust import fingerprint_of, read_certificates

    if not 1 <= args.years <= 30:
        raise InputError(Problem("--years takes 1 to 30"))
    if not args.name.strip() or len(args.name) > 64:
        raise InputError(Problem("--name takes 1 to 64 letters"))
    passphrase = from_file(args.passphrase_file) if args.passphrase_file else ask_new()
    if len(passphrase) < _SHORTEST:
        raise InputError(Problem(f"the passphrase needs {_SHORTEST} letters or more"))
    secret, public = make_certificate(
        args.folder or default_folder(),
        name=args.name.strip(),
        organisation=args.organisation,
        years=args.years,
        passphrase=passphrase,
    )
    fingerprint = fingerprint_of(read_certificates([public])[0])
    print(f"secret  {secret}  (keep it; copy it to a safe place; without it and its passphrase nobody can sign)")
    print(f"public  {public}  (hand it out: with it anyone can check who signed)")
    print(f"SHA-256 {' '.join(fingerprint[i : i + 4] for i in range(0, 64, 4))}")
    return 0
