"""One section of the report, a procedure or a derivation, as the templates print it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..columns import COLUMNS, titles
from ..decision.models import ForEntry, Results
from ..fitting.assign import instrument_of
from ..fitting.stored import Made, StoredFit
from ..logs.store import Readings
from ..procedures import procedures
from ..procedures.base import Procedure, Table
from ..quantities import ADJUSTED
from ..settings.application import words
from ..settings.unit import Instrument, Test, UnitFile
from ..signs import value_text
from ..units import SI_UNIT, conversion
from . import numbers
from .figures import alt_text, figure_name, is_wide
from .quantity_view import QuantityView, quantity_view, written
from .wording import maker, quantity_title

#: Letters up to which a cell and a header ask for a column of their own length.
_WIDE_CELL, _WIDE_HEAD = 74, 12
#: A number without exponent or groups, and the digits up to which zeros make a column of them of one length.
_PLAIN = re.compile("[-\u2212]?([0-9]+)(?:[.]([0-9]+))?")
_MOST_DIGITS = 7
#: A table of no more letters and rows than these takes half the width.
_HALF_LETTERS, _HALF_ROWS = 68, 14
#: Rows of a table from which on it is for looking things up.
_LONG = 12
#: Letters up to which what a value refers to stands beside its title.
_SHORT_REFERENCE = 8
#: What dials show where that is not the SI unit.
_READ_IN = {"speed": "rpm", "angle": "deg", "inductance": "uH"}
#: Values and letters of reasons up to which what a section found stands in one column beside its first figure.
_COLUMN_VALUES, _COLUMN_LETTERS = 16, 800
#: So few values take less height across the page than a row that a figure would have to itself.
_FEW_VALUES = 8
#: Rows up to which a narrow table stands under such values rather than have half the page for itself.
_FEW_ROWS = 4
_NOT_STATED = "not stated"


@dataclass(frozen=True)
class FigureView:
    """A figure: the file it lies in, its caption and its description in words."""

    file: str
    title: str
    caption: str
    alt: str
    wide: bool


@dataclass(frozen=True)
class TableView:
    """A table of text; ``numeric`` tells which columns hold numbers alone, ``widths`` are percentages.

    One that is ``half`` as wide as the page stands beside a figure or another such table.
    """

    title: str
    headers: Sequence[str]
    rows: Sequence[Sequence[str]]
    numeric: Sequence[bool]
    widths: Sequence[float]
    half: bool

    @property
    def long(self) -> bool:
        """Tell whether the table is one to look things up in."""
        return len(self.rows) > _LONG


@dataclass(frozen=True)
class Placed:
    """What stands where: ``left`` or ``right`` in a row of two, or ``wide``.

    A figure, a narrow table, or neither: then it is the column of what the section found.
    """

    side: str
    figure: FigureView | None = None
    table: TableView | None = None


@dataclass(frozen=True)
class InstrumentView:
    """An instrument and what it read in one section."""

    key: str
    model: str
    serial: str
    calibrated_on: str
    calibration_due: str
    certificate: str
    accuracy: Sequence[str]
    read: str
    overdue: bool

    @property
    def made(self) -> str:
        """Return model and serial number, "not stated" once if neither is."""
        return _stated(self.model, self.serial)

    @property
    def calibration(self) -> str:
        """Return day, end and certificate of the calibration, "not stated" once if none of them is."""
        return _stated(self.calibrated_on, self.calibration_due, self.certificate)


@dataclass(frozen=True)
class TestView:
    """One log behind a section."""

    __test__ = False  # not a pytest class

    log: str
    readings: str
    layout: str
    conditions: Sequence[tuple[str, str]]
    remarks: str


@dataclass(frozen=True)
class SectionView:
    """A section: what was done, with what, and what it gave."""

    anchor: str
    name: str
    title: str
    purpose: str
    kind: str
    tests: Sequence[TestView] = ()
    instruments: Sequence[InstrumentView] = ()
    quantities: Sequence[QuantityView] = ()
    figures: Sequence[FigureView] = ()
    #: Titles of figures that could not be drawn.
    undrawn: Sequence[str] = ()
    tables: Sequence[TableView] = ()
    side_by_side: Sequence[Placed] = ()
    notes: Sequence[str] = ()
    missing: Sequence[tuple[str, str]] = ()
    #: Titles of quantities, and what all of them are predicted from or rest on.
    predicted: Sequence[tuple[str, str]] = ()
    #: Whether the values stand in a column beside the first figure; else they have a table across the page.
    column: bool = False
    #: A narrow table below them in that column.
    under: TableView | None = None

    @property
    def reference(self) -> str:
        """Return a long reference that several values share, to be said once: "magnet temperature 20 °C"."""
        stated = [one.reference for one in self.quantities if len(one.reference) > _SHORT_REFERENCE]
        return next((one for one in stated if stated.count(one) > 1), "")

    @property
    def origin(self) -> str:
        """Return where all values come from, "" if they differ."""
        kinds = {one.origin for one in self.quantities}
        return kinds.pop() if len(kinds) == 1 else ""


def sections(unit: UnitFile, fit: StoredFit, readings: Readings, results: Results) -> list[SectionView]:
    """Return the sections of a report: the procedures in the order of their fits, then the derivations."""
    found: list[SectionView] = []
    for outcome in fit.outcomes:
        procedure = procedures()[outcome.maker]
        places = [place for place in outcome.tests if place < len(unit.tests)]
        label = outcome.label
        title = procedure.title if label == procedure.name else f"{procedure.title}: {label}"
        found.append(
            SectionView(
                anchor=f"section-{len(found) + 1}",
                name=procedure.name,
                title=title,
                purpose=procedure.purpose,
                kind="procedure",
                tests=[_test(procedure, unit.tests[place], readings, place) for place in places],
                instruments=_instruments(unit, procedure, [unit.tests[place] for place in places], readings, places),
                **_common(outcome, results),
            )
        )
    for derived in fit.derived:
        name, meant = derived.maker, words(derived.application)
        purpose = "Computed from the measured quantities and the settings; no test of its own."
        if name == ADJUSTED:
            purpose = "One value of each constant from all tests that observe it, and whether they agree."
        found.append(
            SectionView(
                anchor=f"section-{len(found) + 1}",
                name=name,
                title=f"{maker(name)}: {meant}" if meant else maker(name),
                purpose=purpose,
                kind="derivation",
                **_common(derived, results),
            )
        )
    return found


def _common(made: Made, results: Results) -> dict[str, Any]:
    figures = [
        FigureView(
            figure_name(made.label, panel.name),
            panel.title,
            panel.caption,
            alt_text(panel),
            is_wide(panel.drawing, [series.label for series in panel.series]),
        )
        for panel in made.panels
        if panel.drawn
    ]
    tables = [table_view(table) for table in made.tables]
    quantities = _quantities(made, results)
    missing, predicted = _missing(made.missing), _predicted(quantities)
    half = [table for table in tables if table.half]
    reasons = sum(len(titles) + len(reason) for titles, reason in [*missing, *predicted])
    column, under = beside_figures(sum(not figure.wide for figure in figures), half, len(quantities), reasons)
    half = [table for table in half if table is not under]
    return {
        "quantities": quantities,
        "predicted": predicted,
        "figures": figures,
        "undrawn": [panel.title for panel in made.panels if not panel.drawn],
        "tables": tables,
        "side_by_side": placed(figures, half, column=column),
        "notes": made.notes,
        "missing": missing,
        "column": column,
        "under": under,
    }


def beside_figures(
    figures: int, tables: Sequence[TableView], values: int, letters: int
) -> tuple[bool, TableView | None]:
    """Return whether ``values`` stand in a column beside narrow ``figures`` and ``tables``, and which table under them.

    ``letters`` are those of the reasons and remarks that go with the values. A table that would have half the page for
    itself stands under few values.
    """
    if not 0 < values <= _COLUMN_VALUES or letters > _COLUMN_LETTERS:
        return False, None
    beside = figures + len(tables)
    if values > _FEW_VALUES or beside % 2:
        return beside > 0, None
    # With an even number beside each other, a column would leave the last of them alone in its row.
    under = next((table for table in tables if figures and len(table.rows) <= _FEW_ROWS), None)
    return under is not None, under


def _predicted(quantities: Sequence[QuantityView]) -> list[tuple[str, str]]:
    """Return what quantities are predicted from or rest on unmeasured, those of the same together."""
    members: dict[str, list[str]] = {}
    for one in quantities:
        if one.predicted_from:
            rests = "Stated, as it rests on" if one.origin == "stated" else "Predicted from"
            members.setdefault(f"{rests} {one.predicted_from}", []).append(one.title)
    return [(", ".join(titles), words) for words, titles in members.items()]


def _missing(missing: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return what could not be determined, quantities with the same reason together."""
    members: dict[str, list[str]] = {}
    for name, reason in missing.items():
        members.setdefault(reason, []).append(quantity_title(name))
    return [(", ".join(names), reason.rstrip(".")) for reason, names in members.items()]


