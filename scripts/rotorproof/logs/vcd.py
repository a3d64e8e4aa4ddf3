"""Read logic levels from a value change dump (IEEE Std 1364-2005, clause 18), in pieces and with flat memory.

The value-change section is cut into tokens with NumPy, a block of bytes at a time: a reader that makes a Python
object of each token (pyvcd 0.5) was measured at 0.16 million changes per second, this one at about 5 million.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

import numpy as np

from ..columns import COLUMNS
from ..errors import InputError, Problem
from ..settings.layout import Layout
from . import limits
from .chunks import Chunk, LogStream
from .streams import unpacked

#: What a dump may begin with: a keyword of its header.
STARTS = (b"$date", b"$version", b"$timescale", b"$comment", b"$scope", b"$var")
#: Seconds per unit of the ``$timescale`` keyword (18.2.3.6).
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
_END_OF_HEADER = re.compile(rb"\$enddefinitions\s+\$end")
#: Widths that are told apart: a line of its own, and how wide a bundle of lines is.
_WIDTHS = {str(width) for width in range(1, 1025)}
#: Identifier codes are packed into 64 bits.
_LONGEST_CODE = 8
_UNKNOWN = 16  # offset of the bits that say "level unknown"
_NO_LEVEL = 3
#: Bytes taken at once: some sixty times as much memory is in use while they are cut into tokens.
_PIECE = limits.BLOCK_BYTES // 4

_HASH, _ZERO, _ONE, _DOLLAR = ord("#"), ord("0"), ord("1"), ord("$")
_UNKNOWN_LEVELS = np.frombuffer(b"xXzZ", dtype=np.uint8)
_VECTOR = np.frombuffer(b"bBrRsS", dtype=np.uint8)


@dataclass(frozen=True)
class Variable:
    """A wanted channel: canonical name, identifier code in the file, and whether its level is swapped."""

    name: str
    code: bytes
    invert: bool


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Open a value change dump, packed or not, as a stream of rows wherever a wanted channel may have changed.

    Levels hold until the next row; time increases strictly and the last row stands at the last time of the file.
    Raises ``InputError``, also while streaming, for a file that is no value change dump, lacks the variables, runs
    backwards in time or holds unknown levels (x, z) after the first known ones.
    """
    names, rows = levels(unpacked(path, shown, _PIECE), layout, wanted, shown)
    chunks = (Chunk({name: values.astype(float) for name, values in block.items()}, lambda _: None) for block in rows)
    return LogStream(names, chunks)


def channels(path: Path, shown: str) -> list[str]:
    """Return the names of a dump's single lines, each the shortest that no other has. Raises ``InputError``."""
    header, _ = _header(iter(unpacked(path, shown, _PIECE)), shown)
    _, found = _declarations(header, shown)
    shortest: dict[bytes, str] = {}
    for name, codes in found.items():
        for code, width in codes.items():
            if len(codes) == 1 and width == 1 and len(name) < len(shortest.get(code, name + ".")):
                shortest[code] = name
    return sorted(shortest.values())


def levels(
    pieces: Iterable[bytes], layout: Layout, wanted: Sequence[str], shown: str
) -> tuple[list[str], Iterator[dict[str, np.ndarray]]]:
    """Return the names that a dump declares, and its rows in blocks, from the bytes of the file in order.

    Each block holds ``time`` ``(n,)`` float64 in s and per wanted channel ``(n,)`` int8, the level from then on.
    Raises ``InputError`` as ``open_log`` does.
    """
    stream = iter(pieces)
    header, rest = _header(stream, shown)
    tick, found = _declarations(header, shown)
    variables = _chosen(found, layout, wanted, shown)
    reader = _Reader(tick, variables, shown, lines=header.count(b"\n"))
    return sorted(found), _blocks(reader, stream, rest, shown)


def _blocks(reader: _Reader, stream: Iterator[bytes], held: bytes, shown: str) -> Iterator[dict[str, np.ndarray]]:
    for piece in stream:
        held += piece
        cut = _cut(held)
        if cut:
            yield from reader.block(held[:cut])
            held = held[cut:]
        elif len(held) > limits.BLOCK_BYTES:
            raise InputError(
                Problem("a line or comment is longer than any dump writes; export it again", shown, reader.lines + 1)
            )
    yield from reader.block(held + b"\n")
    yield from reader.end()


