"""A failure that nobody foresaw costs its own results alone, is one line for the reader, and leaves its trace in a log.

No outside values: the failures are NumPy's own, raised where a procedure or a derivation would.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rotorproof.derivations.pack_prediction import PackPrediction
from rotorproof.errors import FitError
from rotorproof.fitting import unit_fit
from rotorproof.fitting.store import load_fit
from rotorproof.fitting.unit_fit import UnitFit
from rotorproof.logs.unit_logs import read_unit
from rotorproof.procedures.no_load import NoLoad
from rotorproof.procedures.winding_resistance import WindingResistance
from rotorproof.settings.layout import Layout
from rotorproof.settings.unit import Test as UnitTest
from scripts import fit as fit_script
from scripts import read as read_script
from tests.fitting.test_unit_fit import driven, fitted, free_run, steps


def singular(*_: Any, **__: Any) -> Any:
    """Fail as a fit of readings that do not tell its parameters apart does, deep in NumPy."""
    return np.linalg.inv(np.zeros((2, 2)))


def broadcast(*_: Any, **__: Any) -> Any:
    return np.zeros(3) + np.zeros(4)


def whole() -> UnitFit:
    return fitted(winding_resistance=steps(), no_load=free_run(25.0), open_circuit=driven(20.0))


def the_line(found: UnitFit, name: str) -> str:
    (problem,) = (one for one in found.problems if "did not foresee" in one.message)
    assert problem.procedure == name
    assert problem.message.startswith(f"{name} failed")
    assert "\n" not in str(problem) and "Traceback" not in str(problem) and len(problem.message) < 400
    assert ".work/U-1/log/fit.txt" in problem.message
    (trace,) = found.tracebacks
    assert trace.startswith(name) and "Traceback" in trace
    return problem.message


@pytest.mark.parametrize(
    ("failure", "words"), [(singular, "LinAlgError: Singular"), (broadcast, "ValueError: operands")]
)
def test_a_fit_that_fails_stops_no_other(monkeypatch: pytest.MonkeyPatch, failure: Any, words: str) -> None:
    monkeypatch.setattr(NoLoad, "estimate", failure)
    found = whole()
    assert words in the_line(found, "no-load")
    assert {outcome.procedure for outcome in found.outcomes} == {"winding-resistance", "open-circuit"}


def test_a_derivation_that_fails_is_named_and_traced_and_the_units_fits_stand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(PackPrediction, "derive", broadcast)
    found = whole()
    assert "ValueError: operands" in the_line(found, "pack-prediction")
    assert len(found.outcomes) == 3


def test_a_derivation_that_says_what_to_measure_is_no_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any) -> Any:
        raise FitError("run at a higher voltage")

    monkeypatch.setattr(PackPrediction, "derive", refuse)
    found = whole()
    assert found.tracebacks == []
    assert any(p.message == "run at a higher voltage" and p.severity == "warning" for p in found.problems)


def test_assigning_instruments_is_covered_too(monkeypatch: pytest.MonkeyPatch) -> None:
    real = unit_fit.assign

    def fails_for_one(unit: Any, procedure: Any, *rest: Any) -> Any:
        return singular() if procedure.name == "no-load" else real(unit, procedure, *rest)

    monkeypatch.setattr(unit_fit, "assign", fails_for_one)
    assert "Singular" in the_line(whole(), "no-load")


def test_a_log_whose_reading_fails_stops_no_other(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    head = "voltage_ab [V],current_ab [A]\n"
    (tmp_path / "one.csv").write_text(head + "".join(f"{0.2 * i},{i}\n" for i in range(1, 9)), encoding="utf-8")
    head = "supply_voltage [V],supply_current [A],speed [rpm]\n"
    (tmp_path / "two.csv").write_text(head + "".join(f"{3 * i},0.4,{20 * i}\n" for i in range(1, 9)), encoding="utf-8")
    tests = [
        {"procedure": "winding-resistance", "log": "one.csv"},
        {"procedure": "no-load", "log": "two.csv"},
    ]
    monkeypatch.setattr(WindingResistance, "suspects", singular)
    layouts = {"plain": Layout()}
    found = read_unit("U-1", tmp_path, [UnitTest.model_validate(test) for test in tests], layouts)
    assert found.columns[0] is None and found.columns[1] is not None
    (problem,) = found.problems
    assert problem.file == "U-1/one.csv" and ".work/U-1/log/read.txt" in problem.message
    plain = {name: layout.model_dump() for name, layout in layouts.items()}
    (trace,) = read_script.main(unit="U-1", folder=tmp_path, tests=tests, layouts=plain, readings=tmp_path / "r.npz")
    assert "LinAlgError" in trace


def test_the_trace_is_in_the_jobs_log(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(WindingResistance, "estimate", singular)
    (tmp_path / "one.csv").write_text(
        "voltage_ab [V],current_ab [A]\n" + "".join(f"{0.2 * i},{i}\n" for i in range(1, 9)), encoding="utf-8"
    )
    tests = [{"procedure": "winding-resistance", "log": "one.csv", "conditions": {"winding_temperature": "21 degC"}}]
    readings = tmp_path / "r.npz"
    read_script.main(
        unit="U-1", folder=tmp_path, tests=tests, layouts={"plain": Layout().model_dump()}, readings=readings
    )
    (trace,) = fit_script.estimate(
        unit={"unit": "U-1", "kind": "motor", "tests": tests},
        settings={"config_version": 1},
        readings=readings,
        fit=tmp_path / "fit.json",
        panels=tmp_path / "panels.npz",
    )
    assert "LinAlgError" in trace
    assert "Traceback" not in (tmp_path / "fit.json").read_text(encoding="utf-8")


def test_figures_that_cannot_be_drawn_cost_no_number(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "one.csv").write_text(
        "voltage_ab [V],current_ab [A]\n" + "".join(f"{0.2 * i},{i}\n" for i in range(1, 9)), encoding="utf-8"
    )
    tests = [{"procedure": "winding-resistance", "log": "one.csv", "conditions": {"winding_temperature": "21 degC"}}]
    readings = tmp_path / "r.npz"
    read_script.main(
        unit="U-1", folder=tmp_path, tests=tests, layouts={"plain": Layout().model_dump()}, readings=readings
    )
    monkeypatch.setattr("rotorproof.rendering.figures.svg", singular)
    traces = fit_script.main(
        unit={"unit": "U-1", "kind": "motor", "tests": tests},
        settings={"config_version": 1},
        readings=readings,
        fit=tmp_path / "fit.json",
        panels=tmp_path / "panels.npz",
        figures=tmp_path / "figures",
    )
    found = load_fit(tmp_path / "fit.json")
    assert "resistance_ab" in found.outcomes[0].forms
    panels = [panel for made in found.makers for panel in made.panels]
    assert panels and not any(panel.drawn for panel in panels)
    failed = [one for one in found.problems if "did not foresee" in one.message]
    assert len(failed) == len(traces) == len(panels)
    assert all(one.severity == "warning" and ".work/U-1/log/fit.txt" in one.message for one in failed)
    assert all("LinAlgError" in trace for trace in traces) and not list((tmp_path / "figures").iterdir())
