"""What looks wrong in a log."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """Something that looks wrong in a log, and the column it concerns."""

    message: str
    column: str | None = None
