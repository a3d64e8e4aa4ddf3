"""The faults' own parts: each can do harm, and what the program says of a full disk."""

from __future__ import annotations

import errno
import signal
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest

from rotorproof.__main__ import main
from rotorproof.commands import command
from tests.workflow.conftest import Project

from . import classes
from .bench import Bench


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_a_disk_without_room_is_said_in_a_line(
    number: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(arguments: object) -> int:
        del arguments
        raise OSError(number, "whatever")

    monkeypatch.setattr(command("check"), "run", full)
    assert main(["check"]) == 2
    said = capsys.readouterr().err
    assert "make room on the disk" in said
    assert len(said.splitlines()) == 1


def test_another_error_of_the_system_is_not_taken_for_a_full_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(arguments: object) -> int:
        del arguments
        raise OSError(errno.EIO, "whatever")

    monkeypatch.setattr(command("check"), "run", broken)
    with pytest.raises(OSError, match="whatever"):
        main(["check"])


def test_harm_is_seen(monkeypatch: pytest.MonkeyPatch, tmp_path: object) -> None:
    """A report whose bytes are not those of the undisturbed run, and a traceback, count."""
    root = Path(str(tmp_path)) / "project"
    (root / "reports/CT-1").mkdir(parents=True)
    (root / "reports/CT-1/results.json").write_text("{}", encoding="utf-8")
    bench = Bench(root.parent, Project(root), {"CT-1/results.json": b"{ }", "CT-1/report.pdf": b""})
    done = subprocess.CompletedProcess[str]([], 0, "", "")
    monkeypatch.setattr(Bench, "run", lambda self, *arguments: done)
    broken = subprocess.CompletedProcess[str]([], 1, "", "Traceback\nOSError: x")
    assert bench.harm(broken) == [
        "a traceback: OSError: x",
        "CT-1/report.pdf is missing after the next run",
        "CT-1/results.json is not what it was after the next run",
    ]
    assert len(classes.EVERY) == 9


SLOW = 3600.0  # s


def started(code: str, lasts: float, monkeypatch: pytest.MonkeyPatch) -> tuple[Bench, list[subprocess.Popen[str]]]:
    """Return a bench whose commands run ``code``, after a run that took ``lasts`` seconds, and what it starts."""
    runs: list[subprocess.Popen[str]] = []

    def start(self: Bench, *arguments: str) -> subprocess.Popen[str]:
        del self, arguments
        runs.append(subprocess.Popen([sys.executable, "-c", code], text=True, process_group=0))
        return runs[-1]

    monkeypatch.setattr(Bench, "start", start)
    return Bench(Path(), Project(Path()), {}, lasts={"report": lasts}), runs


def test_after_a_slow_run_the_moments_are_those_of_the_one_that_was_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    bench, _ = started("pass", SLOW, monkeypatch)
    moment = Random(1).uniform(0, SLOW)
    with pytest.raises(classes.MissedError):
        classes._killed(bench, ("report",), Random(1))
    assert 0 < bench.lasts["report"] < moment


def test_a_run_that_failed_by_itself_tells_no_length(monkeypatch: pytest.MonkeyPatch) -> None:
    bench, _ = started("raise SystemExit(3)", SLOW, monkeypatch)
    with pytest.raises(classes.MissedError):
        classes._killed(bench, ("report",), Random(1))
    assert bench.lasts["report"] == SLOW


def test_a_run_that_goes_on_is_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    bench, runs = started("import time; time.sleep(3600)", 0.01, monkeypatch)
    classes._killed(bench, ("report",), Random(1))
    assert [run.returncode for run in runs] == [-signal.SIGKILL]
