"""The engine is started as its own command line would start it, but for its limit of jobs a second."""

from __future__ import annotations

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


def test_a_run_that_cannot_be_done_is_said_and_fails(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "path", [*sys.path])  # the engine adds to it
    (tmp_path / "Snakefile").write_text("rule all:\n    input: 'gone.csv'\n")
    assert engine.main(["--cores", "1", "--snakefile", str(tmp_path / "Snakefile"), "--directory", str(tmp_path)]) == 1
    assert "gone.csv" in capfd.readouterr().err
