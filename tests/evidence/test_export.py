"""All results as a table: nothing in it runs, and no number loses a digit."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path

import pandas as pd
import pytest

from rotorproof.evidence.export import COLUMNS, csv_bytes, export, harmless
from rotorproof.jsonio import write_json
from tests import entries

from .conftest import Workshop

#: Beginnings after OWASP, "CSV Injection" (from memory).
FORMULAE = ["=1+1", "+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0", "\uff1d1+1"]


@pytest.mark.parametrize("text", FORMULAE)
def test_what_a_spreadsheet_would_run_is_made_text(text: str) -> None:
    (_, row) = csv.reader(io.StringIO(csv_bytes([{"unit": "X", "model": text}]).decode(), newline=""))
    cell = dict(zip(COLUMNS, row, strict=True))["model"]
    assert cell == f"'{text}"
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))


def test_ordinary_text_and_negative_numbers_stay(tmp_path: Path) -> None:
    assert harmless("HM-36 rev B") == "HM-36 rev B"
    (_, row) = csv.reader(io.StringIO(csv_bytes([{"unit": "X", "value": -0.1}]).decode(), newline=""))
    assert dict(zip(COLUMNS, row, strict=True))["value"] == "-0.1"


def test_the_files_hold_every_quantity_to_the_last_digit(reported: Workshop) -> None:
    results = json.loads((reported.reports / "CT-1/results.json").read_bytes())
    # Python reads a number back exactly as it was written; the quick reader of pandas may miss the last digit.
    table = pd.read_csv(reported.reports / "results.csv", dtype=str)
    for name in ("value", "expanded_uncertainty", "interval_low", "interval_high"):
        table[name] = table[name].map(float)
    same = pd.read_parquet(reported.reports / "results.parquet")
    assert list(table["quantity"]) == list(same["quantity"]) == list(results["quantities"])
    for name, entry in results["quantities"].items():
        for found in (table, same):
            row = found.set_index("quantity").loc[name]
            assert row["value"] == entry["value"]
            assert row["expanded_uncertainty"] == entry["expanded_uncertainty"]
            assert [row["interval_low"], row["interval_high"]] == entry["interval"]
            assert row["value_unit"] == entry["unit"]
    decided = {c["quantity"]: c["decision"] for c in results["criteria"]}
    marked = same.dropna(subset="decision")
    assert dict(zip(marked["quantity"], marked["decision"], strict=True)) == decided


def test_a_criterion_that_was_not_measured_has_a_row_and_the_worst_of_several_stands(tmp_path: Path) -> None:
    criteria = [
        entries.criterion(quantity="a", decision="fail", probability_of_conformity=0.0),
        entries.criterion(quantity="a", decision="pass", probability_of_conformity=1.0),
        entries.criterion(quantity="b", decision="not measured"),
    ]
    (tmp_path / "U").mkdir()
    results = entries.results(verdict="rejected", quantities={"a": entries.quantity_entry()}, criteria=criteria)
    write_json(tmp_path / "U/results.json", results.as_json())
    out = tmp_path / "x.csv"
    export(units=[{"unit": "U"}], results={"U": results}, signed={}, csv_path=out, parquet_path=tmp_path / "x.parquet")
    table = pd.read_csv(out).set_index("quantity")
    assert table.loc["a", "decision"] == "fail"
    assert table.loc["b", "decision"] == "not measured"
    assert math.isnan(float(table.loc["b", "value"]))  # type: ignore[arg-type]


def test_the_register_names_the_signed_revision(signed: Workshop) -> None:
    table = pd.read_csv(signed.reports / "results.csv")
    assert set(table["signed_revision"]) == {1}
    assert table["waived"].isna().all()
    register = (signed.reports / "index.html").read_text(encoding="utf-8")
    assert "archive/CT-1/r1/data/report.pdf" in register
