"""Do a piece of work in a child process that may take so much memory and time, and no more.

Files from strangers can ask any reader for more than a computer has. Where a limit is reached the child ends, not the
computer, and the message says which limit it was and how to raise it.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import resource
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, NoReturn

from .child import environment
from .errors import InputError, Problem

#: Exit status of a child that asked for more memory than it may have.
OUT_OF_MEMORY = 71
#: Share of its memory beyond which a child that fails is taken to have failed for want of it.
_NEARLY = 0.9
_GIGABYTE = 1024**3
#: Signals by which the system itself ends a process at a limit.
_AT_A_LIMIT = {signal.SIGXCPU: "time", signal.SIGXFSZ: "file"}


def memory_here(most: int) -> int:
    """Return ``most`` bytes, or three quarters of this computer's memory where that is less.

    At least 2 GB, which the libraries and a small log take: an address that is asked for is not yet memory in use.
    """
    there = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    # What a container may have is less than its computer has; without such a limit there is no number.
    with contextlib.suppress(OSError, ValueError):
        there = min(there, int(Path("/sys/fs/cgroup/memory.max").read_text(encoding="ascii")))
    return min(most, max(2 * _GIGABYTE, there * 3 // 4))


class LimitError(InputError):
    """A limit was reached: what was to be done may well be possible on another computer, or with another limit."""


@dataclass(frozen=True)
class Limits:
    """What a child may take: ``memory`` and size of a ``file`` in bytes, ``seconds``, number of open ``files``.

    ``raised_by`` names the options that raise memory and time, as they are typed, or is empty.
    """

    memory: int
    seconds: float
    file: int = 16 * _GIGABYTE
    files: int = 256
    raised_by: tuple[str, str] = ("", "")

    def apply(self) -> None:
        """Put this process, and all that it starts, under the limits."""
        for name, value in (
            (resource.RLIMIT_AS, self.memory),
            (resource.RLIMIT_CPU, int(self.seconds) + 1),
            (resource.RLIMIT_FSIZE, self.file),
            (resource.RLIMIT_NOFILE, self.files),
            (resource.RLIMIT_CORE, 0),
        ):
            most = resource.getrlimit(name)[1]
            least = value if most == resource.RLIM_INFINITY else min(value, most)
            resource.setrlimit(name, (least, least))

    def as_argument(self) -> str:
        """Return the limits as one argument of a command."""
        return json.dumps({field.name: getattr(self, field.name) for field in fields(self)})

    @classmethod
    def from_argument(cls, text: str) -> Limits:
        """Return what ``as_argument`` wrote."""
        content = json.loads(text)
        return cls(**{**content, "raised_by": tuple(content["raised_by"])})

    def exceeded(self, which: str, what: str) -> LimitError:
        """Return the error that ``what`` reached the limit of ``memory``, ``time`` or ``file``."""
        reached = {
            "memory": f"more than {self.memory / _GIGABYTE:.3g} GB of memory",
            "time": f"more than {self.seconds:.0f} s",
            "file": f"a file of more than {self.file / _GIGABYTE:.3g} GB",
        }[which]
        option = {"memory": self.raised_by[0], "time": self.raised_by[1]}.get(which, "")
        raised = f"; {option} sets another limit" if option else ""
        return LimitError(Problem(f"{what} was stopped: it asked for {reached}{raised}"))


def bounded(work: Callable[[], Any], limits: Limits, what: str) -> Any:
    """Return what ``work`` returns (plain data), done by a fork of this process under ``limits``.

    Raises ``InputError``: what ``work`` raised, or that ``what`` reached a limit (``LimitError``) or broke off.
    """
    reader, writer = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    process = os.fork()
    if process == 0:
        os.close(reader)
        _work(work, limits, writer, what)
    os.close(writer)
    answer = bytearray()
    in_time = True
    try:
        deadline = time.monotonic() + limits.seconds
        while in_time:
            in_time = bool(select.select([reader], [], [], max(0.0, deadline - time.monotonic()))[0])
            piece = os.read(reader, 1 << 20) if in_time else b""
            if not piece:
                break
            answer += piece
    finally:
        os.close(reader)
        if not in_time or sys.exc_info()[0] is not None:
            os.kill(process, signal.SIGKILL)
        status = os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
    _check(status if in_time else None, limits, what)
    found = json.loads(answer)
    if "problems" in found:
        kind = LimitError if found["limit"] else InputError
        raise kind([Problem(**problem) for problem in found["problems"]])
    return found["result"]


def run(command: Sequence[str], limits: Limits, what: str, folder: Path) -> None:
    """Run ``command``, which puts itself under ``limits``, in ``folder``; raises ``InputError`` where it fails."""
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(
            command,
            cwd=folder,
            env=environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=said,
            start_new_session=True,
        )
        status: int | None = None
        try:
            with contextlib.suppress(subprocess.TimeoutExpired):
                status = process.wait(limits.seconds)
        finally:
            if status is None:
                # The group is this child's own, with all that it started.
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
        said.seek(max(0, said.seek(0, os.SEEK_END) - 2000))
        last = [line for line in said.read().decode("utf-8", "replace").splitlines() if line.strip()][-1:]
    _check(status, limits, what, last[0].strip() if last else "")


def _check(status: int | None, limits: Limits, what: str, words: str = "") -> None:
    """Raise ``InputError`` unless ``status`` is 0; ``None`` is a child that was ended for its time."""
    if status is None:
        raise limits.exceeded("time", what)
    if status == OUT_OF_MEMORY:
        raise limits.exceeded("memory", what)
    if status < 0 and -status in _AT_A_LIMIT:
        raise limits.exceeded(_AT_A_LIMIT[signal.Signals(-status)], what)
    if status != 0:
        raise InputError(Problem(f"{what} broke off: {words or f'the process ended with status {status}'}"))


def _work(work: Callable[[], Any], limits: Limits, writer: int, what: str) -> NoReturn:
    status = 1
    try:
        limits.apply()
        try:
            answer = {"result": work()}
        except InputError as error:
            answer = _refusal(error)
        except OSError as error:
            # Where the signal of a file's limit is ignored, as Python does, the write itself fails.
            if error.errno == errno.EFBIG:
                answer = _refusal(limits.exceeded("file", what))
            else:
                answer = _refusal(InputError(Problem(f"{what} broke off: {error.strerror or type(error).__name__}")))
        with os.fdopen(writer, "w", encoding="utf-8") as stream:
            json.dump(answer, stream)
        status = 0
    except MemoryError:
        status = OUT_OF_MEMORY
    except Exception:
        # A library that cannot be loaded, or a thread that cannot be started, for want of memory says something else.
        status = OUT_OF_MEMORY if _held() > _NEARLY * limits.memory else 1
    finally:
        os._exit(status)


def _held() -> int:
    """Return the address space of this process in bytes, which the limit of memory is set on."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()


def _refusal(error: InputError) -> dict[str, Any]:
    return {"problems": [problem.as_json() for problem in error.problems], "limit": isinstance(error, LimitError)}
