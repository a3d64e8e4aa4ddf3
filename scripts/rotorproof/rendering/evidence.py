"""What a report rests on: the SHA-256 of every input, every software version, the whole configuration."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterable, Mapping
from importlib import metadata
from typing import Any

from .. import __version__
from ..jsonio import to_json

SCHEMA_VERSION = 1
#: The libraries whose code makes or carries a number of the report.
SOFTWARE = (
    "jinja2",
    "matplotlib",
    "numpy",
    "pandas",
    "pint",
    "pyarrow",
    "pydantic",
    "pydyf",
    "scipy",
    "snakemake",
    "weasyprint",
)
_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # no I, L, O, U: read aloud and typed without mistakes
_ID_LETTERS = 12


def evidence(
    unit: str, logs: Mapping[str, str], settings: Mapping[str, str], configuration: Mapping[str, Any]
) -> dict[str, Any]:
    """Return the content of ``evidence.json``: ``logs`` and ``settings`` map a file to its SHA-256."""
    return {
        "schema": SCHEMA_VERSION,
        "unit": unit,
        "inputs": {**{f"{unit}/{log}": digest for log, digest in sorted(logs.items())}, **settings},
        "software": {
            "rotorproof": __version__,
            "python": platform.python_version(),
            **{name: metadata.version(name) for name in SOFTWARE},
        },
        "configuration": configuration,
    }


def report_id(contents: Iterable[bytes]) -> str:
    """Return the identifier of a report: a hash of everything that can be seen in it, as three groups of letters.

    The same report made again has the same identifier, and any change of a number, word or figure changes it.
    """
    digest = hashlib.sha256()
    for content in contents:
        digest.update(hashlib.sha256(content).digest())
    number = int.from_bytes(digest.digest()[:8], "big")
    letters = []
    for _ in range(_ID_LETTERS):
        number, place = divmod(number, len(_ALPHABET))
        letters.append(_ALPHABET[place])
    return "-".join("".join(letters[i : i + 4]) for i in range(0, _ID_LETTERS, 4))


def configuration_text(configuration: Mapping[str, Any]) -> str:
    """Return the configuration as YAML, the form its author knows."""
    import json

    import yaml

    plain = json.loads(to_json(configuration))
    return yaml.safe_dump(plain, sort_keys=False, allow_unicode=True, indent=4, width=60)
