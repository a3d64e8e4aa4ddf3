"""A run that is killed leaves no half-written result, and running again gives the bytes of an undisturbed run."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from .conftest import Project


def _results(reports: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(reports)): path.read_bytes()
        for path in sorted(reports.rglob("*"))
        if path.is_file() and ".work" not in path.parts and not path.name.startswith(".")
    }


def _run_and_kill(project: Project, sign: str) -> None:
    """Start a run and kill it and all that it started once a file of the reports is there."""
    environment = {**os.environ, "PYTHONPATH": str(project.root / "scripts"), "OMP_NUM_THREADS": "1"}
    process = subprocess.Popen(
        [sys.executable, "-m", "rotorproof", "report", "--quiet"],
        cwd=project.root,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    while process.poll() is None and not list((project.root / "reports").glob(sign)):
        time.sleep(0.01)
    assert process.poll() is None, f"the run ended before {sign} was seen"
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()


@pytest.mark.slow
def test_killed_and_run_again_gives_the_same_bytes(project: Project, tmp_path: Path) -> None:
    project.add_unit("CT-1")
    project.add_unit("CT-2", seed=2)
    project.run("--config", f"reports_dir={tmp_path / 'whole'}")
    # While readings are stored, and while figures are drawn.
    for sign in (".work/*/readings.npz", "*/figures/*"):
        _run_and_kill(project, sign)
        for path in (project.root / "reports").rglob("*.json"):
            if not path.name.startswith("."):
                json.loads(path.read_bytes())
    project.run()
    assert _results(project.root / "reports") == _results(tmp_path / "whole")
