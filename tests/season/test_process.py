"""A population as the process of an acceptance set."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest
import yaml

from rotorproof.decision.criteria import criterion_row
from rotorproof.errors import InputError
from rotorproof.season.population import ranges
from rotorproof.season.process import file_name, files_of, process_of
from rotorproof.settings.acceptance import AcceptanceSet, ProcessFile
from rotorproof.settings.folder import SettingsFolder
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.result import Result
from rotorproof.witness.expected import expected_of_model
from rotorproof.workflow import RunPlan
from tests.season.test_population import BETWEEN, MEAN, SHARED, model, units_of_model
from tests.workflow.conftest import Project


def _written(tmp_path: Path, process: object) -> SettingsFolder:
    (tmp_path / "acceptance").mkdir()
    criterion = {"quantity": "phase_resistance", "max": "0.13 ohm", "process": process}
    content = yaml.safe_dump({"criteria": [criterion]})
    (tmp_path / "acceptance" / "motor.yaml").write_text(content, encoding="utf-8")
    return SettingsFolder(tmp_path)


def test_a_criterion_takes_its_process_from_the_units_measured(tmp_path: Path) -> None:
    population = model(1)
    folder = _written(tmp_path, {"population": "HM"})
    (tmp_path / "processes").mkdir()
    content = yaml.safe_dump(process_of(population, []))
    (tmp_path / "processes" / f"{file_name('HM')}.yaml").write_text(content, encoding="utf-8")
    process = folder.acceptance("motor").criteria[0].process
    assert process is not None
    assert process.population == "HM"
    mean, spread = (float(str(text).split()[0]) for text in (process.mean, process.standard_deviation))
    assert abs(mean - MEAN) < 3 * SHARED
    assert 0.7 * BETWEEN < spread < 1.7 * BETWEEN


@pytest.mark.parametrize(
    ("process", "said"),
    [
        ({"population": "none"}, "there is no population 'none'"),
        ({"population": "HM", "mean": "1 ohm", "standard_deviation": "0.1 ohm"}, "either written out or"),
        ({"mean": "1 ohm"}, "either 'mean' and 'standard_deviation', or 'population'"),
    ],
)
def test_what_is_no_process_is_named(tmp_path: Path, process: object, said: str) -> None:
    with pytest.raises(InputError, match=said):
        _written(tmp_path, process).acceptance("motor")


def test_a_name_of_a_model_becomes_a_name_of_a_file() -> None:
    assert file_name("HM-2207 (invented)") == "HM-2207-invented"


def test_two_models_do_not_share_a_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"'HM 2207' and 'HM-2207'(.|\n)*'HM 2207' and 'HM/2207'"):
        files_of(["HM 2207", "HM-2207", "HM/2207", "other"], tmp_path)
    with pytest.raises(InputError, match="units of two kinds name the model 'HM'"):
        files_of(["HM", "HM"], tmp_path)
    with pytest.raises(InputError, match="'HM' and 'hm'"):
        files_of(["HM", "hm"], tmp_path)


def test_the_file_of_another_model_is_not_written_over(tmp_path: Path) -> None:
    (path,) = files_of(["HM 2207"], tmp_path).values()
    path.write_text(yaml.safe_dump({"model": "HM 2207"}), encoding="utf-8")
    assert files_of(["HM 2207"], tmp_path) == {"HM 2207": path}
    with pytest.raises(InputError, match="it holds the model 'HM 2207'"):
        files_of(["HM-2207"], tmp_path)


def test_a_unit_is_compared_with_the_others_of_its_model(tmp_path: Path) -> None:
    units, found = units_of_model(1)
    project = Project.fresh(tmp_path)
    path = project.add_unit("CT-1")
    config = tmp_path / "config"
    (config / "processes").mkdir()
    process = process_of(model(1), [], ranges(model(1), units, found))
    (config / "processes/HM.yaml").write_text(yaml.safe_dump(process), encoding="utf-8")
    text = (path / "unit.yaml").read_text(encoding="utf-8")
    unit = SimpleNamespace(unit="CT-1")
    assert RunPlan.load(tmp_path, {}).population(unit) is None
    named = "model: HM\npopulation: HM\n"
    (path / "unit.yaml").write_text(text + named, encoding="utf-8")
    plan = RunPlan.load(tmp_path, {})
    known = plan.population(unit)
    # The rule that fits is given it, and the evidence holds the file: what it rests on cannot change unseen.
    assert known is not None
    assert known["ranges"] == process["ranges"]
    assert plan.configuration(unit)["population"] == known
    assert "config/processes/HM.yaml" in plan.hashes(unit)
    (expected,) = expected_of_model(ProcessFile.model_validate(known)).values()
    assert expected.low < MEAN < expected.high
    # Units that are added, or measured again, change nothing until the file is written again.
    project.add_unit("CT-2")
    assert RunPlan.load(tmp_path, {}).population(unit) == known


@pytest.mark.parametrize(
    ("process", "said"),
    [
        ({"model": "other"}, "is of the model 'other', and this unit names the model 'HM'"),
        ({"kind": "controller"}, "is of controllers, and this unit is a motor"),
        ({"ranges": {}}, "holds no range to compare with"),
        ({"ranges": {"phase_resistance": {"low": "2 ohm", "high": "1 ohm"}}}, "its 'low' below its 'high'"),
        ({"ranges": {"phase_resistence": {"low": "1 ohm", "high": "2 ohm"}}}, "no procedure gives"),
    ],
)
def test_a_population_of_something_else_is_refused(tmp_path: Path, process: dict[str, object], said: str) -> None:
    project = Project.fresh(tmp_path)
    path = project.add_unit("CT-1")
    (tmp_path / "config" / "processes").mkdir()
    sound = {"phase_resistance": {"low": "1 ohm", "high": "2 ohm"}}
    content = {"model": "HM", "kind": "motor", "units": 9, "quantities": {}, "ranges": sound, **process}
    (tmp_path / "config" / "processes" / "HM.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
    text = (path / "unit.yaml").read_text(encoding="utf-8")
    (path / "unit.yaml").write_text(f"{text}model: HM\npopulation: HM\n", encoding="utf-8")
    (problem,) = RunPlan.load(tmp_path, {}).refused["CT-1"]
    assert said in problem["message"]


def test_a_report_states_the_population_behind_its_risks(tmp_path: Path) -> None:
    project = Project.fresh(tmp_path)
    project.add_unit("CT-1")
    config = tmp_path / "config"
    limits = (config / "acceptance/small.yaml").read_text(encoding="utf-8")
    named = limits.replace("max: 0.13 ohm}", "max: 0.13 ohm, process: {population: HM}}")
    (config / "acceptance/small.yaml").write_text(named, encoding="utf-8")
    (config / "processes").mkdir()
    content = yaml.safe_dump(process_of(model(1), []))
    (config / "processes/HM.yaml").write_text(content, encoding="utf-8")
    plan = RunPlan.load(tmp_path, {})
    unit = SimpleNamespace(unit="CT-1")
    assert plan.settings_files(unit)["config/processes/HM.yaml"] == config / "processes/HM.yaml"
    # As the rule that decides gets it, and judges by it.
    acceptance = AcceptanceSet.model_validate(plan.acceptance(unit))
    row = criterion_row(acceptance.criteria[0], acceptance, Result(Form(0.125, {Influence("u", "u"): 0.003})), 0.95)
    assert row.global_consumer_risk is not None
    assert row.global_producer_risk is not None
