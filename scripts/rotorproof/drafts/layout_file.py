"""Propose a layout from an export: dialect or sheet, header, and what each column seems to be."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ..columns import COLUMNS
from ..errors import InputError, Problem
from ..logs import limits
from ..logs.clock import has_date, has_time, is_stamp
from ..logs.dialect import NO_DELIMITER, NoDelimiterError, resolved, sample_rows
from ..logs.excel import sample
from ..logs.headings import OPEN, SURE, Heading, recognised, units_row
from ..logs.streams import first_bytes
from ..logs.table import FORMATS, is_dump, open_log
from ..logs.vcd import channels
from ..settings.layout import AUTO, CLOCK_UNITS, Layout
from ..units import SI_UNIT, conversion

#: Lines that a logger may write above its header.
_MOST_SKIPPED = 60
_NUMBER = re.compile(r"[-+]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?")
#: Heads of the two columns of a table of single changes.
_OF_CHANNELS = re.compile(r"channel|ch|line|signal|pin|probe|name", re.IGNORECASE)
_OF_LEVELS = re.compile(r"level|state|value|edge|logic", re.IGNORECASE)


@dataclass
class ProposedColumn:
    """A column of the export, and what it seems to be (``canonical`` is ``None`` where nothing can be told)."""

    number: int
    header: str
    canonical: str | None
    unit: str | None
    reason: str
    #: ``SURE``, ``LIKELY`` or ``OPEN``.
    sure: str = OPEN
    candidates: tuple[str, ...] = ()
    #: Neither a number nor a time: nothing to ask about.
    text: bool = False
    #: Of clock times, the number of the column that holds their dates.
    date: int | None = None


@dataclass
class Proposal:
    """A layout to be confirmed; ``is_book`` of a workbook, whose ``sheets`` are listed."""

    layout: Layout
    columns: list[ProposedColumn]
    is_text: bool = True
    sheets: Sequence[str] = field(default_factory=list)
    #: The names stand in the row above the header, which holds the units.
    by_number: bool = False


def propose(
    path: Path, shown: str, *, delimiter: str | None = None, decimal: str | None = None, sheet: str | None = None
) -> Proposal:
    """Return a proposal for the export at ``path``. Raises ``InputError`` if it is no table or reads in two ways."""
    start = first_bytes(path, shown)
    kind = next((known for known in FORMATS if start.startswith(known.starts)), None)
    if kind is None and is_dump(path, shown):
        return _of_dump(path, shown)
    if kind is None:
        return _of_text(path, shown, delimiter, decimal)
    if kind.module == "excel":
        return _of_workbook(path, shown, sheet)
    names = list(open_log(path, Layout(), (), shown=shown).names)
    return Proposal(Layout(), [_column(place, name, "") for place, name in enumerate(names)], is_text=False)


def _of_dump(path: Path, shown: str) -> Proposal:
    """Return the proposal for a logic analyser's transitions: every channel is a level, and time needs no column."""
    columns = [_column(place, name, "") for place, name in enumerate(channels(path, shown))]
    for column in columns:
        if column.canonical is None or COLUMNS[column.canonical].kind != "logic":
            column.canonical, column.unit, column.sure = None, "1", OPEN
            column.reason, column.candidates = "a level", ("gate_ah", "hall_a")
    return Proposal(Layout(), columns, is_text=False)


