"""The register's rows and columns: what is known of every unit at a glance.

A new column is one more entry of ``columns``; sorting, filtering and the narrow layout follow from it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from markupsafe import Markup

from ..decision.models import ProblemEntry, Results
from ..quantities import key_quantities, quantities
from . import gauges, numbers, words
from .symbols import symbol_html, with_unit

NOT_REPORTED = "not reported"
#: Order of verdicts when sorted: what needs attention first.
VERDICTS = ("rejected", "undecided", "incomplete", NOT_REPORTED, "accepted")
#: Of the constants a technician compares units by, the first few found are shown.
_MOST_KEYS = 5


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

    @property
    def verdict(self) -> str:
        """Return the verdict, or "not reported"."""
        return NOT_REPORTED if self.results is None else self.results.verdict

    @property
    def kind(self) -> str:
        """Return the kind of unit, as far as it is known."""
        return str(self.unit.get("kind") or "unknown")

    @property
    def searched(self) -> str:
        """Return everything that a search looks through, in lower case."""
        facts = [self.unit.get(key) for key in ("model", "serial", "description", "operator", "tested_on")]
        return " ".join(str(fact) for fact in (self.name, self.kind, self.verdict, *facts) if fact).lower()


@dataclass(frozen=True)
class Cell:
    """What a cell shows and what it is sorted by (empty: always last)."""

    html: Markup
    sort: str = ""


@dataclass(frozen=True)
class Column:
    """A column of the register; ``sorted_as`` tells how its cells compare."""

    key: str
    title: Markup
    cell: Callable[[Row], Cell]
    sorted_as: Literal["text", "number", ""] = "text"


def rows(
    units: Sequence[Mapping[str, Any]],
    results: Mapping[str, Results],
    refused: Mapping[str, Sequence[Mapping[str, Any]]],
    signed: Mapping[str, Sequence[Mapping[str, Any]]],
    doubts: Mapping[str, str] | None = None,
) -> list[Row]:
    """Return all units by name: those with results, and those that were refused with their problems.

    ``doubts`` says of units why the bench on which they were measured is in doubt.
    """
    doubts = doubts or {}
    names = [unit["unit"] for unit in units]
    found = [
        Row(name, unit, results[name], results[name].problems, signed.get(name, ()), doubts.get(name, ""))
        for name, unit in zip(names, units, strict=True)
    ]
    for name, problems in refused.items():
        found.append(Row(name, {}, None, [ProblemEntry(**problem) for problem in problems], signed.get(name, ())))
    return sorted(found, key=lambda row: row.name)


def columns(all_rows: Sequence[Row]) -> list[Column]:
    """Return the columns for these rows: constants that no unit has are left out."""
    return [
        Column("unit", Markup("Unit"), _unit),
        Column("verdict", Markup("Verdict"), _verdict, "number"),
        Column("model", Markup("Model, serial number"), lambda row: _stacked(row, "model", "serial")),
        Column("tested_on", Markup("Tested on, by"), lambda row: _stacked(row, "tested_on", "operator")),
        *(_constant(name) for name in _keys(all_rows)),
        Column("problems", Markup("Problems"), _problems, "number"),
        Column("signed", Markup("Signed"), _signed),
    ]


def _keys(all_rows: Sequence[Row]) -> list[str]:
    measured = {name for row in all_rows if row.results for name in row.results.quantities}
    return [name for name in key_quantities() if name in measured][:_MOST_KEYS]


def _text(value: object) -> Cell:
    if value is None or value == "":
        return Cell(Markup("–"))
    return Cell(Markup("{}").format(value), str(value).lower())


def _stacked(row: Row, first: str, second: str) -> Cell:
    """Return two facts of a unit in one cell, the second in small letters; both sort it."""
    above, below = (_text(row.unit.get(key)) for key in (first, second))
    small = Markup('<span class="about">{}</span>').format(below.html) if below.sort else Markup("")
    # A day stays on one line; the name of a model may be long.
    shown = Markup('<span class="n">{}</span>').format(above.html) if first == "tested_on" else above.html
    return Cell(Markup("{}{}").format(shown, small), f"{above.sort} {below.sort}".strip())


def _unit(row: Row) -> Cell:
    kind = ", ".join(str(row.unit[key]) for key in ("kind", "role") if row.unit.get(key))
    about = ": ".join(str(fact) for fact in (kind, row.unit.get("description")) if fact)
    small = Markup('<span class="about">{}</span>').format(about) if about else Markup("")
    name = Markup('<span class="name">{}</span>').format(row.name)
    if row.results is not None:
        # The report is what most people come for: it is one click from the name, wherever the table is scrolled.
        name = Markup('<a href="{0}/report.pdf" aria-label="report of {0}">{1}</a>').format(row.name, name)
    return Cell(name + small + _files(row), row.name.lower())


def _verdict(row: Row) -> Cell:
    if row.results is None:
        why = Markup('<a href="#refused-{}">why</a>').format(row.name)
    else:
        said = [words.verdict_reason(row.results), words.verdict_doubt(row.results)]
        why = Markup("{}").format(" ".join(filter(None, said)))
        if row.doubt:
            why += Markup(' <a class="doubt" href="bench.html">{}</a>').format(row.doubt)
    return Cell(
        Markup('<span class="verdict v-{}">{} {}</span><span class="about">{}</span>').format(
            row.verdict.replace(" ", "-"), gauges.mark(row.verdict), row.verdict, why
        ),
        str(VERDICTS.index(row.verdict)),
    )


def _constant(name: str) -> Column:
    quantity = quantities()[name]

    def cell(row: Row) -> Cell:
        entry = row.results.quantities.get(name) if row.results else None
        if entry is None:
            return Cell(Markup("–"))
        low, high = entry.interval
        shown = numbers.stated(entry.value, low, high, entry.expanded_uncertainty)
        return Cell(with_unit(shown, entry.unit), repr(entry.value))

    title = Markup("{} {}").format(quantity.title, symbol_html(quantity.symbol))
    return Column(name, title, cell, "number")


def _problems(row: Row) -> Cell:
    errors = sum(problem.severity == "error" for problem in row.problems)
    warnings = len(row.problems) - errors
    parts = [words.counted(n, word) for n, word in ((errors, "error"), (warnings, "warning")) if n]
    return Cell(Markup("{}").format(", ".join(parts) or "none"), str(1000 * errors + warnings))


def _signed(row: Row) -> Cell:
    if not row.signed:
        return Cell(Markup("not signed"))
    *earlier, last = row.signed
    link = Markup('<a href="{}" aria-label="signed report of {}, revision {}">r{}</a>')
    shown = link.format(last["report"], row.name, last["revision"], last["revision"])
    if last["verdict"] != row.verdict or not last["current"]:
        shown += Markup(" {}").format(last["verdict"])
    if last["waived"]:
        shown += Markup('<span class="about">{}</span>').format(f"{len(last['waived'])} waived")
    if last["verdict"] != "damaged":
        small = Markup('<span class="about"><span class="n">{}</span> {}</span>')
        shown += small.format(last["signed_at"], last["name"])
        if not last["current"]:
            shown += Markup('<span class="about">{}</span>').format("the results have changed since")
    if earlier:
        links = (link.format(one["report"], row.name, one["revision"], one["revision"]) for one in earlier)
        shown += Markup('<span class="about">replaced: {}</span>').format(Markup(" ").join(links))
    return Cell(shown, f"{last['signed_at']} {last['verdict']}")


def _files(row: Row) -> Markup:
    """Return links to what lies beside the report, to which the unit's name leads."""
    if row.results is None:
        return Markup("")
    link = Markup('<a href="{0}/{1}" aria-label="{2} of {0}">{2}</a>')
    files = (("results.json", "results"), ("evidence.json", "evidence"))
    return Markup('<span class="about">{}</span>').format(
        Markup(" ").join(link.format(row.name, file, title) for file, title in files)
    )
