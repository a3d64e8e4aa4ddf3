"""Render bench sheets as PDF from plain data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..jsonio import write_bytes
from .environment import environment
from .identity import report_id
from .pdf import Printer
from .style import TEMPLATES
from .wiring import wiring_svg


def render_plan(
    folder: Path,
    *,
    unit: Mapping[str, Any],
    sheets: Sequence[Mapping[str, Any]],
    missing: Sequence[str],
    known: Sequence[Mapping[str, str]],
    probability: float,
) -> list[Path]:
    """Write ``overview.pdf`` and one numbered PDF for each sheet into ``folder``; return the paths."""
    from markupsafe import Markup

    # One set of fonts for all sheets: to open it takes longer than to lay a sheet out.
    printer = Printer((TEMPLATES / "plan.css").read_text(encoding="utf-8"))
    common = {"unit": unit, "probability": f"{100 * probability:g}\u00a0%"}
    rows = [{**row, "test": sheet["title"]} for sheet in sheets for row in sheet["capabilities"]]
    pages: dict[str, tuple[str, dict[str, Any]]] = {
        "overview": ("plan_overview.html.j2", {"sheets": sheets, "rows": rows, "missing": missing, "known": known})
    }
    for number, sheet in enumerate(sheets, start=1):
        details = {"sheet": sheet, "number": number, "drawing": Markup(wiring_svg(sheet["wiring"]))}
        pages[f"{number:02d}-{sheet['name']}"] = ("plan_sheet.html.j2", details)
    written = []
    for name, (template, details) in pages.items():
        html = environment().get_template(template).render(**common, **details)
        pdf = printer.pdf(html, images={}, identifier=report_id([html.encode()]))
        write_bytes(folder / f"{name}.pdf", pdf)
        written.append(folder / f"{name}.pdf")
    # An earlier plan may have had other tests or numbers; two sheets of one test would be worse than none.
    for old in folder.glob("[0-9][0-9]-*.pdf"):
        if old not in written:
            old.unlink()
    return written
