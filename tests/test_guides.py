"""What README and DEVELOPERS.md say of the code in tables is so."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from rotorproof.procedures import procedures

ROOT = Path(__file__).parents[1]
_ROW = re.compile(r"^\| `([a-z-]+)` \| ([a-z, ]+) \|", re.MULTILINE)
_PLACE = re.compile(r"^\| [^|]+ \| `([a-z_/]+\.py):([a-z_]+)` \|$", re.MULTILINE)
PLACES = _PLACE.findall((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))


def test_the_table_of_procedures_says_for_which_kinds_of_unit_each_is():
    said = dict(_ROW.findall((ROOT / "README.md").read_text(encoding="utf-8")))
    assert said == {p.name: ", ".join(p.unit_kinds) for p in procedures().values()}


def test_the_guide_says_where_formulas_are():
    assert len(PLACES) >= 12


@pytest.mark.parametrize(("file", "function"), PLACES, ids=[function for _, function in PLACES])
def test_each_formula_is_where_the_guide_says(file, function):
    tree = ast.parse((ROOT / "scripts" / "rotorproof" / file).read_text(encoding="utf-8"))
    found = next(node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == function)
    assert ast.get_docstring(found)
