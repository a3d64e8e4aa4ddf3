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


def test_a_command_loads_no_other() -> None:
    """What another needs, SciPy and the fits, would cost each of them a second."""
    program = (
        "import sys\nfrom rotorproof.__main__ import main\n"
        "try: main(['certificate', '--help'])\nexcept SystemExit: print(*sys.modules, file=sys.stderr)"
    )
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run([sys.executable, "-c", program], env=paths, capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    assert "rotorproof.commands.certificate" in loaded
    assert "rotorproof.commands.check" not in loaded
    assert not [name for name in loaded if name.startswith(("scipy", "rotorproof.fitting"))]
    assert "usage: rotorproof certificate" in done.stdout