def _quantities(made: Made, results: Results) -> list[QuantityView]:
    """Return the quantities this section gave, in its own order, whether or not another is preferred."""
    views = []
    there = results.of(ForEntry(**made.application) if made.application else None)
    for quantity in made.forms:
        entry = there[quantity]
        for number, candidate in enumerate([entry, *(entry.alternatives or ())]):
            if candidate.procedure == made.maker and (candidate.label or made.maker) == made.label:
                views.append(quantity_view(quantity, candidate, preferred=number == 0))
                break
    return views


def table_view(table: Table) -> TableView:
    """Return a procedure's table as text: numbers to five digits, empty cells as a dash."""
    rows = [[_cell(cell) for cell in row] for row in table.rows]
    width = len(table.headers)
    numeric = [
        bool(table.rows)
        and all(isinstance(row[column], int | float) or row[column] in ("", None) for row in table.rows)
        for column in range(width)
    ]
    for column in range(width):
        if numeric[column]:
            for row, cell in zip(rows, _aligned([row[column] for row in rows]), strict=True):
                row[column] = cell
    letters = _letters(table.headers, rows)
    widths = [round(100 * own / sum(letters), 1) for own in letters]
    half = sum(letters) <= _HALF_LETTERS and len(rows) <= _HALF_ROWS
    return TableView(table.title, list(table.headers), rows, numeric, widths, half)


