"""A file of earlier results is an input like a log: its content decides, and inputs compute again with it."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest

import recompute
from rotorproof.settled import causes_of
from rotorproof.workflow import RunPlan
from tests.workflow.conftest import Project


def test_a_changed_earlier_file_makes_the_report_anew_and_its_inputs_compute_again(project: Project) -> None:
    folder, at = project.add_unit("CT-1", seed=1), SimpleNamespace(unit="CT-1")
    recompute.main(project.root, "CT-1")
    made = project.root / "reports/CT-1/results.json"
    first = json.loads(made.read_text(encoding="utf-8"))
    (folder / "before.json").write_bytes(made.read_bytes())
    drift = "{phase_resistance: 0.5 percent}"
    with (folder / "unit.yaml").open("a", encoding="utf-8") as stream:
        stream.write(f"earlier:\n  - {{results: before.json, tested_on: 2025-05-02, drift: {drift}}}\n")
    plan = RunPlan.load(project.root, {})
    assert plan.unit(at)["earlier"] == plan.measured_part(at)["earlier"]
    assert Path(plan.inputs(at)["CT-1/before.json"]) == folder / "before.json"
    hashed, causes = plan.hashes(at)["CT-1/before.json"], causes_of(plan)
    assert hashed == plan.earlier(at)["before.json"]
    recompute.main(project.root, "CT-1")
    both = json.loads(made.read_text(encoding="utf-8"))["quantities"]["phase_resistance"]
    assert {test["procedure"] for test in both["consistency"]["tests"]} == {"winding-resistance", "earlier, 2025-05-02"}
    assert both["value"] == pytest.approx(first["quantities"]["phase_resistance"]["value"], rel=1e-3)

    text = (folder / "before.json").read_text(encoding="utf-8")
    (folder / "before.json").write_text(text + "\n", encoding="utf-8")
    again = RunPlan.load(project.root, {})
    assert again.earlier(at) != plan.earlier(at)
    assert again.hashes(at)["CT-1/before.json"] != hashed
    assert causes_of(again) != causes
    assert again.stamps(at) == plan.stamps(at), "the logs need not be read again"
    (folder / "before.json").unlink()
    lost = RunPlan.load(project.root, {})
    assert lost.units == ["CT-1"] and lost.earlier(at) == {} and "CT-1/before.json" not in lost.inputs(at)
