"""The invented unit, made once, and its report."""

from __future__ import annotations

from pathlib import Path

import pytest

from rotorproof.rendering.report import render_report
from tests.rendering.made import Made, make


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return the unit with two winding-resistance logs that differ by 3 % and one that is lost."""
    return make(tmp_path_factory.mktemp("unit"))


@pytest.fixture(scope="session")
def report(made: Made, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the unit's report as PDF; ``evidence.json`` lies beside it."""
    folder = tmp_path_factory.mktemp("report")
    render_report(**made.render_arguments(folder))
    return folder / "report.pdf"
