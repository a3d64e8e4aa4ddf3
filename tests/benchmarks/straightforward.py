"""What a practitioner would write: a plain loop over the logs with pandas, SciPy, Matplotlib and WeasyPrint.

It parses every log, fits one curve to each, saves as many figures as ours and renders the same pages; it knows
nothing of instruments, uncertainty, wrong input or what has changed since.
"""

from __future__ import annotations

import io
import resource
import time
from pathlib import Path


def floor(raw: Path, reports: Path, unit: str) -> tuple[float, float]:
    """Return processor and wall seconds of parsing, saving figures and rendering in one warm process."""
    pages = _pages(reports, unit)
    panels = _panels(reports, unit)
    measured = (0.0, 0.0)
    for _ in range(2):
        start, clock = _processor(), time.monotonic()
        _parse(raw / unit)
        figures = _our_figures(panels)
        _render(*pages, figures)
        measured = (_processor() - start, time.monotonic() - clock)
    return measured


def loop(raw: Path, reports: Path, out: Path, units: int) -> None:
    """Do the first ``units`` under ``raw`` one after the other; the text of the pages is taken from ``reports``."""
    out.mkdir(parents=True, exist_ok=True)
    for folder in sorted(raw.iterdir())[:units]:
        html, css = _pages(reports, folder.name)
        names = [path.name for path in sorted((reports / folder.name / "figures").glob("*.svg"))]
        tables = _parse(folder)
        figures = _own_figures(tables, names)
        (out / f"{folder.name}.pdf").write_bytes(_render(html, css, figures))


def _processor() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def _parse(folder: Path) -> list:
    import pandas as pd

    return [pd.read_csv(path, comment="#") for path in sorted(folder.glob("*.csv"))]


def _pages(reports: Path, unit: str) -> tuple[str, str]:
    """Return HTML and style of a unit's report as our own program wrote them into its renderer."""
    from rotorproof.decision.models import Results
    from rotorproof.evidence.record import read_evidence
    from rotorproof.fitting.store import load_fit
    from rotorproof.logs.store import load_readings
    from rotorproof.rendering.report import report_html
    from rotorproof.rendering.style import TEMPLATES
    from rotorproof.settings.unit import UnitFile

    proof = read_evidence((reports / unit / "evidence.json").read_bytes())
    work = reports / ".work" / unit
    model = UnitFile.model_validate(proof.configuration["unit"])
    results = Results.read(reports / unit / "results.json")
    html = report_html(
        model, results, load_fit(work / "fit.json"), load_readings(work / "readings.npz"), proof, proof.report_id
    )
    return html, (TEMPLATES / "report.css").read_text(encoding="utf-8")


def _panels(reports: Path, unit: str) -> list:
    import numpy as np

    from rotorproof.fitting.store import load_fit, load_panels
    from rotorproof.rendering.figures import figure_name

    work = reports / ".work" / unit
    described = load_fit(work / "fit.json")
    with np.load(work / "panels.npz") as arrays:
        return [
            (figure_name(made.label, panel.name), panel)
            for made in described.makers
            for panel in load_panels(made.panels, arrays)
        ]


def _our_figures(panels: list) -> dict[str, bytes]:
    from rotorproof.rendering.figures import svg

    return {name: svg(panel) for name, panel in panels}


def _own_figures(tables: list, names: list[str]) -> dict[str, bytes]:
    """Fit a curve to columns of the logs and draw readings and curve, one figure per name."""
    import numpy as np
    from matplotlib.figure import Figure
    from scipy.optimize import curve_fit

    figures = {}
    for number, name in enumerate(names):
        table = tables[number % len(tables)]
        numbers = table.select_dtypes("number")
        x, y = numbers.iloc[:, 0].to_numpy(float), numbers.iloc[:, -1].to_numpy(float)
        found, _ = curve_fit(lambda x, a, b, c: a + b * x + c * x**2, x, y)
        figure = Figure(figsize=(7.1, 3.7), layout="constrained")
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1])
        keep = slice(None, None, max(1, len(x) // 1000))
        curve = found[0] + found[1] * x + found[2] * x**2
        above.plot(x[keep], y[keep], "o", label="readings")
        above.plot(x[keep], curve[keep], label="fit")
        below.plot(x[keep], (y - curve)[keep], "o")
        above.legend()
        above.set_ylabel(str(numbers.columns[-1]))
        below.set_xlabel(str(numbers.columns[0]))
        buffer = io.BytesIO()
        figure.savefig(buffer, format="svg")
        figures[name] = buffer.getvalue()
        assert np.all(np.isfinite(found))
    return figures


def _render(html: str, css: str, figures: dict[str, bytes]) -> bytes:
    import weasyprint
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    class Fetcher(URLFetcher):
        def fetch(self, url: str, headers: object = None) -> object:
            body = figures[url.removeprefix("figure:")]
            return URLFetcherResponse(url, body=body, headers={"Content-Type": "image/svg+xml"})

    page = weasyprint.HTML(string=html, url_fetcher=Fetcher(), base_url="about:blank")
    pdf: bytes = page.write_pdf(stylesheets=[weasyprint.CSS(string=css)], pdf_variant="pdf/a-3a")
    return pdf
