"""Read YAML so that every complaint can name a line, and nothing in the file can do anything but be data."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import yaml

from ..errors import InputError, Problem
from ..files import open_regular

#: A settings file is written by hand; beyond this it is something else.
MAXIMUM_BYTES = 1_000_000

Path_ = tuple[str | int, ...]

#: Keys, values, numbers and nesting of a settings file, at most.
_LONGEST_KEY, _LONGEST_VALUE, _LONGEST_NUMBER, _DEEPEST = 200, 10_000, 100, 20
#: What a value without a tag may stand for beside text. YAML 1.1 knows more ('=', '<<'): here that is text.
_PLAIN_TAGS = tuple(f"tag:yaml.org,2002:{name}" for name in ("int", "float", "bool", "null", "timestamp"))

_WHOLE, _AFTER_COMMA = re.compile(r"[-+]?\d+"), re.compile(r"\d+(?![\d.:-])")


@dataclass(frozen=True)
class Document:
    """A YAML file as plain data, with the 1-based line of every key and item."""

    path: Path
    shown: str
    data: Any
    lines: dict[Path_, int] = field(default_factory=dict)

    def line(self, where: Path_) -> int | None:
        """Return the line of the deepest part of ``where`` that the file has."""
        for length in range(len(where), -1, -1):
            if where[:length] in self.lines:
                return self.lines[where[:length]]
        return None


def written_key(where: Path_) -> str:
    """Return the way to a key for its writer: "nameplate.rated_voltage", "tests, entry 1, window"."""
    text = ""
    for part, before in zip(where, (None, *where), strict=False):
        if isinstance(part, int):
            text += f", entry {part + 1}"
        else:
            text += f"{', ' if isinstance(before, int) else '.' if text else ''}{part}"
    return text.removeprefix(", ")


def near_names(wanted: str, names: Iterable[str]) -> list[str]:
    """Return the names of files that ``wanted`` may mean, the nearest first: other case, ending or a slip."""
    lower: dict[str, str] = {}
    for name in sorted(names):
        lower.setdefault(name.lower(), name)
    return [lower[near] for near in difflib.get_close_matches(wanted.lower(), lower, n=3, cutoff=0.8)]


def read_document(path: Path, shown: str | None = None) -> Document:
    """Read a file in a strict part of YAML: mappings, lists, plain values. ``shown`` is its name to the practitioner.

    Raises ``InputError``: no regular file, unreadable, not UTF-8, not YAML, a key twice, a tag, an alias, a merge key.
    """
    name = shown or str(path)
    text = _text_of(path, name)
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)(text)
    try:
        reader = _Reader(loader, name)
        data = reader.document()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        what = error.problem or "the text is not YAML"
        lines = text.splitlines()
        if mark and mark.line < len(lines) and "\t" in lines[mark.line][: mark.column + 1]:
            what = "a tab stands here, where YAML takes spaces alone"
        raise InputError(
            Problem(
                f"not readable as YAML: {what}; check indentation, colons and quotes",
                file=name,
                line=mark.line + 1 if mark else None,
            )
        ) from None
    except yaml.YAMLError as error:
        raise InputError(Problem(f"not readable as YAML: {str(error).splitlines()[0]}", file=name)) from None
    finally:
        loader.dispose()
    return Document(path, name, data, reader.lines)


def _text_of(path: Path, name: str) -> str:
    try:
        with open_regular(path) as stream:
            raw = stream.read(MAXIMUM_BYTES + 1)
    except FileNotFoundError:
        raise InputError(Problem("the file does not exist", file=name)) from None
    except OSError as error:
        raise InputError(Problem(f"the file cannot be read: {error.strerror}", file=name)) from None
    if len(raw) > MAXIMUM_BYTES:
        raise InputError(
            Problem(f"the file has more than {MAXIMUM_BYTES} bytes; settings are small text files", file=name)
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(Problem("the file is not UTF-8 text; save it again as UTF-8", file=name, line=line)) from None


@dataclass
class _Reader:
    """Makes plain data of the events of a YAML parser, whatever the file holds never more than the file itself."""

    loader: Any
    name: str
    lines: dict[Path_, int] = field(default_factory=dict)

    def document(self) -> Any:
        """Return the only document of the file, ``None`` if it has none. Raises ``InputError`` and ``YAMLError``."""
        self.loader.get_event()  # the stream begins
        if isinstance(self.loader.peek_event(), yaml.StreamEndEvent):
            return None
        self.loader.get_event()  # the document begins
        data = self.value(self.loader.get_event(), ())
        self.loader.get_event()
        after = self.loader.get_event()
        if not isinstance(after, yaml.StreamEndEvent):
            self.refuse("a second document begins here; keep one per file", after)
        return data

    def value(self, event: Any, where: Path_) -> Any:
        """Return what an event and those that belong to it say."""
        if isinstance(event, yaml.AliasEvent) or event.anchor:
            # Nested aliases can make a small file grow without bound.
            self.refuse("aliases (&name, *name) are not allowed; write the value out", event)
        if event.tag is not None:
            self.refuse(f"the tag {event.tag!r} is not allowed; write plain values", event)
        if len(where) > _DEEPEST:
            self.refuse("the nesting is too deep for settings", event)
        self.lines.setdefault(where, event.start_mark.line + 1)
        if isinstance(event, yaml.MappingStartEvent):
            return self.mapping(event, where)
        if isinstance(event, yaml.SequenceStartEvent):
            return self.sequence(event, where)
        return self.scalar(event)

    def mapping(self, start: Any, where: Path_) -> dict[str, Any]:
        """Return a mapping whose start has been taken."""
        found: dict[str, Any] = {}
        before: tuple[Any, Any] | None = None  # key and value of the entry before, as they are written
        while not isinstance(event := self.loader.get_event(), yaml.MappingEndEvent):
            line = event.start_mark.line + 1
            if not isinstance(event, yaml.ScalarEvent) or event.tag is not None or event.anchor:
                self.refuse("a key must be a plain word", event)
            key = event.value
            if len(key) > _LONGEST_KEY:
                self.refuse(f"a key of {len(key)} characters; the longest has {_LONGEST_KEY}", event)
            if key == "<<":
                self.refuse("merge keys ('<<') are not allowed; write the values out", event)
            if key in found:
                self.refuse(f"the key {key!r} stands twice; keep one", event)
            after = self.loader.get_event()
            if before and start.flow_style and getattr(after, "value", None) == "":
                self.refuse_decimal_comma(before[1], event, where, before[0])
            before = (key, after)
            self.lines[(*where, key)] = line
            found[key] = self.value(after, (*where, key))
        return found

    def sequence(self, start: Any, where: Path_) -> list[Any]:
        """Return a list whose start has been taken."""
        found: list[Any] = []
        before = None
        while not isinstance(event := self.loader.get_event(), yaml.SequenceEndEvent):
            value = self.value(event, (*where, len(found)))
            if start.flow_style and found and not isinstance(value, int):
                self.refuse_decimal_comma(before, event, where)
            before = event
            found.append(value)
        return found

    def scalar(self, event: Any) -> Any:
        """Return a plain value: text, number, true or false, date, or nothing."""
        if len(event.value) > _LONGEST_VALUE:
            self.refuse(f"a value of {len(event.value)} characters; the longest has {_LONGEST_VALUE}", event)
        tag = self.loader.resolve(yaml.ScalarNode, event.value, event.implicit)
        if tag not in _PLAIN_TAGS:
            return event.value
        if len(event.value) > _LONGEST_NUMBER:
            self.refuse(f"{event.value[:40]!r}... is a number of {len(event.value)} characters; correct it", event)
        try:
            value = self.loader.construct_object(yaml.ScalarNode(tag, event.value))
        except (ValueError, OverflowError) as error:
            self.refuse(f"{event.value[:60]!r} is not a valid value: {error}", event)
        if isinstance(value, float) and not math.isfinite(value):
            self.refuse(f"{event.value[:60]!r} is not a finite number", event)
        return value

    def refuse_decimal_comma(self, whole: Any, rest: Any, where: Path_, key: str | None = None) -> None:
        """Raise ``InputError`` for a number with a decimal comma in '{...}' or '[...]', which ends the entry there.

        It shows as a key without a value after a whole number in a mapping, as text that begins with digits after one
        in a list.
        """
        if not all(isinstance(event, yaml.ScalarEvent) for event in (whole, rest)):
            return
        if _WHOLE.fullmatch(whole.value[:_LONGEST_KEY]) and _AFTER_COMMA.match(rest.value[:_LONGEST_KEY]):
            start = f"{key}: " if key else ""
            written = written_key((*where, key) if key else where) or None
            message = (
                f"the decimal mark must be a point: write '{start}{whole.value}.{rest.value}', not "
                f"'{whole.value},{rest.value}'"
            )
            self.refuse(message, whole, written)

    def refuse(self, message: str, event: Any, key: str | None = None) -> NoReturn:
        """Raise ``InputError`` with the line of an event."""
        raise InputError(Problem(message, self.name, event.start_mark.line + 1, key))
