"""The faults, each as a function of the bench and of chance that returns what harm was done."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from random import Random
from typing import Final

from . import rights
from .bench import UNITS, Bench, NotHereError


class MissedError(Exception):
    """The run was over before the fault came."""


def _killed(bench: Bench, arguments: tuple[str, ...], chance: Random) -> None:
    """Kill a command and all that it started at any moment of the time that its last run took.

    A run that ends before is the last one then: a slow one before it would make the next moments come too late as well.
    """
    began = time.monotonic()
    process = bench.start(*arguments)
    try:
        process.wait(chance.uniform(0, bench.lasts[arguments[0]]))
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    else:
        if process.returncode == 0:
            bench.lasts[arguments[0]] = time.monotonic() - began
        raise MissedError


def killed_reporting(bench: Bench, chance: Random) -> list[str]:
    """Kill a run and all that it started, at any moment."""
    bench.fresh()
    _killed(bench, ("report", "--quiet"), chance)
    return bench.harm()


def killed_signing(bench: Bench, chance: Random) -> list[str]:
    """Kill the signing of a report at any moment; what is there must hold, and the next signature finds its place."""
    shutil.rmtree(bench.reports / "archive", ignore_errors=True)
    if "sign" not in bench.lasts or bench.run("report", "--quiet").returncode != 0:
        bench.run("report", "--quiet")
        bench.run(*bench.signing())
        shutil.rmtree(bench.reports / "archive")
    _killed(bench, bench.signing(), chance)
    found = _archives(bench)
    done = bench.run(*bench.signing())
    if done.returncode != 0:
        found.append(f"the next signature ends with {done.returncode}: {done.stderr[-200:]}")
    there = {path.name for path in (bench.reports / "archive" / UNITS[0]).iterdir()} - {".lock"}
    if there not in ({"r1"}, {"r1", "r2"}):
        found.append(f"beside the archives lies what is none: {', '.join(sorted(there))}")
    return found + _archives(bench) + bench.harm()


def _archives(bench: Bench) -> list[str]:
    folder = bench.reports / "archive" / UNITS[0]
    kept = [path for path in folder.glob("*") if path.name.startswith("r")] if folder.is_dir() else []
    if not kept:
        return []
    said = bench.run("verify", str(folder))
    return [] if said.returncode == 0 else [f"an archive does not hold: {said.stdout[-300:]}"]


@contextmanager
def _small_disk(bench: Bench, kilobytes: int) -> Iterator[None]:
    """Put the reports on a disk of their own, of that size."""
    if os.geteuid() != 0:
        raise NotHereError("needs root")
    bench.fresh()
    bench.reports.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(bench.reports)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        raise NotHereError("no disk can be mounted")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(bench.reports)], check=True)


def _used(bench: Bench) -> int:
    return sum(path.stat().st_size for path in bench.reports.rglob("*") if path.is_file()) // 1024


def disk_full_reporting(bench: Bench, chance: Random) -> list[str]:
    """Let the disk be full after any share of what a report takes; with room again, the run goes on."""
    with _small_disk(bench, chance.randint(40, max(100, int(1.4 * sum(map(len, bench.whole.values())) / 1024)))):
        during = bench.run("report", "--quiet")
        _remounted(bench)
        return _said_full(during) + bench.harm(during)


def _remounted(bench: Bench) -> None:
    subprocess.run(["mount", "-o", "remount,size=200m", str(bench.reports)], check=True)


def _said_full(during: subprocess.CompletedProcess[str]) -> list[str]:
    if during.returncode == 0:
        return []
    text = during.stdout + during.stderr
    return (
        []
        if "No space left" in text or "make room on the disk" in text
        else [f"it is not said that the disk is full: {text[-200:]}"]
    )


def disk_full_signing(bench: Bench, chance: Random) -> list[str]:
    """Let the disk be full while a report is signed."""
    with _small_disk(bench, 200_000):
        bench.run("report", "--quiet")
        room = _used(bench) + chance.randint(8, 3000)
        subprocess.run(["mount", "-o", f"remount,size={room}k", str(bench.reports)], check=True)
        during = bench.run(*bench.signing())
        _remounted(bench)
        found = [*_said_full(during), *_archives(bench)]
        done = bench.run(*bench.signing())
        if done.returncode != 0:
            found.append(f"signing with room again ends with {done.returncode}: {done.stderr[-200:]}")
        return found + _archives(bench) + bench.harm(during)


def file_size_limit(bench: Bench, chance: Random) -> list[str]:
    """Let no file grow beyond a size, as a quota does."""
    bench.fresh()
    most = chance.randint(2, 400) * 1024

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

    return bench.harm(bench.run("report", "--quiet", first=limit))


def two_runs(bench: Bench, chance: Random) -> list[str]:
    """Start a second run while another is at work; it waits, or says so."""
    bench.fresh()
    first = bench.start("report", "--quiet")
    time.sleep(chance.uniform(0, bench.lasts["report"]))
    second = bench.run("report", "--quiet")
    first.wait()
    return bench.harm(second)


def no_rights(bench: Bench, chance: Random) -> list[str]:
    """Take rights to each of some files and folders from a user who is not root; then give them back."""
    del bench
    found = []
    with rights.workshop() as theirs:
        for what in chance.sample(rights.EVERY, k=len(rights.EVERY)):
            found += [f"{what.path}: {harm}" for harm in [*rights.harm(theirs, what), *theirs.harm()]]
    return found


def log_replaced(bench: Bench, chance: Random) -> list[str]:
    """Put other readings in the place of a log during a run, and the true ones back; every state has its own report."""
    bench.fresh()
    logs = [bench.project.root / "raw" / unit / "steps.csv" for unit in UNITS]
    first, second = (log.read_bytes() for log in logs)

    def swap() -> None:
        time.sleep(chance.uniform(0, bench.lasts["report"]))
        logs[0].write_bytes(second)

    thread = threading.Thread(target=swap)
    thread.start()
    during = bench.run("report", "--quiet")
    thread.join()
    logs[0].write_bytes(first)
    return bench.harm(during)


def clock_set_back(bench: Bench, chance: Random) -> list[str]:
    """Let files bear times that are yet to come, as after a clock was set back between two runs."""
    files = [path for root in (bench.reports, bench.project.root / "raw") for path in root.rglob("*") if path.is_file()]
    later = time.time() + chance.uniform(60, 5e6)
    for path in chance.sample(files, k=max(1, len(files) // 2)):
        os.utime(path, (later, later))
    found = bench.harm()
    for path in files:
        if path.exists():
            os.utime(path)
    return found


EVERY: Final[dict[str, Callable[[Bench, Random], list[str]]]] = {
    "killed while reporting": killed_reporting,
    "killed while signing": killed_signing,
    "disk full while reporting": disk_full_reporting,
    "disk full while signing": disk_full_signing,
    "no file beyond a size": file_size_limit,
    "two runs at once": two_runs,
    "a folder without rights": no_rights,
    "a log replaced during a run": log_replaced,
    "times that are yet to come": clock_set_back,
}
