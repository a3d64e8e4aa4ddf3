"""A workshop of two small units whose reports are known, and what is asked of it after a fault."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import yaml

from tests.workflow.conftest import Project, contents

from .forking import as_user, forks

PASSPHRASE = "correct horse 7"
UNITS = ("CT-1", "CT-2")
#: A user without any rights of its own (``nobody`` on most systems).
NOBODY = 65534


class NotHereError(Exception):
    """The fault cannot be made on this computer."""


@dataclass(frozen=True)
class Bench:
    """A project, the home of its certificate, and the bytes that its reports must have.

    ``python`` starts each command, as ``user`` if that is another; ``lasts`` holds how long the last whole run of each
    command took, in s.
    """

    place: Path
    project: Project
    whole: Mapping[str, bytes]
    units: tuple[str, ...] = UNITS
    python: str = sys.executable
    user: int | None = None
    lasts: dict[str, float] = field(default_factory=dict)

    @classmethod
    @contextlib.contextmanager
    def made(
        cls, place: Path, units: tuple[str, ...] = UNITS, *, forked: bool = False, user: int | None = None
    ) -> Iterator[Bench]:
        """Make the project and its undisturbed reports; ``forked`` commands start as forks of one process.

        Raises ``NotHereError`` where ``user`` can run no Python.
        """
        project = Project.fresh(place / "project")
        for seed, name in enumerate(units, start=1):
            project.add_unit(name, seed=seed)
        (place / "passphrase").write_text(PASSPHRASE + "\n", encoding="utf-8")
        python = sys.executable if user is None else _python_for(user, place)
        bench = cls(place, project, {}, units, python, user)
        bench.owned()
        with contextlib.ExitStack() as stack:
            if forked:
                served = stack.enter_context(forks(place, project.root / "scripts", python, user))
                bench = replace(bench, python=str(served))
            made = bench.run("certificate", "--name", "Ann Example", "--passphrase-file", str(place / "passphrase"))
            assert made.returncode == 0, made.stderr
            done = bench.run("report", "--quiet")
            assert done.returncode == 0, done.stderr
            yield replace(bench, whole=contents(project.root / "reports"))

    def owned(self) -> None:
        """Give everything to the user whom the commands run as."""
        for path in (self.place, *self.place.rglob("*")) if self.user is not None else ():
            os.chown(path, self.user, self.user, follow_symlinks=False)

    @property
    def reports(self) -> Path:
        """Return the folder of the reports."""
        return self.project.root / "reports"

    def start(
        self, *arguments: str, heard: bool = False, first: Callable[[], None] | None = None
    ) -> subprocess.Popen[str]:
        """Start a command of the program in a group of its own; ``first`` is called in it before."""
        said = subprocess.PIPE if heard else subprocess.DEVNULL
        environment = {**os.environ, "PYTHONPATH": str(self.project.root / "scripts"), "OMP_NUM_THREADS": "1"}
        return subprocess.Popen(
            [self.python, "-m", "rotorproof", *arguments],
            cwd=self.project.root,
            env={**environment, "XDG_DATA_HOME": str(self.place), "HOME": str(self.place)},
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            text=True,
            preexec_fn=first,  # noqa: PLW1509 (called where no thread runs)
            process_group=0,
            **as_user(self.user),
        )

    def run(self, *arguments: str, first: Callable[[], None] | None = None) -> subprocess.CompletedProcess[str]:
        """Run a command of the program to its end."""
        began = time.monotonic()
        process = self.start(*arguments, heard=True, first=first)
        out, err = process.communicate()
        self.lasts[arguments[0]] = time.monotonic() - began
        return subprocess.CompletedProcess(process.args, process.returncode, out, err)

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


def _python_for(user: int, place: Path) -> str:
    """Return a Python with our libraries that ``user`` can run; an environment's own may lie where none else may."""
    line = ["-c", "import numpy, yaml"]
    name = f"python{sys.version_info.major}.{sys.version_info.minor}"
    own = place / "environment"
    libraries = own / "lib" / name / "site-packages"
    libraries.parent.mkdir(parents=True)
    libraries.symlink_to(Path(yaml.__file__).parents[1])
    (own / "bin").mkdir()
    for base in (Path(sys.executable).resolve(), Path("/usr/bin") / name, Path("/usr/local/bin") / name):
        (own / "bin/python").unlink(missing_ok=True)
        (own / "bin/python").symlink_to(base)
        (own / "pyvenv.cfg").write_text(f"home = {base.parent}\n", encoding="utf-8")
        with contextlib.suppress(OSError):
            tried = subprocess.run([own / "bin/python", *line], capture_output=True, check=False, **as_user(user))
            if tried.returncode == 0:
                return str(own / "bin/python")
    raise NotHereError("no user but root can run this Python here")
