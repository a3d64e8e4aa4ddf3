"""One invented unit taken through reading, fitting and deciding, for the tests of rendering. No real motor."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rotorproof.decision.models import Results
from rotorproof.decision.results import build_results
from rotorproof.fitting.grouping import TestLog
from rotorproof.fitting.store import load_fit, load_panels, save_fit
from rotorproof.fitting.unit_fit import fit_unit
from rotorproof.jsonio import write_json
from rotorproof.logs.store import load_readings, save_readings
from rotorproof.logs.unit_logs import read_unit
from rotorproof.procedures.base import Log
from rotorproof.rendering.figures import draw, figure_name
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.settings.layout import Layout
from rotorproof.settings.load import conditions_of
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile

UNIT: dict[str, Any] = {
    "unit": "CT-9",
    "kind": "motor",
    "description": "<script>alert(1)</script> file:///etc/passwd & 36 V",
    "model": "HM-36",
    "serial": "S/N 0042",
    "nameplate": {"rated_voltage": "36 V", "winding_material": "copper"},
    "operator": "A. Tester",
    "tested_on": "2026-05-02",
    "instruments": {
        "dmm": {
            "model": "M1",
            "serial": "7",
            "calibrated_on": "2024-01-01",
            "calibration_due": "2025-01-01",
            "accuracy": {"voltage": "0.05 % + 1 mV", "current": "0.2 % + 1 mA", "temperature": "1 degC"},
        }
    },
    "tests": [
        {"procedure": "winding-resistance", "log": "first.csv", "conditions": {"winding_temperature": "24.0 degC"}},
        {"procedure": "winding-resistance", "log": "second.csv", "conditions": {"winding_temperature": "24.0 degC"}},
        {"procedure": "winding-resistance", "log": "lost.csv", "conditions": {"winding_temperature": "24.0 degC"}},
    ],
    "acceptance": "small",
}
LIMITS: dict[str, Any] = {
    "description": "Invented limits",
    "criteria": [
        {"quantity": "phase_resistance", "max": "0.13 ohm", "reason": "copper loss"},
        {"quantity": "resistance_unbalance", "max": "0.1 percent"},
        {"quantity": "resistance_ab", "min": "0.2390 ohm", "rule": "simple"},
        {"quantity": "insulation_resistance", "min": "5 Mohm"},
    ],
}
SETTINGS = {"config_version": 1, "workshop": "Invented workshop"}


@dataclass(frozen=True)
class Made:
    """The files of one unit as the workflow would have made them."""

    folder: Path
    unit: dict[str, Any]
    configuration: dict[str, Any]

    @property
    def results(self) -> Results:
        """Return what was decided."""
        return Results.read(self.folder / "results.json")

    def render_arguments(self, to: Path) -> dict[str, Any]:
        """Return the arguments of ``render_report`` with all outputs under ``to``."""
        return {
            "unit": self.unit,
            "configuration": self.configuration,
            "hashes": {"CT-9/unit.yaml": "0" * 64},
            "inputs": {
                f"{self.unit['unit']}/{path.name}": str(path)
                for path in sorted(self.folder.glob("*.csv"))
                if path.name in {test["log"] for test in self.unit["tests"]}
            },
            "results_path": self.folder / "results.json",
            "readings_path": self.folder / "readings.npz",
            "fit_path": self.folder / "fit.json",
            "figures": self.folder / "figures",
            "report_path": to / "report.pdf",
            "evidence_path": to / "evidence.json",
            "stages_path": to / "stages.json",
        }


def make(folder: Path, unit: dict[str, Any] | None = None, limits: dict[str, Any] | None = None) -> Made:
    """Write logs for ``unit`` into ``folder`` and take them up to the figures."""
    data = json.loads(json.dumps(unit or UNIT))
    model = UnitFile.model_validate(data)
    rng = np.random.default_rng(4)
    for name, factor in (("first.csv", 1.0), ("second.csv", 1.03)):
        lines = [",".join(f"voltage_{p} [V],current_{p} [A]" for p in ("ab", "bc", "ca"))]
        for current in np.linspace(0.5, 4.0, 12):
            cells = []
            for resistance in (0.240, 0.241, 0.242):
                voltage = factor * resistance * current * (234.5 + 24) / 254.5 + rng.normal(0, 2e-4)
                cells += [f"{voltage:.5f}", f"{current:.4f}"]
            lines.append(",".join(cells))
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    save_readings(folder / "readings.npz", read_unit(model.unit, folder, model.tests, {"plain": Layout()}))
    readings = load_readings(folder / "readings.npz")
    entries = []
    for test, columns in zip(model.tests, readings.columns, strict=True):
        if columns is not None:
            written = conditions_of(test)
            values = {name: measured.value for name, measured in written.items()}
            entries.append(TestLog(test, Log(test.label or test.procedure, columns, values), written))
    fitted = fit_unit(model, entries, RunSettings.model_validate(SETTINGS), f"{model.unit}/unit.yaml")
    assert not fitted.tracebacks
    save_fit(folder / "fit.json", folder / "panels.npz", fitted)
    fit = load_fit(folder / "fit.json")
    chosen = LIMITS if limits is None else limits
    acceptance = AcceptanceSet.model_validate(chosen) if chosen else None
    found = build_results(model.unit, model.kind, fit, readings.problems, acceptance, 0.95)
    write_json(folder / "results.json", found.as_json())
    (folder / "figures").mkdir()
    with np.load(folder / "panels.npz") as arrays:
        for one in fit.makers:
            for panel in load_panels(one.panels, arrays):
                draw(panel, folder / "figures" / figure_name(one.label, panel.name))
    configuration = {"settings": SETTINGS, "unit": data, "acceptance": chosen or None, "layouts": {}}
    return Made(folder, data, configuration)
