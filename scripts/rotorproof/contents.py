"""Hashes of files that are large and seldom change, noted with what tells that they have not changed since."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

from .files import sha256
from .jsonio import read_json, write_json
from .mounts import Mounts


class Contents:
    """The SHA-256 of files, looked up in the file ``note`` where neither the file nor its place has been touched.

    The time of the last change of a file's entry is kept by the system and cannot be set: a file that is replaced or
    written has another, whatever size and time of change it is given. Where a file system may not keep that time
    (``mounts.py``), every file is read each time.
    """

    def __init__(self, note: Path) -> None:
        self._note = note
        self._known = _read(note)
        self._mounts = Mounts.present()
        self._found: dict[str, list[Any]] = {}

    def sha256(self, path: Path) -> str:
        """Return the SHA-256 of a file in hexadecimal; of one that cannot be read, why."""
        key = str(path.absolute())
        if key not in self._found:
            try:
                # Seen before it is read: a change while it is read shows the next time.
                found = path.stat()
                seen = [found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino]
                known = self._known.get(key)
                same = known is not None and known[0] == seen and self._mounts.keep_changes(path, found.st_dev)
                value = known[1] if known is not None and same else sha256(path)
            except OSError as error:
                return f"not readable: {error.strerror}"
            self._found[key] = [seen, value]
        return str(self._found[key][1])

    def untouched(self) -> bool:
        """Tell whether none of the files looked at has been written or replaced since, not even by the same content."""
        for key, (seen, value) in self._found.items():
            path = Path(key)
            try:
                found = path.stat()
                if not self._mounts.keep_changes(path, found.st_dev) and sha256(path) != value:
                    return False
            except OSError:
                return False
            if seen != [found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino]:
                return False
        return True

    def note(self) -> None:
        """Write down what was found, for the next run; where nothing can be written, it is computed again."""
        # A run of some units says nothing about the logs of the others.
        whole = {**{key: value for key, value in self._known.items() if Path(key).exists()}, **self._found}
        if whole != self._known:
            with contextlib.suppress(OSError):
                write_json(self._note, whole)


def _read(note: Path) -> dict[str, list[Any]]:
    try:
        found = read_json(note)
    except (OSError, ValueError):
        return {}
    whole = isinstance(found, dict) and all(isinstance(v, list) and len(v) == 2 for v in found.values())
    return found if whole else {}
