"""Read and reduce one large capture, beside parsing the same file with its format's own reader and throwing it away."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv as arrow_csv
from pyarrow import parquet

from .measure import Row, python, ratio

#: Rows made at once while a capture is written.
_ROWS = 500_000
_GATES = ("gate_ah", "gate_al", "gate_bh", "gate_bl", "gate_ch", "gate_cl", "hall_a", "hall_b", "hall_c")

_OURS = """
import sys
from pathlib import Path
from rotorproof.logs.unit_logs import read_unit
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.layout import Layout
from rotorproof.settings.unit import Test
path, name = Path(sys.argv[1]), sys.argv[2]
conditions = {"sample_rate": "2 MHz"} if name == "gate-timing" else {"speed": "230 rpm"}
test = Test.model_validate({"procedure": name, "log": path.name, "conditions": conditions})
found = read_unit("X", path.parent, [test], {"plain": Layout()})
assert found.columns[0], found.problems
values = {"sample_rate": 2e6} if name == "gate-timing" else {"speed": 24.0855}
procedure, logs = procedures()[name], [Log("x", found.columns[0], values)]
fit = procedure.estimate(logs, {}, procedure.choose(logs, {}))
assert fit.parameters
"""
_CSV = """
import sys
from pyarrow import csv
options = csv.ReadOptions(block_size=8 << 20, use_threads=False)
for batch in csv.open_csv(sys.argv[1], read_options=options):
    pass
"""
_PARQUET = """
import sys
from pyarrow import parquet
for batch in parquet.ParquetFile(sys.argv[1], memory_map=False).iter_batches(batch_size=1_000_000):
    pass
"""
_VCD = """
import sys
from vcd.reader import tokenize
with open(sys.argv[1], "rb") as stream:
    for token in tokenize(stream):
        pass
"""
_MOST_MEGABYTES = 500


def rows(folder: Path, *, gigabytes: float, **_: object) -> list[Row]:
    """Return the rows of this part."""
    size = int(gigabytes * 1e9)
    found = []
    for title, maker, procedure, beside in (
        ("open-circuit capture, CSV", _emf_csv, "open-circuit", _CSV),
        ("open-circuit capture of 567 readings a turn, CSV", partial(_emf_csv, step=2e-5), "open-circuit", _CSV),
        ("open-circuit capture of 113 readings a turn, CSV", partial(_emf_csv, step=1e-4), "open-circuit", _CSV),
        ("gate capture, CSV", _gate_csv, "gate-timing", _CSV),
        ("gate capture, Parquet", _gate_parquet, "gate-timing", _PARQUET),
        ("gate capture, VCD", _gate_vcd, "gate-timing", _VCD),
    ):
        # A dump of a tenth says the same: the library beside it is that slow.
        path = maker(folder, size // 10 if maker is _gate_vcd else size)
        ours = python(_OURS, path, procedure)
        theirs = python(beside, path)
        what = f"{title} of {path.stat().st_size / 1e9:.2f} GB"
        found.append(ratio(f"{what}: read, reduce and fit", ours, theirs, 1.3))
        small = ours.memory < _MOST_MEGABYTES
        memory = (f"{ours.memory:.0f} MB", f"{theirs.memory:.0f} MB", f"{ours.memory:.0f} MB")
        found.append(Row(f"{what}: peak memory", *memory, f"< {_MOST_MEGABYTES} MB", small))
        path.unlink()
    return found


def _emf_csv(folder: Path, size: int, step: float = 2e-6) -> Path:
    path = folder / "open-circuit.csv"
    rng = np.random.default_rng(1)
    names = ["time [s]", "voltage_ab [V]", "voltage_bc [V]", "voltage_ca [V]"]
    schema = pa.schema([(name, pa.float64()) for name in names])
    at = 0
    with arrow_csv.CSVWriter(path, schema) as writer:
        while not path.exists() or path.stat().st_size < size:
            time = (at + np.arange(_ROWS)) * step
            angle = 2 * np.pi * 88.1667 * time
            waves = [30 * np.sin(angle - k * 2 * np.pi / 3) + np.sin(5 * angle) for k in range(3)]
            noisy = [np.round(wave + rng.normal(0, 0.05, _ROWS), 3) for wave in waves]
            writer.write(pa.table([np.round(time, 7), *noisy], schema=schema))
            at += _ROWS
    return path


def _levels(at: int, count: int) -> list[np.ndarray]:
    """Return six gate and three sensor levels of an invented controller from sample ``at``, 2 MHz."""
    time = (at + np.arange(count)) / 2e6
    phase, step = np.mod(time * 16000, 1.0), np.mod(time * 60, 1.0)
    on, other = (phase > 0.02) & (phase < 0.5), (phase > 0.52) | (phase < 0.0)
    sector = (step * 6).astype(int)
    plus, minus = np.array([0, 0, 1, 1, 2, 2])[sector], np.array([1, 2, 2, 0, 0, 1])[sector]
    gates = []
    for leg in range(3):
        gates += [on & (plus == leg), (other & (plus == leg)) | (minus == leg)]
    table = np.array([[1, 0, 1], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 1, 1], [0, 0, 1]])[sector]
    return [level.astype(np.int8) for level in (*gates, *table.T)]


def _gate_table(at: int) -> pa.Table:
    time = pa.array(np.round((at + np.arange(_ROWS)) / 2e6, 7))
    return pa.table([time, *map(pa.array, _levels(at, _ROWS))], names=["time [s]", *(f"{name} [1]" for name in _GATES)])


def _gate_csv(folder: Path, size: int) -> Path:
    path, at = folder / "gates.csv", 0
    with arrow_csv.CSVWriter(path, _gate_table(0).schema) as writer:
        while not path.exists() or path.stat().st_size < size:
            writer.write(_gate_table(at))
            at += _ROWS
    return path


def _gate_parquet(folder: Path, size: int) -> Path:
    path, at = folder / "gates.parquet", 0
    # As many rows as the CSV of that size holds: packed they take far less room.
    with parquet.ParquetWriter(path, _gate_table(0).schema) as writer:
        while at < size / 28:
            writer.write_table(_gate_table(at))
            at += _ROWS
    return path


def _gate_vcd(folder: Path, size: int) -> Path:
    path, at = folder / "gates.vcd", 0
    marks = "!\"#$%&'()"
    last = [-1] * len(_GATES)
    with path.open("w") as stream:
        stream.write("$timescale 100 ns $end\n$scope module x $end\n")
        stream.writelines(f"$var wire 1 {m} {name} $end\n" for m, name in zip(marks, _GATES, strict=True))
        stream.write("$upscope $end\n$enddefinitions $end\n")
        while stream.tell() < size:
            levels = np.stack(_levels(at, _ROWS))
            changed = np.flatnonzero(np.any(np.diff(levels, axis=1, prepend=np.array(last)[:, None]) != 0, axis=0))
            for column in changed.tolist():
                now = levels[:, column].tolist()
                words = [f"{now[k]}{marks[k]}" for k in range(len(marks)) if now[k] != last[k]]
                stream.write(f"#{(at + column) * 5}\n" + "\n".join(words) + "\n")
                last = now
            at += _ROWS
    return path
