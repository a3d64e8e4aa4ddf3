"""Run the workflow engine for a command, one run at a time, and show how far it is."""

from __future__ import annotations

import fcntl
import json
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import IO, Any

from .. import child, warm
from ._project import ROOT

_STEP = re.compile(r"^(\d+) of (\d+) steps")
_JOB = re.compile(r"^(?:Job \d+|localrule \w+): (.+)$")


class BusyError(RuntimeError):
    """Another run is working on the same reports."""


def run_workflow(
    reports: Path, targets: list[str], cores: int, settings: dict[str, Any], *, quiet: bool
) -> tuple[int, list[str]]:
    """Run the workflow for ``targets`` (none: everything); return its exit status and lines that may explain a failure.

    Raises ``BusyError`` if another run works on the folder ``reports``.
    """
    (reports / ".work").mkdir(parents=True, exist_ok=True)
    with (reports / ".work" / "lock").open("w") as lock:
        try:
            # The system frees this lock when the program ends, however it ends.
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise BusyError(f"another run is working on {reports}; wait for it to end") from None
        return _snakemake(targets, cores, settings, quiet=quiet)


def _snakemake(targets: list[str], cores: int, settings: dict[str, Any], *, quiet: bool) -> tuple[int, list[str]]:
    command = child.python(ROOT / "scripts" / "engine.py")
    # A profile is a file of options, some of which are code: none is taken but one that was asked for.
    command += ["--profile", "none", "--workflow-profile", "none"]
    command += ["--snakefile", str(ROOT / "Snakefile"), "--directory", str(ROOT)]
    command += ["--cores", str(cores), "--keep-going", "--rerun-incomplete", "--nolock", "--nocolor"]
    # Every job takes one core and nothing else: there is nothing for a solver to weigh. Of hundreds of ready jobs some
    # are looked at each time, not all: else each job would cost more the more units there are.
    command += ["--scheduler", "greedy", "--scheduler-subsample", str(8 * cores)]
    if settings:
        command += ["--config", *(f"{key}={json.dumps(value)}" for key, value in settings.items())]
    command += ["--", *targets] if targets else []
    # The engine looks for plugins in the folder that it is started in: an empty one.
    with warm.server() as address, tempfile.TemporaryDirectory(prefix="rotorproof-") as empty:
        process = subprocess.Popen(
            command,
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
            env={**child.environment(), **address},
            cwd=empty,
        )
        assert process.stderr is not None
        try:
            unclear = _follow(process.stderr, quiet=quiet)
            status = process.wait()
        except BaseException:
            process.terminate()
            process.wait()
            raise
    return status, unclear


def _follow(stream: IO[str], *, quiet: bool) -> list[str]:
    """Show the workflow's progress; return the lines that may explain a failure."""
    live = sys.stderr.isatty() and not quiet
    started = time.monotonic()
    done = total = 0
    kept: list[str] = []
    for line in stream:
        text = line.rstrip()
        if step := _STEP.match(text):
            done, total = int(step[1]), int(step[2])
        elif (job := _JOB.match(text)) and not quiet:
            left = ""
            if done and total:
                seconds = (time.monotonic() - started) * (total - done) / done
                left = f", about {seconds:.0f} s left"
            count = f"[{done}/{total}{left}] " if total else ""
            shown = f"{count}{job[1]}"
            if live:
                print(f"\r\x1b[K{shown[:100]}", end="", file=sys.stderr, flush=True)
            else:
                print(shown, file=sys.stderr, flush=True)
        elif "Error" in text or "error" in text or text.startswith("    log:"):
            kept.append(text)
    if live:
        print("\r\x1b[K", end="", file=sys.stderr)
    return kept[-20:]
