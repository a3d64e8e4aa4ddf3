"""Render one unit's report as PDF, and the evidence beside it."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from importlib import metadata
from pathlib import Path
from typing import Any

from .. import __version__
from ..fitting.store import load_fit
from ..jsonio import read_json, write_bytes, write_json
from ..logs.store import load_readings

TEMPLATES = Path(__file__).parents[3] / "templates"
_SOFTWARE = (
    "numpy",
    "scipy",
    "pandas",
    "matplotlib",
    "jinja2",
    "weasyprint",
    "snakemake",
    "pydantic",
    "pint",
    "pyarrow",
)


def render_report(
    *,
    unit: Mapping[str, Any],
    configuration: Mapping[str, Any],
    hashes: Mapping[str, str],
    results_path: Path,
    readings_path: Path,
    fit_path: Path,
    figures: Path,
    report_path: Path,
    evidence_path: Path,
) -> None:
    """Write the PDF and ``evidence.json`` of one unit.

    ``hashes`` are those of the settings files; the logs' come with the readings.
    """
    import jinja2
    import weasyprint

    readings = load_readings(readings_path)
    evidence = {
        "schema": 1,
        "unit": unit["unit"],
        "inputs": {**{f"{unit['unit']}/{log}": digest for log, digest in readings.sha256.items()}, **hashes},
        "software": {
            "rotorproof": __version__,
            "python": platform.python_version(),
            **{name: metadata.version(name) for name in _SOFTWARE},
        },
        "configuration": configuration,
    }
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES), autoescape=True, undefined=jinja2.StrictUndefined
    )
    html = environment.get_template("report.html.j2").render(
        unit=unit, results=read_json(results_path), fit=load_fit(fit_path), evidence=evidence, figures=figures
    )
    pdf = weasyprint.HTML(string=html, base_url=str(figures.resolve())).write_pdf()
    write_bytes(report_path, pdf)
    write_json(evidence_path, evidence)
