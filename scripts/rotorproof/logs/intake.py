"""The logs of a unit as they came from the bench: a list of their SHA-256, written on the day, against later changes.

Most formats hold no checksum of their own, so that a bit which turns on a disk, or a cell edited by hand, reads like
any other number. The list is a plain text file that ``sha256sum -c intake.sha256`` reads as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from ..errors import InputError, Problem
from ..files import open_regular
from ..jsonio import write_bytes

#: The list's name in the folder of its unit.
NAME = "intake.sha256"
_MAXIMUM_BYTES = 1_000_000
_DAY = re.compile(r"# taken in on (\d{4}-\d{2}-\d{2})")
_LINE = re.compile(r"([0-9a-f]{64})  (\S.*)")
_HEAD = f"# The logs as they came from the bench; to check them by hand: sha256sum -c {NAME}\n"


@dataclass(frozen=True, slots=True)
class Entry:
    """A log that was taken in: its SHA-256 and the day."""

    log: str
    sha256: str
    day: str


def taken_in(folder: Path, unit: str) -> list[Entry]:
    """Return what the list of a unit says, nothing if it has none. Raises ``InputError`` for a list that is damaged."""
    shown = f"{unit}/{NAME}"
    try:
        with open_regular(folder / NAME) as stream:
            raw = stream.read(_MAXIMUM_BYTES + 1)
        text = raw.decode("utf-8")
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or error
        raise InputError(Problem(f"the list of logs taken in cannot be read: {why}", file=shown)) from None
    if len(raw) > _MAXIMUM_BYTES:
        raise InputError(Problem(f"the list of logs taken in has more than {_MAXIMUM_BYTES} bytes", file=shown))
    entries, day = [], "an unknown day"
    for number, line in enumerate(text.splitlines(), start=1):
        dated, named = _DAY.fullmatch(line), _LINE.fullmatch(line)
        if dated:
            day = dated[1]
        elif named:
            entries.append(Entry(named[2], named[1], day))
        elif line.strip() and not line.startswith("#"):
            raise InputError(
                Problem("no line of a list of logs taken in: 64 digits, two blanks, a name", file=shown, line=number)
            )
    return entries


def changes(entries: Iterable[Entry], unit: str, present: Mapping[str, str | None]) -> list[Problem]:
    """Return a warning for each log that is not what was taken in, is gone, or came later.

    ``present`` holds the SHA-256 of each log that is there now, ``None`` for one that cannot be read, of which another
    message tells. Where nothing was taken in there is nothing to say.
    """
    listed = {entry.log: entry for entry in entries}
    problems = []
    for log, entry in listed.items():
        now = present.get(log)
        if log in present and now is None:
            continue
        if now is None:
            what = f"was taken in on {entry.day} and is not among the logs now; put it back, or say why in 'remarks'"
        elif now != entry.sha256:
            what = (
                f"is not the log that was taken in on {entry.day}: its SHA-256 was {entry.sha256[:16]}... and is "
                f"{now[:16]}...; put the bench's own file back"
            )
        else:
            continue
        problems.append(Problem(what, file=f"{unit}/{log}", severity="warning"))
    for log, value in present.items():
        if listed and log not in listed and value is not None:
            what = f"is not among the logs taken in; if it came from the bench since, run 'make intake UNIT={unit}'"
            problems.append(Problem(what, file=f"{unit}/{log}", severity="warning"))
    return problems


def take_in(folder: Path, unit: str, present: Mapping[str, str | None], day: date) -> list[str]:
    """Add the logs that are not in the list of a unit yet and can be read; return their names.

    What the list says of a log is never changed. Raises ``InputError`` for a list that is damaged or cannot be written.
    """
    listed = {entry.log for entry in taken_in(folder, unit)}
    new = sorted({log for log, value in present.items() if value is not None} - listed)
    if new:
        path = folder / NAME
        before = path.read_text(encoding="utf-8") if listed else _HEAD
        # An editor may have left the last line open.
        before += "" if before.endswith("\n") else "\n"
        lines = "".join(f"{present[log]}  {log}\n" for log in new)
        try:
            write_bytes(path, f"{before}# taken in on {day.isoformat()}\n{lines}".encode())
        except OSError as error:
            words = f"the list of logs taken in cannot be written: {error.strerror}; make its folder writable"
            raise InputError(Problem(words, file=f"{unit}/{NAME}")) from None
    return new
