"""Two good units in a small project, and the way from raw logs to results without the workflow engine."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import decide
import fit
from rotorproof.errors import InputError
from rotorproof.logs.store import save_readings
from rotorproof.logs.unit_logs import read_unit
from rotorproof.settings.load import load_project, load_settings

UNIT = """\
unit: NAME
kind: motor
nameplate:
  rated_voltage: 36 V
  winding_material: copper
operator: A. Tester
tested_on: 2026-05-02
ambient: {temperature: 21.5 degC}
instruments:
  meter:
    serial: "7"
    accuracy: {voltage: 0.05 % + 1 mV, current: 0.2 % + 1 mA, temperature: 1 degC}
tests:
  - procedure: winding-resistance
    log: steps.csv
    conditions: {winding_temperature: 24.0 degC}
acceptance: small
"""
LIMITS = """\
criteria:
  - {quantity: phase_resistance, max: 0.13 ohm}
  - {quantity: resistance_unbalance, max: 3 percent}
"""
LAYOUT = """\
delimiter: ";"
columns:
  voltage_ab: {column: U, unit: V}
  current_ab: {column: I, unit: A}
"""
CONFIG = "config_version: 1\n"
HEADER = "voltage_ab [V],current_ab [A],voltage_bc [V],current_bc [A],voltage_ca [V],current_ca [A]"


def log_text(seed: int = 0) -> str:
    """Return DC steps through three windings of 0.24 ohm at 24 degC; line 2 is 0.5 A, a line more each 0.5 A."""
    lines = [HEADER]
    for step in range(1, 11):
        current = 0.5 * step
        wobble = 2e-4 * ((step * 7 + seed) % 5 - 2)
        lines.append(",".join(f"{r * current + wobble:.5f},{current:.4f}" for r in (0.2440, 0.2450, 0.2460)))
    return "\n".join(lines) + "\n"


@dataclass
class Bench:
    """A project folder with the units BAD (to be spoiled) and GOOD (to be left alone)."""

    root: Path

    @property
    def bad(self) -> Path:
        """Return the folder of the unit to spoil."""
        return self.root / "raw" / "BAD"

    def build(self) -> Bench:
        """Write the project."""
        for name in ("acceptance", "layouts"):
            (self.root / "config" / name).mkdir(parents=True)
        (self.root / "config" / "config.yaml").write_text(CONFIG)
        (self.root / "config" / "acceptance" / "small.yaml").write_text(LIMITS)
        (self.root / "config" / "layouts" / "logger.yaml").write_text(LAYOUT)
        for name in ("BAD", "GOOD"):
            folder = self.root / "raw" / name
            folder.mkdir(parents=True)
            (folder / "unit.yaml").write_text(UNIT.replace("NAME", name))
            (folder / "steps.csv").write_text(log_text())
        return self

    def edit(self, path: str, old: str, new: str | bytes) -> None:
        """Replace ``old`` in a file of the project; fails if it is not there."""
        file = self.root / path
        content = file.read_bytes()
        assert old.encode() in content, f"{old!r} is not in {path}"
        file.write_bytes(content.replace(old.encode(), new.encode() if isinstance(new, str) else new, 1))


@dataclass
class Outcome:
    """What came of a project: results and problems by unit; ``refused`` where a unit could not be used at all."""

    results: dict[str, dict[str, Any]] = field(default_factory=dict)
    problems: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    refused: list[str] = field(default_factory=list)
    settings: list[dict[str, Any]] = field(default_factory=list)


def process(root: Path) -> Outcome:
    """Take a project from raw logs to results, as the workflow's adapters do."""
    outcome = Outcome()
    try:
        settings = load_settings(root / "config" / "config.yaml")
        project = load_project(settings, root / "config", root)
    except InputError as error:
        outcome.settings = [problem.as_json() for problem in error.problems]
        return outcome
    outcome.settings = [problem.as_json() for problem in project.problems]
    for name, problems in project.refused.items():
        outcome.refused.append(name)
        outcome.problems[name] = [problem.as_json() for problem in problems]
    for name, unit in project.units.items():
        work = root / "work" / name
        readings = read_unit(name, unit.folder, unit.file.tests, unit.layouts)
        save_readings(work / "readings.npz", readings)
        data = json.loads(json.dumps(unit.document.data, default=str))
        paths = {"fit": work / "fit.json", "readings": work / "readings.npz"}
        fit.estimate(
            unit=data,
            settings=settings.model_dump(include={"config_version", "coverage_probability"}),
            panels=work / "panels.npz",
            **paths,
        )
        acceptance = None if unit.acceptance is None else unit.acceptance.model_dump(exclude_none=True)
        decide.decide(
            unit=data,
            acceptance=acceptance,
            probability=settings.coverage_probability,
            results=work / "results.json",
            **paths,
        )
        outcome.results[name] = json.loads((work / "results.json").read_text())
        outcome.problems[name] = outcome.results[name]["problems"]
    return outcome


Change = Callable[[Bench], object]
