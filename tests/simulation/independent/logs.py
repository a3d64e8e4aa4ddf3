"""Logs in the plain layout, and unit.yaml beside them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import yaml
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def write(path: Path, columns: Sequence[tuple[str, Floats, str]]) -> None:
    """One log: columns (name with unit, values, format such as '.3f')."""
    header = ",".join(name for name, _, _ in columns)
    form = ",".join("%" + code for _, _, code in columns)
    table = np.column_stack([values for _, values, _ in columns])
    np.savetxt(
        path,
        table,
        fmt=form,
        header="# invented data: no such unit was measured\n" + header,
        comments="",
        encoding="utf-8",
    )


class _Plain(yaml.SafeDumper):
    """Writes every value out, where two places share one."""

    def ignore_aliases(self, data: object) -> bool:
        return True


def write_unit(path: Path, unit: dict[str, object]) -> None:
    """unit.yaml."""
    path.write_text(yaml.dump(unit, Dumper=_Plain, sort_keys=False, allow_unicode=True), encoding="utf-8")
