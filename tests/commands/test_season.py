"""The batches of a season in one register, and their tables as one."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import pyarrow.dataset
import pyarrow.parquet
import pytest

from rotorproof.commands import season
from rotorproof.errors import InputError
from rotorproof.evidence import history
from rotorproof.evidence.export import parquet_bytes, table_rows
from rotorproof.jsonio import write_bytes, write_json
from tests.entries import quantity_entry, results


def _batch(reports: Path, name: str, units: list[str], refused: dict[str, Any] | None = None) -> None:
    made: list[dict[str, Any]] = [{"unit": unit, "kind": "motor", "model": "HM", "tested_on": name} for unit in units]
    found = {unit: results(unit=unit, quantities={"phase_resistance": quantity_entry()}) for unit in units}
    for unit in made:
        folder = reports / name / unit["unit"]
        write_json(folder / "results.json", found[unit["unit"]].as_json())
        write_json(folder / "evidence.json", {"configuration": {"unit": unit}})
    write_json(reports / name / "refused.json", refused or {})
    write_bytes(reports / name / "results.parquet", parquet_bytes(table_rows(made, found, {})))


def _run(reports: Path, *batches: str) -> int:
    return season.run(argparse.Namespace(batches=list(batches), config=[f"reports_dir={reports}"]))


def test_batches_stand_in_one_register_and_one_table(tmp_path: Path) -> None:
    _batch(tmp_path, "2026-05-02", ["A", "CS-1"])
    _batch(tmp_path, "2026-05-09", ["B", "CS-1"])
    assert _run(tmp_path) == 0
    page = (tmp_path / "season/index.html").read_text(encoding="utf-8")
    for unit in ("2026-05-02/A", "2026-05-02/CS-1", "2026-05-09/B", "2026-05-09/CS-1"):
        assert f'"../{unit}/report.pdf"' in page
        assert (tmp_path / "season" / f"../{unit}/results.json").is_file()
    table = pyarrow.dataset.dataset(tmp_path / "season/results", partitioning="hive").to_table().to_pylist()
    assert sorted((row["batch"], row["unit"]) for row in table) == [
        ("2026-05-02", "A"),
        ("2026-05-02", "CS-1"),
        ("2026-05-09", "B"),
        ("2026-05-09", "CS-1"),
    ]
    # The register of the season is no batch of it, and a batch that is left out leaves the table.
    assert _run(tmp_path, str(tmp_path / "2026-05-09")) == 0
    assert [path.name for path in (tmp_path / "season/results").iterdir()] == ["batch=2026-05-09"]


def test_batches_of_two_versions_have_the_same_columns_in_one_table(tmp_path: Path) -> None:
    _batch(tmp_path, "2026-05-02", ["A"])
    _batch(tmp_path, "2026-05-09", ["B"])
    older = tmp_path / "2026-05-02/results.parquet"
    table = pyarrow.parquet.read_table(older)
    gone = ["waived", "standard_uncertainty"]
    older.unlink()
    pyarrow.parquet.write_table(table.drop_columns(gone), older)
    assert _run(tmp_path) == 0
    schemas = [pyarrow.parquet.read_schema(path) for path in (tmp_path / "season/results").glob("*/*.parquet")]
    assert schemas[0].equals(schemas[1])
    assert set(schemas[0].names) == set(table.column_names)
    whole = pyarrow.dataset.dataset(tmp_path / "season/results", partitioning="hive").to_table().to_pylist()
    cells = {row["unit"]: (row["value"], row["standard_uncertainty"]) for row in whole}
    assert cells["A"][0] == cells["B"][0], "what both have is as it was"
    assert cells["A"][1] is None, "a number that nobody stored is no number"
    assert cells["B"][1] is not None


def test_a_table_that_is_damaged_is_named(tmp_path: Path) -> None:
    _batch(tmp_path, "one", ["A"])
    (tmp_path / "one/results.parquet").write_bytes(b"PAR1")
    with pytest.raises(InputError, match="table is damaged"):
        _run(tmp_path)


def test_refused_units_are_listed_with_the_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    why = {"message": "the tests are empty", "file": "B/unit.yaml", "line": 3, "severity": "error"}
    # Results of an earlier run lie there still: the unit's file was spoilt since.
    _batch(tmp_path, "one", ["A", "B"], {"B": [why], "C": [why]})
    assert _run(tmp_path) == 0
    assert "1 units of 1 batches, 2 refused" in capsys.readouterr().out
    page = (tmp_path / "season/index.html").read_text(encoding="utf-8")
    for unit in ("one/B", "one/C"):
        assert f'<h3 id="refused-{unit}">{unit}</h3>' in page
    assert page.count("the tests are empty") == 2
    assert "B/unit.yaml, line 3" in page
    assert '"../one/B/report.pdf"' not in page
    (tmp_path / "one/refused.json").unlink()
    assert _run(tmp_path) == 0
    assert "does not say which of its units were refused" in capsys.readouterr().err
    (tmp_path / "one/refused.json").write_text("[3]")
    with pytest.raises(InputError, match="refused units is damaged"):
        _run(tmp_path)


def test_the_archive_of_a_batch_is_named_and_seen_from_the_season() -> None:
    found = history.History()
    of_batch = history.History(
        [history.Past({"unit": "CS-1"}, results(unit="CS-1"), "archive/CS-1/r2/data/report.pdf")],
        {"archive/CS-2/r1": "why"},
    )
    season._add(found, of_batch, "may", "../")
    (one,) = found.units
    assert (one.unit["unit"], one.report) == ("may/CS-1", "../may/archive/CS-1/r2/data/report.pdf")
    assert found.not_taken == {"may/archive/CS-2/r1": "why"}


def test_what_is_no_batch_is_named(tmp_path: Path) -> None:
    assert _run(tmp_path) == 2
    _batch(tmp_path, "one", ["A"])
    (tmp_path / "one/A/evidence.json").unlink()
    with pytest.raises(InputError, match="lost or damaged"):
        _run(tmp_path)


def test_two_batches_of_one_name_are_refused(tmp_path: Path) -> None:
    for year in ("2025", "2026"):
        _batch(tmp_path / year, "may", ["A"])
    with pytest.raises(InputError, match="two batches are named 'may'"):
        _run(tmp_path, str(tmp_path / "2025/may"), str(tmp_path / "2026/may"))
    # The same folder written twice is one batch.
    assert _run(tmp_path / "2026", str(tmp_path / "2026/may"), f"{tmp_path}/2026/../2026/may") == 0


def test_reports_without_a_batch_are_told_what_a_batch_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert _run(tmp_path) == 2
    said = capsys.readouterr().err
    assert f"{tmp_path} holds no batch, a folder of reports of its own such as {tmp_path}/2026-05-02" in said
    assert 'make season ARGS="' in said
