"""A workshop of two small units whose reports are known, and what is asked of it after a fault."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.workflow.conftest import Project, contents

PASSPHRASE = "correct horse 7"
UNITS = ("CT-1", "CT-2")


@dataclass(frozen=True)
class Bench:
    """A project, the home of its certificate, and the bytes that its reports must have."""

    place: Path
    project: Project
    whole: Mapping[str, bytes]

    @classmethod
    def made(cls, place: Path) -> Bench:
        """Make the project and its undisturbed reports."""
        project = Project.fresh(place / "project")
        for seed, name in enumerate(UNITS, start=1):
            project.add_unit(name, seed=seed)
        (place / "passphrase").write_text(PASSPHRASE + "\n", encoding="utf-8")
        bench = cls(place, project, {})
        made = bench.run("certificate", "--name", "Ann Example", "--passphrase-file", str(place / "passphrase"))
        assert made.returncode == 0, made.stderr
        done = bench.run("report", "--quiet")
        assert done.returncode == 0, done.stderr
        return cls(place, project, contents(project.root / "reports"))

    @property
    def reports(self) -> Path:
        """Return the folder of the reports."""
        return self.project.root / "reports"

    def command(self, *arguments: str) -> tuple[list[str], dict[str, str]]:
        """Return the command line and the environment of a command of the program."""
        environment = {**os.environ, "PYTHONPATH": str(self.project.root / "scripts"), "OMP_NUM_THREADS": "1"}
        return [sys.executable, "-m", "rotorproof", *arguments], {**environment, "XDG_DATA_HOME": str(self.place)}

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run a command of the program to its end."""
        line, environment = self.command(*arguments)
        return subprocess.run(
            line,
            cwd=self.project.root,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            stdin=subprocess.DEVNULL,
        )

    def signing(self) -> tuple[str, ...]:
        """Return the arguments that sign the first unit, once more if need be."""
        again = ("--because", "again") if (self.reports / "archive" / UNITS[0] / "r1").exists() else ()
        return ("sign", UNITS[0], "--role", "tester", "--passphrase-file", str(self.place / "passphrase"), *again)

    def fresh(self) -> None:
        """Clear all reports."""
        shutil.rmtree(self.reports, ignore_errors=True)

    def harm(self, during: subprocess.CompletedProcess[str] | None = None) -> list[str]:
        """Run the reports again without a fault, and return what is not as it must be; none where all is well."""
        found = []
        if during is not None and "Traceback" in during.stderr:
            found.append(f"a traceback: {during.stderr.strip().splitlines()[-1]}")
        again = self.run("report", "--quiet")
        if again.returncode != 0:
            found.append(f"the next run ends with {again.returncode}: {again.stderr.strip()[-300:]}")
        now = {name: raw for name, raw in contents(self.reports).items() if not name.startswith((".", "archive/"))}
        whole = {name: raw for name, raw in self.whole.items() if not name.startswith((".", "archive/"))}
        # The register and its tables tell of signed reports too.
        told = {"index.html", "results.csv", "results.parquet"} if (self.reports / "archive").is_dir() else set()
        for name in sorted({*now, *whole} - told):
            if now.get(name) != whole.get(name):
                found.append(f"{name} is {'missing' if name not in now else 'not what it was'} after the next run")
        return found
