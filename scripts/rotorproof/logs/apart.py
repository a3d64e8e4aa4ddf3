"""Read a recording in a process of its own, under limits of memory and time.

The libraries behind HDF5, Parquet, TDMS, MDF and workbooks trust the file: damaged or hostile bytes have sent them in a
circle, through the machine's memory and into faults that end the process. So a fork of this process reads, and hands
over plain numbers in pieces: nothing that comes back is ever run or unpickled.
"""

from __future__ import annotations

import contextlib
import faulthandler
import gc
import json
import os
import resource
import signal
from collections.abc import Callable, Iterator, Sequence
from dataclasses import astuple
from multiprocessing.connection import Connection, Pipe
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from . import limits
from .chunks import Chunk, LogStream, Stamps
from .clock import LONGEST_STAMP

Opener = Callable[[Path, Layout, Sequence[str], str], LogStream]

#: What columns come back as.
_KINDS = ("<f8", "|i1", "|u1")
#: Words and numbers between pieces are shorter than this, in bytes; so are pieces, in rows.
_LONGEST_MESSAGE, _LONGEST_PIECE = 8_000_000, 4_000_000
#: Processor time is what is limited; a busy machine may take this many times as long.
_PATIENCE = 5
#: A pipe of this size spares most of the turns between the two processes.
_PIPE_BYTES = 1 << 20