def _of_text(path: Path, shown: str, delimiter: str | None, decimal: str | None) -> Proposal:
    base = Layout.model_validate({"encoding": AUTO, "delimiter": delimiter or AUTO, "decimal": decimal or AUTO})
    first_error: InputError | None = None
    for skipped in range(_MOST_SKIPPED):
        trial = base.model_copy(update={"skip_rows": skipped})
        try:
            layout, _ = resolved(path, trial, shown)
        except InputError as error:
            first_error = first_error or error
            if "may be" in str(error) or "could be" in str(error):
                raise
            continue
        rows = sample_rows(path, layout, shown)
        if len(rows) < 2 or len(rows[0]) < 2:
            continue
        if all(_is_value(cell) for cell in rows[0]):
            return Proposal(layout.model_copy(update={"header": False}), _headless(rows[0]))
        above = []
        if skipped and units_row(rows[0]):
            above = sample_rows(path, layout.model_copy(update={"skip_rows": skipped - 1}), shown)[0]
        if len(above) == len(rows[0]) and not any(_is_value(cell) for cell in above):
            heads = [
                f"{name} [{unit.strip('[]() ')}]" if unit else name for name, unit in zip(above, rows[0], strict=True)
            ]
            return Proposal(layout, _columns(heads, rows[1:]), by_number=True)
        return Proposal(layout, _columns(rows[0], rows[1:]))
    if isinstance(first_error, NoDelimiterError):
        # The reader's own words lead here.
        words = f"{NO_DELIMITER}, nor with lines above it left out; give --delimiter, or write a layout file"
        raise InputError(Problem(words, file=shown)) from None
    raise first_error or InputError(Problem("the file holds no table of numbers", file=shown))


def _of_workbook(path: Path, shown: str, sheet: str | None) -> Proposal:
    sheets = sample(path, shown)
    names = [name for name, _ in sheets]
    if sheet is not None and sheet not in names:
        raise InputError(Problem(f"there is no sheet {sheet!r}; there are: {', '.join(names)}", file=shown))
    found: list[tuple[int, Proposal]] = []
    for name, rows in sheets:
        proposal = None if sheet not in (None, name) else _of_sheet(rows)
        if proposal is not None:
            proposal.sheets = names
            if len(names) > 1:
                proposal.layout = proposal.layout.model_copy(update={"sheet": name})
            found.append((sum(not column.text for column in proposal.columns), proposal))
    if not found:
        where = f"the sheet {sheet!r}" if sheet else "no sheet of the workbook"
        raise InputError(Problem(f"{where} holds {'no' if sheet else 'a'} table of numbers below names", file=shown))
    best = max(count for count, _ in found)
    likely = [proposal for count, proposal in found if count == best]
    if len(likely) > 1:
        named = ", ".join(str(proposal.layout.sheet) for proposal in likely)
        raise InputError(Problem(f"several sheets hold such a table ({named}); name one with --sheet", file=shown))
    return likely[0]


def _of_sheet(rows: Sequence[tuple[int, list[str]]]) -> Proposal | None:
    """Return the proposal for one sheet, ``None`` if it holds no numbers below names."""
    for place, (line, heads) in enumerate(rows[:-1]):
        below = [cells for _, cells in rows[place + 1 :]]
        if _valued(heads, below[0]) >= min(2, sum(bool(head) for head in heads)) > 0:
            above = rows[place - 1][1] if place else []
            layout = Layout(header_row=line)
            if units_row(heads) and above and not any(_is_value(cell) for cell in above):
                both = [
                    f"{name} [{unit.strip('[]() ')}]" if unit else name for name, unit in _side_by_side(above, heads)
                ]
                return Proposal(layout, _columns(both, below), is_text=False, by_number=True)
            return Proposal(layout, _columns(heads, below), is_text=False)
    if rows and all(_is_value(cell) for cell in rows[0][1]) and len(rows) > 1:
        return Proposal(
            Layout.model_construct(header_row=rows[0][0], header=False), _headless(rows[0][1]), is_text=False
        )
    return None


def _side_by_side(above: Sequence[str], below: Sequence[str]) -> list[tuple[str, str]]:
    width = max(len(above), len(below))
    padded = [[*row, *[""] * (width - len(row))] for row in (above, below)]
    return list(zip(*padded, strict=True))


def _valued(heads: Sequence[str], cells: Sequence[str]) -> int:
    """Return how many heads are words above a number or a time."""
    pairs = zip(heads, cells, strict=False)
    return sum(bool(head) and not _is_value(head) and _is_value(cell) for head, cell in pairs)


