"""Sound inputs to be spoiled: a log in every format, and the files of a project."""

from __future__ import annotations

import datetime
import gzip
import io
import tempfile
import wave
from functools import cache
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
ROWS = 300
TIME = np.arange(ROWS) / 1000
WAVE = 30 * np.sin(2 * np.pi * 50 * TIME)

_GATES = dict(zip("!\"#%&'", ("ah", "al", "bh", "bl", "ch", "cl"), strict=True))
DUMP = (
    "$date today $end $version invented $end $comment 1! inside $end $timescale 10 ns $end $scope module top $end "
    + "".join(f"$var wire 1 {code} gate_{name} $end " for code, name in _GATES.items())
    + "$upscope $end $enddefinitions $end\n#0\n0!\n0\"\n0#\n0%\n0&\n0'\n"
    + "".join(f'#{50 * k}\n{k % 2}!\nb{(k + 1) % 2} "\n' for k in range(1, 120))
)


def _text() -> bytes:
    lines = [f"{t},{u:.6f},{k % 7}.25,ok" for k, (t, u) in enumerate(zip(TIME, WAVE, strict=True))]
    return ("time [s],voltage_ab [V],current_ab [A],note\n" + "\n".join(lines) + "\n").encode()


def _clocked() -> bytes:
    """Return the same log with clock times that pass midnight."""
    head, *rows = _text().decode().splitlines()
    start = datetime.datetime(2026, 11, 30, 23, 59, 58)
    stamps = [f"{start + datetime.timedelta(seconds=0.4 * k):%d.%m.%Y %H:%M:%S.%f}" for k in range(len(rows))]
    lines = [",".join([stamp, *row.split(",")[1:]]) for stamp, row in zip(stamps, rows, strict=True)]
    return ("\n".join([head.replace("time [s]", "time"), *lines]) + "\n").encode()


def _from_file(write: object, suffix: str) -> bytes:
    with tempfile.TemporaryDirectory(prefix="rotorproof-fuzz-") as folder:
        path = Path(folder) / f"log{suffix}"
        write(path)  # type: ignore[operator]
        return path.read_bytes()


def _hdf5(path: Path) -> None:
    import h5py

    with h5py.File(path, "w") as file:
        for name, values, unit in (("time", TIME, "s"), ("voltage_ab", WAVE, "V")):
            item = file.create_dataset(name, data=values, chunks=(100,), compression="gzip")
            item.attrs["units"] = unit


def _parquet(path: Path) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    table = pa.table({"time [s]": TIME, "voltage_ab [V]": WAVE, "note": ["x"] * ROWS})
    parquet.write_table(table, path, row_group_size=100)


def _tdms(path: Path) -> None:
    import nptdms

    with nptdms.TdmsWriter(path) as writer:
        properties = {"unit_string": "V", "wf_increment": 1e-3}
        for part in (WAVE[:150], WAVE[150:]):
            writer.write_segment([nptdms.ChannelObject("r", "voltage_ab", part, properties)])


def _mdf(version: str) -> object:
    def write(path: Path) -> None:
        import asammdf

        file = asammdf.MDF(version=version)
        file.append([asammdf.Signal(samples=WAVE, timestamps=TIME, name="voltage_ab", unit="V")])
        # The writer adds an ending of its own to a name without one of its own.
        file.save(path, overwrite=True)
        file.close()

    return write


def _sheet(path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["time [s]", "voltage_ab [V]", "remark"])
    for t, u in zip(TIME[:60], WAVE[:60], strict=True):
        book.active.append([float(t), float(u), "ok"])
    book.save(path)


def _wav() -> bytes:
    stream = io.BytesIO()
    with wave.open(stream, "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(1000)
        file.writeframes(np.repeat(WAVE * 1000, 2).astype("<i2").tobytes())
    return stream.getvalue()


#: Formats of a log, as ``logs`` gives them.
FORMATS = (
    "text",
    "text, semicolons and commas",
    "text, UTF-16",
    "text, clock times",
    "text, gzip",
    "text, Zstandard",
    "VCD",
    "Parquet",
    "Excel workbook",
    "WAV",
    "HDF5",
    "MDF 4",
    "MDF 3",
    "TDMS",
)


def _gzip(content: bytes) -> bytes:
    return gzip.compress(content, mtime=0)


def _zstandard(content: bytes) -> bytes:
    import zstandard

    return zstandard.ZstdCompressor().compress(content)


#: How a text is packed, by the format that this makes of it.
PACKED = {"text, gzip": _gzip, "text, Zstandard": _zstandard}


@cache
def logs() -> dict[str, bytes]:
    """Return a sound log of each format, by what the format is called."""
    text = _text()
    return {
        "text": text,
        "text, semicolons and commas": text.replace(b",", b";").replace(b".", b","),
        "text, UTF-16": text.decode().encode("utf-16"),
        "text, clock times": _clocked(),
        **{name: pack(text) for name, pack in PACKED.items()},
        "VCD": DUMP.encode(),
        "Parquet": _from_file(_parquet, ".parquet"),
        "Excel workbook": _from_file(_sheet, ".xlsx"),
        "WAV": _wav(),
        "HDF5": _from_file(_hdf5, ".h5"),
        "MDF 4": _from_file(_mdf("4.10"), ".mf4"),
        "MDF 3": _from_file(_mdf("3.30"), ".mdf"),
        "TDMS": _from_file(_tdms, ".tdms"),
    }
