"""Killed at any moment while it signs, the program leaves no half-written archive and no half-written register."""

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

#: Loads the program once and signs in forked children, so that a kill falls into the signing, not into the loading.
DRIVER = """
import json, os, random, signal, sys, time
import rotorproof.evidence.archive, rotorproof.rendering.report, rotorproof.workflow, weasyprint, pikepdf
import pyhanko.sign.signers, pyhanko.sign.validation, rotorproof.rendering.register, rotorproof.evidence.signature
from rotorproof.__main__ import main
passphrase, kills = sys.argv[1], int(sys.argv[2])
arguments = ["sign", "CT-1", "--role", "tester", "--passphrase-file", passphrase, "--because", "again"]
chance = random.Random(3)
def signing(kill_after):
    child = os.fork()
    if not child:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1), os.dup2(quiet, 2)
        os._exit(main(arguments))
    start = time.monotonic()
    if kill_after is not None:
        time.sleep(kill_after)
        os.kill(child, signal.SIGKILL)
    status = os.waitpid(child, 0)[1]
    return time.monotonic() - start, status
full, status = signing(None)
assert status == 0, status
killed = 0
for _ in range(kills):
    killed += os.WIFSIGNALED(signing(chance.uniform(0.02, full))[1])
last = signing(None)[1]
print(json.dumps({"full": full, "killed": killed, "last": last}))
"""


@pytest.mark.slow
def test_fifty_kills_leave_only_whole_revisions(signed: Workshop, tmp_path: Path) -> None:
    quiet_libraries()
    workshop = copy_of(signed, tmp_path)
    environment = {**os.environ, "PYTHONPATH": str(workshop.root / "scripts"), "XDG_DATA_HOME": str(workshop.home)}
    done = subprocess.run(
        [sys.executable, "-c", DRIVER, str(workshop.passphrase), "50"],
        cwd=workshop.root,
        env={**environment, "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=500,
    )
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    print(said)
    assert said["killed"] > 25
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
