"""Start a Python of our own: nothing that lies in the working folder, or that a user's settings name, runs in it.

Python puts the working folder (or a script's own) before its own library, takes an empty entry of PYTHONPATH for the
working folder, and runs what a user's site folder holds at its start; the workflow engine takes its options from a
variable. A folder with files from strangers is a working folder like any other.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

#: The folder of this package: the one place beside the installed libraries that modules come from.
SCRIPTS = Path(__file__).resolve().parents[1]
#: Of the variables that change a Python, those that change neither what it runs nor where it finds it.
_HARMLESS = (
    "PYTHONDONTWRITEBYTECODE",
    "PYTHONHASHSEED",
    "PYTHONIOENCODING",
    "PYTHONUNBUFFERED",
    "PYTHONUTF8",
)


def python(*arguments: str | Path) -> list[str]:
    """Return the command that starts this Python with ``arguments``, its path and its site folder its own."""
    return [sys.executable, "-P", "-s", *map(str, arguments)]


def environment() -> dict[str, str]:
    """Return the environment for such a Python, which hands it on to those that it starts."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if name in _HARMLESS or not name.startswith(("PYTHON", "SNAKEMAKE_"))
    }
    return {**kept, "PYTHONPATH": str(SCRIPTS), "PYTHONSAFEPATH": "1", "PYTHONNOUSERSITE": "1"}
