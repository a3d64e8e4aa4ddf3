"""What tells one report from another."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # no I, L, O, U: read aloud and typed without mistakes
_ID_LETTERS = 12


def report_id(contents: Iterable[bytes]) -> str:
    """Return the identifier of a report: a hash over all that it is made from, as three groups of letters.

    ``contents`` are inputs, settings, the program's own code and results as they are written, not pages or figures,
    which may differ in a hair from one computer to another: the same report has the same identifier everywhere, and
    any change of what it rests on changes it.
    """
    digest = hashlib.sha256()
    for content in contents:
        digest.update(hashlib.sha256(content).digest())
    number = int.from_bytes(digest.digest()[:8], "big")
    letters = []
    for _ in range(_ID_LETTERS):
        number, place = divmod(number, len(_ALPHABET))
        letters.append(_ALPHABET[place])
    return "-".join("".join(letters[i : i + 4]) for i in range(0, _ID_LETTERS, 4))
