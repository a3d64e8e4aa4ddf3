"""Propose a layout from an export: dialect, header, and what each column seems to be."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from ..columns import COLUMNS
from ..errors import InputError, Problem
from ..logs import limits
from ..logs.dialect import resolved, sample_rows
from ..settings.layout import AUTO, Layout
from ..units import SI_UNIT, conversion

#: Lines that a logger may write above its header.
_MOST_SKIPPED = 60
_UNIT = re.compile(r"^(?P<name>.*?)\s*(?:\[(?P<a>[^\]]+)\]|\((?P<b>[^)]+)\)|/\s*(?P<c>[A-Za-zµΩ°%^*/0-9]+))\s*$")

#: Canonical column -> patterns of the names that loggers give it. Common practice, no source.
_NAMES: tuple[tuple[str, str], ...] = (
    ("time", r"(elapsed |rel(ative)? )?(time|zeit|temps|t|seconds|x-axis)"),
    ("voltage_ab", r"(v|u|volt(age)?)[ _-]?(ab|uv|12|1-2|l1-?l2)"),
    ("voltage_bc", r"(v|u|volt(age)?)[ _-]?(bc|vw|23|2-3|l2-?l3)"),
    ("voltage_ca", r"(v|u|volt(age)?)[ _-]?(ca|wu|31|3-1|l3-?l1)"),
    ("voltage_a", r"(v|u|volt(age)?)[ _-]?(a|u|l1)"),
    ("voltage_b", r"(v|u|volt(age)?)[ _-]?(b|v|l2)"),
    ("voltage_c", r"(v|u|volt(age)?)[ _-]?(c|w|l3)"),
    ("current_a", r"(i|curr(ent)?|amps?)[ _-]?(a|u|l1|1)"),
    ("current_b", r"(i|curr(ent)?|amps?)[ _-]?(b|v|l2|2)"),
    ("current_c", r"(i|curr(ent)?|amps?)[ _-]?(c|w|l3|3)"),
    (
        "supply_voltage",
        r"(dc|supply|battery|batt?|bus|pack|in(put)?)[ _-]?(v|u|volt(age)?)|(v|u)[ _-]?(dc|bus|bat|batt|in)",
    ),
    (
        "supply_current",
        r"(dc|supply|battery|batt?|bus|pack|in(put)?)[ _-]?(i|a|curr(ent)?)|i[ _-]?(dc|bus|bat|batt|in)",
    ),
    ("speed", r"(motor |wheel |rotor )?(speed|rpm|n|rotation|drehzahl)"),
    ("torque", r"(motor |shaft )?(torque|m|moment)"),
    ("force", r"(force|f|load ?cell)"),
    ("angle", r"(rotor |mech(anical)? )?(angle|position|theta)"),
    ("throttle", r"(throttle|thr)"),
    ("duty", r"(duty( ?cycle| ?ratio)?)"),
    ("temperature_winding", r"(t|temp(erature)?)[ _-]?(winding|motor|coil|stator)|(winding|motor)[ _-]?temp(erature)?"),
    ("temperature_ambient", r"(t|temp(erature)?)[ _-]?(amb(ient)?|air|room)|(ambient|room)[ _-]?temp(erature)?"),
    ("temperature_case", r"(t|temp(erature)?)[ _-]?(case|housing|shell)|(case|housing)[ _-]?temp(erature)?"),
    ("hall_a", r"hall[ _-]?(a|u|1)"),
    ("hall_b", r"hall[ _-]?(b|v|2)"),
    ("hall_c", r"hall[ _-]?(c|w|3)"),
)


@dataclass
class ProposedColumn:
    """A column of the export, and what it seems to be (``canonical`` is ``None`` where nothing can be told)."""

    number: int
    header: str
    canonical: str | None
    unit: str | None
    reason: str


@dataclass
class Proposal:
    """A layout to be confirmed."""

    layout: Layout
    columns: list[ProposedColumn]
    first_row: list[str]


def propose(path: Path, shown: str, *, delimiter: str | None = None, decimal: str | None = None) -> Proposal:
    """Return a proposal for the export at ``path``. Raises ``InputError`` if it is no table or reads in two ways."""
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
        if len(rows) >= 2 and len(rows[0]) >= 2 and not _numbers(rows[0]):
            return Proposal(layout, [_column(i, cell, rows[1]) for i, cell in enumerate(rows[0])], rows[1])
        if len(rows) >= 2 and len(rows[0]) >= 2:
            headless = layout.model_copy(update={"header": False})
            columns = [ProposedColumn(i + 1, "", None, None, f"holds {cell}") for i, cell in enumerate(rows[0])]
            return Proposal(headless, columns, rows[0])
    raise first_error or InputError(Problem("the file holds no table of numbers", file=shown))


def _numbers(row: list[str]) -> bool:
    return all(re.fullmatch(r"[-+]?[\d.,]+([eE][-+]?\d+)?", cell) for cell in row)


def _column(position: int, cell: str, first: list[str]) -> ProposedColumn:
    if len(cell) > limits.LONGEST_NAME:
        return ProposedColumn(position + 1, cell[:40] + "...", None, None, "its header is too long for a name")
    match = _UNIT.match(cell)
    name = match["name"] if match else cell
    unit = (match["a"] or match["b"] or match["c"]).strip() if match else None
    value = first[position] if position < len(first) else ""
    plain = re.sub(r"[\s_]+", " ", name).strip().lower()
    for canonical, pattern in _NAMES:
        if plain == canonical.replace("_", " ") or re.fullmatch(pattern, plain):
            if unit is None and plain == "rpm":
                unit = "rpm"
            if unit is not None and not _fits(unit, canonical):
                continue
            return ProposedColumn(position + 1, cell, canonical, unit, f"by its name; the first reading is {value}")
    exact = plain.replace(" ", "_")
    if exact in COLUMNS and (unit is None or _fits(unit, exact)):
        return ProposedColumn(position + 1, cell, exact, unit, f"by its name; the first reading is {value}")
    return ProposedColumn(position + 1, cell, None, unit, f"not known; the first reading is {value}")


def _fits(unit: str, canonical: str) -> bool:
    try:
        conversion(unit, COLUMNS[canonical].kind)
    except ValueError:
        return False
    return True


def render(proposal: Proposal, source: str) -> str:
    """Return the layout file's text; columns that need a person's answer stand as comments."""
    import yaml

    layout = proposal.layout

    def quoted(text: str) -> str:
        return yaml.safe_dump(text, default_style='"', allow_unicode=True, width=10**6).strip()

    lines = [
        "# yaml-language-server: $schema=../schemas/layout.schema.json",
        f"# Proposed from {source!r}. Confirm every line; the file is yours from here on.",
        f"description: {quoted('export like ' + source)}",
        f"encoding: {layout.encoding}",
        f"delimiter: {quoted(layout.delimiter)}",
        f"decimal: {quoted(layout.decimal)}",
    ]
    if layout.skip_rows:
        lines.append(f"skip_rows: {layout.skip_rows}   # lines before the header")
    if not layout.header:
        lines.append("header: false")
    used: set[str] = set()
    body, questions = [], []
    for column in proposal.columns:
        place = quoted(column.header) if column.header and _unique(proposal, column) else str(column.number)
        sure = column.canonical is not None and column.unit is not None and column.canonical not in used
        if sure and _fits(str(column.unit), str(column.canonical)):
            used.add(str(column.canonical))
            body.append(
                f"  {column.canonical}: {{column: {place}, unit: {quoted(str(column.unit))}}}   # {column.reason}"
            )
        else:
            example = column.canonical or "..."
            unit = column.unit or (SI_UNIT[COLUMNS[example].kind] + "?" if example in COLUMNS else "...")
            questions.append(f"#  {example}: {{column: {place}, unit: {unit}}}   # {column.reason}")
    if questions:
        lines += ["# These columns could not be told. Name the quantity and its unit, or leave them out:", *questions]
    if body:
        lines += [
            "# scale: 10 for a x10 probe, A per V for a shunt; offset; invert: true. Add them where they apply.",
            "columns:",
        ]
        lines += body
    else:
        lines += ["# No column could be told for certain: move lines from above to here, then take this comment out.",
                  "columns: {}"]  # fmt: skip
    return "\n".join(lines) + "\n"


def _unique(proposal: Proposal, column: ProposedColumn) -> bool:
    return sum(other.header == column.header for other in proposal.columns) == 1
