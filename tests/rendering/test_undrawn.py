"""A figure that cannot be drawn costs itself alone: every number stands, and report and results say what is not there.

No outside values: what fails is a drawing, and numbers are compared with those of the same unit with all drawn.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from rotorproof.decision.results import build_results
from rotorproof.fitting.store import load_fit
from rotorproof.jsonio import write_json
from rotorproof.logs.store import load_readings
from rotorproof.rendering.report import render_report
from rotorproof.settings.acceptance import AcceptanceSet
from scripts import fit as fit_script
from tests.rendering.made import LIMITS, Made


def _spoiled(made: Made, folder: Path) -> tuple[Made, str]:
    """Copy a unit's files, its first figure made a map without a field, which no drawing can show; return its title."""
    shutil.copytree(made.folder, folder, ignore=shutil.ignore_patterns("figures"))
    content = json.loads((folder / "fit.json").read_text(encoding="utf-8"))
    panel: dict[str, Any] = content["outcomes"][0]["panels"][0]
    panel["drawing"] = "map"
    write_json(folder / "fit.json", content)
    return Made(folder, made.unit, made.configuration), panel["title"]


def _drawn(made: Made) -> list[str]:
    folder = made.folder
    return fit_script.draw(
        unit="CT-9", fit=folder / "fit.json", panels=folder / "panels.npz", figures=folder / "figures"
    )


def test_a_figure_that_cannot_be_drawn_costs_itself_alone(made: Made, tmp_path: Path) -> None:
    spoiled, title = _spoiled(made, tmp_path / "unit")
    (trace,) = _drawn(spoiled)
    assert "Traceback" in trace and "has no field" in trace

    whole, fit = load_fit(made.folder / "fit.json"), load_fit(spoiled.folder / "fit.json")
    assert [one.forms for one in fit.makers] == [one.forms for one in whole.makers]
    there = {path.name for path in (spoiled.folder / "figures").iterdir()}
    missing = {path.name for path in (made.folder / "figures").iterdir()} - there
    assert len(missing) == 1 and next(iter(missing)) in trace
    assert [panel.drawn for one in fit.makers for panel in one.panels].count(False) == 1

    readings = load_readings(spoiled.folder / "readings.npz")
    found = build_results("CT-9", "motor", fit, readings.problems, AcceptanceSet.model_validate(LIMITS), 0.95)
    assert found.quantities == made.results.quantities and found.criteria == made.results.criteria
    assert found.verdict == made.results.verdict
    (problem,) = (one for one in found.problems if "did not foresee" in one.message)
    assert problem.severity == "warning" and title in problem.message and ".work/CT-9/log/fit.txt" in problem.message
    assert "\n" not in problem.message and "Traceback" not in problem.message

    write_json(spoiled.folder / "results.json", found.as_json())
    (tmp_path / "report").mkdir()
    render_report(**spoiled.render_arguments(tmp_path / "report"))
    pages = PdfReader(tmp_path / "report" / "report.pdf").pages
    text = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pages))
    assert f"{title}. This figure could not be drawn" in text
    assert "did not foresee" in text


def test_a_report_whose_figures_are_all_drawn_says_nothing_of_it(made: Made, report: Path) -> None:
    assert all(panel.drawn for one in load_fit(made.folder / "fit.json").makers for panel in one.panels)
    assert not any("could not be drawn" in page.extract_text() for page in PdfReader(report).pages)


def test_a_disk_that_takes_no_file_is_no_fault_of_the_figure(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    shutil.copytree(made.folder, tmp_path / "unit")
    monkeypatch.setattr("rotorproof.rendering.figures.write_bytes", full)
    with pytest.raises(OSError, match="No space left"):
        _drawn(Made(tmp_path / "unit", made.unit, made.configuration))
