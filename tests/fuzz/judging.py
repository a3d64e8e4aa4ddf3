"""Run one input in a process of its own, under limits, and judge how it ended."""

from __future__ import annotations

import contextlib
import faulthandler
import os
import resource
import signal
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field

#: Of one input, s of processor time and MB beyond what the process had before.
SECONDS, MEGABYTES = 30, 1500


class Unexpected(Exception):  # noqa: N818 (what is thrown is no error of the program's own)
    """An outcome that no input may have."""


@dataclass
class Tally:
    """What came of the inputs of a class."""

    tried: int = 0
    used: int = 0
    seconds: float = 0.0
    slowest: float = 0.0
    peak: float = 0.0
    failures: list[str] = field(default_factory=list)


def judge(run: Callable[[], bool], tally: Tally) -> str | None:
    """Run an input; ``run`` tells whether it was used. Return what went wrong, ``None`` if nothing did."""
    reading, writing = os.pipe()
    sys.stdout.flush()
    process = os.fork()
    if process == 0:
        os.close(reading)
        _child(run, writing)
    os.close(writing)
    said = b""
    while piece := os.read(reading, 65536):
        said += piece
    os.close(reading)
    _, status, usage = os.wait4(process, 0)
    tally.tried += 1
    spent = usage.ru_utime + usage.ru_stime
    tally.seconds += spent
    tally.slowest = max(tally.slowest, spent)
    first, _, rest = said.decode("utf-8", "replace").partition("\n")
    tally.peak = max(tally.peak, float(rest) if first in ("used", "named") else 0.0)
    tally.used += first == "used"
    if first in ("used", "named"):
        return None
    if os.WIFSIGNALED(status):
        name = signal.Signals(os.WTERMSIG(status)).name
        return f"ended by {name}{f' after {spent:.0f} s' if name == 'SIGXCPU' else ''}"
    return said.decode("utf-8", "replace") or f"ended with status {status}"


def _child(run: Callable[[], bool], writing: int) -> None:
    words = ""
    faulthandler.disable()
    try:
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        usage = resource.getrusage(resource.RUSAGE_SELF)
        most = int(usage.ru_utime + usage.ru_stime) + SECONDS
        resource.setrlimit(resource.RLIMIT_CPU, (most, most + 5))
        with contextlib.suppress(OSError), open("/proc/self/statm") as stream:  # noqa: PTH123
            pages = int(stream.read().split()[0])
            size = pages * resource.getpagesize() + (MEGABYTES + 3000) * 1_000_000
            resource.setrlimit(resource.RLIMIT_AS, (size, size))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        used = run()
        grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
        if grown > MEGABYTES:
            raise Unexpected(f"took {grown:.0f} MB")
        words = f"{'used' if used else 'named'}\n{grown:.1f}"
    except BaseException:  # whatever it is, the parent hears of it
        words = traceback.format_exc()
    finally:
        os.write(writing, words.encode()[:60_000])
        os._exit(0)
