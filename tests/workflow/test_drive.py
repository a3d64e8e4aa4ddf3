"""A drive through the real workflow: what makes it again, and which parts it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from pypdf import PdfReader

from .conftest import ROOT, Project

SCHEMA = json.loads((ROOT / "config/schemas/results.schema.json").read_bytes())
CONFIG = """\
config_version: 1
pack: {voltage_full: 42 V, voltage_nominal: 36 V, voltage_empty: 30 V}
"""
DRIVE = """\
unit: D-1
kind: drive
parts:
  motor: M-1
  controller: C-1
acceptance: pair
"""
CONTROLLER = """\
unit: C-1
kind: controller
serial: SN-C-1
tested_on: 2026-05-02
ambient: {temperature: 21 degC}
instruments:
  meter: {model: M1, serial: "7", accuracy: {voltage: 0.05 % + 1 mV, current: 0.2 % + 1 mA, time: 0.01 %}}
tests:
  - {procedure: supply-window, log: window.csv}
"""
LIMITS = """\
criteria:
  - {quantity: overvoltage_margin, min: 1 V}
  - {quantity: wires_to_move, max: 0}
  - {quantity: phase_resistance, max: 0.13 ohm}
"""


def add_controller(project: Project, overvoltage: float = 44.0) -> Path:
    """Write a controller that starts at 31 V and cuts off at 29 V and ``overvoltage``."""
    folder = project.root / "raw" / "C-1"
    folder.mkdir(parents=True)
    (folder / "unit.yaml").write_text(CONTROLLER, encoding="utf-8")
    up = [25 + 0.05 * k for k in range(441)]
    on, lines = False, ["time [s],supply_voltage [V],supply_current [A]"]
    for k, volts in enumerate([*up, *up[::-1]] * 2):
        on = volts >= 31.0 if not on else 29.0 <= volts <= overvoltage
        on = on and volts <= overvoltage
        lines.append(f"{0.1 * k:.1f},{volts:.3f},{1.4 if on else 0.05}")
    (folder / "window.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def add_drive(project: Project, text: str = DRIVE) -> Path:
    """Write a drive, its limits and a pack."""
    folder = project.root / "raw" / "D-1"
    folder.mkdir(parents=True)
    (folder / "unit.yaml").write_text(text, encoding="utf-8")
    (project.root / "config" / "config.yaml").write_text(CONFIG, encoding="utf-8")
    (project.root / "config" / "acceptance" / "pair.yaml").write_text(LIMITS, encoding="utf-8")
    return folder


def results(project: Project) -> dict[str, object]:
    """Return the results of the drive, checked against their schema."""
    found: dict[str, object] = json.loads((project.root / "reports/D-1/results.json").read_bytes())
    jsonschema.validate(found, SCHEMA)
    return found


def test_a_drive_follows_its_parts_and_nothing_else(project: Project) -> None:
    project.add_unit("M-1")
    project.add_unit("M-2")
    controller = add_controller(project)
    add_drive(project)
    said = project.run()
    assert "D-1  incomplete" in said.stdout
    found = results(project)
    assert found["quantities"]["overvoltage_margin"]["value"] == pytest.approx(2.0, abs=0.1)  # type: ignore[index]
    assert found["quantities"]["phase_resistance"]["part"] == "M-1"  # type: ignore[index]
    assert [c["decision"] for c in found["criteria"]] == ["pass", "not measured", "pass"]  # type: ignore[attr-defined]
    assert [(p["role"], p["unit"]) for p in found["parts"]] == [("motor", "M-1"), ("controller", "C-1")]  # type: ignore[attr-defined]
    evidence = json.loads((project.root / "reports/D-1/evidence.json").read_bytes())
    of_part = json.loads((project.root / "reports/C-1/evidence.json").read_bytes())
    assert evidence["parts"]["C-1"]["report_id"] == of_part["report_id"]
    assert evidence["parts"]["C-1"]["results_sha256"] == of_part["outputs"]["results.json"]
    first = " ".join(PdfReader(project.root / "reports/D-1/report.pdf").pages[0].extract_text().split())
    assert of_part["report_id"] in first
    assert "can be checked in the archive of its part alone" in first

    before = project.stamps()
    project.run()
    assert project.changed(before) == set()

    log = controller / "window.csv"
    log.write_text(log.read_text(encoding="utf-8").replace(",44.000,1.4", ",44.000,0.05"), encoding="utf-8")
    before = project.stamps()
    project.run()
    changed = project.changed(before)
    assert {".work/C-1/fit.json", ".work/D-1/fit.json", "D-1/results.json", "D-1/report.pdf"} <= changed
    assert not [name for name in changed if name.startswith(("M-1", "M-2", ".work/M-1", ".work/M-2"))]

    # A part's limit decides on the part, and reaches the drive's report, but fits nothing again.
    limits = project.root / "config/acceptance/small.yaml"
    limits.write_text(limits.read_text(encoding="utf-8").replace("0.13 ohm", "0.11 ohm"), encoding="utf-8")
    before = project.stamps()
    project.run()
    changed = project.changed(before)
    assert "D-1/results.json" in changed
    assert ".work/D-1/fit.json" not in changed
    assert "the motor M-1 is rejected by its own limits" in json.dumps(results(project)["problems"])


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("motor: M-1", "motor: M-9", "D-1/unit.yaml, line 4, key 'parts.motor': the motor 'M-9' is no folder under"),
        ("motor: M-1", "motor: C-1", "the motor 'C-1' is a controller; name a motor here"),
        ("controller: C-1", "controller: D-1", "the controller 'D-1' is a drive; name a controller here"),
        (
            "controller: C-1",
            "controller: C-2",
            "the controller 'C-2' cannot be reported on itself; mend first",
        ),
        ("  controller: C-1\n", "", "parts.controller"),
        ("controller: C-1", "controller: C-1\n  phases: AAB", "parts.phases"),
        ("kind: drive", "kind: motor", "a motor has no parts"),
    ],
)
def test_parts_that_cannot_be_are_named_and_the_others_go_on(
    tmp_path: Path, before: str, after: str, said: str
) -> None:
    from rotorproof.settings.load import load_project, load_settings

    project = Project(tmp_path)
    for folder in ("acceptance", "layouts"):
        (tmp_path / "config" / folder).mkdir(parents=True)
    (tmp_path / "config/acceptance/small.yaml").write_text("criteria: []\n", encoding="utf-8")
    project.add_unit("M-1")
    add_controller(project)
    (project.root / "raw" / "C-2").mkdir()
    assert before in DRIVE
    add_drive(project, DRIVE.replace(before, after))
    found = load_project(load_settings(tmp_path / "config/config.yaml"), tmp_path / "config", tmp_path)
    assert set(found.units) == {"M-1", "C-1"}
    assert any(said in str(problem) for problem in found.refused["D-1"]), found.refused["D-1"]
