"""Run inputs under limits in processes of their own, a few after one another, and judge how each ended."""

from __future__ import annotations

import contextlib
import faulthandler
import json
import math
import os
import resource
import select
import signal
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, NoReturn

from rotorproof.errors import Problem

#: Of one input, s of processor time and MB beyond what the process had before.
SECONDS, MEGABYTES = 30, 1500
#: Inputs that one process takes after one another: what an input leaves behind in it meets the next ones.
_TOGETHER = 25
_LONGEST = 60_000
#: A process that is silent for twice so many s and takes no processor time waits for what does not come.
_SILENCE = 300.0

Run = Callable[[], bool]


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

    def count(self, seconds: float, grown: float, *, used: bool) -> None:
        """Count an input with its processor time in s and the growth of its process in MB."""
        self.tried += 1
        self.used += used
        self.seconds += seconds
        self.slowest = max(self.slowest, seconds)
        self.peak = max(self.peak, grown)


def check_problems(problems: Iterable[Problem]) -> None:
    """Raise ``Unexpected`` for a problem without words, or with too many."""
    for problem in problems:
        if not 3 < len(problem.message) < 5000:
            raise Unexpected(repr(problem)[:500])


def check_results(found: Mapping[str, Any] | None, problems: Iterable[Mapping[str, Any]]) -> bool:
    """Tell whether results hold numbers. Raises ``Unexpected`` for one that is none, and for what is unforeseen."""
    for problem in problems:
        if "did not foresee" in problem["message"]:
            raise Unexpected(problem["message"])
    for quantity in (found or {}).get("quantities", {}).values():
        for key in ("value", "standard_uncertainty"):
            if not math.isfinite(quantity[key]):
                raise Unexpected(f"{quantity} is no finite number")
    return bool(found and found.get("quantities"))


def judge(run: Run, tally: Tally) -> str | None:
    """Run an input; ``run`` tells whether it was used. Return what went wrong, ``None`` if nothing did."""
    return next(judged(lambda number: run, 1, tally))[1]


def judged(
    draw: Callable[[int], Run], most: int, tally: Tally, *, go_on: Callable[[], bool] = lambda: True
) -> Iterator[tuple[int, str | None]]:
    """Draw inputs 0, 1, ... and run them until there are ``most`` or ``go_on`` says no.

    Yield the number of each and what went wrong, ``None`` if nothing did. A process that an input ends, or takes to a
    limit, is followed by a fresh one that begins with the next input.
    """
    number = 0
    while number < most and go_on():
        reading, writing = os.pipe()
        sys.stdout.flush()
        process = os.fork()
        if process == 0:
            os.close(reading)
            _child(draw, range(number, min(most, number + _TOGETHER)), writing)
        os.close(writing)
        begun, found = number - 1, []
        with os.fdopen(reading, "rb") as stream:
            for said in _lines(stream, process):
                if "begin" in said:
                    begun = said["begin"]
                    continue
                wrong = said["wrong"]
                tally.count(said["seconds"], 0.0 if wrong else said["grown"], used=said["used"])
                found.append((begun, wrong))
        _, status, usage = os.wait4(process, 0)
        if len(found) <= begun - number:
            tally.count(usage.ru_utime + usage.ru_stime, 0.0, used=False)
            found.append((begun, _ending(status)))
        if not found:
            raise RuntimeError(f"no input was drawn: {_ending(status)}")
        number = begun + 1
        yield from found


def _lines(stream: IO[bytes], process: int) -> Iterator[dict[str, object]]:
    """Yield what a process says until it ends; one that waits for what does not come is ended."""
    rest, before = b"", -1
    while True:
        while not select.select([stream], [], [], _SILENCE)[0]:
            now = sum(map(int, Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[11:13]))
            if now == before:
                os.kill(process, signal.SIGALRM)
            before = now
        piece = os.read(stream.fileno(), 65536)
        *whole, rest = (rest + piece).split(b"\n")
        yield from map(json.loads, whole)
        if not piece:
            return


def _ending(status: int) -> str:
    if not os.WIFSIGNALED(status):
        return f"ended with status {os.waitstatus_to_exitcode(status)}"
    name = signal.Signals(os.WTERMSIG(status)).name
    return f"ended by {name}{ {'SIGXCPU': f' after {SECONDS} s', 'SIGALRM': ', waiting'}.get(name, '') }"


def _child(draw: Callable[[int], Run], numbers: range, writing: int) -> NoReturn:
    faulthandler.disable()
    try:
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        for number in numbers:
            run = draw(number)
            _tell(writing, {"begin": number})
            _tell(writing, _outcome(run))
    finally:
        os._exit(0)


def _outcome(run: Run) -> dict[str, object]:
    """Run one input under limits of its own."""
    spent, grown, used, wrong = 0.0, 0.0, False, None
    _limit(SECONDS, MEGABYTES + 3000)
    before, size = _seconds(), _peak(afresh=True)
    try:
        used = run()
        grown = max(0.0, _peak() - size)
        if grown > MEGABYTES:
            raise Unexpected(f"took {grown:.0f} MB")
    except BaseException:  # whatever it is, the parent hears of it
        wrong = traceback.format_exc()[-_LONGEST:]
    spent = _seconds() - before
    _limit(2 * SECONDS, None)
    return {"seconds": spent, "grown": grown, "used": used, "wrong": wrong}


def _tell(writing: int, what: dict[str, object]) -> None:
    left = json.dumps(what).encode() + b"\n"
    while left:
        left = left[os.write(writing, left) :]


def _limit(seconds: int, megabytes: int | None) -> None:
    """Allow this process so much more processor time and address space (``None``: any) than it has taken so far."""
    hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
    usage = resource.getrusage(resource.RUSAGE_SELF)
    resource.setrlimit(resource.RLIMIT_CPU, (int(usage.ru_utime + usage.ru_stime) + seconds, hard))
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    size = hard if megabytes is None else pages * resource.getpagesize() + megabytes * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (size, hard))


def _seconds() -> float:
    own, others = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime


def _peak(*, afresh: bool = False) -> float:
    """Return the largest size that this process has had since it was last asked ``afresh``, in MB."""
    if afresh:
        with contextlib.suppress(OSError):
            Path("/proc/self/clear_refs").write_text("5")
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024
