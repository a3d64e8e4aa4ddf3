"""Reading an archive, and computing its results again, takes so much memory and time, and no more."""

from __future__ import annotations

import argparse
import faulthandler
import gzip
import io
import json
import os
import resource
import subprocess
import sys
import time
import zlib
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import pikepdf
import pytest

from rotorproof.bounded import LimitError, Limits, bounded, memory_here, run
from rotorproof.child import python
from rotorproof.commands import verify
from rotorproof.errors import InputError, Problem
from rotorproof.evidence.recompute import LIMITS

from .conftest import Workshop
from .forging import forge, with_evidence

GIGABYTE = 1024**3
SMALL = Limits(memory=2 * GIGABYTE, seconds=20, raised_by=("--memory", "--minutes"))


def test_what_the_work_gives_and_what_it_raises_comes_back() -> None:
    assert bounded(lambda: {"a": [1, None, "x" * 300_000]}, SMALL, "it") == {"a": [1, None, "x" * 300_000]}
    with pytest.raises(InputError, match=r"x\.csv, line 3: wrong") as caught:
        bounded(refuse, SMALL, "it")
    assert caught.value.problems[0].line == 3


def refuse() -> None:
    raise InputError(Problem("wrong", "x.csv", 3))


@pytest.mark.parametrize(
    ("there", "container", "allowed"), [(64, "max", 12), (8, "max", 6), (1, "max", 2), (64, str(4 * GIGABYTE), 3)]
)
def test_the_memory_follows_the_computer(
    monkeypatch: pytest.MonkeyPatch, there: int, container: str, allowed: int
) -> None:
    monkeypatch.setattr("os.sysconf", {"SC_PHYS_PAGES": there * GIGABYTE // 4096, "SC_PAGE_SIZE": 4096}.__getitem__)
    monkeypatch.setattr(Path, "read_text", lambda self, encoding: container)
    assert memory_here(12 * GIGABYTE) == allowed * GIGABYTE


def test_more_memory_than_allowed() -> None:
    with pytest.raises(InputError, match="it was stopped: it asked for more than 2 GB of memory; --memory sets"):
        bounded(lambda: len(bytearray(3 * GIGABYTE)), SMALL, "it")


def test_more_time_than_allowed() -> None:
    started = time.monotonic()
    with pytest.raises(InputError, match="it was stopped: it asked for more than 1 s; --minutes sets"):
        bounded(lambda: time.sleep(600), Limits(SMALL.memory, 1, raised_by=SMALL.raised_by), "it")
    assert time.monotonic() - started < 600  # what the work itself would have taken


def test_more_of_a_file_and_more_files_than_allowed(tmp_path: Path) -> None:
    limits = Limits(SMALL.memory, 20, file=1_000_000, files=64)
    with pytest.raises(InputError, match=r"it was stopped: it asked for a file of more than 0\.00093"):
        bounded(lambda: (tmp_path / "large").write_bytes(bytes(3_000_000)), limits, "it")
    assert (tmp_path / "large").stat().st_size <= 1_000_000
    with pytest.raises(InputError, match="it broke off: Too many open files"):
        bounded(lambda: [(tmp_path / str(k)).open("w") for k in range(100)] and None, limits, "it")


def test_a_crash_of_the_work_is_told_and_leaves_this_process_alone() -> None:
    def crash() -> None:
        faulthandler.disable()  # pytest's own would write its dump into this test's output
        os.kill(os.getpid(), 11)

    with pytest.raises(InputError, match="it broke off: the process ended with status -11"):
        bounded(crash, SMALL, "it")
    assert resource.getrlimit(resource.RLIMIT_AS)[0] == resource.RLIM_INFINITY


def test_a_command_that_outlives_its_time_is_ended_with_all_it_started(tmp_path: Path) -> None:
    program = "import subprocess,sys,time; p=subprocess.Popen(['sleep','600']); open('pid','w').write(str(p.pid));"
    with pytest.raises(InputError, match="more than 5 s"):
        run(python("-c", program + "time.sleep(600)"), Limits(SMALL.memory, 5), "it", tmp_path)
    pid = int((tmp_path / "pid").read_text())
    time.sleep(0.2)
    state = Path(f"/proc/{pid}/stat")
    assert not state.exists() or state.read_text().split()[2] == "Z"


# ----- A small file that unpacks to gigabytes


def small_and_large(gigabytes: int) -> bytes:
    """Return a compressed stream of a thousandth of the bytes that it unpacks to."""
    packer = zlib.compressobj(9)
    block = b" " * (1 << 24)
    return b"".join([packer.compress(block) for _ in range(64 * gigabytes)] + [packer.flush()])


@pytest.fixture(scope="module")
def bomb() -> bytes:
    """Return 6 GB, packed."""
    return small_and_large(6)


def hollow(stream: bytes, kind: str) -> bytes:
    """Return a PDF whose table of contents, or whose objects, lie in ``stream``."""
    head = b"%PDF-1.7\n"
    if kind == "table":
        table = len(head)
        body = b"1 0 obj\n<</Type/XRef/Size 5/W[1 4 2]/Root 2 0 R/Filter/FlateDecode/Length %d>>stream\n" % len(stream)
        return head + body + stream + b"\nendstream\nendobj\nstartxref\n%d\n%%%%EOF\n" % table
    objects = b"4 0 obj\n<</Type/ObjStm/N 1/First 4/Filter/FlateDecode/Length %d>>stream\n" % len(stream)
    objects += stream + b"\nendstream\nendobj\n"
    table = len(head) + len(objects)
    rows = b"".join(
        kind_of.to_bytes(1, "big") + place.to_bytes(4, "big") + more.to_bytes(2, "big")
        for kind_of, place, more in ((0, 0, 0), (1, table, 0), (2, 4, 0), (0, 0, 0), (1, len(head), 0))
    )
    packed = zlib.compress(rows)
    body = b"1 0 obj\n<</Type/XRef/Size 5/W[1 4 2]/Root 2 0 R/Filter/FlateDecode/Length %d>>stream\n" % len(packed)
    return head + objects + body + packed + b"\nendstream\nendobj\nstartxref\n%d\n%%%%EOF\n" % table


def peak_of(workshop: Workshop, *arguments: str | Path) -> tuple[float, str]:
    """Run a command in a process that tells the most memory any child of it held, in bytes."""
    program = (
        "import json,resource,subprocess,sys\n"
        "done = subprocess.run(sys.argv[1:], capture_output=True, text=True)\n"
        "print(json.dumps([resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, done.stdout + done.stderr]))\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(workshop.root / "scripts"), "XDG_DATA_HOME": str(workshop.home)}
    command = [sys.executable, "-P", "-m", "rotorproof", *map(str, arguments)]
    done = subprocess.run(
        [sys.executable, "-c", program, *command], capture_output=True, text=True, check=True, env=environment
    )
    peak, said = json.loads(done.stdout)
    return peak * 1024, said


@pytest.mark.parametrize("kind", ["table", "objects"])
def test_a_small_pdf_that_unpacks_to_gigabytes(signed: Workshop, tmp_path: Path, bomb: bytes, kind: str) -> None:
    path = tmp_path / "x.pdf"
    path.write_bytes(hollow(bomb, kind))
    assert path.stat().st_size < 8_000_000
    peak, said = peak_of(signed, "verify", path)
    assert peak < 2.1 * GIGABYTE, said
    assert "=> DOES NOT HOLD" in said
    assert "Traceback" not in said
    assert "the PDF is packed so that it unpacks to far more than a report holds" in said


def test_a_signed_pdf_with_an_attachment_of_gigabytes(signed: Workshop, archive: Path, bomb: bytes) -> None:
    def swell(pdf: bytes) -> bytes:
        with pikepdf.open(io.BytesIO(pdf)) as document:
            stream = document.attachments["results.json"].obj.EF.F
            stream.write(bomb, filter=pikepdf.Name.FlateDecode)
            buffer = io.BytesIO()
            document.save(buffer)
        return buffer.getvalue()

    forge(signed, archive, rework=swell)
    peak, said = peak_of(signed, "verify", archive)
    assert peak < 2.1 * GIGABYTE, said
    assert "=> DOES NOT HOLD" in said
    assert "the PDF is signed, but not by this program" in said
    assert "Traceback" not in said


# ----- Computing again


def test_computing_again_takes_no_more_time_and_memory_than_it_may(signed: Workshop) -> None:
    for option, value, said in (
        ("--minutes", "0", "--minutes takes a number from 0.1"),
        ("--memory", "nan", "--memory takes a number from 0.1"),
    ):
        done = signed.command("verify", "reports/archive/CT-1/r1", "--recompute", option, value)
        assert done.returncode == 2
        assert said in done.stderr
    # In a process of its own, whose memory is what it has asked for itself.
    _, said = peak_of(signed, "verify", signed.reports / "archive/CT-1/r1", "--recompute", "--memory", "0.1")
    assert "=> DOES NOT HOLD" in said, "not even reading it was possible"
    assert "asked for more than 0.1 GB of memory; --memory sets another limit" in said


def test_a_limit_of_this_computer_is_no_fault_of_the_archive(
    signed: Workshop, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("rotorproof.evidence.recompute.LIMITS", replace(LIMITS, seconds=0.0))
    # The process of the tests may itself hold more than a command may; reading is not what is tried here.
    asked: dict[str, object] = {"trust": [signed.public], "memory": 64.0, "minutes": None, "json": False}
    paths = [signed.reports / "archive/CT-1/r1"]
    status = verify.run(argparse.Namespace(paths=paths, recompute=True, **asked))
    said = capsys.readouterr().out
    assert (status, "BROKEN" in said) == (4, False), said
    assert "not computed again: computing the results again was stopped: it asked for more than 0 s; --minutes" in said
    assert said.rstrip().endswith("=> HOLDS, BUT IT WAS NOT COMPUTED AGAIN")


def test_a_limit_is_told_from_other_reasons() -> None:
    cases: list[tuple[Callable[[], object], type]] = [
        (lambda: len(bytearray(3 * GIGABYTE)), LimitError),
        (refuse, InputError),
    ]
    for work, kind in cases:
        with pytest.raises(InputError) as caught:
            bounded(work, SMALL, "it")
        assert type(caught.value) is kind
        # A child of a child, too.
        with pytest.raises(InputError) as caught:
            bounded(partial(bounded, work, SMALL, "it"), replace(SMALL, memory=4 * GIGABYTE), "it")
        assert type(caught.value) is kind


def test_a_log_that_is_far_too_large_when_unpacked(signed: Workshop, archive: Path) -> None:
    unit = (archive / "data/raw/CT-1/unit.yaml").read_bytes().replace(b"log: steps.csv", b"log: steps.csv.gz")
    head = (archive / "data/raw/CT-1/steps.csv").read_bytes()
    # Blank lines without end after the readings.
    log = gzip.compress(head + b"\n" * (1 << 20)) * 200
    files = {"data/raw/CT-1/unit.yaml": unit, "data/raw/CT-1/steps.csv.gz": log}
    forge(signed, archive, files=with_evidence(archive, files))
    peak, said = peak_of(signed, "verify", archive, "--recompute", "--memory", "3")
    assert peak < 3.1 * GIGABYTE, said
    assert "=> DOES NOT HOLD" in said
    assert "Traceback" not in said
