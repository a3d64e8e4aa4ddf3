"""Two runs of the workflow, in two folders and two processes, make the same bytes."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.workflow.conftest import Project

from .conftest import Workshop


def test_two_runs_make_the_same_bytes(reported: Workshop, tmp_path: Path) -> None:
    other = Project.fresh(tmp_path / "elsewhere")
    folder = other.add_unit("CT-1")
    shutil.copy(reported.root / "raw/CT-1/photo.jpg", folder)
    other.run("--cores", "1")
    first, second = reported.reports, other.root / "reports"
    names = sorted(
        path.relative_to(first).as_posix()
        for path in first.rglob("*")
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(first).parts)
    )
    assert {"CT-1/report.pdf", "CT-1/results.json", "CT-1/evidence.json", "index.html", "results.parquet"} <= set(names)
    assert any(name.startswith("CT-1/figures/") for name in names)
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name
    for name in ("fit.json", "readings.npz", "panels.npz"):
        assert (first / ".work/CT-1" / name).read_bytes() == (second / ".work/CT-1" / name).read_bytes(), name
