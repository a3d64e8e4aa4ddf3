"""The verification book: what every number of the program was compared with, for a reader who believes nothing.

Made from the record that ``pytest --outside-record`` writes while it compares, and from the facts of quantities and
procedures; nothing in it is written by hand, so it cannot drift from the tests.
"""

from __future__ import annotations

import argparse
import base64
import json
import re
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .. import __version__
from ..derivations import derivations
from ..errors import InputError, Problem
from ..jsonio import write_bytes
from ..procedures import procedures
from ..procedures.base import Procedure, Quantity
from ..procedures.derivation import Derivation
from ..quantities import quantities
from ..signs import unit_text
from . import numbers
from .environment import environment
from .identity import report_id
from .style import TEMPLATES, font_files
from .symbols import symbol_html, with_unit
from .wording import basis_mark

#: Subjects that are no quantity and no procedure, with what the book says of them.
GENERAL = {
    "unit": ("Units", "Written values with their units, turned into SI."),
    "fit": ("Fits", "The least-squares fits that all procedures use, and the correlation of residuals."),
    "uncertainty": ("Uncertainty", "Propagation, degrees of freedom and coverage intervals."),
    "decision": ("Decisions", "Probability of conformity and the risks of accepting and rejecting."),
    "season": ("Many units", "Control charts of the check standard, scatter of a model, limits of tolerance."),
}
#: What is behind an outside value -> how the book marks it; the first whose words are found in the source counts.
_BASES = (
    ("memory", "from memory", re.compile(r"from memory")),
    ("practice", "common practice", re.compile(r"common practice")),
    (
        "software",
        "software of others",
        re.compile(r"gym-electric-motor|motulator|swat-em|\bGTC\b|metrolopy|scipy|uncertainties \(|statsmodels|lmfit"),
    ),
    ("repeated", "repeated runs", re.compile(r"seeded runs")),
    ("solved", "equation solved", re.compile(r"SciPy|integrated|eigenvalues")),
    (
        "hand",
        "worked by hand",
        re.compile(r"worked by hand|identity|by hand|mathematics|handbook|trigonometry|calculus"),
    ),
)
_PUBLISHED = ("published", "published")
_NO_ID = "@report-id@"
_HEADER = '@page { @top-left { content: "Verification book" } @bottom-left { content: "" } }'


def basis(source: str) -> tuple[str, str]:
    """Return the key and the words of what an outside value rests on."""
    for key, words, pattern in _BASES:
        if pattern.search(source):
            return key, words
    return _PUBLISHED


def load_record(path: Path) -> list[dict[str, Any]]:
    """Return the comparisons of a record.

    Raises ``InputError`` if one failed, speaks for something unknown, or if a quantity has none: a book with a hole
    is not made.
    """
    rows: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))
    known = {*quantities(), *procedures(), *derivations(), *GENERAL}
    problems = [
        Problem(f"the comparison {row['what']!r} failed in {row['test']}; mend it first", file=path.name)
        for row in rows
        if not row["passed"]
    ]
    problems += [
        Problem(f"{row['test']} speaks for {row['subject']!r}, which is neither quantity nor procedure", file=path.name)
        for row in rows
        if row["subject"] not in known
    ]
    # Repeated runs judge a stated scatter; they are no outside value of the quantity.
    checked = {row["subject"] for row in rows if basis(row["source"])[0] != "repeated"}
    problems += [
        Problem(f"nothing from outside is compared with {name!r}; add a check of it", file=path.name)
        for name in quantities()
        if name not in checked
    ]
    if problems:
        raise InputError(problems)
    return rows


def _written(value: float, allowance: float) -> str:
    """Return a number with the digits that its allowance makes worth reading."""
    if value == 0:
        return "0"
    size = abs(value)
    digits = 6
    while digits < 12 and allowance < size * 10.0 ** -(digits - 1):
        digits += 1
    return numbers.plain(value, digits)


def _share(share: float) -> str:
    return "0" if share == 0 else "< 0.01" if share < 0.01 else f"{share:.2f}"


def _check(row: Mapping[str, Any]) -> dict[str, Any]:
    difference, allowance = abs(row["ours"] - row["published"]), row["allowance"]
    key, words = basis(row["source"])
    return {
        "what": row["what"],
        "outside": with_unit(_written(row["published"], allowance), row["unit"]),
        "ours": with_unit(_written(row["ours"], allowance), row["unit"]),
        "allowance": with_unit(numbers.plain(allowance, 2), row["unit"]) if allowance else "none",
        "share": _share(difference / allowance) if allowance else "0",
        "source": row["source"],
        "basis": words,
        "basis_key": key,
    }