def placed(figures: Sequence[FigureView], tables: Sequence[TableView], *, column: bool = False) -> list[Placed]:
    """Return figures and narrow tables in rows of two, behind the ``column`` of values where there is one.

    Narrow figures close ranks before a wide one.
    """
    narrow = [Placed("")] if column else []
    narrow += [Placed("", figure=figure) for figure in figures if not figure.wide]
    narrow += [Placed("", table=table) for table in tables]
    rows = [replace(one, side="right" if number % 2 else "left") for number, one in enumerate(narrow)]
    wide = [Placed("wide", figure=figure) for figure in figures if figure.wide]
    return [*wide, *rows] if figures and figures[0].wide and not column else [*rows, *wide]


def _letters(headers: Sequence[str], rows: Sequence[Sequence[str]]) -> list[int]:
    """Return how many letters each column asks for: layout then need not measure the cells."""
    letters = []
    for column, header in enumerate(headers):
        cells = [row[column] for row in rows]
        longest = max((len(cell) for cell in cells), default=0)
        word = max((len(word) for text in [header, *cells] for word in text.split()), default=0)
        letters.append(max(min(longest, _WIDE_CELL), min(len(header), _WIDE_HEAD), word) + 2)
    return letters


def _cell(cell: object) -> str:
    if cell is None or cell == "":
        return "–"
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, int):
        return numbers.plain(cell, 15)
    return numbers.plain(cell) if isinstance(cell, float) else str(cell)


def _aligned(cells: Sequence[str]) -> list[str]:
    """Return the numbers of a column with as many decimals each, where that takes few zeros."""
    parts = [_PLAIN.fullmatch(cell) for cell in cells if cell != "–"]
    if any(part is None for part in parts):
        return list(cells)
    most = max((len(part[2] or "") for part in parts if part), default=0)
    if most == 0 or most + max(len(part[1]) for part in parts if part) > _MOST_DIGITS:
        return list(cells)
    return [cell if cell == "–" else f"{cell.partition('.')[0]}.{cell.partition('.')[2]:0<{most}}" for cell in cells]


