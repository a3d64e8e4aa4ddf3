"""What is taken in on the day at the bench is held against what lies there later."""

from __future__ import annotations

import errno
import subprocess

import pytest

from rotorproof.__main__ import main
from rotorproof.checking import copies
from rotorproof.errors import InputError
from rotorproof.logs import intake, unit_logs
from rotorproof.logs.intake import taken_in

from ..errors.bench import process


@pytest.fixture
def log(bench):
    return bench.bad / "steps.csv"


def said(capsys, *arguments):
    status = main(list(arguments))
    found = capsys.readouterr()
    return status, found.out + found.err


def report(bench):
    return [p["message"] for p in process(bench.root).problems["BAD"]]


def test_a_log_taken_in_and_left_alone_is_nothing_to_speak_of(bench, log, capsys):
    status, words = said(capsys, "intake", "BAD")
    assert (status, "1 log taken in" in words) == (0, True)
    assert "taken in" not in said(capsys, "check", "BAD")[1]
    assert report(bench) == []


def test_the_list_is_one_that_sha256sum_reads(bench, log, capsys):
    assert said(capsys, "intake", "BAD")[0] == 0
    check = ["sha256sum", "--check", "--strict", "intake.sha256"]
    assert subprocess.run(check, cwd=bench.bad, capture_output=True, check=False).returncode == 0
    log.write_text(log.read_text().replace("2.5000", "2.6000"))
    assert subprocess.run(check, cwd=bench.bad, capture_output=True, check=False).returncode == 1


def test_a_cell_changed_later_is_named_by_check_and_report(bench, log, capsys):
    said(capsys, "intake", "BAD")
    log.write_text(log.read_text().replace("2.5000", "2.5001"))
    assert "is not the log that was taken in on 20" in said(capsys, "check", "BAD")[1]
    assert any("is not the log that was taken in on 20" in message for message in report(bench))


def test_what_was_written_down_is_never_replaced(bench, log, capsys):
    said(capsys, "intake", "BAD")
    before = (bench.bad / "intake.sha256").read_bytes()
    log.write_text(log.read_text().replace("2.5000", "2.5001"))
    status, words = said(capsys, "intake", "BAD")
    assert status == 1
    assert "is not the log that was taken in" in words
    assert (bench.bad / "intake.sha256").read_bytes() == before


def test_logs_that_come_later_or_go_are_named(bench, log, capsys):
    said(capsys, "intake", "BAD")
    (bench.bad / "again.csv").write_text(log.read_text())
    unit = bench.bad / "unit.yaml"
    unit.write_text(unit.read_text().replace("steps.csv", "again.csv"))
    words = said(capsys, "check", "BAD")[1]
    assert "BAD/again.csv: is not among the logs taken in" in words
    assert "BAD/steps.csv: was taken in on" in words
    assert said(capsys, "intake", "BAD")[0] == 1
    assert [entry.log for entry in taken_in(bench.bad, "BAD")] == ["steps.csv", "again.csv"]


def test_a_damaged_list_is_named_and_nothing_else_lost(bench, log, capsys):
    (bench.bad / "intake.sha256").write_text("# taken in on 2026-11-28\nnot a line of it\n")
    with pytest.raises(InputError) as caught:
        taken_in(bench.bad, "BAD")
    assert caught.value.problems[0].line == 2
    assert "64 digits" in said(capsys, "check", "BAD")[1]
    assert said(capsys, "intake", "BAD")[0] == 2
    outcome = process(bench.root)
    assert outcome.results["BAD"]["quantities"]
    assert any("64 digits" in problem["message"] for problem in outcome.problems["BAD"])


def test_a_unit_that_is_not_there(bench, capsys):
    status, words = said(capsys, "intake", "NOWHERE")
    assert (status, "no such unit: NOWHERE" in words) == (2, True)


def test_a_list_whose_last_line_was_left_open_is_added_to(bench, log, capsys):
    said(capsys, "intake", "BAD")
    listed = bench.bad / "intake.sha256"
    listed.write_text(listed.read_text().rstrip("\n"))
    (bench.bad / "again.csv").write_text(log.read_text())
    unit = bench.bad / "unit.yaml"
    unit.write_text(unit.read_text().replace("steps.csv", "again.csv"))
    said(capsys, "intake", "BAD")
    assert [entry.log for entry in taken_in(bench.bad, "BAD")] == ["steps.csv", "again.csv"]


def test_a_list_that_cannot_be_written_is_named(bench, log, capsys, monkeypatch):
    def refuse(path, content):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(intake, "write_bytes", refuse)
    status, words = said(capsys, "intake", "BAD", "GOOD")
    assert status == 2
    for name in ("BAD", "GOOD"):
        assert f"{name}/intake.sha256: the list of logs taken in cannot be written: Read-only file system" in words


def test_a_log_that_cannot_be_read_is_named_alone(bench, log, capsys, monkeypatch):
    (bench.bad / "again.csv").write_text(log.read_text())
    unit = bench.bad / "unit.yaml"
    test = unit.read_text().partition("tests:\n")[2].partition("acceptance:")[0]
    unit.write_text(unit.read_text().replace(test, test + test.replace("steps.csv", "again.csv")))
    whole = unit_logs.sha256

    def refuse(path):
        if path.name == "again.csv":
            raise PermissionError(errno.EACCES, "Permission denied")
        return whole(path)

    for module in (unit_logs, copies):
        monkeypatch.setattr(module, "sha256", refuse)
    status, words = said(capsys, "intake", "BAD")
    assert (status, "BAD/again.csv: the log cannot be read" in words) == (2, True)
    assert [entry.log for entry in taken_in(bench.bad, "BAD")] == ["steps.csv"]
    assert "BAD/again.csv" not in said(capsys, "check", "BAD")[1]
    assert not any("taken in" in message for message in report(bench))
