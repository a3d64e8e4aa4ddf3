"""Tell whether the system keeps when a file's entry was last changed, a time that nobody can set, where a file lies.

It does on file systems of its own. FAT has no such time, and with a disk over a network or behind a program it is
whatever the other side says, perhaps late. Where a file lies on what is read from ``/proc/self/mountinfo`` (proc(5)),
which Linux alone has.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

#: Those of Linux that keep it themselves or cannot be written at all; any other is in doubt.
_KEEPING = frozenset(
    [
        "bcachefs",
        "btrfs",
        "erofs",
        "ext2",
        "ext3",
        "ext4",
        "f2fs",
        "iso9660",
        "jfs",
        "overlay",
        "ramfs",
        "squashfs",
        "tmpfs",
        "xfs",
        "zfs",
    ]
)
_TABLE = Path("/proc/self/mountinfo")


class Mounts:
    """What is mounted where, from the text of ``/proc/self/mountinfo``; an empty text says nothing of anything."""

    def __init__(self, text: str) -> None:
        self._of_device: dict[int, str] = {}
        self._of_place: dict[str, str] = {}
        for line in text.splitlines():
            head, _, tail = line.partition(" - ")
            fields, kind = head.split(" "), tail.split(" ")[0]
            if len(fields) < 5 or not kind or not re.fullmatch(r"[0-9]+:[0-9]+", fields[2]):
                continue
            major, minor = map(int, fields[2].split(":"))
            self._of_device[os.makedev(major, minor)] = kind
            # Of two mounted at one place the later one, further down, is seen.
            self._of_place[_written_out(fields[4])] = kind

    @classmethod
    def present(cls) -> Mounts:
        """Return what is mounted now; nothing where the system does not say."""
        try:
            return cls(_TABLE.read_text(encoding="utf-8", errors="surrogateescape"))
        except OSError:
            return cls("")

    def keep_changes(self, path: str | Path, device: int) -> bool:
        """Tell whether the time of change of ``path``, which lies on ``device`` (``st_dev``), can be believed."""
        kind = self._of_device.get(device)
        if kind is None:
            # Parts of one file system (btrfs, overlay) have devices of their own: then the place tells.
            real = os.path.realpath(path)
            above = [real, *map(str, Path(real).parents)]
            kind = next((self._of_place[place] for place in above if place in self._of_place), None)
        return kind in _KEEPING


def _written_out(place: str) -> str:
    """Return a path of the table with its blanks, tabs, ends of line and backslashes, which stand in octal there."""
    return re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), place)