def _quantity(quantity: Quantity, rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {
        "name": quantity.name,
        "title": quantity.title,
        "symbol": symbol_html(quantity.symbol),
        "unit": unit_text(quantity.unit),
        "definition": quantity.definition,
        "source": quantity.source + basis_mark(quantity.basis),
        "checks": [_check(row) for row in rows if row["subject"] == quantity.name],
    }


def _maker(maker: Procedure | Derivation, rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {
        "name": maker.name,
        "title": maker.title,
        "purpose": getattr(maker, "purpose", "What the fitted constants mean on a battery and in a vehicle."),
        "quantities": [_quantity(quantity, rows) for quantity in maker.quantities],
        "checks": [_check(row) for row in rows if row["subject"] == maker.name],
        "also": [quantities()[name].title for name in maker.gives if name not in {q.name for q in maker.quantities}],
        "not_covered": maker.not_covered,
    }


def book_html(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return the book as HTML, with a placeholder for its identifier."""
    makers: list[Procedure | Derivation] = [
        *sorted(procedures().values(), key=lambda p: (p.order, p.name)),
        *sorted(derivations().values(), key=lambda d: (d.order, d.name)),
    ]
    counted: dict[str, int] = {}
    for row in rows:
        words = basis(row["source"])[1]
        counted[words] = counted.get(words, 0) + 1
    html: str = (
        environment()
        .get_template("proof_book.html.j2")
        .render(
            version=__version__,
            report_id=_NO_ID,
            makers=[_maker(maker, rows) for maker in makers],
            general=[
                {"title": title, "purpose": purpose, "checks": [_check(r) for r in rows if r["subject"] == subject]}
                for subject, (title, purpose) in GENERAL.items()
            ],
            counts={"checks": len(rows), "quantities": len(quantities()), "tests": len({row["test"] for row in rows})},
            bases=sorted(counted.items(), key=lambda item: -item[1]),
        )
    )
    return html


def _for_screens(html: str, css: str) -> str:
    """Return one HTML file that holds its style and fonts."""
    faces = []
    for file in font_files()[:3]:
        data = base64.b64encode(file.path.read_bytes()).decode()
        faces.append(
            f"@font-face {{ font-family: '{file.family}'; font-weight: {file.weight}; font-style: {file.slope}; "
            f"src: url(data:font/ttf;base64,{data}) }}"
        )
    screen = (
        "body { max-width: 190mm; margin: 10mm auto; padding: 0 4mm; font-size: 11pt } table { font-size: 10pt } "
        ".contents a::after { content: none } .contents li { max-width: 100% } .scroll { overflow-x: auto } "
        ".checks { min-width: 150mm } :focus-visible { outline: 3px solid #0a58ca; outline-offset: 2px }"
    )
    style = "\n".join([*faces, css, screen])
    return html.replace("</head>", f"<style>\n{style}\n</style>\n</head>", 1)


def render_book(record: Path, folder: Path) -> list[Path]:
    """Write ``verification.pdf`` and ``verification.html`` into ``folder`` and return their paths."""
    from . import pdf

    html = book_html(load_record(record))
    css = "\n".join((TEMPLATES / name).read_text(encoding="utf-8") for name in ("report.css", "proof_book.css"))
    identifier = report_id([html.encode(), css.encode()])
    html = html.replace(_NO_ID, identifier)
    paths = [folder / "verification.pdf", folder / "verification.html"]
    write_bytes(paths[0], pdf.write(html, css + _HEADER, images={}, identifier=identifier))
    write_bytes(paths[1], _for_screens(html, css).encode())
    return paths


def main() -> int:
    """Make the book from a record; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m rotorproof.rendering.proof_book", description=__doc__)
    parser.add_argument("record", type=Path, help="what pytest --outside-record wrote")
    parser.add_argument("folder", type=Path, help="where the book goes")
    options = parser.parse_args()
    try:
        paths = render_book(options.record, options.folder)
    except InputError as error:
        sys.stderr.write("\n".join(problem.message for problem in error.problems) + "\n")
        return 1
    sys.stdout.write("\n".join(str(path) for path in paths) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
