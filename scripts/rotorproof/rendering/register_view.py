"""The register's rows and columns: what is known of every unit at a glance.

A new column is one more entry of ``columns``; sorting, filtering and the narrow layout follow from it. A cell is data,
from which the page's script makes what is seen: pieces of text, each with what it is (``register.js`` knows them all).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from markupsafe import Markup

from ..decision.models import ProblemEntry, Results
from ..evidence.history import History
from ..quantities import key_quantities, quantities
from . import numbers, words
from .symbols import symbol_html, unbroken_pieces

NOT_REPORTED = "not reported"
#: Order of verdicts when sorted: what needs attention first.
VERDICTS = ("rejected", "undecided", "incomplete", NOT_REPORTED, "accepted")
#: What a cell shows: text as it is, or a list of what it is and its parts.
Piece = str | list[Any]


@dataclass(frozen=True)
class Row:
    """One unit of the register: its file, its results (``None`` if it was refused), problems and signed reports."""

    name: str
    unit: Mapping[str, Any]
    results: Results | None
    problems: Sequence[ProblemEntry]
    signed: Sequence[Mapping[str, Any]] = ()
    #: Why the bench on which it was measured is in doubt.
    doubt: str = ""
    #: What lies before the names of its files, seen from the page.
    place: str = ""
    #: Comparisons that it is part of, and whether its bench sheets lie there.
    comparisons: Sequence[str] = ()
    sheets: bool = False
    #: The files of its newest signed report, seen from the page, where that is all that is left of it.
    archived: str = ""

    @property
    def folder(self) -> str:
        """Return the folder of its report, results and evidence, seen from the page."""
        return self.archived or f"{self.place}{self.name}/"

    @property
    def verdict(self) -> str:
        """Return the verdict, or "not reported"."""
        return NOT_REPORTED if self.results is None else self.results.verdict

    @property
    def errors(self) -> list[ProblemEntry]:
        """Return the problems by which something was lost: a log that was refused, a test that gave nothing."""
        return [problem for problem in self.problems if problem.severity == "error"]

    @property
    def kind(self) -> str:
        """Return the kind of unit, as far as it is known."""
        return str(self.unit.get("kind") or "unknown")


@dataclass(frozen=True)
class Cell:
    """What a cell shows and what it is sorted by (empty: always last, and nothing to show a column for)."""

    pieces: list[Piece]
    sort: str | float = ""


@dataclass(frozen=True)
class Column:
    """A column of the register; ``sorted_as`` tells how its cells compare.

    Of the constants (``constant``) the page shows the first few that the units have which it shows.
    """

    key: str
    title: Markup
    cell: Callable[[Row], Cell]
    sorted_as: Literal["text", "number", ""] = "text"
    constant: bool = False


@dataclass(frozen=True)
class Beside:
    """What lies beside the reports: doubts about the bench, comparisons and bench sheets, each by unit."""

    doubts: Mapping[str, str] = field(default_factory=dict)
    comparisons: Mapping[str, Sequence[str]] = field(default_factory=dict)
    sheets: frozenset[str] = frozenset()
    place: str = ""

    def of(self, name: str) -> dict[str, Any]:
        """Return what a row keeps of it."""
        within = [comparison for comparison, units in self.comparisons.items() if name in units]
        doubt = self.doubts.get(name, "")
        return {"doubt": doubt, "place": self.place, "comparisons": within, "sheets": name in self.sheets}


def rows(
    units: Sequence[Mapping[str, Any]],
    results: Mapping[str, Results],
    refused: Mapping[str, Sequence[Mapping[str, Any]]],
    signed: Mapping[str, Sequence[Mapping[str, Any]]],
    beside: Beside | None = None,
    gone: History | None = None,
) -> list[Row]:
    """Return all units in the order of their names: those with results, and those refused with their problems.

    Units that are ``gone`` are shown as their newest signed report has them.
    """
    about = beside or Beside()
    found = [
        Row(str(unit["unit"]), unit, results[unit["unit"]], results[unit["unit"]].problems,
            signed.get(unit["unit"], ()), **about.of(unit["unit"]))
        for unit in units
    ]  # fmt: skip
    for name, problems in refused.items():
        listed = [ProblemEntry(**problem) for problem in problems]
        found.append(Row(name, {}, None, listed, signed.get(name, ()), **about.of(name)))
    found += _archived(gone or History(), signed, about)
    return sorted(found, key=lambda row: _natural(row.name))


def _archived(gone: History, signed: Mapping[str, Sequence[Mapping[str, Any]]], about: Beside) -> Iterator[Row]:
    """Return the rows of units of which the archive alone is left."""
    for past in gone.units:
        name = str(past.unit["unit"])
        *earlier, last = signed[name]
        # There are no other results that it could differ from.
        reports = [*earlier, {**last, "current": True}]
        folder = past.report.removesuffix("report.pdf")
        yield Row(name, past.unit, past.results, past.results.problems, reports, archived=folder, **about.of(name))
    for place, why in gone.not_taken.items():
        name = place.split("/")[-2]
        words = f"its folder is gone, and its newest signed report ({place}) is not shown: {why}"
        yield Row(
            name, {}, None, [ProblemEntry(message=words, severity="error")], signed.get(name, ()), **about.of(name)
        )


def _natural(name: str) -> tuple[list[tuple[int, str]], str]:
    """Return a key by which unit 10 follows unit 9, as the page's script sorts them."""
    parts = re.split(r"([0-9]+)", name)
    return [(int(part), "") if place % 2 else (-1, part.lower()) for place, part in enumerate(parts)], name