def _is_value(cell: str) -> bool:
    return bool(_NUMBER.fullmatch(cell)) or is_stamp(cell)


def _headless(cells: Sequence[str]) -> list[ProposedColumn]:
    return [ProposedColumn(place, "", None, None, f"holds {cell[:40]}") for place, cell in enumerate(cells, start=1)]


def _columns(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[ProposedColumn]:
    """Return what each column seems to be, from its head and its first reading."""
    firsts = [next((row[place] for row in rows if place < len(row) and row[place]), "") for place in range(len(heads))]
    columns = [_column(place, head, first) for place, (head, first) in enumerate(zip(heads, firsts, strict=True))]
    _join_dates(columns, firsts)
    for column in columns:
        # Of two columns for one quantity the surer is taken, and the other asked about.
        others = [other for other in columns if other is not column and other.canonical == column.canonical]
        better = [
            other
            for other in others
            if _rank(other) > _rank(column) or (_rank(other) == _rank(column) and other.number < column.number)
        ]
        if column.canonical is not None and column.sure != OPEN and better:
            column.sure = OPEN
            column.reason = f"like column {better[0].number}; {column.reason}"
    return columns


def _rank(column: ProposedColumn) -> int:
    return (column.sure == SURE) + (column.sure != OPEN)


def _join_dates(columns: Sequence[ProposedColumn], firsts: Sequence[str]) -> None:
    """Give clock times without a date the column of dates beside them, if there is one."""
    dates = [place for place, cell in enumerate(firsts) if has_date(cell) and not has_time(cell)]
    for place, column in enumerate(columns):
        if column.unit == "clock" and len(dates) == 1 and not has_date(firsts[place]):
            column.date = dates[0] + 1
            columns[dates[0]].text, columns[dates[0]].reason = True, f"the dates of column {column.number}"


def _column(position: int, head: str, first: str) -> ProposedColumn:
    number = position + 1
    if len(head) > limits.LONGEST_NAME:
        return ProposedColumn(number, head[:40] + "...", None, None, "its header is too long for a name")
    seen = f"; the first reading is {first.removeprefix('T')[:40]}" if first else ""
    if is_stamp(first) and has_time(first):
        two = first.count(":") == 1 and not has_date(first) and not first.startswith("T")
        unit = None if two and "." not in first and "," not in first else "clock"
        why = "its cells are clock times" if unit else "hours and minutes (h:mm), or minutes and seconds (mm:ss)?"
        return ProposedColumn(number, head, "time", unit, why + seen, SURE if unit else OPEN)
    found: Heading = recognised(head)
    text = bool(first) and not _is_value(first)
    if text:
        return ProposedColumn(number, head, None, found.unit, f"holds text, {first[:40]!r}", text=True)
    return ProposedColumn(number, head, found.canonical, found.unit, found.why + seen, found.sure, found.candidates)


def _transitions(proposal: Proposal) -> list[str]:
    """Return what to say of a table that seems to hold a row for each change of one channel; nothing of another."""
    channel = next((c for c in proposal.columns if c.text and _OF_CHANNELS.fullmatch(c.header.strip())), None)
    level = next((c for c in proposal.columns if _OF_LEVELS.fullmatch(c.header.strip())), None)
    if channel is None or level is None:
        return []
    return [
        "# By its heads the table has a row for each change of one channel. If so, take the '#' away, and name under",
        "# 'columns' the channels as they stand in the file, such as  hall_a: {column: D0, unit: \"1\"}",
        f"# transitions: {{channel: {_quoted(channel.header)}, level: {_quoted(level.header)}}}",
    ]


def unit_fault(unit: str, canonical: str) -> str | None:
    """Return why a unit is none of a canonical column's kind, ``None`` if it is one."""
    kind = COLUMNS[canonical].kind
    if kind == "time" and unit in CLOCK_UNITS:
        return None
    try:
        conversion(unit, kind)
    except ValueError as error:
        volts = "; of a level in volts answer 1, then give 'unit: V' and a 'threshold' in the file"
        return f"{error}{volts if kind == 'logic' else ''}"
    return None


def render(proposal: Proposal, source: str) -> str:
    """Return the layout file's text; columns that need a person's answer stand as comments."""
    lines = [
        "# yaml-language-server: $schema=../schemas/layout.schema.json",
        f"# Proposed from {source!r}. Confirm every line; the file is yours from here on.",
        f"description: {_quoted('export like ' + source)}",
        *_dialect(proposal),
    ]
    body, questions, left_out = [], [], []
    for column in proposal.columns:
        by_name = column.header and not proposal.by_number and _unique(proposal, column)
        place = _quoted(column.header) if by_name else str(column.number)
        # A line break in a head would end the comment.
        reason = " ".join(column.reason.split())
        if column.text:
            left_out.append(f"#   {place}: {reason}")
        elif column.canonical is not None and column.unit is not None and column.sure != OPEN:
            named = "" if by_name else f" {_quoted(column.header)}," if column.header else ""
            body.append(
                f"  {column.canonical}: {{{_entry(place, column, proposal)}}}   #{named} {column.sure}: {reason}"
            )
        else:
            questions.append(_question(place, column, reason))
    lines += _transitions(proposal)
    if left_out:
        lines += ["# These columns hold no numbers and are left out:", *left_out]
    if questions:
        lines += ["# These columns could not be told. Name the quantity and its unit, or leave them out:", *questions]
    if body:
        lines += [
            "# scale: 10 for a x10 probe, A per V for a shunt; offset; invert: true; threshold: 2.5 of a level.",
            "# Add them where they apply.",
            "columns:",
            *body,
        ]
    else:
        lines += ["# No column could be told for certain: move lines from above to here, then take this comment out.",
                  "columns: {}"]  # fmt: skip
    return "\n".join(lines) + "\n"


def _dialect(proposal: Proposal) -> list[str]:
    layout = proposal.layout
    lines = []
    if proposal.is_text:
        lines += [
            f"encoding: {layout.encoding}",
            f"delimiter: {_quoted(layout.delimiter)}",
            f"decimal: {_quoted(layout.decimal)}",
        ]
    if layout.sheet is not None:
        others = ", ".join(repr(name) for name in proposal.sheets if name != layout.sheet)
        lines.append(f"sheet: {_quoted(layout.sheet)}   # beside it there are: {others}")
    if layout.header_row is not None:
        what = (
            "the units, below the names"
            if proposal.by_number
            else "the names"
            if layout.header
            else "the first reading"
        )
        lines.append(f"header_row: {layout.header_row}   # {what}; as the spreadsheet counts, blank rows and all")
    if layout.skip_rows:
        lines.append(f"skip_rows: {layout.skip_rows}   # lines before the header")
    return lines if layout.header else [*lines, "header: false"]


def _entry(place: str, column: ProposedColumn, proposal: Proposal) -> str:
    entry = f"column: {place}, unit: {_quoted(str(column.unit))}"
    if column.date is not None:
        dates = proposal.columns[column.date - 1]
        by_name = dates.header and not proposal.by_number and _unique(proposal, dates)
        entry += f", date: {_quoted(dates.header) if by_name else column.date}"
    return entry


def _question(place: str, column: ProposedColumn, reason: str) -> str:
    example = column.canonical or "..."
    asked = column.unit or (f"{SI_UNIT[COLUMNS[example].kind]}?" if example in COLUMNS else "...")
    which = f"; {' or '.join(column.candidates)}?" if column.candidates and column.canonical is None else ""
    return f"#  {example}: {{column: {place}, unit: {asked}}}   # {reason}{which}"


def _quoted(text: str) -> str:
    import yaml

    return yaml.safe_dump(text, default_style='"', allow_unicode=True, width=10**6).strip()


def _unique(proposal: Proposal, column: ProposedColumn) -> bool:
    return sum(other.header == column.header for other in proposal.columns) == 1
