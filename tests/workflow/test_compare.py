"""The comparison of units through the real workflow."""

from __future__ import annotations

import json

from tests.universal_access import lacking
from tests.workflow.conftest import Project


def test_two_units_are_compared_and_an_unknown_one_is_named(project: Project) -> None:
    project.add_unit("A-1", seed=1)
    project.add_unit("A-2", seed=2)
    (project.root / "config" / "config.yaml").write_text(
        "config_version: 1\ncomparisons:\n  - {name: both, units: [A-1, A-2]}\n  - {name: none, units: [A-1, B-9]}\n",
        encoding="utf-8",
    )
    said = project.run()
    assert "the comparison 'none' cannot be made: B-9 is not under raw/" in said.stderr
    folder = project.root / "reports" / "comparisons"
    assert lacking(folder / "both" / "comparison.pdf") == []
    found = json.loads((folder / "both" / "comparison.json").read_text(encoding="utf-8"))
    assert [unit["unit"] for unit in found["units"]] == ["A-1", "A-2"]
    (pair,) = found["quantities"]["phase_resistance"]["pairs"]
    alone = found["quantities"]["phase_resistance"]["values"][0]["expanded_uncertainty"]
    assert pair["expanded_uncertainty"] < 0.5 * alone  # one meter read both: its error cancels
    assert pair["correlation"] > 0.9
    assert not (folder / "none").exists()
    before = project.stamps()
    # Units that the settings do not name together: nothing of the units' own reports is made again for it.
    said = project.run("--units", "A-2", "A-1", command="compare")
    assert "A-2-and-A-1: A-2, A-1\n  Choice: " in said.stdout
    made = {f"comparisons/A-2-and-A-1/comparison.{kind}" for kind in ("json", "pdf")}
    assert project.changed(before) == made
    project.run()
    assert project.changed(before) == made
