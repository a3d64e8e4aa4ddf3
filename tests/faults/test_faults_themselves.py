"""The faults' own parts: each can do harm, and what the program says of a full disk."""

from __future__ import annotations

import errno

import pytest

from rotorproof.__main__ import main
from rotorproof.commands import command

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
    import subprocess
    from pathlib import Path

    from tests.workflow.conftest import Project

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
