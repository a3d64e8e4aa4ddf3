"""The load procedure on a table of readings from a real motor, taken as it was recorded.

Source: public repository leemagnusson/robotics-toolbox-matlab, MATLAB/motor_test_stand/test_data, motor "70-10", commit
c5342fd7. No licence is stated there, so the readings are not part of this project: where the file lies beside it, these
tests run on it too; an invented table of the same form stands in everywhere.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import yaml

from rotorproof.checking.look import reading_problems
from rotorproof.decision.results import build_results
from rotorproof.fitting.grouping import TestLog
from rotorproof.fitting.store import load_fit, load_panels, save_fit
from rotorproof.fitting.unit_fit import fit_unit
from rotorproof.logs.unit_logs import read_unit
from rotorproof.procedures.base import Log
from rotorproof.settings.folder import SettingsFolder
from rotorproof.settings.load import conditions_of
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from tests.outside import Outside
from tests.simulation.brake_stand import Inverter, field_oriented
from tests.simulation.mechanics import BenchMotor
from tests.workflow.conftest import Project, project

__all__ = ["project"]  # a fixture

ROOT = Path(__file__).parents[2]
MEASURED = ROOT.parent / "shared" / "reference" / "measured" / "load-table-48V.csv"
#: The headings of this one table, a layout as a user would write it.
LAYOUT = "brake-stand-field-oriented"
OUTLIER = 16, "49.96 V"  # line of the file (500 rpm, brake at 12 V) and reading

UNIT = {
    "unit": "brake-stand",
    "kind": "drive",
    "nameplate": {"rated_voltage": "48 V"},
    "instruments": {
        "stand": {"accuracy": {"voltage": "0.05 % + 10 mV", "current": "0.5 % + 5 mA", "torque": "0.5 % + 0.003 N m",
                               "speed": "0.1 %"}},
    },
    "tests": [
        {
            "procedure": "load",
            "log": "load-table-48V.csv",
            "layout": LAYOUT,
            # The resistance is the one its author computes with; the temperature is not stated there.
            "conditions": {"line_resistance": "0.51 +/- 0.02 ohm", "winding_temperature": "25 +/- 5 degC"},
        }
    ],
}  # fmt: skip


def invented_table(path: Path) -> None:
    """Write a table of the same form as the measured one, of an invented motor, with one slip on the same line."""
    rng = np.random.default_rng(70)
    motor = BenchMotor(
        resistance=0.25, emf=0.097, coulomb=0.02, hysteresis=0.01, viscous=1e-5, eddy=2e-5, stribeck=0.0, ripple=0.0
    )
    inverter = Inverter(standby=1.7, drop=0.2, resistance=0.02, source_resistance=0.15)
    speeds = np.array([100.0, 500, 1000, 2000, 2500, 3000]) * np.pi / 30
    run = field_oriented(motor, inverter, speeds, np.linspace(0.05, 0.42, 6), 48.0, 25.0)
    rows = [
        "# An invented table.",
        "#",
        "#",
        "#",
        "rpm,brake (V),iq (A),T measured (Nm),bus i (A),bus v (V) at drive,motor phase-phase voltage (V) rms",
    ]
    for k in range(run.speed.size):
        volts = 49.96 if k == OUTLIER[0] - 6 else run.supply_voltage[k] + rng.normal(0, 0.005)
        amperes = run.supply_power[k] / run.supply_voltage[k] + rng.normal(0, 0.003)
        torque, current = run.torque[k] + rng.normal(0, 0.001), run.current[k] + rng.normal(0, 0.01)
        rows.append(
            f"{run.speed[k] * 30 / np.pi:.0f},{run.brake[k]:.0f},{current:.3f},{torque:.4f},{amperes:.4f},{volts:.2f},"
        )
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


@pytest.fixture(params=["invented", *(["measured"] if MEASURED.is_file() else [])])
def table(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Return a table as its logger wrote it: an invented one, and the measured one where it is at hand."""
    path = tmp_path / "brake-stand" / MEASURED.name
    path.parent.mkdir()
    if request.param == "invented":
        invented_table(path)
    else:
        shutil.copy(MEASURED, path)
    return path


def results(table: Path, tmp_path: Path) -> dict:
    unit = UnitFile.model_validate(UNIT)
    layouts = {LAYOUT: SettingsFolder(ROOT / "tests/data").layout(LAYOUT)}
    readings = read_unit(unit.unit, table.parent, unit.tests, layouts)
    assert readings.columns[0] is not None, readings.problems
    written = conditions_of(unit.tests[0])
    log = Log("load", readings.columns[0], {name: m.value for name, m in written.items()})
    fit = fit_unit(unit, [TestLog(unit.tests[0], log, written)], RunSettings(config_version=1), "brake-stand/unit.yaml")
    assert not fit.tracebacks, fit.tracebacks
    save_fit(tmp_path / "fit.json", tmp_path / "panels.npz", fit)
    stored = load_fit(tmp_path / "fit.json")
    found = build_results(unit.unit, unit.kind, stored, readings.problems, None, 0.95).as_json()
    with np.load(tmp_path / "panels.npz") as arrays:
        found["panels"] = {p.name: p for p in load_panels(stored.outcomes[0].panels, arrays)}
    return found