def _header(stream: Iterator[bytes], shown: str) -> tuple[bytes, bytes]:
    held = b""
    for piece in stream:
        held += piece
        match = _END_OF_HEADER.search(held)
        if match:
            return held[: match.end()], held[match.end() :]
        if len(held) > limits.BLOCK_BYTES:
            break
    raise InputError(
        Problem(
            "the file has no '$enddefinitions $end', so it is no value change dump (IEEE 1364) or is cut off; "
            "export it again",
            file=shown,
        )
    )


def _sections(header: bytes) -> Iterator[tuple[bytes, list[str]]]:
    """Yield the keyword of each section of the header and the words up to its ``$end``."""
    words = iter(header.split())
    for keyword in words:
        if keyword.startswith(b"$"):
            content = itertools.takewhile(lambda word: word != b"$end", words)
            yield keyword[1:], [word.decode("utf-8", "replace") for word in content]


def _without_comments(data: bytes) -> bytes:
    """Return changes with each comment replaced by the newlines in it; one that is left open stays."""
    kept, place = [], 0
    while (start := data.find(b"$comment", place)) >= 0:
        end = data.find(b"$end", start)
        if end < 0:
            break
        kept += [data[place:start], b"\n" * data.count(b"\n", start, end)]
        place = end + len(b"$end")
    return b"".join([*kept, data[place:]])


def _declarations(header: bytes, shown: str) -> tuple[float, dict[str, dict[bytes, int]]]:
    """Return the length of a tick in s and the variables: reference -> identifier code -> width in bits."""
    tick: float | None = None
    scope: list[str] = []
    found: dict[str, dict[bytes, int]] = {}
    for keyword, words in _sections(header):
        if keyword == b"timescale":
            match = re.fullmatch(r"(1|10|100) ?(fs|ps|ns|us|ms|s)", " ".join(words[:3]))
            tick = int(match[1]) * _SECONDS[match[2]] if match else None
        elif keyword == b"scope" and len(words) == 2:
            scope.append(words[1])
        elif keyword == b"upscope" and scope:
            scope.pop()
        elif keyword == b"var" and len(words) >= 4:
            code, reference = words[2].encode(), "".join(words[3:])
            for name in {reference, words[3], ".".join([*scope, reference])}:
                found.setdefault(name, {})[code] = int(words[1]) if words[1] in _WIDTHS else 0
    if tick is None:
        raise InputError(Problem("the file states no usable $timescale; export it again", file=shown))
    return tick, found


def _chosen(
    found: Mapping[str, Mapping[bytes, int]], layout: Layout, wanted: Sequence[str], shown: str
) -> list[Variable]:
    """Return the wanted channels among the declared variables. Raises ``InputError``."""
    problems: list[Problem] = []
    variables: list[Variable] = []
    declared = ", ".join(sorted(found))[:300]
    for name in wanted:
        spec = None if layout.columns is None else layout.columns.get(name)
        if COLUMNS[name].kind != "logic" or (layout.columns is not None and spec is None):
            continue
        reference = name if spec is None else str(spec.column).strip()
        codes = found.get(reference, {})
        if len(codes) == 1:
            ((code, width),) = codes.items()
            if width == 1 and len(code) <= _LONGEST_CODE:
                variables.append(Variable(name, code, spec is not None and spec.invert))
                continue
            message = f"the variable {reference!r} is {width} bits wide; export each line as a variable of its own"
        elif codes:
            message = f"the variable {reference!r} stands in several scopes; name it with its scope in a layout"
        elif spec is not None:
            message = (
                f"the layout asks for the variable {reference!r}, which the file lacks (it has: {declared}); "
                "correct the name"
            )
        else:
            continue  # whether the procedure can do without it is for the caller to say
        problems.append(Problem(message, file=shown, column=name))
    if problems:
        raise InputError(problems)
    if not variables:
        raise InputError(
            Problem(
                f"the file declares none of the channels needed ({', '.join(wanted)}); rename them or map them in a "
                f"layout (it has: {declared})",
                file=shown,
            )
        )
    return variables


def _cut(held: bytes) -> int:
    """Return where a block may end: after a line, and outside a comment."""
    end = held.rfind(b"\n") + 1
    opened = held.rfind(b"$comment", 0, end)
    if opened >= 0 and held.find(b"$end", opened, end) < 0:
        return held.rfind(b"\n", 0, opened) + 1
    return end


