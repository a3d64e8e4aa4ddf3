"""The arrows between the rooms point one way.

``MAY_IMPORT`` is the whole plan: every room and every module beside the rooms has a row, and names all that it may
import. Rows stand in the order in which they build on each other, so that nothing imports what stands below it; what a
row names and no file needs is too much. Read across for what a room builds on, down a column for who builds on it.
"""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).parents[1] / "scripts"
PACKAGE = SCRIPTS / "rotorproof"

#: Room or module -> what of ours it may import, beside itself; from the ground up.
MAY_IMPORT = {
    "__init__": "",
    "child": "",
    "columns": "",
    "files": "",
    "fingerprint": "",
    "jsonio": "",
    "signs": "",
    "unit_symbols": "",
    "errors": "columns",
    "step_log": "errors",
    "bounded": "child errors",
    "warm": "child errors step_log",
    "units": "signs unit_symbols",
    "physics": "errors",
    "uncertainty": "errors units",
    "procedures": "columns errors physics signs uncertainty",
    "derivations": "physics procedures",
    "quantities": "derivations procedures",
    "settings": "columns errors files jsonio procedures quantities signs uncertainty units",
    "logs": "bounded columns errors files jsonio procedures settings signs units",
    "fitting": "signs columns derivations errors jsonio physics procedures quantities settings uncertainty units",
    "decision": "errors files fitting jsonio procedures quantities settings signs uncertainty units",
    "season": "decision derivations errors fitting procedures quantities settings uncertainty units",
    "witness": "columns errors fitting physics procedures quantities settings signs units",
    "checking": "columns derivations errors files fitting logs procedures settings signs units witness",
    "evidence": "__init__ bounded child decision errors files jsonio logs",
    "drafts": "columns derivations errors logs procedures settings units",
    "planning": "columns drafts errors fitting procedures quantities settings signs uncertainty units",
    "rendering": "__init__ columns decision derivations errors evidence fitting jsonio logs procedures quantities "
    "season settings signs units",
    "mounts": "",
    "contents": "files jsonio mounts",
    "workflow": "contents errors evidence files fingerprint logs procedures settings",
    "settled": "jsonio workflow",
    "untouched": "evidence mounts",
    "commands": "bounded checking child columns decision drafts errors evidence files fitting jsonio logs planning "
    "procedures quantities rendering season settings settled signs units untouched warm workflow",
    "__main__": "__init__ commands errors signs",
}
#: Files that look up on purpose, and at what.
LOOKS_UP = {
    # Writes the schemas of all models, that of the results among them.
    "settings/schemas.py": {"decision"},
}


def _room(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _names(path: Path) -> set[str]:
    """Return the modules that a file imports by dots or by name, each in full, wherever the import stands."""
    package = ["rotorproof", *path.relative_to(PACKAGE).parent.parts] if path.is_relative_to(PACKAGE) else []
    names = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            full = ".".join([*base, *([node.module] if node.module else [])])
            names |= {f"{full}.{alias.name}" for alias in node.names}
    return names


def _imported(path: Path) -> set[str]:
    """Return the rooms that a file imports."""
    ours = {name.split(".")[1] for name in _names(path) if name.startswith("rotorproof.")}
    return {room if room in MAY_IMPORT or (PACKAGE / room).exists() else "__init__" for room in ours} - {_room(path)}


def _third_party(path: Path) -> set[str]:
    return {name.split(".")[0] for name in _names(path)}


def _files(room: str) -> list[Path]:
    return [path for path in PACKAGE.rglob("*.py") if _room(path) == room]


def test_the_plan_has_every_room() -> None:
    assert {_room(path) for path in PACKAGE.rglob("*.py")} == set(MAY_IMPORT)


def test_the_plan_points_one_way() -> None:
    ground_up = list(MAY_IMPORT)
    for place, (room, below) in enumerate(MAY_IMPORT.items()):
        assert set(below.split()) <= set(ground_up[:place]), room


@pytest.mark.parametrize("room", MAY_IMPORT)
def test_a_room_imports_what_the_plan_says_and_no_less(room: str) -> None:
    used = set()
    for path in _files(room):
        found = _imported(path) - LOOKS_UP.get(path.relative_to(PACKAGE).as_posix(), set())
        wrong = found - set(MAY_IMPORT[room].split())
        assert not wrong, f"{path.relative_to(PACKAGE)} imports {', '.join(sorted(wrong))}"
        used |= found
    assert used == set(MAY_IMPORT[room].split()), "named in the plan, and nothing there imports it"


def test_what_looks_up_still_does() -> None:
    for name, rooms in LOOKS_UP.items():
        assert rooms <= _imported(PACKAGE / name), name


def test_physics_knows_no_files_no_plots_no_tables() -> None:
    for path in _files("physics"):
        assert _third_party(path) <= {"__future__", "abc", "collections", "dataclasses", "functools", "itertools",
                                      "math", "numpy", "rotorproof", "scipy", "typing"}, path  # fmt: skip


def test_only_the_adapters_know_the_workflow_engine() -> None:
    assert not [path for path in PACKAGE.rglob("*.py") if "snakemake" in _third_party(path)]


def test_adapters_can_be_imported() -> None:
    for path in SCRIPTS.glob("*.py"):
        assert any(isinstance(node, ast.FunctionDef) and node.name == "main" for node in _tree(path).body), path
