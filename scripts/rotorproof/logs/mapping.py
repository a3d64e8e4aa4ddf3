"""Which column of a file is which canonical column, and how its cells become SI."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from ..columns import COLUMNS
from ..errors import InputError, Problem
from ..settings.layout import CLOCK_UNITS, Layout, LayoutColumn
from ..units import Conversion, conversion
from . import limits
from .clock import Clock, has_date, is_stamp

#: What to do about the headings of an unknown logger; docs/logs.md shows it.
PROPOSED = 'make layout ARGS="FILE --write" proposes a layout'
#: How many headings a message shows, and how much of each.
_HEADINGS, _OF_EACH = 6, 40
_OTHER_BRACKET = re.compile(r"(?P<name>[A-Za-z_][A-Za-z0-9_]*)\s*[^\w\s]")


@dataclass(frozen=True, slots=True)
class Channel:
    """A column of a file as its writer named it; ``unit`` where the file format states one beside the name."""

    name: str
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """A canonical column's place in the file: 0-based position, header text, and the affine map to SI."""

    name: str
    position: int
    header: str
    factor: float
    offset: float
    #: Its cells are clock times, which become seconds once all are known.
    clock: Clock | None = None
    #: Of a logic level read as volts: above what it is high, and whether a high one is 0.
    threshold: float | None = None
    swapped: bool = False

    @property
    def unchanged(self) -> bool:
        """Tell whether the cells' numbers are SI already."""
        return self.factor == 1.0 and self.offset == 0.0 and self.threshold is None

    def si(self, values: np.ndarray) -> np.ndarray:
        """Return the cells' numbers ``(n,)`` in SI."""
        if self.unchanged:
            return values
        with np.errstate(over="ignore"):  # what becomes infinite is refused where all readings are looked at
            found = values * self.factor + self.offset
        # What is no number stays so, to be refused where all readings are looked at.
        return (
            found
            if self.threshold is None
            else np.where(np.isnan(found), found, (found > self.threshold) ^ self.swapped)
        )


def sources(
    channels: Sequence[Channel],
    layout: Layout,
    wanted: Sequence[str],
    shown: str,
    line: int | None,
    first: Sequence[str] = (),
) -> tuple[Source, ...]:
    """Return where each wanted canonical column stands among the channels.

    ``first`` holds the cells of the first row, which tell a column of clock times from one of numbers.
    Raises ``InputError`` with every problem: a column without unit, with an unknown unit or one of another kind,
    named twice, asked for by the layout and not there.
    """
    problems: list[Problem] = []
    if len(channels) > limits.MAXIMUM_COLUMNS:
        message = f"the file has {len(channels)} columns; more than {limits.MAXIMUM_COLUMNS} are no bench log"
        raise InputError(Problem(message, file=shown, line=line))
    too_long = [channel.name for channel in channels if len(channel.name) > limits.LONGEST_NAME]
    if too_long:
        message = f"a header of {len(too_long[0])} characters ({too_long[0][:40]!r}...); shorten it"
        raise InputError(Problem(message, file=shown, line=line))
    if layout.columns is None:
        found = _plain(channels, wanted, shown, line, problems, first)
    else:
        found = _mapped(channels, layout.columns, wanted, shown, line, problems, first)
    if problems:
        raise InputError(problems)
    return tuple(found)


def headings(names: Sequence[str]) -> str:
    """Return the first headings of a file, quoted, for a message."""
    shown = ", ".join(repr(name.strip()[:_OF_EACH]) for name in names[:_HEADINGS])
    return shown + (", ..." if len(names) > _HEADINGS else "")


def header(text: str) -> tuple[str, str | None] | None:
    """Return name and unit of a header ``name [unit]``, the unit ``None`` where there is no bracket.

    ``None`` for any other form.
    """
    name, bracket, rest = text.strip().partition("[")
    if bracket and (not rest.endswith("]") or "]" in rest[:-1]):
        return None
    name = name.strip()
    return None if "]" in name else (name, rest[:-1] if bracket else None)


def _plain_header(text: str) -> tuple[str, str | None] | None:
    """Return name and unit of a header whose name is one plain word, ``None`` for any other."""
    found = header(text)
    return found if found and found[0].isascii() and found[0].isidentifier() else None


def _plain(
    channels: Sequence[Channel],
    wanted: Sequence[str],
    shown: str,
    line: int | None,
    problems: list[Problem],
    first: Sequence[str],
) -> list[Source]:
    found: list[Source] = []
    plain = [_plain_header(channel.name) for channel in channels]
    names = [found[0] if found else channel.name.strip() for found, channel in zip(plain, channels, strict=True)]
    for name, count in Counter(names).items():
        if count > 1 and name in wanted:
            problems.append(
                Problem(f"the column stands {count} times; keep one of them", file=shown, line=line, column=name)
            )
    for position, (channel, stated, name) in enumerate(zip(channels, plain, names, strict=True)):
        if name not in wanted:
            other = _OTHER_BRACKET.match(channel.name.strip())
            if stated is None and other and other["name"] in wanted:
                problems.append(
                    Problem(
                        f"the header {channel.name.strip()[:60]!r} is not in the plain form; write it as "
                        f"'{other['name']} [unit]'",
                        file=shown,
                        line=line,
                        column=other["name"],
                    )
                )
            continue
        unit = channel.unit if stated is None or stated[1] is None else stated[1]
        if COLUMNS[name].kind == "time" and (unit in CLOCK_UNITS or is_stamp(_cell(first, position))):
            clock = Clock(unit if unit in CLOCK_UNITS else "clock", _beside(names, position, first))
            found.append(Source(name, position, channel.name, 1.0, 0.0, clock))
            continue
        if unit is None:
            problems.append(
                Problem(
                    f"the column has no unit; write its header as '{name} [unit]'", file=shown, line=line, column=name
                )
            )
            continue
        try:
            to_si = conversion(unit, COLUMNS[name].kind)
        except ValueError as error:
            problems.append(Problem(str(error), file=shown, line=line, column=name))
            continue
        found.append(Source(name, position, channel.name, to_si.factor, to_si.offset))
    return found


