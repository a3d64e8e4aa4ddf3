"""Tell that nothing has been written since a run that left nothing to do, without reading a file of the project.

A note holds what such a run ended with, and one hash over kind, size, times and owner of all that it read and made. The
time of the last change of a file's entry is kept by the system and cannot be set (``contents.py`` rests on the same):
while the hash is the same, so is every content, unless somebody sets the clock or writes to the disk past the system.
A hash that differs says nothing, for a file that was only touched has another too: then contents are compared
(``settled.py``). So they are where any of the files lies on a file system that may not keep that time, or where that
cannot be told (``mounts.py``).
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from stat import S_ISDIR
from typing import Any

from .evidence.software import software
from .mounts import Mounts

#: Below what a run reads, and below the folders of units that are links, links to folders are not followed.
_LINKS_TO = 1
#: A clock of files may stand still for so long, in ns: what was written later than this before a look may be written
#: again without showing.
_TICK = 2_000_000_000
#: Names of what Python keeps beside modules.
_COMPILED = "__pycache__"


@dataclass(frozen=True)
class Tree:
    """A folder or file that a run reads, with what lies in it down to ``depth`` folders (none: all of it)."""

    path: str
    depth: int | None = None


@dataclass(frozen=True)
class Look:
    """One hash over entries as the system states them.

    ``newest`` is the latest time at which one of them changed, ``began`` when they were looked at, both in ns.
    """

    state: str
    newest: int
    began: int = field(compare=False)


class _DoubtfulError(Exception):
    """What lies there cannot be told apart by its entries alone."""


def look(trees: Iterable[Tree], files: Iterable[str] = ()) -> Look | None:
    """Return the state of whole ``trees`` and of single ``files``; ``None`` where their entries do not tell it."""
    began = time.time_ns()
    lines: list[str] = []
    newest = 0
    devices: dict[int, str] = {}
    try:
        for tree in trees:
            newest = max(newest, _walk(tree.path, tree.depth, lines, devices, 0))
        for path in files:
            newest = max(newest, _line(path, os.stat(path), lines, devices))  # noqa: PTH116 (a thousand paths)
    except (OSError, ValueError, _DoubtfulError):
        return None
    mounts = Mounts.present()
    if not all(mounts.keep_changes(path, device) for device, path in devices.items()):
        return None
    lines.sort()
    return Look(hashlib.sha256("".join(lines).encode("utf-8", "surrogateescape")).hexdigest(), newest, began)


def _line(path: str, found: os.stat_result, lines: list[str], devices: dict[int, str]) -> int:
    devices.setdefault(found.st_dev, path)
    times = (found.st_mtime_ns, found.st_ctime_ns)
    facts = (found.st_mode, found.st_size, *times, found.st_ino, found.st_uid, found.st_gid)
    lines.append(f"{path}\0{facts}\n")
    return found.st_ctime_ns


def _walk(path: str, depth: int | None, lines: list[str], devices: dict[int, str], level: int) -> int:
    """Add the entry of ``path`` and, if it is a folder, of all in it; return the latest change among them.

    ``devices`` gets a path on each device that is met.
    """
    try:
        found = os.stat(path)  # noqa: PTH116 (a thousand paths)
    except FileNotFoundError:
        lines.append(f"{path}\0absent\n")
        return 0
    newest = _line(path, found, lines, devices)
    if not S_ISDIR(found.st_mode):
        return newest
    with os.scandir(path) as entries:
        for entry in entries:
            if entry.name == _COMPILED:
                continue
            if entry.is_dir(follow_symlinks=False) or (entry.is_symlink() and entry.is_dir()):
                if level >= _LINKS_TO and entry.is_symlink():
                    raise _DoubtfulError
                if depth is None or depth > level + 1:
                    newest = max(newest, _walk(entry.path, depth, lines, devices, level + 1))
                    continue
            try:
                stated = entry.stat()
            except FileNotFoundError:  # a link to nothing
                stated = entry.stat(follow_symlinks=False)
            newest = max(newest, _line(entry.path, stated, lines, devices))
    return newest


def note(
    root: Path,
    asked: Sequence[str],
    before: Look | None,
    trees: Sequence[Tree],
    shown: Look | None,
    made: Sequence[str],
    ended: Any,
) -> None:
    """Note what a run ``ended`` with that was ``asked`` for so.

    ``before`` is how the ``trees`` that it reads looked at its start, ``shown`` how what is ``made`` looked when that
    was gathered. Nothing is noted where anything of them has been written since, or so shortly before the start that it
    may not show.
    """
    if before is None or shown is None or before.newest > before.began - _TICK:
        return
    if look(trees) != before or look((), made) != shown:
        return
    content = {
        "trees": [[tree.path, tree.depth] for tree in trees],
        "made": list(made),
        "state": [before.state, shown.state],
        "by": _by(root),
        "ended": ended,
    }
    place = _place(root, asked)
    # Where nothing can be written, contents are compared the next time.
    with contextlib.suppress(OSError):
        place.parent.mkdir(parents=True, exist_ok=True)
        partial = place.with_name(f".{place.name}.{os.getpid()}")
        partial.write_text(json.dumps(content), encoding="utf-8", errors="surrogateescape")
        partial.replace(place)


def ended(root: Path, asked: Sequence[str]) -> Any:
    """Return what the last run that was ``asked`` for so ended with, ``None`` unless nothing has been written since."""
    try:
        content = json.loads(_place(root, asked).read_text(encoding="utf-8", errors="surrogateescape"))
        trees = [Tree(path, depth) for path, depth in content["trees"]]
        if content["by"] != _by(root):
            return None
        found = look(trees), look((), content["made"])
        return content["ended"] if [one and one.state for one in found] == content["state"] else None
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _by(root: Path) -> list[Any]:
    """Return who runs this, where, and with which software: what a run reads and can write hangs on all of it.

    In a copy of a project the note would speak of the files of the first.
    """
    return [str(root), software(), os.geteuid(), os.getegid(), sorted(os.getgroups())]


def _place(root: Path, asked: Sequence[str]) -> Path:
    key = hashlib.sha256(json.dumps(list(asked)).encode()).hexdigest()[:16]
    return root / "build" / "untouched" / f"{key}.json"
