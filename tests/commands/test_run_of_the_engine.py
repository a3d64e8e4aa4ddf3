"""The engine is started as its own command line would start it, but for its limit of jobs a second."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from snakemake import cli

import engine


def test_only_the_limit_of_jobs_a_second_differs(monkeypatch: pytest.MonkeyPatch) -> None:
    chosen: list[Any] = []
    monkeypatch.setattr(cli, "args_to_api", lambda arguments, parser: chosen.append(arguments) or bool(parser))
    given = ["--cores", "2", "--keep-going", "--", "all"]
    assert engine.main(given) == 0
    plain = vars(cli.parse_args(given)[1])
    differing = {name for name, value in vars(chosen[0]).items() if str(value) != str(plain[name])}
    assert plain["max_jobs_per_timespan"] is not None
    assert chosen[0].max_jobs_per_timespan is None
    assert differing <= {"max_jobs_per_timespan"}


def test_what_runs_jobs_elsewhere_is_not_loaded_for_a_run_here() -> None:
    """In a process of its own: this one may have loaded it before."""
    program = (
        "import pkgutil, sys, engine\nevery = pkgutil.iter_modules\n"
        "try: engine.main(['--help'])\nexcept SystemExit: print(*sys.modules, file=sys.stderr)\n"
        "assert pkgutil.iter_modules is every"
    )
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run([sys.executable, "-c", program], env=paths, capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    assert "snakemake.cli" in loaded
    assert not [name for name in loaded if name.startswith(("snakemake_executor_plugin_", "pandas"))]


def test_a_run_that_cannot_be_done_is_said_and_fails(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "path", [*sys.path])  # the engine adds to it
    (tmp_path / "Snakefile").write_text("rule all:\n    input: 'gone.csv'\n")
    assert engine.main(["--cores", "1", "--snakefile", str(tmp_path / "Snakefile"), "--directory", str(tmp_path)]) == 1
    assert "gone.csv" in capfd.readouterr().err
