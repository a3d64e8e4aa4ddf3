"""Render bench sheets as PDF from plain data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..jsonio import write_bytes
from .environment import environment
from .pdf import font_faces
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
    import weasyprint
    from markupsafe import Markup
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    faces, letters = font_faces()

    class Fetcher(URLFetcher):  # type: ignore[misc]
        """Hands out our fonts and refuses every other address: a sheet is made from its own text alone."""

        def fetch(self, url: str, headers: Any = None) -> Any:
            del headers
            if url not in letters:
                raise ValueError(f"a bench sheet loads nothing: {url}")
            kind, content = letters[url]
            return URLFetcherResponse(url, body=content, headers={"Content-Type": kind})

    # One set of fonts for all sheets: to open it takes longer than to lay a sheet out.
    fonts, fetcher = FontConfiguration(), Fetcher()
    css = (TEMPLATES / "plan.css").read_text(encoding="utf-8")
    style = weasyprint.CSS(string=f"{faces}\n{css}", font_config=fonts, url_fetcher=fetcher)
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
        pdf = weasyprint.HTML(string=html, url_fetcher=fetcher, base_url="about:blank").write_pdf(
            stylesheets=[style], font_config=fonts
        )
        write_bytes(folder / f"{name}.pdf", pdf)
        written.append(folder / f"{name}.pdf")
    # An earlier plan may have had other tests or numbers; two sheets of one test would be worse than none.
    for old in folder.glob("[0-9][0-9]-*.pdf"):
        if old not in written:
            old.unlink()
    return written