def columns(all_rows: Sequence[Row]) -> list[Column]:
    """Return the columns for these rows: constants that no unit has are left out."""
    models = {row.name: _text(row.unit.get("model")) for row in all_rows}
    return [
        Column("unit", Markup("Unit"), _unit),
        Column("verdict", Markup("Verdict"), _verdict, "number"),
        Column("model", Markup("Model, serial number"), lambda row: _model(row, models)),
        Column("tested_on", Markup("Tested on, by"), lambda row: _stacked(row, "tested_on", "operator")),
        *(_constant(name) for name in _keys(all_rows)),
        Column("problems", Markup("Problems"), _problems, "number"),
        Column("signed", Markup("Signed"), _signed),
    ]


def register_data(all_rows: Sequence[Row], shown: Sequence[Column]) -> dict[str, Any]:
    """Return the rows as the page's script takes them: of each unit its verdict, its kind, and ``[sort, *pieces]``."""
    return {
        "columns": [{"sort": column.sorted_as, "constant": column.constant} for column in shown],
        "rows": [
            [row.verdict, row.kind, [[cell.sort, *cell.pieces] for cell in (column.cell(row) for column in shown)]]
            for row in all_rows
        ],
    }


def _keys(all_rows: Sequence[Row]) -> list[str]:
    measured = {name for row in all_rows if row.results for name in row.results.quantities}
    return [name for name in key_quantities() if name in measured]


def _about(*pieces: Piece) -> Piece:
    """Return a line in small letters below."""
    return ["about", *pieces]


def _link(href: str, text: str, label: str) -> Piece:
    return ["link", href, text, label]


def _text(value: object) -> str:
    return "" if value is None else str(value)


def _stacked(row: Row, first: str, second: str) -> Cell:
    """Return two facts of a unit in one cell, the second in small letters; both sort it."""
    above, below = (_text(row.unit.get(key)) for key in (first, second))
    if not above and not below:
        return Cell(["–"])
    # A day stays on one line; the name of a model may be long.
    shown: Piece = ["whole", above] if first == "tested_on" and above else above or "–"
    return Cell([shown, *([_about(below)] if below else [])], f"{above} {below}".strip().lower())


def _model(row: Row, models: Mapping[str, str]) -> Cell:
    """Return model and serial number; of a drive that has none, the units that it is made of with their ``models``."""
    parts = (row.results.parts if row.results else None) or ()
    if not parts or row.unit.get("model") or row.unit.get("serial"):
        return _stacked(row, "model", "serial")
    lines = [" ".join(filter(None, (one.unit, models.get(one.unit)))) for one in parts]
    return Cell([lines[0], *(_about(line) for line in lines[1:])], " ".join(lines).lower())


