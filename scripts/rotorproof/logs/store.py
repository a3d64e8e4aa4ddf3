"""The readings of a unit between reading and fitting: one file of arrays with a JSON description inside."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..errors import Problem
from ..jsonio import to_json, write_bytes


@dataclass(frozen=True)
class Readings:
    """What could be read of each test of a unit (``None`` where it could not), the files' hashes, and problems."""

    columns: Sequence[Mapping[str, np.ndarray] | None]
    sha256: Mapping[str, str]
    problems: Sequence[Problem]
    #: Of each test what the step of its clock times leaves open (s), 0 where time came as a number; none: all 0.
    time_resolution: Sequence[float] = ()
    #: Of failures that nobody foresaw, for the job's log; not stored.
    tracebacks: Sequence[str] = ()


def save_readings(path: Path, readings: Readings) -> None:
    """Write the readings; the same readings give the same bytes."""
    arrays = {
        f"{index}/{name}": values
        for index, columns in enumerate(readings.columns)
        for name, values in (columns or {}).items()
    }
    about = {
        "columns": [None if columns is None else list(columns) for columns in readings.columns],
        "sha256": dict(readings.sha256),
        "time_resolution": list(readings.time_resolution) or [0.0] * len(readings.columns),
        "problems": [problem.as_json() for problem in readings.problems],
    }
    buffer = io.BytesIO()
    # savez writes fixed dates into its zip, so the bytes depend on the content alone.
    np.savez(buffer, about=np.frombuffer(to_json(about).encode(), dtype=np.uint8), **arrays)  # type: ignore[arg-type]
    write_bytes(path, buffer.getvalue())


def load_readings(path: Path) -> Readings:
    """Read what ``save_readings`` wrote."""
    with np.load(path, allow_pickle=False) as archive:
        about = json.loads(archive["about"].tobytes().decode())
        columns = [
            None if names is None else {name: archive[f"{index}/{name}"] for name in names}
            for index, names in enumerate(about["columns"])
        ]
    problems = [Problem(**problem) for problem in about["problems"]]
    return Readings(columns, about["sha256"], problems, about["time_resolution"])
