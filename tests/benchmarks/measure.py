"""Measure work in a process of its own: processor time, wall time, memory."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Cost:
    """What one piece of work cost: seconds of processor and on the clock, and the largest process in MB."""

    processor: float
    wall: float
    memory: float
    output: str


@dataclass(frozen=True)
class Row:
    """A line of the table."""

    what: str
    ours: str
    beside: str
    figure: str
    target: str
    met: bool | None


def python(code: str, *arguments: str | Path, root: Path = ROOT) -> Cost:
    """Run Python code with the project at ``root`` on its path."""
    return run([sys.executable, "-c", code, *map(str, arguments)], root=root)


def run(command: Sequence[str], *, root: Path = ROOT) -> Cost:
    """Run a command and everything it starts, with the code of the project at ``root``; raise if it fails."""
    environment = {**os.environ, "PYTHONPATH": f"{root / 'scripts'}{os.pathsep}{ROOT}", "OMP_NUM_THREADS": "1"}
    # As on any computer but some that build: compiled modules are kept.
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    start = time.monotonic()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment)
    assert process.stdout is not None
    output = process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{' '.join(command)[:200]} failed:\n{output[-3000:]}")
    return Cost(used.ru_utime + used.ru_stime, time.monotonic() - start, used.ru_maxrss / 1024, output)


def report(root: Path, raw: Path, reports: Path, cores: int, *more: str) -> Cost:
    """Run the ``report`` command of the project at ``root``."""
    settings = ["--config", f"raw_dir={raw}", f"reports_dir={reports}", *more]
    command = [sys.executable, "-m", "rotorproof", "report", "--quiet", "--cores", str(cores), *settings]
    return run(command, root=root)


def ratio(what: str, ours: Cost, beside: Cost, most: float) -> Row:
    """Return a row that compares processor times."""
    found = ours.processor / beside.processor
    return Row(what, _seconds(ours), _seconds(beside), f"{found:.2f}x", f"at most {most:g}x", found <= most)


def _seconds(cost: Cost) -> str:
    return f"{cost.processor:.1f} s ({cost.wall:.1f})"


def table(rows: Sequence[Row]) -> str:
    """Return the rows as a table in Markdown."""
    head = ("work", "ours: processor (wall)", "beside: processor (wall)", "figure", "target", "met")
    words = {True: "yes", False: "NO", None: ""}
    lines = [head, *((r.what, r.ours, r.beside, r.figure, r.target, words[r.met]) for r in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    text = [
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) + " |" for line in lines
    ]
    return "\n".join([text[0], "|" + "|".join("-" * (width + 2) for width in widths) + "|", *text[1:]])
