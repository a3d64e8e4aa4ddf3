"""What several commands need: where the project lies, its settings, and questions on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from ..logs.limits import use
from ..settings.load import Project, load_project, load_settings

ROOT = Path(__file__).resolve().parents[3]


def overrides(pairs: Iterable[str]) -> dict[str, Any]:
    """Return the settings that ``--config KEY=VALUE`` overrides."""
    import yaml

    found = {}
    for pair in pairs:
        key, separator, value = pair.partition("=")
        if not separator:
            raise SystemExit(f"error: --config takes KEY=VALUE, not {pair!r}")
        found[key] = yaml.safe_load(value)
    return found


def as_asked(pairs: Sequence[str]) -> str:
    """Return what a command to run next must be given so that it sees the same settings: nothing without overrides."""
    return f' ARGS="--config {" ".join(pairs)}"' if pairs else ""


def project(settings: Mapping[str, Any]) -> Project:
    """Load and check the whole project. Raises ``InputError`` if its settings cannot be used."""
    loaded = load_settings(ROOT / "config" / "config.yaml", settings)
    use(loaded.limits)
    return load_project(loaded, ROOT / "config", ROOT)


def folder(name: str) -> Path:
    """Return a folder that the settings name, relative to the project."""
    return ROOT / name


def ask(question: str, default: str = "", choices: Iterable[str] = ()) -> str:
    """Ask on the terminal; an empty answer takes the default. Raises ``KeyboardInterrupt`` at the end of input."""
    listed = list(choices)
    hint = f" ({', '.join(listed)})" if listed else ""
    while True:
        print(f"{question}{hint}{f' [{default}]' if default else ''}: ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line:
            raise KeyboardInterrupt
        answer = line.strip() or default
        if not listed or answer in listed or not answer:
            return answer
        print(f"please answer one of: {', '.join(listed)}", file=sys.stderr)


def on_terminal() -> bool:
    """Tell whether someone can be asked."""
    return sys.stdin is not None and sys.stdin.isatty()