def open_apart(open_log: Opener, path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Return the log that ``open_log`` opens, read in a process of its own.

    Raises ``InputError``, also while streaming. Beside what ``open_log`` refuses, that is a file which takes its reader
    more memory or time than the settings allow.
    """
    child = _Child(open_log, path, layout, wanted, shown)
    head = child.message()
    notes = [Problem(**note) for note in head["notes"]]
    return LogStream([str(name) for name in head["names"]], child.chunks(), notes)


class _Child:
    """The reading process, as its parent sees it; it ends with this object at the latest."""

    def __init__(self, open_log: Opener, path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> None:
        self._shown = shown
        allowed = limits.in_force()
        size = path.stat().st_size
        self._seconds = allowed.reading_seconds + size / 1e6
        self._memory = int(allowed.reading_memory_mb * 1e6 + 4 * size)
        self._pipe, theirs = Pipe(duplex=False)
        _widen(self._pipe.fileno())
        self._process = os.fork()
        if self._process == 0:
            self._pipe.close()
            _read(theirs, (self._memory, self._seconds), open_log, path, layout, wanted, shown)
        theirs.close()

    def __del__(self) -> None:
        self._end()

    def chunks(self) -> Iterator[Chunk]:
        """Yield the pieces of the log. Raises ``InputError`` as its reader does."""
        while (piece := self.message()).get("rows") is not None:
            rows = int(piece["rows"])
            if not 0 <= rows <= _LONGEST_PIECE:
                self._broken("gave a piece of an impossible length")
            columns = {str(name): self._array(rows, str(kind)) for name, kind in piece["columns"]}
            lines = self._array(rows, "<f8") if piece["lines"] else None
            yield Chunk(columns, _Lines(lines), self._stamps(piece.get("stamps")))
        self._end()

    def _stamps(self, said: Any) -> Stamps | None:
        if said is None:
            return None
        try:
            step, width, sharing, midnights, first, period = said
            text = str(first)[:LONGEST_STAMP]
            return Stamps(float(step), float(width), int(sharing), int(midnights), text, float(period))
        except (ValueError, TypeError):
            self._broken("said nothing that can be understood")

    def message(self) -> dict[str, Any]:
        """Return what the child says next. Raises ``InputError`` where it ended, or says that the log is wrong."""
        try:
            said: dict[str, Any] = json.loads(self._taken(self._pipe.recv_bytes, _LONGEST_MESSAGE))
            problems = [Problem(**problem) for problem in said.get("problems", ())]
        except (ValueError, TypeError):
            self._broken("said nothing that can be understood")
        if problems:
            self._end()
            raise InputError(problems)
        return said

    def _array(self, rows: int, kind: str) -> np.ndarray:
        if kind not in _KINDS:
            self._broken("gave no plain numbers")
        array = np.empty(rows, dtype=kind)
        room = _bytes(array)
        # Straight into the array: the connection's own way copies it twice.
        while room:
            count = self._taken(os.readv, self._pipe.fileno(), [room])
            if not count:
                self._lost()
            room = room[count:]
        return array

    def _taken(self, take: Callable[..., Any], *arguments: Any) -> Any:
        try:
            # Only what this process waits is counted, never what it does with a piece itself.
            if not self._pipe.poll(_PATIENCE * self._seconds):
                self._too_long()
            return take(*arguments)
        except (EOFError, OSError):
            self._lost()

    def _lost(self) -> NoReturn:
        """Say why the child ended without a word."""
        status = self._end()
        if status is not None and os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGXCPU:
            self._too_long()
        self._broken("broke off; if the file is sound, please report it")

    def _too_long(self) -> NoReturn:
        self._broken(
            f"took longer than {self._seconds:.0f} s, more than a sound file of its size needs; if it is sound, raise "
            "'limits: {reading_seconds: ...}' in config.yaml"
        )

    def _broken(self, what: str) -> NoReturn:
        self._end()
        raise InputError(Problem(f"reading the log {what}; else export it again", file=self._shown)) from None

    def _end(self) -> int | None:
        process, self._process = getattr(self, "_process", 0), 0
        if not process:
            return None
        self._pipe.close()
        # One that has ended already is still there to be asked how.
        try:
            ended, status = os.waitpid(process, os.WNOHANG)
            if not ended:
                os.kill(process, signal.SIGKILL)
                ended, status = os.waitpid(process, 0)
        except (ChildProcessError, ProcessLookupError):
            return None
        return status


class _Lines:
    """The line of each row of a piece, where the file has lines."""

    def __init__(self, lines: np.ndarray | None) -> None:
        self._lines = lines

    def __call__(self, row: int) -> int | None:
        """Return the line of ``row`` (from 0)."""
        return None if self._lines is None or row >= len(self._lines) else int(self._lines[row])


def _widen(handle: int) -> None:
    import fcntl

    with contextlib.suppress(OSError, AttributeError):
        fcntl.fcntl(handle, fcntl.F_SETPIPE_SZ, _PIPE_BYTES)


def _read(
    pipe: Connection,
    allowed: tuple[int, float],
    open_log: Opener,
    path: Path,
    layout: Layout,
    wanted: Sequence[str],
    shown: str,
) -> NoReturn:
    """Read the log and hand it over; the child's whole life."""
    status = 1
    try:
        gc.disable()
        faulthandler.disable()  # what falls here is told by the parent
        _limit(*allowed)
        quiet = os.open(os.devnull, os.O_RDWR)
        for handle in (0, 1, 2):
            os.dup2(quiet, handle)
        _hand_over(pipe, open_log(path, layout, wanted, shown))
        status = 0
    except InputError as error:
        with contextlib.suppress(Exception):
            _say(pipe, problems=[problem.as_json() for problem in error.problems[: limits.MAXIMUM_NAMED + 2]])
    except MemoryError:
        with contextlib.suppress(Exception):
            _say(pipe, problems=[_too_much(allowed[0], shown).as_json()])
    except Exception as error:
        words = f"reading the log failed ({type(error).__name__}: {str(error)[:100]}); export it again"
        with contextlib.suppress(Exception):
            _say(pipe, problems=[Problem(words, file=shown).as_json()])
    finally:
        os._exit(status)


def _too_much(memory: int, shown: str) -> Problem:
    return Problem(
        f"reading the log takes more than {memory / 1e6:.0f} MB of memory, more than a sound file of its size needs; "
        "if it is sound, raise 'limits: {reading_memory_mb: ...}' in config.yaml",
        file=shown,
    )


def _limit(memory: int, seconds: float) -> None:
    """Give this process no more than so many bytes beyond those it has; one library writes some to a file."""
    with contextlib.suppress(OSError):
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * resource.getpagesize() + memory
        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        # A limit that somebody else has put on this process cannot be raised.
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    used = resource.getrusage(resource.RUSAGE_SELF)
    processor = int(used.ru_utime + used.ru_stime + seconds) + 1
    # At the first of the two a signal says what happened, at the second there is no more asking.
    for kind, soft, hard in (
        (resource.RLIMIT_CPU, processor, processor + 5),
        (resource.RLIMIT_CORE, 0, 0),
        (resource.RLIMIT_FSIZE, memory, memory),
    ):
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(kind, (soft, hard))


def _hand_over(pipe: Connection, log: LogStream) -> None:
    _say(pipe, names=list(log.names), notes=[note.as_json() for note in log.notes])
    for chunk in log.chunks:
        columns = {name: _plain(values) for name, values in chunk.columns.items()}
        lines = [chunk.line(row) for row in range(chunk.rows)] if chunk.rows and chunk.line(0) is not None else None
        shape = [[name, values.dtype.str] for name, values in columns.items()]
        stamps = None if chunk.stamps is None else astuple(chunk.stamps)
        _say(pipe, rows=chunk.rows, columns=shape, lines=lines is not None, stamps=stamps)
        arrays = [*columns.values(), *([] if lines is None else [np.array(lines, dtype=np.float64)])]
        for array in arrays if chunk.rows else ():
            room = _bytes(array)
            while room:
                room = room[os.write(pipe.fileno(), room) :]
    _say(pipe)


def _plain(values: np.ndarray) -> np.ndarray:
    kind = values.dtype.str if values.dtype.str in _KINDS else "<f8"
    return np.ascontiguousarray(values, dtype=kind)


def _bytes(array: np.ndarray) -> memoryview:
    """Return the memory of an array that is in one piece."""
    return array.view(np.uint8).data


def _say(pipe: Connection, **said: Any) -> None:
    pipe.send_bytes(json.dumps(said).encode())