def test_a_table_as_typed_at_a_brake_stand(table: Path, tmp_path: Path) -> None:
    found = results(table, tmp_path)
    values = {name: entry["value"] for name, entry in found["quantities"].items()}
    # By hand from the measured table: (0.426 - 0.004) N m over (4.59 - 0.29) A at 1000 rpm is 0.098 N m/A; the rows of
    # greatest efficiency, 0.42 N m at 2000 rpm for 2.3 A at 47.55 V, give 80.4 %; without brake, power over speed
    # rises by (19.17 - 2.26) W over 303.7 rad/s, 0.056 N m with the standby power taken off.
    assert values["torque_constant_q"] == pytest.approx(0.098, rel=0.03)
    low, high = found["quantities"]["efficiency_max"]["interval"]
    if "invented" not in table.read_text(encoding="utf-8"):
        assert low < 80.4 < high
        line = values["coulomb_friction"] + values["viscous_friction"] * 157.0
        assert line == pytest.approx(0.056, abs=0.012)
    assert 0 < values["winding_loss"] < 12
    assert values["friction_iron_loss"] > 0
    assert low < high < 100


if MEASURED.is_file():  # readings of a real motor, not part of this project

    def test_readings_of_a_real_motor(outside: Outside, tmp_path: Path) -> None:
        folder = tmp_path / "brake-stand"
        folder.mkdir()
        shutil.copy(MEASURED, folder)
        found = {
            name: entry["value"] for name, entry in results(folder / MEASURED.name, tmp_path)["quantities"].items()
        }
        line = found["coulomb_friction"] + found["viscous_friction"] * 157.0
        for name, what, ours, published, allowance, unit in (
            (
                "torque_constant_q",
                "0.422 N m over 4.30 A at 1000 rpm",
                found["torque_constant_q"],
                0.098,
                0.002,
                "N m/A",
            ),
            (
                "efficiency_max",
                "0.42 N m at 2000 rpm for 2.3 A at 47.55 V",
                found["efficiency_max"],
                80.4,
                1.5,
                "percent",
            ),
            ("viscous_friction", "drag at 1500 rpm from power over speed without brake", line, 0.056, 0.012, "N m"),
        ):
            outside(
                name,
                f"measured table of a real motor: {what}",
                ours=ours,
                published=published,
                allowance=allowance,
                unit=unit,
                source="readings of leemagnusson/robotics-toolbox-matlab, commit c5342fd7; worked by hand",
            )


def test_the_slip_in_the_supply_voltage_is_named_with_its_line(table: Path, tmp_path: Path) -> None:
    found = results(table, tmp_path)
    named = [p for p in found["problems"] if p.get("column") == "supply_voltage"]
    assert [(p["line"], p["severity"]) for p in named] == [(OUTLIER[0], "warning")]
    assert OUTLIER[1] in named[0]["message"]


def test_the_map_is_drawn_within_the_points(table: Path, tmp_path: Path) -> None:
    panel = results(table, tmp_path)["panels"]["efficiency-map-supply-to-shaft"]
    assert panel.drawing == "map"
    assert np.isfinite(panel.field.z).any()


@pytest.mark.slow
def test_the_workflow_reports_on_it(table: Path, project: Project) -> None:
    folder = project.root / "raw" / "brake-stand"
    folder.mkdir(parents=True)
    shutil.copy(table, folder)
    (folder / "unit.yaml").write_text(yaml.safe_dump(UNIT), encoding="utf-8")
    shutil.copy(ROOT / f"tests/data/layouts/{LAYOUT}.yaml", project.root / "config/layouts")
    project.run()
    reported = json.loads((project.root / "reports" / "brake-stand" / "results.json").read_bytes())
    assert reported["quantities"]["torque_constant_q"]["value"] == pytest.approx(0.098, rel=0.03)
    assert (project.root / "reports" / "brake-stand" / "report.pdf").stat().st_size > 1000


@pytest.mark.parametrize(("unit", "doubted"), [("N m", []), ("N cm", ["torque"]), ("kN m", ["torque"])])
def test_a_torque_in_another_unit_is_told_by_the_efficiency(table: Path, unit: str, doubted: list[str]) -> None:
    model = UnitFile.model_validate(UNIT)
    layout = SettingsFolder(ROOT / "tests/data").layout(LAYOUT)
    columns = {**layout.columns, "torque": layout.columns["torque"].model_copy(update={"unit": unit})}
    layouts = {LAYOUT: layout.model_copy(update={"columns": columns})}
    readings = read_unit(model.unit, table.parent, model.tests, layouts)
    found = [problem.column for problem in reading_problems(model, readings) if problem.doubt == "unit"]
    assert sorted(set(found)) == doubted
