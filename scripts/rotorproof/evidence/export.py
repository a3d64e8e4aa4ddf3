"""All results of all units as one table, for a spreadsheet (CSV) and for analysis (Parquet)."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..decision.models import Results, told_apart
from ..jsonio import write_bytes

#: Column -> whether it holds numbers. One row is one quantity of one unit.
COLUMNS = {
    "unit": False,
    "kind": False,
    "model": False,
    "serial": False,
    "tested_on": False,
    "verdict": False,
    "signed_revision": True,
    "waived": False,
    "quantity": False,
    "vehicle": False,
    "pack": False,
    "value": True,
    "expanded_uncertainty": True,
    "standard_uncertainty": True,
    "coverage_factor": True,
    "interval_low": True,
    "interval_high": True,
    "value_unit": False,
    "procedure": False,
    "decision": False,
    "probability_of_conformity": True,
}
#: How a cell begins that a spreadsheet would run as a formula (OWASP, "CSV Injection", from memory).
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
#: Where a quantity has several criteria, the worst decision stands.
_WORST_FIRST = ("fail", "not measured", "undecided", "pass")

Signed = Mapping[str, Sequence[Mapping[str, Any]]]


def export(
    *,
    units: Sequence[Mapping[str, Any]],
    results: Mapping[str, Results],
    signed: Signed,
    csv_path: Path,
    parquet_path: Path,
) -> None:
    """Write the ``results`` of ``units``, by name, to both files."""
    rows = table_rows(units, results, signed)
    write_bytes(csv_path, csv_bytes(rows))
    write_bytes(parquet_path, parquet_bytes(rows))


def table_rows(
    units: Sequence[Mapping[str, Any]], results: Mapping[str, Results], signed: Signed
) -> list[dict[str, Any]]:
    """Return a row for each quantity of each unit."""
    return [row for unit in units for row in _rows(unit, results[unit["unit"]], signed.get(unit["unit"], ()))]


def _rows(unit: Mapping[str, Any], results: Results, signed: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    last = signed[-1] if signed and signed[-1]["current"] else None
    about = {key: unit.get(key) for key in ("unit", "kind", "model", "serial", "tested_on")}
    about |= {
        "verdict": results.verdict,
        "signed_revision": last["revision"] if last else None,
        "waived": ", ".join(last["waived"]) if last else None,
    }
    worst_last = sorted(results.criteria, key=lambda c: -_WORST_FIRST.index(c.decision))
    decided = {criterion.name: criterion for criterion in worst_last}
    found = []
    predicted = [item for one in results.applications or () for item in one.quantities.items()]
    for name, entry in [*results.quantities.items(), *predicted]:
        criterion = decided.pop(told_apart(name, entry.for_), None)
        found.append(
            {
                **about,
                "quantity": name,
                **(entry.for_.fields() if entry.for_ else {}),
                "value": entry.value,
                "expanded_uncertainty": entry.expanded_uncertainty,
                "standard_uncertainty": entry.standard_uncertainty,
                "coverage_factor": entry.coverage_factor,
                "interval_low": entry.interval[0],
                "interval_high": entry.interval[1],
                "value_unit": entry.unit,
                "procedure": entry.procedure,
                "decision": criterion and criterion.decision,
                "probability_of_conformity": criterion and criterion.probability_of_conformity,
            }
        )
    found += [
        {
            **about,
            "quantity": criterion.quantity,
            **(criterion.for_.fields() if criterion.for_ else {}),
            "decision": criterion.decision,
        }
        for criterion in decided.values()
    ]
    return found


def harmless(text: str) -> str:
    """Return text that a spreadsheet shows as it is: what would start a formula gets an apostrophe before it."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def csv_bytes(rows: Sequence[Mapping[str, Any]]) -> bytes:
    """Return the rows as CSV (RFC 4180, UTF-8), text made harmless, numbers with the digits of ``results.json``."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:
        cells = []
        for name, numeric in COLUMNS.items():
            value = row.get(name)
            if value is None:
                cells.append("")
            else:
                cells.append(repr(value) if numeric else harmless(str(value)))
        writer.writerow(cells)
    return buffer.getvalue().encode()


def parquet_bytes(rows: Sequence[Mapping[str, Any]]) -> bytes:
    """Return the rows as Parquet: text as it is (nothing runs it), numbers as 64-bit floats."""
    import pyarrow
    import pyarrow.parquet

    arrays = {}
    for name, numeric in COLUMNS.items():
        values = [row.get(name) for row in rows]
        if numeric:
            cells = [None if value is None else float(value) for value in values]
            arrays[name] = pyarrow.array(cells, pyarrow.float64())
        else:
            arrays[name] = pyarrow.array([None if v is None else str(v) for v in values], pyarrow.string())
    sink = pyarrow.BufferOutputStream()
    pyarrow.parquet.write_table(pyarrow.table(arrays), sink)
    return bytes(sink.getvalue())
