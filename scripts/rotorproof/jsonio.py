"""Write files whole or not at all, and JSON with the same bytes for the same content."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file so that a reader sees the old content or the new, never a part."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        with partial.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def to_json(data: Any) -> str:
    """Return JSON text; refuses NaN and infinity, which JSON does not have. Raises ``ValueError`` on them."""
    return json.dumps(_plain(data), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_json(path: Path, data: Any) -> None:
    """Write ``data`` as JSON, atomically."""
    write_bytes(path, to_json(data).encode())


def read_json(path: Path) -> Any:
    """Return the content of a JSON file."""
    return json.loads(path.read_text(encoding="utf-8"))


def strictly(raw: bytes | str) -> Any:
    """Return the content of JSON from elsewhere, which must say the same to every reader.

    Raises ``ValueError`` for a key that stands twice in one object and for numbers that JSON does not have.
    """

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            raise ValueError("a key stands twice in the JSON")
        return found

    def no_number(text: str) -> Any:
        raise ValueError(f"JSON has no {text}")

    return json.loads(raw, object_pairs_hook=once, parse_constant=no_number)


def _plain(data: Any) -> Any:
    if isinstance(data, Mapping):
        return {str(key): _plain(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_plain(value) for value in data]
    if isinstance(data, np.ndarray):
        return [_plain(value) for value in data.tolist()]
    if isinstance(data, np.generic):
        return data.item()
    return data
