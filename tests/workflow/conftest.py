"""A small project in a folder of its own: the real workflow on invented logs."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from tests.patience import HUNG

ROOT = Path(__file__).parents[2]

UNIT = """\
unit: {name}
kind: motor
nameplate: {{winding_material: copper}}
operator: A. Tester
tested_on: 2026-05-02
instruments:
  meter: {{model: M1, serial: "7", accuracy: {{voltage: 0.05 % + 1 mV, current: 0.2 % + 1 mA, temperature: 1 degC}}}}
tests:
  - procedure: winding-resistance
    log: steps.csv
    conditions: {{winding_temperature: 24.0 degC}}
acceptance: small
"""
LIMITS = """\
criteria:
  - {quantity: phase_resistance, max: 0.13 ohm}
  - {quantity: resistance_unbalance, max: 3 percent}
"""


@dataclass(frozen=True)
class Project:
    """A copy of the project with its own raw logs and reports."""

    root: Path

    @classmethod
    def fresh(cls, root: Path) -> Project:
        """Return a copy of the project in ``root``, with one acceptance set and no units."""
        for name in ("scripts", "config", "templates"):
            # With what Python has compiled, or every project would compile it again; not what it is just writing.
            shutil.copytree(ROOT / name, root / name, ignore=shutil.ignore_patterns("*.pyc.*"))
        shutil.copy(ROOT / "Snakefile", root / "Snakefile")
        (root / "config" / "config.yaml").write_text("config_version: 1\n", encoding="utf-8")
        (root / "config" / "acceptance" / "small.yaml").write_text(LIMITS, encoding="utf-8")
        (root / "raw").mkdir()
        return cls(root)

    def add_unit(self, name: str, seed: int = 1) -> Path:
        """Write a unit with one winding-resistance log; return its folder."""
        folder = self.root / "raw" / name
        folder.mkdir(parents=True)
        (folder / "unit.yaml").write_text(UNIT.format(name=name), encoding="utf-8")
        rng = np.random.default_rng(seed)
        lines = ["voltage_ab [V],current_ab [A],voltage_bc [V],current_bc [A],voltage_ca [V],current_ca [A]"]
        for current in np.linspace(0.5, 4.0, 12):
            cells = []
            for resistance in (0.240, 0.241, 0.242):
                voltage = resistance * current * (234.5 + 24.0) / 254.5 + 0.0004 + rng.normal(0, 2e-4)
                cells += [f"{voltage:.5f}", f"{current:.4f}"]
            lines.append(",".join(cells))
        (folder / "steps.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        return folder

    def run(self, *arguments: str, check: bool = True, command: str = "report") -> subprocess.CompletedProcess[str]:
        """Run the report command, or another that runs the workflow."""
        environment = {**os.environ, "PYTHONPATH": str(self.root / "scripts"), "OMP_NUM_THREADS": "1"}
        result = subprocess.run(
            [sys.executable, "-m", "rotorproof", command, "--cores", "2", *arguments],
            cwd=self.root,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=HUNG,
        )
        assert "Traceback" not in result.stderr, result.stderr
        if check:
            assert result.returncode == 0, result.stdout + result.stderr
        return result

    def stamps(self) -> dict[str, int]:
        """Return when each file of the reports was last written."""
        reports = self.root / "reports"
        return {
            str(path.relative_to(reports)): path.stat().st_mtime_ns
            for path in sorted(reports.rglob("*"))
            if path.is_file() and "log" not in path.parts and path.name not in ("lock", "settled")
        }

    def changed(self, before: dict[str, int]) -> set[str]:
        """Return the files written since ``before``."""
        return {name for name, stamp in self.stamps().items() if before.get(name) != stamp}


def contents(reports: Path) -> dict[str, bytes]:
    """Return every result's content; the steps in between and their logs are not results."""
    return {
        str(path.relative_to(reports)): path.read_bytes()
        for path in sorted(reports.rglob("*"))
        if path.is_file() and ".work" not in path.parts
    }


def made_here(project: Project, units: Sequence[str], reports: Path) -> dict[str, bytes]:
    """Add units and make their reports on this computer; return the contents that any other way must give."""
    for seed, name in enumerate(units):
        project.add_unit(name, seed=seed)
    project.run("--config", f"reports_dir={reports}")
    return contents(reports)


@pytest.fixture
def project(tmp_path: Path) -> Project:
    """Return a fresh copy of the project with one acceptance set and no units."""
    return Project.fresh(tmp_path / "project")
