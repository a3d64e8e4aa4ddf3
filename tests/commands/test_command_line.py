"""The command line knows every command, and loads only the one that is asked for."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from rotorproof.__main__ import main
from rotorproof.commands import names


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["--help"])
    assert end.value.code == 0
    said = capsys.readouterr().out
    assert {"check", "report", "sign", "verify"} <= set(names())
    assert all(f"\n    {name} " in said or f"\n    {name}\n" in said for name in names())


def test_an_unknown_command_is_answered_with_those_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["reprot"])
    assert end.value.code == 2
    said = capsys.readouterr().err
    assert "'reprot'" in said
    assert all(name in said for name in names())


def _loaded_by(program: str) -> tuple[set[str], str]:
    """Return the modules that are loaded when a program ends, and what it said."""
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, "-c", f"import sys\n{program}\nprint(*sys.modules, file=sys.stderr)"]
    done = subprocess.run(command, env=paths, capture_output=True, text=True, check=True)
    return set(done.stderr.split()), done.stdout


def test_a_command_loads_no_other() -> None:
    """What another needs, SciPy and the fits, would cost each of them a second."""
    loaded, said = _loaded_by(
        "from rotorproof.__main__ import main\ntry: main(['certificate', '--help'])\nexcept SystemExit: pass"
    )
    assert "rotorproof.commands.certificate" in loaded
    assert "rotorproof.commands.check" not in loaded
    assert not [name for name in loaded if name.startswith(("scipy", "rotorproof.fitting"))]
    assert "usage: rotorproof certificate" in said


def test_a_check_loads_neither_what_fits_nor_what_holds_results() -> None:
    loaded, said = _loaded_by("from rotorproof.__main__ import main\nmain(['check', 'AL-C1'])")
    assert "1 unit checked" in said
    heavy = {"rotorproof.fitting.engine", "rotorproof.fitting.unit_fit", "rotorproof.decision.models", "scipy", "pint"}
    assert not heavy & loaded


def test_a_report_finds_that_nothing_was_written_with_little_loaded() -> None:
    loaded, _ = _loaded_by("import rotorproof.commands.report")
    assert not {"numpy", "pydantic", "pyarrow", "yaml", "rotorproof.workflow"} & loaded
