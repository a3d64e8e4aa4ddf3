"""Rows that a logger filled with zeros: they read like readings and are none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ..columns import COLUMNS
from ..procedures.base import Log


def unpadded(logs: Mapping[int, Log]) -> dict[int, Log]:
    """Return those logs in which rows are zero in every column but time and logic levels, without these rows."""
    found = {}
    for place, log in logs.items():
        columns = {n: v for n, v in log.columns.items() if n in COLUMNS and n != "time" and COLUMNS[n].kind != "logic"}
        if len(columns) < 2 or len({v.size for v in log.columns.values()}) != 1:
            continue
        filled = np.any([v != 0 for v in columns.values()], axis=0)
        if filled.any() and not filled.all():
            found[place] = replace(log, columns={n: v[filled] for n, v in log.columns.items()})
    return found
