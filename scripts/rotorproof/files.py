"""Files that somebody else may have put there: only regular ones are opened, a content is known by its SHA-256."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path
from typing import BinaryIO


class NotRegularError(OSError):
    """A path that names a folder, a pipe, a device or a socket; the message says which."""


def open_regular(path: Path) -> BinaryIO:
    """Open a regular file for reading. Raises ``OSError``: absent, unreadable, a loop of links, no regular file.

    A pipe or a device could block for ever or never end; it is told by what was opened, so that nobody can change it
    in between.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except ValueError as error:  # a NUL in a name
        raise OSError(0, str(error)) from None
    mode = os.fstat(handle).st_mode
    if not stat.S_ISREG(mode):
        os.close(handle)
        raise NotRegularError(0, "it is a folder" if stat.S_ISDIR(mode) else "it is not a regular file")
    return os.fdopen(handle, "rb")


def is_regular(path: Path) -> bool:
    """Tell whether there is a regular file at the end of all links; what the system will not tell of is none.

    A name may be longer than a system takes, or lie in a folder that nobody may look into.
    """
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except (OSError, ValueError):
        return False


def is_readable(path: Path) -> bool:
    """Tell whether a regular file can be opened for reading."""
    try:
        open_regular(path).close()
    except OSError:
        return False
    return True


def lies_within(path: Path, folder: Path) -> bool:
    """Tell whether a path stays in a folder once all links are followed; a loop of links leads nowhere."""
    try:
        return Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder))
    except (OSError, ValueError):
        return False


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file in hexadecimal, read in pieces."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sha256_of(content: bytes) -> str:
    """Return the SHA-256 of bytes in hexadecimal."""
    return hashlib.sha256(content).hexdigest()
