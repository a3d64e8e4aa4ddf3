"""Killed wherever it changes what lies on the disk, signing leaves no half-written archive or register.

The points at which to kill are counted, not timed: Python tells before it opens a file for writing, makes, renames or
removes anything, and there the program ends itself as by ``kill -9``. So every state between two such changes is met
on any machine, however busy.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from rotorproof.evidence.signature import quiet_libraries
from rotorproof.evidence.verify import verify_archive

from .conftest import Workshop, copy_of

#: Loads the program once and signs in forked children, of which each but the first and the last is killed.
DRIVER = """
import json, os, signal, sys
import rotorproof.evidence.archive, rotorproof.rendering.report, rotorproof.workflow, weasyprint, pikepdf
import pyhanko.sign.signers, pyhanko.sign.validation, rotorproof.rendering.register, rotorproof.evidence.signature
from rotorproof.__main__ import main
passphrase, most = sys.argv[1], int(sys.argv[2])
arguments = ["sign", "CT-1", "--role", "tester", "--passphrase-file", passphrase, "--because", "again"]
place = os.path.realpath("reports")
MADE = {"os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.link", "os.symlink", "os.chmod"}
def signing(kill_at):
    sees, tells = os.pipe()
    child = os.fork()
    if not child:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1), os.dup2(quiet, 2)
        def watch(event, given):
            if event in MADE or (event == "open" and isinstance(given[2], int) and given[2] & os.O_ACCMODE):
                if os.path.abspath(os.fsdecode(given[0])).startswith(place):
                    os.write(tells, b"r" if event == "os.rename" else b".")
                    watch.seen += 1
                    if watch.seen == kill_at:
                        os.kill(os.getpid(), signal.SIGKILL)
        watch.seen = 0
        sys.addaudithook(watch)
        os._exit(main(arguments))
    os.close(tells)
    with os.fdopen(sees, "rb") as stream:
        seen = stream.read().decode()
    return seen, os.waitpid(child, 0)[1]
changes, status = signing(None)
assert status == 0, status
renames = [k + 1 for k, letter in enumerate(changes) if letter == "r"]
# Before and after each rename, which is when something appears, and a few between the others.
points = {k for r in renames for k in (r, r + 1) if k <= len(changes)}
points |= set(range(1, len(changes) + 1, max(1, len(changes) // max(1, most - len(points)))))
killed = sum(os.WIFSIGNALED(signing(point)[1]) for point in sorted(points))
print(json.dumps({"changes": len(changes), "renames": len(renames), "points": len(points), "killed": killed,
                  "last": signing(None)[1]}))
"""


@pytest.mark.slow
def test_kills_leave_only_whole_revisions(signed: Workshop, tmp_path: Path) -> None:
    quiet_libraries()
    workshop = copy_of(signed, tmp_path)
    environment = {**os.environ, "PYTHONPATH": str(workshop.root / "scripts"), "XDG_DATA_HOME": str(workshop.home)}
    done = subprocess.run(
        [sys.executable, "-c", DRIVER, str(workshop.passphrase), "16"],
        cwd=workshop.root,
        env={**environment, "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    print(said)
    assert said["renames"] >= 2, "the revision and the register"
    assert said["killed"] == said["points"] >= 12
    assert said["last"] == 0
    folder = workshop.reports / "archive" / "CT-1"
    revisions = sorted((path for path in folder.iterdir() if path.name != ".lock"), key=lambda path: path.name)
    assert all(path.name.startswith("r") for path in revisions), revisions
    for path in revisions:
        found = verify_archive(path, [])
        assert found.faults == [], (path, found.faults)
    numbers = sorted(int(path.name[1:]) for path in revisions)
    assert numbers == list(range(1, len(numbers) + 1))
    register = (workshop.reports / "index.html").read_text(encoding="utf-8")
    assert register.rstrip().endswith("</html>")