@dataclass
class _Reader:
    tick: float
    variables: Sequence[Variable]
    shown: str
    lines: int
    state: int = 0
    pending: tuple[int, int] | None = None  # time in ticks and state of the row not yet given out
    known: bool = False
    held: bytes = b""
    codes: np.ndarray = field(init=False)
    order: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        packed = np.array([int.from_bytes(v.code, "little") for v in self.variables], dtype=np.uint64)
        self.order = np.argsort(packed)
        self.codes = packed[self.order]
        self.state = ((1 << len(self.variables)) - 1) << _UNKNOWN

    def block(self, data: bytes) -> Iterator[dict[str, np.ndarray]]:
        """Read one block of whole lines and yield the rows that are complete."""
        data = self.held + data
        self.held = b""
        newlines = data.count(b"\n")
        if b"$comment" in data:
            data = _without_comments(data)
        text = np.frombuffer(data, dtype=np.uint8)
        if text.size == 0:
            return
        space = np.empty(text.size + 2, dtype=bool)
        space[0] = space[-1] = True
        np.less_equal(text, 32, out=space[1:-1])
        edges = np.flatnonzero(space[1:] != space[:-1])
        starts, ends = edges[::2], edges[1::2]
        if starts.size == 0:
            self.lines += newlines
            return
        first = text[starts]
        is_value, is_code = _vectors(first)
        if is_value[-1]:
            # The code that belongs to this vector value comes with the next block.
            self.held = data[starts[-1] :]
            newlines -= self.held.count(b"\n")
            starts, ends, first = starts[:-1], ends[:-1], first[:-1]
            is_value, is_code = is_value[:-1], is_code[:-1]
        plain = ~(is_value | is_code)
        is_time = plain & (first == _HASH)
        level = np.full(first.size, _NO_LEVEL, dtype=np.int64)
        level[plain & (first == _ZERO)] = 0
        level[plain & (first == _ONE)] = 1
        level[plain & np.isin(first, _UNKNOWN_LEVELS)] = 2
        bad = plain & (level == _NO_LEVEL) & ~is_time & (first != _DOLLAR)
        if bad.any():
            self._refuse(data, starts[bad][0], "is no value change of IEEE 1364; the file may be damaged")
        code_start = starts + 1
        if is_code.any():
            at = np.flatnonzero(is_code)
            level[at] = _one_bit(text, ends[at - 1])
            code_start[at] = starts[at]
        times, wrong = _numbers(text, starts[is_time] + 1, ends[is_time])
        if wrong is not None:
            self._refuse(data, starts[is_time][wrong], "a time stamp is '#' and up to 18 digits")
        stamps = np.concatenate([[0 if self.pending is None else self.pending[0]], times])
        back = np.flatnonzero(np.diff(stamps) < 0)
        if back.size:
            self._refuse(data, starts[is_time][back[0]], "time runs backwards here; keep one recording per file")
        change = np.flatnonzero(level < _NO_LEVEL)
        channel = self._channels(text, code_start[change], ends[change])
        change, channel = change[channel >= 0], channel[channel >= 0]
        yield from self._rows(stamps[np.cumsum(is_time)[change]], channel, level[change], int(stamps[-1]))
        self.lines += newlines

    def _rows(
        self, at: np.ndarray, channel: np.ndarray, level: np.ndarray, final_time: int
    ) -> Iterator[dict[str, np.ndarray]]:
        """Turn changes ``(n,)`` (time in ticks, channel, level) into states, one row for each time."""
        # Each change flips bits of the packed state; their running XOR is the state after each change.
        new = np.array([0, 1, 1 << _UNKNOWN], dtype=np.uint32)[level]
        flips = np.zeros(at.size + 1, dtype=np.uint32)
        flips[0] = self.state
        both = 1 | (1 << _UNKNOWN)
        for number in range(len(self.variables)):
            mine = np.flatnonzero(channel == number)
            if mine.size:
                values = new[mine]
                previous = np.append(np.uint32((self.state >> number) & both), values[:-1])
                flips[mine + 1] = (values ^ previous) << np.uint32(number)
        states = np.bitwise_xor.accumulate(flips)[1:]
        row_times, row_states = at, states
        if self.pending is not None:
            row_times = np.concatenate([[self.pending[0]], at])
            row_states = np.concatenate([np.array([self.pending[1]], dtype=np.uint32), states])
        if row_times.size == 0 or row_times[-1] != final_time:
            row_times = np.append(row_times, final_time)
            row_states = np.append(row_states, np.uint32(states[-1] if states.size else self.state))
        last = np.append(row_times[1:] != row_times[:-1], True)
        row_times, row_states = row_times[last], row_states[last]
        self.state = int(row_states[-1])
        self.pending = (final_time, self.state)
        yield from self._given(row_times[:-1], row_states[:-1])

    def end(self) -> Iterator[dict[str, np.ndarray]]:
        """Yield the last row."""
        if self.pending is not None:
            yield from self._given(np.array([self.pending[0]]), np.array([self.pending[1]], dtype=np.uint32))
        if not self.known:
            lacking = [v.name for n, v in enumerate(self.variables) if self.state >> (n + _UNKNOWN) & 1]
            raise InputError(
                Problem(f"the file never gives a level for {', '.join(lacking)}; check the probes", file=self.shown)
            )

    def _given(self, times: np.ndarray, states: np.ndarray) -> Iterator[dict[str, np.ndarray]]:
        unknown = states >> np.uint32(_UNKNOWN)
        if not self.known:
            clear = np.flatnonzero(unknown == 0)
            if clear.size == 0:
                return
            times, states, unknown = times[clear[0] :], states[clear[0] :], unknown[clear[0] :]
            self.known = True
        if unknown.any():
            row = int(np.flatnonzero(unknown)[0])
            names = [v.name for n, v in enumerate(self.variables) if int(unknown[row]) >> n & 1]
            raise InputError(
                Problem(
                    f"the level of {', '.join(names)} is unknown (x or z) at {times[row] * self.tick:.9g} s; check "
                    "the probe and capture again",
                    file=self.shown,
                    column=names[0],
                )
            )
        if times.size:
            rows: dict[str, np.ndarray] = {"time": times * self.tick}
            for number, variable in enumerate(self.variables):
                bits = ((states >> np.uint32(number)) & np.uint32(1)).astype(np.int8)
                rows[variable.name] = 1 - bits if variable.invert else bits
            yield rows

    def _channels(self, text: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
        """Return the number of the wanted variable of each identifier code, -1 for the others."""
        length = ends - starts
        packed = np.zeros(starts.size, dtype=np.uint64)
        for k in range(int(min(length.max(initial=0), _LONGEST_CODE))):
            longer = length > k
            if longer.all():
                packed |= text[starts + k].astype(np.uint64) << np.uint64(8 * k)
            else:
                packed[longer] |= text[starts[longer] + k].astype(np.uint64) << np.uint64(8 * k)
        place = np.minimum(np.searchsorted(self.codes, packed), self.codes.size - 1)
        found = (self.codes[place] == packed) & (length <= _LONGEST_CODE)
        return np.where(found, self.order[place], -1)

    def _refuse(self, data: bytes, offset: int, why: str) -> NoReturn:
        line = self.lines + data[: int(offset)].count(b"\n") + 1
        token = data[int(offset) : int(offset) + 24].split()[0].decode("utf-8", "replace")
        raise InputError(Problem(f"{token!r}: {why}", file=self.shown, line=line))


def _vectors(first: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which tokens are vector or real values, and which are the codes that follow them.

    A code may itself begin with b, r or s: in a run of such tokens every second one is a code.
    """
    candidate = np.isin(first, _VECTOR)
    is_value = np.zeros(first.size, dtype=bool)
    where = np.flatnonzero(candidate)
    if where.size:
        run_start = np.append(True, np.diff(where) > 1)
        begins = where[run_start][np.cumsum(run_start) - 1]
        is_value[where] = (where - begins) % 2 == 0
    is_code = np.append(False, is_value[:-1])
    return is_value, is_code


def _one_bit(text: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return the level that a vector value writes for a variable of one bit: its last character."""
    last = text[ends - 1]
    level = np.full(ends.size, 2, dtype=np.int64)
    level[last == _ZERO] = 0
    level[last == _ONE] = 1
    return level


def _numbers(text: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> tuple[np.ndarray, int | None]:
    """Return the decimal numbers written between ``starts`` and ``ends``, and the place of one that is none."""
    length = ends - starts
    total = np.zeros(starts.size, dtype=np.int64)
    if length.size == 0:
        return total, None
    odd = (length < 1) | (length > 18)
    if odd.any():
        return total, int(np.argmax(odd))
    shortest = int(length.min())
    power = 1
    for k in range(int(length.max())):
        rows = slice(None) if k < shortest else np.flatnonzero(length > k)
        digit = text[ends[rows] - 1 - k].astype(np.int64) - _ZERO
        odd = (digit < 0) | (digit > 9)
        if odd.any():
            return total, int(np.arange(length.size)[rows][odd][0])
        total[rows] += digit * power
        power *= 10
    return total, None
