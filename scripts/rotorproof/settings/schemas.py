"""Generate the JSON Schemas of everything a person writes, of results and of comparisons (``config/schemas``).

An editor that reads ``# yaml-language-server: $schema=...`` completes and checks with them.
"""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel

from ..decision.models import Comparison, Results
from ..jsonio import to_json, write_bytes
from .acceptance import AcceptanceSet, ProcessFile
from .layout import Layout
from .run import RunSettings
from .unit import InstrumentClass, UnitFile

MODELS: dict[str, type[BaseModel]] = {
    "unit": UnitFile,
    "instrument": InstrumentClass,
    "acceptance": AcceptanceSet,
    "process": ProcessFile,
    "layout": Layout,
    "config": RunSettings,
    "results": Results,
    "comparison": Comparison,
}


def schema_files() -> dict[str, bytes]:
    """Return the content of each schema file by its name."""
    files = {}
    for name, model in MODELS.items():
        schema = {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            **model.model_json_schema(by_alias=True),
        }
        files[f"{name}.schema.json"] = to_json(schema).encode()
    return files


def write_schemas(folder: Path) -> None:
    """Write all schema files into ``folder``."""
    for name, content in schema_files().items():
        write_bytes(folder / name, content)


if __name__ == "__main__":
    write_schemas(Path(__file__).parents[3] / "config" / "schemas")