def _unit(row: Row) -> Cell:
    kind = ", ".join(str(row.unit[key]) for key in ("kind", "role") if row.unit.get(key))
    about = ": ".join(str(fact) for fact in (kind, row.unit.get("description")) if fact)
    # The report is what most people come for: it is one click from the name, wherever the table is scrolled.
    report = f"{row.folder}report.pdf"
    named: Piece = ["name", row.name] if row.results is None else ["name", row.name, report, f"report of {row.name}"]
    return Cell([named, *([_about(about)] if about else []), *_files(row)], row.name.lower())


def _verdict(row: Row) -> Cell:
    pieces: list[Piece] = [["verdict", row.verdict]]
    if row.archived:
        # What was signed may name what this program no longer knows: nothing of it is explained here.
        pieces.append(_about("as signed; its folder is gone, this is from the archive"))
    elif row.results is None:
        pieces.append(_about(["link", f"#refused-{row.name}", "why"]))
    else:
        said = [words.verdict_reason(row.results), words.verdict_doubt(row.results)]
        pieces.append(_about(" ".join(filter(None, said))))
        if row.doubt:
            pieces.append(_about(["doubt", "bench.html", row.doubt]))
    return Cell(pieces, VERDICTS.index(row.verdict))


def _constant(name: str) -> Column:
    quantity = quantities()[name]

    def cell(row: Row) -> Cell:
        entry = row.results.quantities.get(name) if row.results else None
        if entry is None:
            return Cell(["–"])
        low, high = entry.interval
        shown = numbers.stated(entry.value, low, high, entry.expanded_uncertainty)
        return Cell([["number", *unbroken_pieces(shown, entry.unit)]], entry.value)

    title = Markup("{} {}").format(quantity.title, symbol_html(quantity.symbol))
    return Column(name, title, cell, "number", constant=True)


def _problems(row: Row) -> Cell:
    errors = len(row.errors)
    warnings = len(row.problems) - errors
    parts = [words.counted(n, word) for n, word in ((errors, "error"), (warnings, "warning")) if n]
    return Cell([", ".join(parts) or "none"], 1000 * errors + warnings if parts else "")


def _signed(row: Row) -> Cell:
    if not row.signed:
        return Cell(["not signed"])
    *earlier, last = row.signed
    pieces: list[Piece] = [_revision(row, last)]
    if last["verdict"] != row.verdict or not last["current"]:
        pieces.append(f" {last['verdict']}")
    if last["waived"]:
        pieces.append(_about(f"{len(last['waived'])} waived"))
    if last["verdict"] != "damaged":
        pieces.append(_about(["whole", last["signed_at"]], f" {last['name']}"))
        if not last["current"]:
            pieces.append(_about("the results have changed since"))
    folder = last["report"].removesuffix("data/report.pdf")
    pieces.append(_about(_link(folder, "archive", f"archive of {row.name}, revision {last['revision']}")))
    if earlier:
        links = [piece for one in earlier for piece in (" ", _revision(row, one))]
        pieces.append(_about("replaced:", *links))
    return Cell(pieces, f"{last['signed_at']} {last['verdict']}")


def _revision(row: Row, one: Mapping[str, Any]) -> Piece:
    number = f"r{one['revision']}"
    return _link(one["report"], number, f"{number}, signed report of {row.name}")


def _files(row: Row) -> list[Piece]:
    """Return links to what lies beside the report, to which the unit's name leads."""
    files = [("results.json", "results"), ("evidence.json", "evidence")] if row.results is not None else []
    links = [(f"{row.folder}{file}", title) for file, title in files]
    if row.sheets:
        links.append((f"plans/{row.name}/", "bench sheets"))
    links += [(f"comparisons/{name}/comparison.pdf", f"comparison {name}") for name in row.comparisons]
    pieces = [piece for href, title in links for piece in (" ", _link(href, title, f"{title} of {row.name}"))]
    return [_about(*pieces[1:])] if pieces else []
