"""The arrows between the rooms point one way."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).parents[1] / "scripts"
PACKAGE = SCRIPTS / "rotorproof"

#: room -> rooms of ours it may import.
ALLOWED = {
    "physics": {"physics", "errors"},
    "uncertainty": {"uncertainty", "units", "physics", "errors"},
    "procedures": {"procedures", "physics", "errors", "units", "columns", "uncertainty"},
    "derivations": {"derivations", "procedures", "physics", "errors", "units", "uncertainty"},
    "logs": {"logs", "settings", "procedures", "columns", "errors", "jsonio", "units"},
    "checking": {
        "checking",
        "logs",
        "fitting",
        "derivations",
        "procedures",
        "settings",
        "columns",
        "units",
        "errors",
    },
    "decision": {"decision", "uncertainty", "settings", "quantities", "procedures", "units", "errors"},
}


def _imported(path: Path) -> set[str]:
    package = ["rotorproof", *path.relative_to(PACKAGE).parent.parts]
    rooms = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.level:
            base = package[: len(package) - node.level + 1]
            full = [*base, *(node.module.split(".") if node.module else [])]
            rooms |= {full[1]} if len(full) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("rotorproof."):
            rooms.add(str(node.module).split(".")[1])
    return rooms


def _third_party(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            names.add(str(node.module).split(".")[0])
    return names


@pytest.mark.parametrize("room", sorted(ALLOWED))
def test_room_imports_only_what_lies_below(room: str) -> None:
    wrong = {
        f"{path.relative_to(PACKAGE)} imports {name}"
        for path in (PACKAGE / room).rglob("*.py")
        for name in _imported(path) - ALLOWED[room]
    }
    assert not wrong


def test_physics_knows_no_files_no_plots_no_tables() -> None:
    forbidden = {"pathlib", "os", "io", "pandas", "matplotlib", "snakemake", "json", "yaml", "pyarrow"}
    wrong = {
        f"{path.name}: {_third_party(path) & forbidden}"
        for path in (PACKAGE / "physics").rglob("*.py")
        if _third_party(path) & forbidden
    }
    assert not wrong


def test_only_the_adapters_know_the_workflow_engine() -> None:
    assert not [path for path in PACKAGE.rglob("*.py") if "snakemake" in _third_party(path)]


def test_adapters_can_be_imported() -> None:
    for path in SCRIPTS.glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assert any(isinstance(node, ast.FunctionDef) and node.name == "main" for node in tree.body), path