def _mapped(
    channels: Sequence[Channel],
    columns: dict[str, LayoutColumn],
    wanted: Sequence[str],
    shown: str,
    line: int | None,
    problems: list[Problem],
    first: Sequence[str],
) -> list[Source]:
    found: list[Source] = []
    for name, spec in columns.items():
        if name not in wanted:
            continue
        used = [str(other.column).strip() for other in columns.values() if other is not spec]
        position = _position(channels, spec.column, name, shown, line, problems, used)
        if position is None:
            continue
        if COLUMNS[name].kind == "time" and (spec.unit in CLOCK_UNITS or is_stamp(_cell(first, position))):
            date = None if spec.date is None else _position(channels, spec.date, name, shown, line, problems)
            if spec.scale != 1.0 or spec.offset != 0.0 or spec.invert:
                words = f"in the layout: {spec.column!r} holds clock times, which take no 'scale', 'offset' or 'invert'"
                problems.append(Problem(words, file=shown, column=name))
            clock = Clock(spec.unit if spec.unit in CLOCK_UNITS else "clock", date, spec.date_order)
            found.append(Source(name, position, str(spec.column), 1.0, 0.0, clock))
            continue
        kind = "voltage" if spec.threshold is not None else COLUMNS[name].kind
        try:
            to_si = conversion(spec.unit, kind)
            _agree(channels[position], spec, to_si, kind)
        except ValueError as error:
            problems.append(Problem(f"in the layout: {error}", file=shown, column=name))
            continue
        if spec.threshold is not None:
            factor, offset, above = (to_si.factor * value for value in (spec.scale, spec.offset, spec.threshold))
            found.append(Source(name, position, str(spec.column), factor, offset, None, above, spec.invert))
            continue
        sign = -1.0 if spec.invert else 1.0
        swapped = 1.0 if COLUMNS[name].kind == "logic" and spec.invert else 0.0
        factor = sign * spec.scale * to_si.factor
        offset = sign * spec.offset * to_si.factor + to_si.offset + swapped
        found.append(Source(name, position, str(spec.column), factor, offset))
    return found


def _cell(first: Sequence[str], position: int) -> str:
    return first[position] if position < len(first) else ""


def _beside(names: Sequence[str], position: int, first: Sequence[str]) -> int | None:
    """Return where the dates of clock times stand in a plain table: in the only column "date", if they lack one."""
    if names.count("date") != 1 or has_date(_cell(first, position)):
        return None
    place = names.index("date")
    return place if has_date(_cell(first, place)) else None


def _agree(channel: Channel, spec: LayoutColumn, to_si: Conversion, kind: str) -> None:
    """Raise ``ValueError`` if the file itself states another unit than the layout."""
    if channel.unit in (None, "") or spec.scale != 1.0 or spec.offset != 0.0:
        return
    try:
        stated = conversion(str(channel.unit), kind)
    except ValueError:
        stated = None
    if stated != to_si:
        raise ValueError(
            f"the unit is {spec.unit!r}, but the file itself says {channel.unit!r}; correct the one that is wrong"
        )


def position_of(names: Sequence[str], asked: str | int, shown: str, line: int | None) -> int:
    """Return the place of a column by its header text or number. Raises ``InputError``."""
    problems: list[Problem] = []
    place = _position([Channel(name) for name in names], asked, "transitions", shown, line, problems)
    if place is None:
        raise InputError(problems)
    return place


def _position(
    channels: Sequence[Channel],
    asked: str | int,
    name: str,
    shown: str,
    line: int | None,
    problems: list[Problem],
    used: Collection[str] = (),
) -> int | None:
    if isinstance(asked, int):
        if asked <= len(channels):
            return asked - 1
        problems.append(
            Problem(
                f"the layout asks for column number {asked}, but there are {len(channels)}; check delimiter and number",
                file=shown,
                line=line,
                column=name,
            )
        )
        return None
    wanted = asked.strip()
    found = [i for i, channel in enumerate(channels) if channel.name.strip() == wanted]
    if len(found) == 1:
        return found[0]
    names = [channel.name.strip() for channel in channels]
    # What another line of the layout asks for is hardly meant here too.
    near = difflib.get_close_matches(wanted, [name for name in names if name not in used], n=1)
    listed = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
    message = (
        f"the layout asks for the column {asked!r}, which the file does not have"
        f"{f'; did you mean {near[0]!r}?' if near else ''} (it has: {listed[:300]}); check delimiter and name"
        if not found
        else f"the file has {asked!r} {len(found)} times; name the column by its number in the layout"
    )
    problems.append(Problem(message, file=shown, line=line, column=name))
    return None
