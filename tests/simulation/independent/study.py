"""Many drawn units, their operating points solved side by side."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from tests.simulation.independent.motor_session import Session
from tests.simulation.independent.operating import Steady, steady


def sessions(units: int, seed: int) -> list[Session]:
    """Motor sessions IM-0000 and on; a session's draw depends on seed and number alone."""
    return [Session.drawn(f"IM-{k:04d}", seed * 1_000_003 + k) for k in range(units)]


def write_units(out: Path, *, units: int, seed: int, together: int = 12) -> Iterator[str]:
    """Write motors under out/raw and all true values to out/truth.json, giving each name as it is written."""
    raw = out / "raw"
    raw.mkdir(parents=True, exist_ok=True)
    truths: dict[str, object] = {}
    every = sessions(units, seed)
    for first in range(0, units, together):
        batch = every[first : first + together]
        asked = [session.requests() for session in batch]
        found = steady([request for requests in asked for request in requests])
        place = 0
        for session, requests in zip(batch, asked, strict=True):
            part = Steady(**{k: v[place : place + len(requests)] for k, v in vars(found).items()})
            place += len(requests)
            truths[session.name] = session.write(raw, part)
            yield session.name
    (out / "truth.json").write_text(json.dumps(truths, indent=1), encoding="utf-8")
