"""Traps laid beside a received archive, and in the project's own folder: none of them runs."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.patience import HUNG

from .conftest import Workshop, copy_of

#: Modules that a command, the workflow engine or a step imports late, or that Python itself runs at its start.
MODULES = ("argparse", "contextlib", "json", "numpy", "pickle", "rotorproof", "snakemake", "yaml")
AT_START = ("sitecustomize", "usercustomize")
PLUGINS = ("snakemake_executor_plugin_trap", "snakemake_logger_plugin_trap", "snakemake_scheduler_plugin_trap")
#: What each trap is called when it goes off.
TRAPS = (
    *(f"module {name}" for name in (*MODULES, *AT_START)),
    *(f"plugin {name}" for name in PLUGINS),
    *(f"deployed {name}" for name in PLUGINS),
    *(f"profile {name}" for name in ("profiles/default", "default", "other")),
    "profile of the user",
    "start file",
    "module of the user",
    "path file of the user",
    "environment file",
    "conda file",
)


def code(marks: Path, name: str) -> str:
    """Return an expression that leaves a mark."""
    return f"__import__('os').close(__import__('os').open({str(marks / name.replace('/', '-'))!r}, 64))"


def lay_traps(folder: Path, home: Path, marks: Path) -> dict[str, str]:
    """Lay every trap in ``folder`` and in ``home``; return the variables that lead to some of them."""
    marks.mkdir()
    folder.mkdir(exist_ok=True)
    for name in (*MODULES, *AT_START):
        (folder / f"{name}.py").write_text(code(marks, f"module {name}") + "\n")
    deployed = folder / ".snakemake/pip-deployments"
    deployed.mkdir(parents=True, exist_ok=True)
    for name in PLUGINS:
        (folder / f"{name}.py").write_text(code(marks, f"plugin {name}") + "\n")
        (deployed / f"{name}.py").write_text(code(marks, f"deployed {name}") + "\n")

    def profile(place: Path, name: str) -> None:
        place.mkdir(parents=True)
        # As text: a profile may hold any option, and the resources of a job are expressions.
        lines = ["cores: 1", "default-resources:", f'  - "mem_mb={code(marks, name)} or 1"']
        (place / "config.yaml").write_text("\n".join(lines) + "\n")

    for name in ("profiles/default", "default", "other"):
        profile(folder / name, f"profile {name}")
    profile(home / ".config/snakemake/mine", "profile of the user")
    version = f"python{sys.version_info[0]}.{sys.version_info[1]}"
    site = home / ".local/lib" / version / "site-packages"
    site.mkdir(parents=True)
    (site / "usercustomize.py").write_text(code(marks, "module of the user") + "\n")
    (site / "trap.pth").write_text(f"import os; {code(marks, 'path file of the user')}\n")
    (folder / "start.py").write_text(code(marks, "start file") + "\n")
    (folder / ".env").write_text(f'X=$({sys.executable} -c "{code(marks, "environment file")}")\n')
    (folder / "environment.yaml").write_text(f'dependencies:\n  - pip: ["{code(marks, "conda file")}"]\n')
    return {
        "HOME": str(home),
        "XDG_CONFIG_HOME": str(home / ".config"),
        # An empty entry is the working folder.
        "PYTHONPATH": "",
        "PYTHONSTARTUP": str(folder / "start.py"),
        "SNAKEMAKE_PROFILE": "mine",
    }


def command(workshop: Workshop, cwd: Path, more: dict[str, str], *arguments: str | Path) -> tuple[int, str]:
    """Run a command as ``make`` does, in ``cwd``."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", **more, "XDG_DATA_HOME": str(workshop.home)}
    environment["PYTHONPATH"] = f"{workshop.root / 'scripts'}{more.get('PYTHONPATH', '')}"
    done = subprocess.run(
        [sys.executable, "-P", "-m", "rotorproof", *map(str, arguments)],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=HUNG,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def beside_an_archive(signed: Workshop, tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Return the traps that went off when an archive was verified in a folder full of them."""
    place = tmp_path_factory.mktemp("received")
    more = lay_traps(place / "here", place / "home", place / "marks")
    shutil.copytree(signed.reports / "archive/CT-1", place / "here/CT-1")
    status, said = command(signed, place / "here", more, "verify", "CT-1/r1", "--recompute")
    assert status == 0, said
    assert "the same to the last digit" in said
    return {path.name for path in (place / "marks").iterdir()}


@pytest.fixture(scope="module")
def in_the_project(signed: Workshop, tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Return the traps that went off when a report was made in a project full of them."""
    place = tmp_path_factory.mktemp("project")
    workshop = copy_of(signed, place)
    more = lay_traps(workshop.root, place / "of-user", place / "marks")
    shutil.rmtree(workshop.reports / "CT-1")
    shutil.rmtree(workshop.reports / ".work")
    status, said = command(workshop, workshop.root, more, "report", "--cores", "1")
    assert status == 0, said
    assert json.loads((workshop.reports / "CT-1/results.json").read_bytes())["verdict"] == "accepted"
    return {path.name for path in (place / "marks").iterdir()}


@pytest.mark.parametrize("trap", TRAPS)
def test_a_trap_beside_a_received_archive(beside_an_archive: set[str], trap: str) -> None:
    assert trap.replace("/", "-") not in beside_an_archive


@pytest.mark.parametrize("trap", [trap for trap in TRAPS if not trap.startswith("deployed")])
def test_a_trap_in_the_folder_of_the_project(in_the_project: set[str], trap: str) -> None:
    assert trap.replace("/", "-") not in in_the_project


def test_without_the_switch_the_folder_of_a_command_is_left_out_as_well(signed: Workshop, tmp_path: Path) -> None:
    (tmp_path / "argparse.py").write_text(code(tmp_path, "ran") + "\n")
    environment = {**os.environ, "PYTHONPATH": str(signed.root / "scripts")}
    bare = [sys.executable, "-m", "rotorproof", "--version"]
    done = subprocess.run(bare, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert not (tmp_path / "ran").exists()


def test_the_traps_go_off_where_nothing_is_done_against_them(signed: Workshop, tmp_path: Path) -> None:
    """The check of the check: a plain Python and a plain engine in the same folder run into them."""
    more = lay_traps(tmp_path / "here", tmp_path / "home", tmp_path / "marks")
    marks = tmp_path / "marks"
    environment = {**os.environ, **more}
    plain = [sys.executable, "-c", "import argparse"]
    subprocess.run(plain, cwd=tmp_path / "here", env=environment, check=False, capture_output=True)
    assert "module argparse" in {path.name for path in marks.iterdir()}
    clean = {name: value for name, value in environment.items() if not name.startswith("PYTHON")}
    command = [sys.executable, "-P", "-m", "snakemake", "--snakefile", signed.root / "Snakefile"]
    for name, variables in (("default", {"SNAKEMAKE_PROFILE": "none"}), ("mine", {})):
        given = {**clean, **variables, "PYTHONPATH": str(signed.root / "scripts")}
        more_arguments = ["--workflow-profile", "none"] if name == "mine" else []
        subprocess.run(
            [*command, "--dry-run", "--forceall", "--cores", "1", *more_arguments],
            cwd=tmp_path / "here",
            env=given,
            check=False,
            capture_output=True,
        )
    assert {"profile default", "profile of the user"} <= {path.name for path in marks.iterdir()}