def _test(procedure: Procedure, test: Test, readings: Readings, place: int) -> TestView:
    meanings = {condition.name: condition.meaning for condition in procedure.conditions}
    columns = readings.columns[place] or {}
    count = len(next(iter(columns.values()))) if columns else 0
    names = dict.fromkeys(source for column in columns if (source := procedure.source_column(column)))
    reduced = any(column in procedure.reduced_columns for column in columns)
    rows = f"{numbers.plain(count, 15)} rows of {titles(names)}"
    return TestView(
        log=test.log,
        readings="a capture, reduced while it was read" if reduced else rows,
        layout=test.layout,
        conditions=[(meanings.get(name, name), written(str(value))) for name, value in test.conditions.items()],
        remarks=test.remarks or "",
    )


def _instruments(
    unit: UnitFile, procedure: Procedure, tests: Sequence[Test], readings: Readings, places: Sequence[int]
) -> list[InstrumentView]:
    conditions = {condition.name: condition for condition in procedure.conditions}
    read: dict[str, list[str]] = {}
    for test, place in zip(tests, places, strict=True):
        sources = [procedure.source_column(column) for column in readings.columns[place] or ()]
        kinds = {name: COLUMNS[name].kind for name in sources if name}
        # A condition with a stated uncertainty, a choice or an exact setting is no reading of an instrument.
        kinds |= {
            name: conditions[name].kind
            for name, value in test.conditions.items()
            if not (conditions[name].choices or conditions[name].exact or "+/-" in str(value) or "±" in str(value))
        }
        for name, kind in kinds.items():
            key = instrument_of(unit, test, name, kind)
            if key is not None and name not in read.setdefault(key, []):
                read[key].append(name)
    return [_instrument(unit, key, unit.instruments[key], names) for key, names in read.items()]


def _instrument(unit: UnitFile, key: str, instrument: Instrument, names: Sequence[str]) -> InstrumentView:
    due, tested = instrument.calibration_due, unit.tested_on
    return InstrumentView(
        key=key,
        model=instrument.model or _NOT_STATED,
        serial=instrument.serial or _NOT_STATED,
        calibrated_on=str(instrument.calibrated_on or _NOT_STATED),
        calibration_due=str(due or _NOT_STATED),
        certificate=instrument.certificate or _NOT_STATED,
        accuracy=_accuracies(instrument),
        read=titles(names),
        overdue=bool(due and tested and due < tested),
    )


def _accuracies(instrument: Instrument) -> list[str]:
    """Return what an instrument states of each kind of quantity, as half-widths of the error."""
    found = []
    for kind, specification in instrument.accuracy:
        for one in specification.ranges if specification else ():
            unit = _READ_IN.get(kind, SI_UNIT[kind])
            scale = 1.0 if kind == "temperature" else conversion(unit, kind).factor
            to = f" up to {value_text(one.limit / scale, unit, '.3g')}" if one.limit is not None else ""
            parts = [f"{100 * one.accuracy.relative:.3g} %"] if one.accuracy.relative else []
            if one.accuracy.fixed:
                own = "K" if kind == "temperature" else unit
                parts.append(value_text(one.accuracy.fixed / scale, own, ".3g"))
            if parts:
                found.append(f"{kind}{to}: {' + '.join(parts)}")
    return found


def _stated(*facts: str) -> str:
    """Return facts side by side; what none of them states is said once."""
    return _NOT_STATED if {*facts} == {_NOT_STATED} else ", ".join(facts)


def all_instruments(all_sections: Sequence[SectionView]) -> list[InstrumentView]:
    """Return every instrument of a report once, with the titles of the tests it read in instead of its columns."""
    found: dict[str, InstrumentView] = {}
    used: dict[str, list[str]] = {}
    for section in all_sections:
        for one in section.instruments:
            found.setdefault(one.key, one)
            used.setdefault(one.key, []).append(section.title)
    return [replace(one, read=", ".join(dict.fromkeys(used[key]))) for key, one in found.items()]
