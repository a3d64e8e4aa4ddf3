"""A workshop with one reported unit and a certificate; made once, copied for each test that changes it."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from PIL import Image

from tests.evidence.forked import Forks, forks
from tests.workflow.conftest import Project

PASSPHRASE = "correct horse 7"


@dataclass(frozen=True)
class Workshop:
    """A project, the home folder in which its certificate lies, and what runs the program's commands."""

    project: Project
    home: Path
    forks: Forks

    @property
    def root(self) -> Path:
        """Return the project's folder."""
        return self.project.root

    @property
    def reports(self) -> Path:
        """Return the folder of the reports."""
        return self.root / "reports"

    @property
    def passphrase(self) -> Path:
        """Return the file with the passphrase."""
        return self.home / "passphrase"

    @property
    def public(self) -> Path:
        """Return the public certificate."""
        return self.home / "rotorproof" / "certificate.pem"

    def command(self, *arguments: str | Path, trust: bool = True) -> subprocess.CompletedProcess[str]:
        """Run a command of the program; without ``trust`` as a stranger who has no certificate."""
        home = self.home if trust else self.home / "stranger"
        environment = {**os.environ, "PYTHONPATH": str(self.root / "scripts"), "OMP_NUM_THREADS": "1"}
        environment["XDG_DATA_HOME"] = str(home)
        result = self.forks.run([str(argument) for argument in arguments], self.root, environment)
        assert "Traceback" not in result.stderr, result.stderr
        assert PASSPHRASE not in result.stdout + result.stderr
        return result

    def sign(self, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
        """Run the command that signs CT-1."""
        given = ("--role", "workshop manager", "--passphrase-file", self.passphrase)
        return self.command("sign", "CT-1", *given, *arguments)


def copy_of(workshop: Workshop, place: Path) -> Workshop:
    """Return a copy to be changed."""
    shutil.copytree(workshop.root, place / "project")
    shutil.copytree(workshop.home, place / "home")
    for path in (place / "project").rglob("*"):
        if path.is_file():
            path.chmod(0o644)
    return Workshop(Project(place / "project"), place / "home", workshop.forks)


@pytest.fixture(scope="session")
def forked() -> Iterator[Forks]:
    """Return the process that forks for every command."""
    with forks() as process:
        yield process


@pytest.fixture(scope="session")
def reported(forked: Forks, tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    """Return a workshop whose unit CT-1 has a report; not to be changed."""
    place = tmp_path_factory.mktemp("workshop")
    (place / "home").mkdir()
    workshop = Workshop(Project.fresh(place / "project"), place / "home", forked)
    workshop.passphrase.write_text(PASSPHRASE + "\n", encoding="utf-8")
    folder = workshop.project.add_unit("CT-1")
    Image.linear_gradient("L").save(folder / "photo.jpg")
    workshop.project.run()
    made = workshop.command("certificate", "--name", "Ann Example", "--passphrase-file", workshop.passphrase)
    assert made.returncode == 0, made.stderr
    return workshop


@pytest.fixture(scope="session")
def signed(reported: Workshop, tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    """Return a workshop whose unit CT-1 has a signed report; not to be changed."""
    workshop = copy_of(reported, tmp_path_factory.mktemp("signed"))
    done = workshop.sign("--remarks", "Bearing a little loud")
    assert done.returncode == 0, done.stderr
    return workshop


@pytest.fixture(scope="session")
def rejected(reported: Workshop, tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    """Return a workshop whose unit CT-1 is reported as rejected, on doubted readings; not to be changed."""
    workshop = copy_of(reported, tmp_path_factory.mktemp("rejected"))
    stated = workshop.root / "raw/CT-1/unit.yaml"
    stated.write_text(stated.read_text() + "ambient: {temperature: 70 degC}\n")
    limits = workshop.root / "config/acceptance/small.yaml"
    limits.write_text(limits.read_text().replace("0.13 ohm", "0.11 ohm"))
    assert "rejected" in workshop.project.run().stdout
    return workshop


@pytest.fixture
def workshop(reported: Workshop, tmp_path: Path) -> Workshop:
    """Return a workshop with a report, to be changed by one test."""
    return copy_of(reported, tmp_path)


@pytest.fixture
def archive(signed: Workshop, tmp_path: Path) -> Path:
    """Return a copy of a signed report's archive, to be changed by one test."""
    place = tmp_path / "elsewhere" / "CT-1" / "r1"
    shutil.copytree(signed.reports / "archive" / "CT-1" / "r1", place)
    for path in place.rglob("*"):
        if path.is_file():
            path.chmod(0o644)
    return place
