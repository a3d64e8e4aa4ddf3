"""One set of logs, two kinds of processor: the same results, the same identifier, the same words."""

from __future__ import annotations

import json
import os
import platform
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from pypdf import PdfReader

from .conftest import ROOT, Project

#: Kernels of the linear algebra, the plainest first, which every processor of the kind can run. They add in another
#: order and with or without fused multiply-add, as processors do.
KERNELS = {"x86_64": ("Prescott", "Nehalem", "Haswell", "SkylakeX"), "aarch64": ("ARMV8", "NEOVERSEN1")}
#: A motor, a controller and the drive made of both: every kind of number and figure that a report holds.
UNITS = ("AL-M2", "AL-C2", "AL-D2")


def kernel_in_use(wanted: str) -> str:
    """Return the kernel that the linear algebra says it runs when it is asked for one; it refuses what it cannot."""
    environment = {**os.environ, "OPENBLAS_VERBOSE": "2", "OPENBLAS_CORETYPE": wanted}
    said = subprocess.run(
        [sys.executable, "-c", "import numpy"], env=environment, capture_output=True, text=True, check=True
    )
    found = re.search(r"^Core: (\w+)", said.stderr + said.stdout, re.MULTILINE)
    return found[1] if found else ""


def kernels() -> list[str]:
    """Return the plainest and the best kernel among those this processor can run."""
    can = [name for name in KERNELS.get(platform.machine(), ()) if kernel_in_use(name).lower() == name.lower()]
    return [can[0], can[-1]] if len(can) > 1 else []


def words(pdf: Path) -> list[str]:
    """Return the text of every page."""
    return [page.extract_text() for page in PdfReader(pdf).pages]


def test_two_kinds_of_processor_write_the_same_report(project: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    chosen = kernels()
    if not chosen:
        pytest.skip("the linear algebra of this computer has one kernel only")
    for name in UNITS:
        shutil.copytree(ROOT / "raw" / name, project.root / "raw" / name)
    shutil.copy(ROOT / "config" / "config.yaml", project.root / "config" / "config.yaml")
    for kernel in chosen:
        monkeypatch.setenv("OPENBLAS_CORETYPE", kernel)
        project.run("--config", f"reports_dir={kernel}", "comparisons=[]")
    one, other = (project.root / kernel for kernel in chosen)
    for name in UNITS:
        assert (one / name / "results.json").read_text() == (other / name / "results.json").read_text()
        identifiers = [
            json.loads((reports / name / "evidence.json").read_text())["report_id"] for reports in (one, other)
        ]
        assert identifiers[0] == identifiers[1]
        assert words(one / name / "report.pdf") == words(other / name / "report.pdf")
    # They did compute apart, or this would have shown nothing.
    assert any(
        (one / ".work" / name / "fit.json").read_bytes() != (other / ".work" / name / "fit.json").read_bytes()
        for name in UNITS
    )
