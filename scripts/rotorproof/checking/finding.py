"""What looks wrong in a log."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """Something that looks wrong in a log, and the column it concerns.

    ``unit`` tells that a wrong unit, prefix or factor would explain it, on which every result of the log then rests.
    ``slip`` says in a few words what slipped, for the line beside the verdict. ``small`` tells that it is the smallness
    of the readings that looks wrong, which some tests set out to show.
    """

    message: str
    column: str | None = None
    unit: bool = False
    small: bool = False
    slip: str | None = None
