"""Passphrases come from a prompt or a file, never from a command line, which others on the computer can see."""

from __future__ import annotations

import getpass
import sys
from pathlib import Path

from ..errors import InputError, Problem


def from_file(path: Path) -> bytes:
    """Return the first line of a file. Raises ``InputError`` where there is none."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        raise InputError(Problem("the passphrase cannot be read from the file", file=str(path))) from None
    if not lines or not lines[0]:
        raise InputError(Problem("the passphrase file is empty", file=str(path)))
    return lines[0].encode()


def ask(what: str) -> bytes:
    """Ask at the keyboard."""
    _need_keyboard()
    return getpass.getpass(f"Passphrase of {what}: ").encode()


def ask_new() -> bytes:
    """Ask for a new passphrase twice."""
    _need_keyboard()
    first = getpass.getpass("New passphrase (8 letters or more): ")
    if getpass.getpass("The same again: ") != first:
        raise InputError(Problem("the two passphrases differ; nothing was written"))
    return first.encode()


def _need_keyboard() -> None:
    if not sys.stdin.isatty():
        raise InputError(Problem("there is no keyboard to ask for the passphrase; give --passphrase-file FILE"))
