"""Every quantity that a report can hold is compared with something from outside, under its own name.

The tests are read, not run: the subjects are the first arguments of the calls of ``outside``. A subject that is a
variable or a pattern stands for the names of quantities among the texts of its function and its tables. The
verification book counts what was in fact compared, and is not made where a quantity has nothing.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

from rotorproof.quantities import quantities

TESTS = Path(__file__).parent


def _texts(node: ast.AST) -> set[str]:
    return {n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str)}


def _pattern(subject: ast.JoinedStr, texts: set[str]) -> set[str]:
    """Return the subjects that a pattern with one place can make of the texts around it."""
    parts = [part.value if isinstance(part, ast.Constant) else None for part in subject.values]
    return {"".join(text if part is None else str(part) for part in parts) for text in texts}


def subjects(source: str) -> set[str]:
    """Return the subjects of the outside checks in a test file."""
    module = ast.parse(source)
    tables = {
        target.id: _texts(statement.value)
        for statement in module.body
        if isinstance(statement, ast.Assign)
        for target in statement.targets
        if isinstance(target, ast.Name)
    }
    found: set[str] = set()
    for function in (n for n in ast.walk(module) if isinstance(n, ast.FunctionDef)):
        calls = [n for n in ast.walk(function) if isinstance(n, ast.Call) and ast.unparse(n.func) == "outside"]
        tables_of = [n for n in ast.walk(function) if isinstance(n, ast.Call) and ast.unparse(n.func) == "outside.each"]
        for call in tables_of:
            found |= {str(ast.literal_eval(row.elts[0])) for row in call.args[1].elts}  # type: ignore[attr-defined]
        if not calls:
            continue
        named = {n.id for n in ast.walk(function) if isinstance(n, ast.Name)}
        texts = _texts(function).union(*(tables[name] for name in named & tables.keys()))
        for call in calls:
            subject = call.args[0]
            if isinstance(subject, ast.Constant):
                found.add(str(subject.value))
            elif isinstance(subject, ast.JoinedStr):
                found |= _pattern(subject, texts)
            else:
                found |= texts
    return found


def test_every_quantity_has_an_outside_check() -> None:
    checked: set[str] = set()
    for path in sorted(TESTS.glob("**/test_*.py")):
        text = path.read_text(encoding="utf-8")
        if re.search(r"\boutside(\.each)?\(", text) and path != Path(__file__):
            checked |= subjects(text)
    missing = sorted(set(quantities()) - checked)
    assert not missing, f"compare these with something from outside (tests/outside.py): {', '.join(missing)}"


def test_a_quantity_named_beside_a_check_only_is_not_checked() -> None:
    source = """
def test_one(outside):
    values = {"windage": 1.0}
    outside("moment_of_inertia", "what", ours=values["windage"])

def test_two():
    name = "cogging_torque"
"""
    assert subjects(source) == {"moment_of_inertia"}
    rows = """
def test_four(outside):
    outside.each(found, (("start_voltage", 31.5, 0.1, "V"),), what="w", source="cutoff_voltage")
"""
    assert subjects(rows) == {"start_voltage"}
    pattern = """
def test_three(outside):
    for name in ("peak", "rms"):
        outside(f"emf_constant_{name}", "what")
"""
    assert {"emf_constant_peak", "emf_constant_rms"} <= subjects(pattern)
    assert "emf_constant_dc" not in subjects(pattern)
