"""The breaker of formulae breaks what it says, puts back what it broke, and a small draw of its errors is found."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from rotorproof.physics import winding
from tests.mutation.mutants import mutants
from tests.mutation.runner import ROOT, broken, function_of, is_formula, summary, targets

WINDING = ROOT / "scripts" / "rotorproof" / "physics" / "winding.py"


@pytest.mark.parametrize(
    ("formula", "kind", "after"),
    [
        ("a + b", "sign", "a - b"),
        ("a - b", "dropped term", "a"),
        ("2 * a", "factor 2", "2 * a * 2.0"),
        ("a / b", "inverted", "a * b"),
        ("a * line_voltage", "line for phase", "a * line_voltage * 1.7320508075688772"),
        ("np.sqrt(3)", "root dropped", "3"),
        ("np.pi", "degrees for radians", "180.0"),
        ("np.radians(a)", "degrees for radians", "a"),
        ("np.mean(a)", "peak for mean", "np.max(a)"),
        ("a**2", "square dropped", "a"),
        ("-a", "sign", "a"),
        ("np.sin(a)", "quarter turn", "np.cos(a)"),
    ],
)
def test_each_kind_of_error(tmp_path: Path, formula: str, kind: str, after: str) -> None:
    path = tmp_path / "formula.py"
    path.write_text(f"def f(a, b):\n    return {formula}\n", encoding="utf-8")
    assert (kind, after) in {(mutant.kind, mutant.after) for mutant in mutants(path)}


def test_texts_errors_and_indices_are_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "formula.py"
    path.write_text(
        'def f(a, b):\n    if a:\n        raise ValueError("x" + str(a + 1))\n    return a[b + 1], f"{a + b}"\n',
        encoding="utf-8",
    )
    assert not list(mutants(path))


def test_a_broken_function_is_put_back() -> None:
    function = function_of(WINDING, "phase_resistance")
    assert function is winding.phase_resistance
    mutant = next(m for m in mutants(WINDING) if m.function == "phase_resistance" and m.kind == "factor 2")
    with broken(function, mutant.code):
        assert winding.phase_resistance(1.0, 1.0, 1.0) == pytest.approx(1.0)
    assert winding.phase_resistance(1.0, 1.0, 1.0) == pytest.approx(0.5)


def test_every_file_with_formulae_can_be_broken() -> None:
    files = [path for path in targets([]) if path.parent.name == "physics"]
    broken_files = {path.stem for path in files if next(mutants(path), None) is not None}
    assert len(broken_files) > 25
    assert is_formula(ROOT / "scripts/rotorproof/procedures/load.py", "Load.derive")
    assert not is_formula(ROOT / "scripts/rotorproof/procedures/load.py", "Load.fit")


_DRAW = """
import json, sys
from tests.mutation.runner import run
rows, total, _ = run(["winding", "insulation", "road"], seed=7, most=40, tests=json.loads(sys.argv[1]))
print(json.dumps(rows))
"""


def test_most_errors_of_a_small_draw_are_found() -> None:
    """In a process of its own: this one runs tests itself."""
    tests = [str(ROOT / "tests" / "proof" / f"test_{name}.py") for name in ("winding", "road", "drive")]
    done = subprocess.run(
        [sys.executable, "-c", _DRAW, json.dumps(tests)],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(["scripts", "."])},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    rows = json.loads(done.stdout.splitlines()[-1])
    counts = Counter(row["outcome"] for row in rows)
    assert len(rows) == 40
    # What moves no compared value (starting points, brackets, steps of an iteration) can be found by no check.
    # How many that are differs from draw to draw, and the draw moves with the code: half of it at least.
    assert counts["found"] >= 20, summary(rows, 40, 0.0)
    assert counts["found"] >= 0.9 * (len(rows) - counts["without effect"]), summary(rows, 40, 0.0)
