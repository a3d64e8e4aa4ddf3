"""From a file to pieces of text: whole lines, UTF-8, unpacked, never more than one piece in memory."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import IO, Any

import numpy as np

from ..errors import InputError, Problem
from ..files import NotRegularError, open_regular
from ..settings.documents import near_names
from . import limits
from .chunks import out_of_proportion

_NEWLINE = 10
_GZIP, _ZSTD = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"


#: Of a Zstandard file, what is unpacked at once: 16 MB at the very most.
_ZSTD_PIECE = 512


@dataclass(frozen=True)
class Block:
    """Whole lines of a text file as UTF-8 and the 1-based number of the first of them."""

    data: bytes
    line: int

    @cached_property
    def lines(self) -> int:
        """Return the number of lines; they are counted once."""
        return newlines(self.data)


@dataclass
class _Place:
    """A line of a file, 1-based."""

    line: int = 1


def newlines(data: bytes) -> int:
    """Return how many newlines there are: ten times as fast as ``bytes.count``."""
    return int(np.count_nonzero(np.frombuffer(data, dtype=np.uint8) == _NEWLINE))


def first_bytes(path: Path, shown: str, count: int = 64) -> bytes:
    """Return the first bytes of a regular file that is not empty. Raises ``InputError``."""
    try:
        with open_regular(path) as stream:
            start = stream.read(count)
    except NotRegularError as error:
        what = "name the file inside it" if path.is_dir() else "copy its content into one"
        raise InputError(Problem(f"the log cannot be used: {error.strerror}; {what}", file=shown)) from None
    except FileNotFoundError:
        raise InputError(Problem(f"the log named in unit.yaml is not there; {_instead(path)}", file=shown)) from None
    except OSError as error:
        raise InputError(Problem(f"the log cannot be read: {error.strerror}", file=shown)) from None
    if not start:
        raise InputError(Problem("the log is empty; export it again", file=shown))
    return start


def _instead(path: Path) -> str:
    """Return what to do about a log that is not there: the file that its name may mean, if one lies beside it."""
    try:
        beside = [found.name for found in path.parent.iterdir() if found.is_file()]
    except OSError:
        beside = []
    near = near_names(path.name, beside)
    return f"is {near[0]!r} meant?" if near else "add the file or take the test out"


def unpacked(path: Path, shown: str, size: int) -> Iterator[bytes]:
    """Yield the content of a file in pieces of at most ``size`` bytes, gzip and Zstandard unpacked.

    Raises ``InputError`` where the packed file is damaged, cut off, or larger unpacked than ``limits`` allow.
    """
    start = first_bytes(path, shown)
    packed = start.startswith((_GZIP, _ZSTD))
    total, on_disk, ratio = 0, path.stat().st_size, limits.in_force().unpacked_ratio
    most = limits.FREE_BYTES + ratio * on_disk
    try:
        with closing(_opened(path, start)) as stream:
            while piece := stream.read(size):
                total += len(piece)
                if packed and total > min(most, limits.MAXIMUM_UNPACKED_BYTES):
                    raise InputError(out_of_proportion("packed log", on_disk, total - len(piece), ratio, shown))
                yield piece
    except (EOFError, OSError, ValueError) as error:
        raise _unreadable(error, packed, shown) from None
    except Exception as error:
        if type(error).__name__ not in ("ZstdError", "error"):
            raise
        raise _unreadable(error, packed, shown) from None


def _unreadable(error: Exception, packed: bool, shown: str) -> InputError:
    if packed:
        return InputError(Problem(f"the packed log is damaged or cut off ({error}); copy it again", file=shown))
    return InputError(Problem(f"the log cannot be read: {error}", file=shown))


def _opened(path: Path, start: bytes) -> IO[bytes] | Any:
    if start.startswith(_GZIP):
        import gzip

        return gzip.open(path, "rb")
    if start.startswith(_ZSTD):
        import zstandard

        return _Complete(path, zstandard)
    return path.open("rb")


class _Complete:
    """A Zstandard reader that notices a cut-off file (the library's own reader ends in silence)."""

    def __init__(self, path: Path, zstandard: Any) -> None:
        self._file = path.open("rb")
        self._new = zstandard.ZstdDecompressor(max_window_size=1 << 27).decompressobj
        self._unpacker = self._new()
        self._waiting = b""
        self._rest = b""

    def read(self, size: int) -> bytes:
        while not self._rest:
            # Four bytes may stand for 128 kB (RFC 8878, 3.1.1.2), and what comes of a piece cannot be cut short.
            packed = self._waiting or self._file.read(_ZSTD_PIECE)
            self._waiting = b""
            if not packed:
                if not self._unpacker.eof:
                    raise EOFError("the last frame is not complete")
                return b""
            if self._unpacker.eof:
                self._unpacker = self._new()
            self._rest = self._unpacker.decompress(packed)
            self._waiting = self._unpacker.unused_data if self._unpacker.eof else b""
        piece, self._rest = self._rest[:size], self._rest[size:]
        return piece

    def close(self) -> None:
        self._file.close()


def text_blocks(path: Path, encoding: str, shown: str) -> Iterator[Block]:
    """Yield the file as whole lines in UTF-8 without byte order mark. Raises ``InputError``.

    Lines end in LF or CRLF; a file with bare carriage returns only is read with those as line ends.
    """
    rest, bare, place = b"", None, _Place()
    for piece in _utf8(path, encoding, shown, place):
        if bare is None:
            bare = b"\n" not in piece and b"\r" in piece
        text = piece.replace(b"\r", b"\n") if bare else piece
        end = text.rfind(b"\n") + 1
        if end == 0 and len(rest) + len(text) >= limits.BLOCK_BYTES:
            raise InputError(
                Problem(
                    f"the line is longer than {limits.BLOCK_BYTES} bytes; this is not a table of readings",
                    file=shown,
                    line=place.line,
                )
            )
        if end:
            # Joined from views: a copy of a block costs as much as to look through it.
            block = Block(_clean(b"".join((rest, memoryview(text)[:end])), place.line, shown), place.line)
            rest = text[end:]
            yield block
            place.line += block.lines
        else:
            rest += text
    if rest:
        yield Block(_clean(rest + b"\n", place.line, shown), place.line)


def _clean(data: bytes, line: int, shown: str) -> bytes:
    zero = data.find(b"\0")
    if zero >= 0:
        raise InputError(
            Problem(
                "the log holds NUL bytes, so it is no text in the layout's encoding; export it as text, or name the "
                "encoding (UTF-16?) in a layout file",
                file=shown,
                line=line + data.count(b"\n", 0, zero),
            )
        )
    return data


def _utf8(path: Path, encoding: str, shown: str, place: _Place) -> Iterator[bytes]:
    """Yield the file in UTF-8; ``place``, where the next piece begins, is kept by who takes them."""
    name = codecs.lookup(encoding).name
    pieces = unpacked(path, shown, limits.BLOCK_BYTES)
    first = True
    decoder = codecs.getincrementaldecoder("utf-8-sig" if name == "utf-8" else name)()
    plain = name in ("utf-8", "utf-8-sig")
    for piece in pieces:
        if first and plain and piece.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            raise InputError(
                Problem(
                    "the log is UTF-16 text; save it as UTF-8, or name 'encoding: utf-16' in a layout file",
                    file=shown,
                    line=1,
                )
            )
        first = False
        # Pure ASCII is already UTF-8: most logs pass here at the speed of memory.
        if plain and piece.isascii() and decoder.getstate()[0] == b"":
            yield piece
            continue
        yield _decoded(decoder, piece, encoding, place.line, shown)
    tail = _decoded(decoder, b"", encoding, place.line, shown, final=True)
    if tail:
        yield tail


def _decoded(decoder: Any, piece: bytes, encoding: str, line: int, shown: str, *, final: bool = False) -> bytes:
    try:
        return str(decoder.decode(piece, final)).encode("utf-8")
    except UnicodeEncodeError:
        reason = "the text holds half a character"
        raise InputError(Problem(f"{reason}; save the log as UTF-8", file=shown, line=line)) from None
    except UnicodeError as error:
        place, what = line, "the text ends inside a character"
        if isinstance(error, UnicodeDecodeError) and error.start < len(error.object):
            place = line + error.object[: error.start].count(b"\n")
            what = f"byte 0x{error.object[error.start]:02x} is not {encoding} text"
        raise InputError(
            Problem(f"{what}; save the log as UTF-8 or name its encoding in a layout file", file=shown, line=place)
        ) from None
