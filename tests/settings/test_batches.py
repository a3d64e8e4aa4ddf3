"""A folder of units beside the units is a batch, named as such; the others go on."""

from __future__ import annotations

from pathlib import Path

from rotorproof.settings.load import load_project, load_settings
from tests.errors.bench import Bench


def test_a_batch_beside_the_units_is_named_and_refuses_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path).build()
    config = tmp_path / "config"
    before = load_project(load_settings(config / "config.yaml"), config, tmp_path)
    for name in ("A-1", "A-2"):
        (tmp_path / "raw/2026-05-02" / name).mkdir(parents=True)
        (tmp_path / "raw/2026-05-02" / name / "unit.yaml").write_bytes((bench.bad / "unit.yaml").read_bytes())
    (tmp_path / "raw/empty/logs").mkdir(parents=True)
    settings = load_settings(config / "config.yaml")
    found = load_project(settings, config, tmp_path)
    assert set(found.units) == set(before.units)
    # A folder that holds no unit at all is still an error.
    assert set(found.refused) - set(before.refused) == {"empty"}
    (problem,) = found.batches
    assert problem.severity == "warning"
    assert "raw/2026-05-02 holds 2 units" in problem.message
    assert 'make report ARGS="--config raw_dir=raw/2026-05-02 reports_dir=reports/2026-05-02"' in problem.message
    # Named so, it is a folder of units like any other.
    named = load_settings(config / "config.yaml", {"raw_dir": "raw/2026-05-02"})
    within = load_project(named, config, tmp_path)
    assert {*within.units, *within.refused} == {"A-1", "A-2"}
    assert not within.batches
