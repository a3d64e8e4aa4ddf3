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

from .bench import UNITS, Bench


class NotHereError(Exception):
    """The fault cannot be made on this computer."""


def _duration(bench: Bench) -> float:
    """Return how long a whole run takes here and now, measured once."""
    if bench.place not in _DURATIONS:
        bench.fresh()
        start = time.monotonic()
        bench.run("report", "--quiet")
        _DURATIONS[bench.place] = time.monotonic() - start
    return _DURATIONS[bench.place]


_DURATIONS: Final[dict[object, float]] = {}


def _killed(bench: Bench, arguments: tuple[str, ...], after: float) -> bool:
    line, environment = bench.command(*arguments)
    process = subprocess.Popen(
        line,
        cwd=bench.project.root,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        process.wait(after)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return True
    return False


def killed_reporting(bench: Bench, chance: Random) -> list[str]:
    """Kill a run and all that it started, at any moment."""
    longest = _duration(bench)
    bench.fresh()
    _killed(bench, ("report", "--quiet"), chance.uniform(0.2, longest))
    return bench.harm()


def killed_signing(bench: Bench, chance: Random) -> list[str]:
    """Kill the signing of a report at any moment; every revision that is there must hold."""
    if not (bench.reports / UNITS[0] / "report.pdf").is_file() or not (bench.reports / UNITS[1]).is_dir():
        bench.run("report", "--quiet")
    _killed(bench, bench.signing(), chance.uniform(0.5, _duration(bench)))
    found = _archives(bench)
    shutil.rmtree(bench.reports / "archive", ignore_errors=True)
    return found


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
    line, environment = bench.command("report", "--quiet")

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

    during = subprocess.run(
        line,
        cwd=bench.project.root,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
        preexec_fn=limit,
    )
    return bench.harm(during)


def two_runs(bench: Bench, chance: Random) -> list[str]:
    """Start a second run while another is at work; it waits, or says so."""
    bench.fresh()
    line, environment = bench.command("report", "--quiet")
    first = subprocess.Popen(
        line,
        cwd=bench.project.root,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    time.sleep(chance.uniform(0, _DURATIONS.get(bench.place, 5.0)))
    second = bench.run("report", "--quiet")
    first.wait()
    return bench.harm(second)


def no_rights(bench: Bench, chance: Random) -> list[str]:
    """Take the right to write from one folder of the reports, where that binds whoever runs this."""
    if os.geteuid() == 0:
        raise NotHereError("binds nobody who is root")
    folders = [path for path in bench.reports.rglob("*") if path.is_dir() and "archive" not in path.parts]
    chosen = chance.choice(folders)
    shutil.rmtree(bench.reports / UNITS[0], ignore_errors=True)
    mode = chosen.stat().st_mode if chosen.exists() else None
    if mode is not None:
        chosen.chmod(0o555)
    during = bench.run("report", "--quiet")
    if mode is not None and chosen.exists():
        chosen.chmod(mode)
    return bench.harm(during)


def log_replaced(bench: Bench, chance: Random) -> list[str]:
    """Put other readings in the place of a log during a run, and the true ones back; every state has its own report."""
    bench.fresh()
    logs = [bench.project.root / "raw" / unit / "steps.csv" for unit in UNITS]
    first, second = (log.read_bytes() for log in logs)

    def swap() -> None:
        time.sleep(chance.uniform(0, _DURATIONS.get(bench.place, 5.0)))
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
