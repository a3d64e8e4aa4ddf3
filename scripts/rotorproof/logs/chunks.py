"""Readings piece by piece, and what is checked on all of them wherever they come from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..columns import COLUMNS
from ..errors import InputError, Problem
from ..signs import value_text
from ..units import SI_UNIT, SMALLEST, beyond, bounds
from . import limits


@dataclass(frozen=True, slots=True)
class Stamps:
    """What a column of stamps told: the step in which it is written (s), and what its reader should know."""

    resolution: float
    #: What that leaves open of the time of a reading, as the width of a rectangle (s): the step itself, or less.
    width: float
    #: Most readings that carry the same stamp.
    sharing: int
    midnights: int
    first: str
    #: The even pace (s) that explains every stamp, 0 where none does.
    period: float = 0.0

    def note(self, shown: str) -> Problem:
        """Return how the stamps were read, in one line."""
        words = f"time is read from clock times, in seconds since the first reading ({self.first})"
        if self.midnights:
            words += ", midnight passed" if self.midnights == 1 else f", midnight passed {self.midnights} times"
        if self.sharing > 1:
            words += f"; up to {self.sharing} readings carry the same stamp and are spread evenly over its step"
        if self.period:
            words += f"; readings every {self.period:.6g} s explain every stamp and are taken for them"
        words += f"; of its step of {self.resolution:g} s there counts ± {self.width / 2:.2g} s as an error"
        return Problem(words, file=shown, column="time", severity="warning")


@dataclass(frozen=True)
class Chunk:
    """Some consecutive rows of a log: canonical columns ``(n,)`` float64 in SI; logic levels may come as bytes.

    ``line`` turns a row of the chunk (from 0) into the line of the file; ``None`` where the file has no lines.
    """

    columns: Mapping[str, np.ndarray]
    line: Callable[[int], int | None]
    #: Of a log whose time came as clock times, what they told.
    stamps: Stamps | None = None

    @property
    def rows(self) -> int:
        """Return the number of rows."""
        return len(next(iter(self.columns.values()))) if self.columns else 0


@dataclass
class ClockSeen:
    """What the clock times of a log leave open (``Stamps.width``), in s, filled in as it is read; 0: no clock times."""

    width: float = 0.0


@dataclass
class LogStream:
    """A log as a stream: what its file names the columns, notes on how it is read, and its pieces."""

    names: Sequence[str]
    chunks: Iterator[Chunk]
    notes: list[Problem] = field(default_factory=list)
    clock: ClockSeen = field(default_factory=ClockSeen)

    @property
    def time_resolution(self) -> float:
        """Return what the step of clock times leaves open (``Stamps.width``), in s, once the log is read; else 0."""
        return self.clock.width

    def watched(self, shown: str) -> LogStream:
        """Return the log, which notes how its clock times were read while its chunks pass."""
        self.chunks = _watched(self.chunks, self.notes, self.clock, shown)
        return self


def _watched(chunks: Iterator[Chunk], notes: list[Problem], clock: ClockSeen, shown: str) -> Iterator[Chunk]:
    """Pass the chunks on. The log itself is not held: what reads it must end with it, at once."""
    for chunk in chunks:
        if chunk.stamps is not None:
            clock.width = chunk.stamps.width
            notes.append(chunk.stamps.note(shown))
        yield chunk


def in_proportion(chunks: Iterable[Chunk], on_disk: int, shown: str) -> Iterator[Chunk]:
    """Pass the chunks on; raise ``InputError`` where they hold far more than a file of ``on_disk`` bytes can."""
    ratio = limits.in_force().unpacked_ratio
    total = 0
    for chunk in chunks:
        total += sum(values.nbytes for values in chunk.columns.values())
        if total > limits.FREE_BYTES + ratio * on_disk:
            raise InputError(out_of_proportion("log", on_disk, total, ratio, shown))
        yield chunk


def out_of_proportion(what: str, on_disk: int, total: int, ratio: float, shown: str) -> Problem:
    """Return the problem of a small file that unpacks to much: it was made to fill a memory, or says the same often."""
    return Problem(
        f"the {what} is {on_disk} bytes but unpacks to more than {total}, over {ratio:g} times as much; this is no "
        "bench log. If it is sound, raise 'limits: {unpacked_ratio: ...}' in config.yaml",
        file=shown,
    )


def within_bounds(chunks: Iterable[Chunk], shown: str) -> Iterator[Chunk]:
    """Pass the chunks on; raise ``InputError`` at a reading that no quantity of its kind can have.

    Readings that are all next to nothing are refused at the end: their squares would vanish in every fit.
    """
    largest: dict[str, float] = {}
    for chunk in chunks:
        problems = []
        for name, values in chunk.columns.items():
            if not values.size:
                continue
            low, high = float(values.min()), float(values.max())
            largest[name] = max(largest.get(name, 0.0), -low, high)
            least, most = bounds(COLUMNS[name].kind)
            # NaN fails this too.
            if not (least <= low and high <= most):
                row = int(np.argmax(~((values >= least) & (values <= most))))
                value = float(values[row])
                unit = SI_UNIT[COLUMNS[name].kind]
                message = f"{value_text(value, '' if unit == '1' else unit, '.6g')} {beyond(value, COLUMNS[name].kind)}"
                problems.append(Problem(f"{message}, or its unit or scale", shown, chunk.line(row), name))
        if problems:
            raise InputError(problems)
        yield chunk
    for name, size in largest.items():
        if 0 < size < SMALLEST:
            shown_size = value_text(size, SI_UNIT[COLUMNS[name].kind], ".2g")
            message = f"no reading is larger than {shown_size}; correct the unit or scale"
            raise InputError(Problem(message, file=shown, column=name))


def time_checked(chunks: Iterable[Chunk], shown: str) -> Iterator[Chunk]:
    """Pass the chunks on; raise ``InputError`` at the end if time stood still or ran backwards anywhere."""
    return (chunk for chunk, _ in _checked(chunks, shown))


def in_order(chunks: Iterable[Chunk], shown: str) -> Iterator[Chunk]:
    """Pass on the chunks before the first at which time stood still or ran backwards, then raise ``InputError``.

    The rest is read so that every fault can be named.
    """
    return (chunk for chunk, fault in _checked(chunks, shown, ahead=True) if not fault)


def _checked(chunks: Iterable[Chunk], shown: str, *, ahead: bool = False) -> Iterator[tuple[Chunk, bool]]:
    """Pass the chunks on, with ``ahead`` checked already, and tell whether time has been at fault so far."""
    last: float | None = None
    first_fault: Problem | None = None
    count = row = 0
    faults: list[Problem] = []
    try:
        for chunk in chunks:
            if not ahead:
                yield chunk, False
            time = chunk.columns.get("time")
            if time is not None and len(time):
                if last is not None and time[0] <= last:
                    count += 1
                    first_fault = first_fault or _time_fault(last, float(time[0]), shown, chunk.line(0), row + 1)
                wrong = time[1:] <= time[:-1]
                if wrong.any():
                    place = int(np.argmax(wrong))
                    before, after = float(time[place]), float(time[place + 1])
                    line = chunk.line(place + 1)
                    first_fault = first_fault or _time_fault(before, after, shown, line, row + place + 2)
                    count += int(np.count_nonzero(wrong))
                last, row = float(time[-1]), row + len(time)
            if ahead:
                yield chunk, first_fault is not None
    except InputError as error:
        faults.extend(error.problems)
    if first_fault is not None:
        more = f" There are {count} such places." if count > 1 else ""
        faults.append(Problem(first_fault.message + more, shown, first_fault.line, "time"))
    if faults:
        raise InputError(faults)


def _time_fault(before: float, after: float, shown: str, line: int | None, row: int) -> Problem:
    what = "stands still" if after == before else "runs backwards"
    where = "" if line is not None else f" in row {row}"
    return Problem(
        f"time {what}{where}: {after:.9g} s comes after {before:.9g} s; keep one recording per log, in order.",
        shown,
        line,
        "time",
    )


def collected(chunks: Iterable[Chunk], shown: str) -> dict[str, np.ndarray]:
    """Return the chunks' columns joined, ``(n,)`` each. Raises ``InputError`` if they would fill the memory."""
    pieces: dict[str, list[np.ndarray]] = {}
    held = 0
    for chunk in chunks:
        held += chunk.rows * len(chunk.columns)
        if held > limits.in_force().readings:
            raise InputError(
                Problem(
                    f"the log holds more than {limits.in_force().readings:.3g} readings; cut it to the part that "
                    "matters, or raise 'limits: {readings: ...}' in config.yaml",
                    file=shown,
                )
            )
        for name, values in chunk.columns.items():
            pieces.setdefault(name, []).append(values)
    # Column by column, so that at most one column is in memory twice.
    return {name: np.concatenate(pieces.pop(name)).astype(np.float64, copy=False) for name in list(pieces)}
