"""Read YAML so that every complaint can name a line, and nothing in the file can do anything but be data."""

from __future__ import annotations

import difflib
import itertools
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from ..errors import InputError, Problem

#: A settings file is written by hand; beyond this it is something else.
MAXIMUM_BYTES = 1_000_000

Path_ = tuple[str | int, ...]

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
    """Read a YAML file. ``shown`` is how the file is named to the practitioner.

    Raises ``InputError``: unreadable, not UTF-8, not YAML, a key twice, a tag, an anchor.
    """
    name = shown or str(path)
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(Problem("the file does not exist", file=name)) from None
    except OSError as error:
        raise InputError(Problem(f"the file cannot be read: {error.strerror}", file=name)) from None
    if len(raw) > MAXIMUM_BYTES:
        raise InputError(Problem(f"the file has {len(raw)} bytes; settings are small text files", file=name))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(Problem("the file is not UTF-8 text; save it again as UTF-8", file=name, line=line)) from None
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)(text)
    try:
        node = loader.get_single_node()
        lines: dict[Path_, int] = {}
        data = _plain(loader, node, (), lines, name, set()) if node is not None else None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        what = error.problem or "the text is not YAML"
        raise InputError(
            Problem(
                f"not readable as YAML: {what}; check indentation, colons and quotes",
                file=name,
                line=mark.line + 1 if mark else None,
            )
        ) from None
    except yaml.YAMLError as error:
        raise InputError(Problem(f"not readable as YAML: {str(error).splitlines()[0]}", file=name)) from None
    except RecursionError:
        raise InputError(Problem("the file is nested too deeply to be settings", file=name)) from None
    finally:
        loader.dispose()
    return Document(path, name, data, lines)


def _refuse_decimal_commas(node: yaml.Node, where: Path_, name: str) -> None:
    """Raise ``InputError`` for a number with a decimal comma in '{...}' or '[...]', which ends the entry there."""
    if not isinstance(node, yaml.CollectionNode) or not node.flow_style:
        return
    # A key without a value after a whole number in a mapping; text that begins with digits after one in a list.
    if isinstance(node, yaml.MappingNode):
        pairs = [(value, after) for (_, value), (after, nothing) in itertools.pairwise(node.value) if not nothing.value]
        keys = {id(value): key.value for key, value in node.value}
    else:
        pairs, keys = list(itertools.pairwise(node.value)), {}
    for whole, rest in pairs:
        if not (isinstance(whole, yaml.ScalarNode) and isinstance(rest, yaml.ScalarNode)):
            continue
        cut = keys or not rest.tag.endswith(":int")
        if cut and _WHOLE.fullmatch(whole.value) and _AFTER_COMMA.match(rest.value):
            key = keys.get(id(whole))
            start = f"{key}: " if key else ""
            raise InputError(
                Problem(
                    f"the decimal mark must be a point: write '{start}{whole.value}.{rest.value}', not "
                    f"'{whole.value},{rest.value}'",
                    file=name,
                    line=whole.start_mark.line + 1,
                    column=written_key((*where, key) if key else where) or None,
                )
            )


def _plain(loader: Any, node: yaml.Node, where: Path_, lines: dict[Path_, int], name: str, seen: set[int]) -> Any:
    line = node.start_mark.line + 1
    if id(node) in seen:
        # An alias makes the same node appear twice; nested aliases can grow a small file without bound.
        raise InputError(Problem("aliases (*name) are not allowed; write the value out", file=name, line=line))
    seen.add(id(node))
    lines.setdefault(where, line)
    if not node.tag.startswith("tag:yaml.org,2002:") or node.tag.startswith("tag:yaml.org,2002:python"):
        raise InputError(Problem(f"the tag {node.tag!r} is not allowed; write plain values", file=name, line=line))
    _refuse_decimal_commas(node, where, name)
    if isinstance(node, yaml.MappingNode):
        result: dict[Any, Any] = {}
        for key_node, value_node in node.value:
            key_line = key_node.start_mark.line + 1
            key = key_node.value if isinstance(key_node, yaml.ScalarNode) else None
            if not isinstance(key, str):
                raise InputError(Problem("a key must be a plain word", file=name, line=key_line))
            if key in result:
                raise InputError(Problem(f"the key {key!r} stands twice; keep one", file=name, line=key_line))
            lines[(*where, key)] = key_line
            result[key] = _plain(loader, value_node, (*where, key), lines, name, seen)
        return result
    if isinstance(node, yaml.SequenceNode):
        return [_plain(loader, item, (*where, i), lines, name, seen) for i, item in enumerate(node.value)]
    try:
        return loader.construct_object(node, deep=True)
    except (ValueError, OverflowError) as error:
        raise InputError(Problem(f"{node.value!r} is not a valid value: {error}", file=name, line=line)) from None
