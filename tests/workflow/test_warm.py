"""The warm server does a rule's work as the rule's own process does it, and leaves nothing behind."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path

import pytest

import fit
import read
from rotorproof import warm
from rotorproof.errors import InputError, Problem
from rotorproof.settings.layout import Layout
from rotorproof.step_log import DONE, logged
from rotorproof.workflow import RunPlan
from tests.patience import HUNG

ROOT = Path(__file__).parents[2]
_UNIT = "AL-M1"


def _works(folder: Path) -> list[tuple[object, str, Mapping[str, object]]]:
    plan = RunPlan.load(ROOT, {})
    wildcards = type("Wildcards", (), {"unit": _UNIT})
    readings, fitted, panels = folder / "readings.npz", folder / "fit.json", folder / "panels.npz"
    reading = {
        "unit": _UNIT,
        "folder": Path(plan.folder(wildcards)),
        "tests": [test for test in plan.tests(wildcards) if test["procedure"] == "winding-resistance"],
        "layouts": plan.layouts(wildcards) or {"plain": Layout().model_dump()},
        "readings": readings,
    }
    unit = plan.measured_part(wildcards)
    unit["tests"] = [test for test in unit["tests"] if test["procedure"] == "winding-resistance"]
    fitting = {
        "unit": unit,
        "settings": plan.fit_settings,
        "readings": readings,
        "fit": fitted,
        "panels": panels,
        "figures": folder / "figures",
    }
    return [(read.main, "read.py", reading), (fit.main, "fit.py", fitting)]


def _bytes(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_the_same_bytes_come_from_the_server_and_from_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    monkeypatch.delenv(warm.VARIABLE, raising=False)
    for main, script, arguments in _works(here):
        warm.job(script, main, here / "log.txt", **arguments)  # type: ignore[arg-type]

    def never(**arguments: object) -> None:
        raise AssertionError("this process did the work itself")

    with warm.server() as environment:
        monkeypatch.setenv(warm.VARIABLE, environment[warm.VARIABLE])
        for _, script, arguments in _works(there):
            warm.job(script, never, there / "log.txt", **arguments)
        # Forked with threads, it could leave a job waiting for ever.
        assert _threads_of_the_server() == 1
    assert len(_bytes(here)) > 3
    assert _bytes(here) == _bytes(there)
    assert not _reachable(environment[warm.VARIABLE])


def test_a_failure_there_is_a_failure_here_and_without_a_server_the_work_is_done_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    log, unit = tmp_path / "log.txt", {"unit": "U-1", "kind": "motor"}
    lost = {name: tmp_path / "lost" for name in ("readings", "fit", "panels", "figures")}
    with warm.server() as environment:
        monkeypatch.setenv(warm.VARIABLE, environment[warm.VARIABLE])
        with pytest.raises(SystemExit) as error:
            warm.job("fit.py", fit.main, log, unit=unit, settings={"config_version": 1}, **lost)
    assert error.value.code == 1
    assert "FileNotFoundError" in capfd.readouterr().err
    assert "FileNotFoundError" in log.read_text(encoding="utf-8")
    done: list[str] = []
    warm.job("fit.py", lambda **arguments: done.extend(arguments), log, fit=1)
    assert done == ["fit"]
    assert log.read_text(encoding="utf-8") == DONE


def test_the_log_of_a_step_says_why_it_failed(tmp_path: Path) -> None:
    log = tmp_path / "log" / "register.txt"

    def wrong_input() -> None:
        raise InputError(Problem("changed since it was read", file="U-1/a.csv"))

    def unforeseen() -> None:
        raise KeyError("speed")

    with pytest.raises(InputError):
        logged(wrong_input, {}, log)
    assert log.read_text(encoding="utf-8") == "error: U-1/a.csv: changed since it was read\n"
    with pytest.raises(KeyError):
        logged(unforeseen, {}, log)
    assert "Traceback" in log.read_text(encoding="utf-8") and "KeyError: 'speed'" in log.read_text(encoding="utf-8")
    logged(lambda: ["trace of a look that failed"], {}, log)
    assert log.read_text(encoding="utf-8") == "trace of a look that failed"


def test_a_server_ends_with_the_run_that_is_killed() -> None:
    program = (
        "import json, signal\nfrom rotorproof import warm\nwith warm.server() as found:\n"
        "    print(json.dumps(found), flush=True)\n    signal.pause()"
    )
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, env=paths) as run:
        assert run.stdout is not None
        address = json.loads(run.stdout.readline())[warm.VARIABLE]
        assert _reachable(address)
        run.send_signal(signal.SIGKILL)
    end = time.monotonic() + HUNG
    while _reachable(address) and time.monotonic() < end:
        time.sleep(0.05)
    assert not _reachable(address)


def _threads_of_the_server() -> int:
    (process,) = (path.parent for path in Path("/proc").glob("[0-9]*/cmdline") if _is_my_server(path.parent))
    return len(list((process / "task").iterdir()))


def _is_my_server(process: Path) -> bool:
    try:
        mine = f"PPid:\t{os.getpid()}\n" in (process / "status").read_text(encoding="utf-8")
        return mine and b"rotorproof.warm" in (process / "cmdline").read_bytes()
    except OSError:  # it has just ended
        return False


def _reachable(address: str) -> bool:
    with socket.socket(socket.AF_UNIX) as connection:
        return connection.connect_ex(f"\0{address}") == 0


def test_a_library_that_does_not_load_costs_only_the_steps_that_need_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise OSError("cannot load a shared library")

    monkeypatch.setattr(warm, "_LIBRARIES", ("no_such_library", "rotorproof.logs.unit_logs"))
    monkeypatch.setattr(warm, "_try_out", broken)
    assert set(warm._loaded()) == {"read", "fit", "decide", "register"}


def test_a_script_that_does_not_load_costs_its_own_step_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in warm._JOBS:
        (tmp_path / f"{name}.py").write_text("def main(**given):\n    return []\n", encoding="utf-8")
    (tmp_path / "decide.py").write_text("def main(:\n    pass\n", encoding="utf-8")
    monkeypatch.setattr(warm, "_SCRIPTS", tmp_path)
    monkeypatch.setattr(warm, "_LIBRARIES", ())
    monkeypatch.setattr(warm, "_try_out", lambda: None)
    works, log = warm._loaded(), tmp_path / "log.txt"
    assert [warm._status(works[name], {}, log) for name in ("read", "fit", "register")] == [0, 0, 0]
    assert warm._status(works["decide"], {}, log) == 1
    said = log.read_text(encoding="utf-8")
    assert "scripts/decide.py: this step's script cannot be loaded (SyntaxError: " in said
    assert "line 1" in said and "Traceback" not in said
    assert capsys.readouterr().err == said
