"""Binary recordings and workbooks, written by another hand than the reader where there is one.

WAV is written by Python's ``wave`` (the reader is SciPy's), XLSX as XML by hand (ECMA-376), TDMS and MDF 4 byte by
byte after their published layouts and again by their libraries, Parquet by pandas. HDF5 has one implementation.
"""

from __future__ import annotations

import datetime
import os
import random
import struct
import subprocess
import sys
import wave
import zipfile

import numpy as np
import pandas as pd
import pytest

from rotorproof.errors import InputError
from rotorproof.logs import limits
from rotorproof.logs.table import read_table
from rotorproof.settings.layout import Layout, LayoutColumn
from rotorproof.settings.run import Limits

WANTED = ("time", "voltage_ab", "voltage_bc", "speed", "current_a")
N = 2500
TIME = np.arange(N) / 5000
WAVE = 30 * np.sin(2 * np.pi * 50 * TIME)
SPEED = np.full(N, 210.0)  # rpm


@pytest.fixture(autouse=True)
def small_pieces(monkeypatch):
    monkeypatch.setattr(limits, "BLOCK_ROWS", 999)
    yield
    limits.use(Limits())


def read(path, layout=None, **kwargs):
    settings = {"shown": "U/log", "time_ordered": True, "minimum_rows": 5} | kwargs
    return read_table(path, layout or Layout(), WANTED, **settings).columns


def refused(path, layout=None):
    with pytest.raises(InputError) as caught:
        read(path, layout)
    return caught.value.problems


def check(columns, wave_tolerance=1e-12):
    np.testing.assert_allclose(columns["time"], TIME, atol=1e-12)
    np.testing.assert_allclose(columns["voltage_ab"], WAVE, atol=wave_tolerance)


MAPPED = {
    "voltage_ab": LayoutColumn(column="U_ab", unit="mV", scale=10.0),
    "speed": LayoutColumn(column="n", unit="rpm"),
}


def mapped(**extra):
    return Layout(columns=MAPPED | extra)


# ----- Parquet


def test_parquet_plain_names(tmp_path):
    frame = pd.DataFrame({"time [s]": TIME, "voltage_ab [V]": WAVE, "speed [rpm]": SPEED.astype("int32"), "note": "x"})
    frame.to_parquet(tmp_path / "a.parquet", row_group_size=700)
    columns = read(tmp_path / "a.parquet")
    check(columns)
    np.testing.assert_allclose(columns["speed"], 210 * 2 * np.pi / 60)


def test_parquet_of_every_kind_of_number(tmp_path):
    whole = np.arange(N) % 100
    for kind in ("int8", "uint8", "int64", "float32", "bool", "category", "Int8"):
        values = pd.Series(whole % 2 == 1 if kind == "bool" else whole).astype(kind)
        pd.DataFrame({"time [s]": TIME, "voltage_ab [V]": values}).to_parquet(tmp_path / "a.parquet")
        np.testing.assert_array_equal(read(tmp_path / "a.parquet")["voltage_ab"], values.astype(float))


def test_parquet_is_read_without_pandas(tmp_path):
    pd.DataFrame({"time [s]": TIME, "speed [rpm]": SPEED, "voltage_ab [V]": WAVE > 0}).to_parquet(
        tmp_path / "a.parquet"
    )
    program = (
        "import sys; from pathlib import Path; from rotorproof.logs.table import read_table\n"
        "from rotorproof.settings.layout import Layout\n"
        f"wanted, options = {WANTED}, dict(shown='U/log', time_ordered=True, minimum_rows=5)\n"
        "assert read_table(Path(sys.argv[1]), Layout(), wanted, **options).columns['voltage_ab'].any()\n"
        "sys.exit('pandas' in sys.modules)"
    )
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, "-c", program, str(tmp_path / "a.parquet")]
    assert subprocess.run(command, check=False, env=paths).returncode == 0


def test_parquet_by_layout(tmp_path):
    pd.DataFrame({"t": TIME * 1e3, "U_ab": WAVE * 100, "n": SPEED}).to_parquet(tmp_path / "a.parquet")
    check(read(tmp_path / "a.parquet", mapped(time=LayoutColumn(column="t", unit="ms"))))


def test_parquet_null_names_the_row(tmp_path):
    frame = pd.DataFrame({"time [s]": TIME, "voltage_ab [V]": WAVE})
    frame.loc[1701, "voltage_ab [V]"] = None
    frame.to_parquet(tmp_path / "a.parquet")
    (problem,) = refused(tmp_path / "a.parquet")
    assert problem.column == "voltage_ab"
    assert "row 1702" in problem.message


def test_parquet_text_dates_and_backward_time(tmp_path):
    for values, words in ((["a"] * N, "not numbers"), (pd.date_range("2026-01-01", periods=N), "not numbers")):
        pd.DataFrame({"time [s]": TIME, "voltage_ab [V]": values}).to_parquet(tmp_path / "a.parquet")
        assert words in refused(tmp_path / "a.parquet")[0].message
    late = TIME.copy()
    late[1500] = 0.0
    pd.DataFrame({"time [s]": late}).to_parquet(tmp_path / "a.parquet")
    assert "row 1501" in refused(tmp_path / "a.parquet")[0].message


# ----- WAV


def write_wav(path, samples, width, rate=5000):
    with wave.open(str(path), "wb") as file:
        file.setnchannels(samples.shape[1])
        file.setsampwidth(width)
        file.setframerate(rate)
        if width == 3:
            data = b"".join(struct.pack("<i", int(code))[:3] for code in samples.ravel())
        else:
            data = samples.astype({1: "u1", 2: "<i2", 4: "<i4"}[width]).tobytes()
        file.writeframes(data)


@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_wav(tmp_path, width):
    full = 2 ** (8 * width - 1)
    codes = np.round(WAVE / 40 * full)
    both = np.stack([np.zeros(N), codes], axis=1) + (128 if width == 1 else 0)
    write_wav(tmp_path / "a.wav", both, width)
    layout = Layout(columns={"voltage_ab": LayoutColumn(column=2, unit="V", scale=40.0)})
    check(read(tmp_path / "a.wav", layout), 0.5 * 40 / full * 1.001)


def test_wav_needs_a_layout_and_a_whole_file(tmp_path):
    write_wav(tmp_path / "a.wav", np.zeros((10, 1)), 2)
    assert "layout" in refused(tmp_path / "a.wav")[0].message
    (tmp_path / "b.wav").write_bytes((tmp_path / "a.wav").read_bytes()[:30])
    layout = Layout(columns={"voltage_ab": LayoutColumn(column=1, unit="V")})
    assert "WAV" in refused(tmp_path / "b.wav", layout)[0].message
    layout = Layout(columns={"voltage_ab": LayoutColumn(column=3, unit="V")})
    assert "column number 3" in refused(tmp_path / "a.wav", layout)[0].message


# ----- HDF5


def write_hdf5(path, **channels):
    import h5py

    with h5py.File(path, "w") as file:
        for name, (values, unit) in channels.items():
            item = file.create_dataset(name.replace("__", "/"), data=values, chunks=True, compression="gzip")
            if unit:
                item.attrs["units"] = unit


def test_hdf5_units_from_attributes(tmp_path):
    write_hdf5(tmp_path / "a.h5", time=(TIME * 1e3, "ms"), voltage_ab=(WAVE, "V"), speed=(SPEED, "rpm"))
    check(read(tmp_path / "a.h5"))


def test_hdf5_by_layout_in_groups(tmp_path):
    write_hdf5(
        tmp_path / "a.h5", run1__t=(TIME, None), run1__U=(WAVE.astype("f4"), None), run1__matrix=(np.eye(3), None)
    )
    layout = Layout(
        columns={
            "time": LayoutColumn(column="run1/t", unit="s"),
            "voltage_ab": LayoutColumn(column="run1/U", unit="V"),
        }
    )
    check(read(tmp_path / "a.h5", layout), 1e-5)
    layout = Layout(columns={"voltage_ab": LayoutColumn(column="run1/UU", unit="V")})
    assert "did you mean 'run1/U'" in refused(tmp_path / "a.h5", layout)[0].message


def test_hdf5_contradicting_unit_and_length(tmp_path):
    write_hdf5(tmp_path / "a.h5", t=(TIME, "s"), U=(WAVE, "mV"))
    layout = Layout(columns={"voltage_ab": LayoutColumn(column="U", unit="V")})
    assert "the file itself says 'mV'" in refused(tmp_path / "a.h5", layout)[0].message
    write_hdf5(tmp_path / "b.h5", time=(TIME, "s"), voltage_ab=(WAVE[:-3], "V"))
    assert "differ in length" in refused(tmp_path / "b.h5")[0].message
    (tmp_path / "c.h5").write_bytes((tmp_path / "a.h5").read_bytes()[:600])
    assert "HDF5" in refused(tmp_path / "c.h5")[0].message


def test_hdf5_follows_no_link_out_of_the_file(tmp_path):
    import h5py

    write_hdf5(tmp_path / "other.h5", voltage_ab=(WAVE, "V"))
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["time"] = TIME
        file["time"].attrs["units"] = "s"
        file["voltage_ab"] = h5py.ExternalLink("other.h5", "voltage_ab")
    assert "voltage_ab" not in read(tmp_path / "a.h5")


# ----- ASAM MDF


def write_mdf(path, version="4.10", **channels):
    import asammdf

    file = asammdf.MDF(version=version)
    file.append(
        [
            asammdf.Signal(samples=v, timestamps=TIME[: len(v)], name=name, unit=unit)
            for name, (v, unit) in channels.items()
        ]
    )
    file.save(path, overwrite=True)
    file.close()


@pytest.mark.parametrize("version", ["3.30", "4.10"])
def test_mdf(tmp_path, version):
    suffix = "mf4" if version[0] == "4" else "mdf"
    write_mdf(tmp_path / f"a.{suffix}", version, voltage_ab=(WAVE, "V"), speed=(SPEED, "rpm"))
    columns = read(tmp_path / f"a.{suffix}")
    check(columns)
    np.testing.assert_allclose(columns["speed"], 210 * 2 * np.pi / 60)
    write_mdf(tmp_path / f"b.{suffix}", version, U_ab=(WAVE * 100, ""), n=(SPEED.astype("u2"), "rpm"))
    check(read(tmp_path / f"b.{suffix}", mapped()))


def test_mdf_two_time_bases(tmp_path):
    import asammdf

    file = asammdf.MDF(version="4.10")
    file.append([asammdf.Signal(samples=WAVE, timestamps=TIME, name="voltage_ab", unit="V")])
    file.append([asammdf.Signal(samples=SPEED[:100], timestamps=TIME[:100], name="speed", unit="rpm")])
    file.save(tmp_path / "a.mf4", overwrite=True)
    file.close()
    assert "different time bases" in refused(tmp_path / "a.mf4")[0].message
    (tmp_path / "b.mf4").write_bytes((tmp_path / "a.mf4").read_bytes()[:200])
    assert "MDF" in refused(tmp_path / "b.mf4")[0].message


# ----- TDMS


def write_tdms(path, *segments, **properties):
    import nptdms

    with nptdms.TdmsWriter(path) as writer:
        for channels in segments:
            writer.write_segment(
                [
                    nptdms.ChannelObject(group, name, values, {"unit_string": unit, **properties})
                    for group, name, values, unit in channels
                ]
            )


def test_tdms_time_from_the_increment(tmp_path):
    halves = [
        [("run", "voltage_ab", WAVE[part], "V"), ("run", "speed", SPEED[part], "rpm")]
        for part in (slice(1300), slice(1300, None))
    ]
    write_tdms(tmp_path / "a.tdms", *halves, wf_increment=1 / 5000)
    check(read(tmp_path / "a.tdms"))


def test_tdms_time_as_a_channel_and_groups(tmp_path):
    write_tdms(
        tmp_path / "a.tdms",
        [("r", "t", TIME, ""), ("r", "U_ab", WAVE * 100, ""), ("q", "U_ab", WAVE, ""), ("r", "n", SPEED, "rpm")],
    )
    layout = Layout(
        columns={
            "time": LayoutColumn(column="r/t", unit="s"),
            "voltage_ab": LayoutColumn(column="r/U_ab", unit="mV", scale=10.0),
        }
    )
    check(read(tmp_path / "a.tdms", layout))
    (tmp_path / "b.tdms").write_bytes((tmp_path / "a.tdms").read_bytes()[:40])
    assert "holds no channels" in refused(tmp_path / "b.tdms")[0].message


# ----- Excel


def write_sheet(path, rows, sheets=("Sheet",)):
    import openpyxl

    book = openpyxl.Workbook()
    book.active.title = sheets[0]
    for title in sheets[1:]:
        book.create_sheet(title).append(["empty"])
    for row in rows:
        book.active.append(row)
    book.save(path)


HEADER = ["time [s]", "voltage_ab [V]", "remark"]


def test_excel(tmp_path):
    rows = [["# by hand"], [], HEADER, *([k, k / 3, "ok"] for k in range(6)), []]
    write_sheet(tmp_path / "a.xlsx", rows)
    columns = read(tmp_path / "a.xlsx")
    np.testing.assert_allclose(columns["voltage_ab"], np.arange(6) / 3, rtol=1e-14)


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        (None, "empty"),
        ("", "empty"),
        ("5,5", "decimal comma"),
        ("abc", "not a number"),
        (datetime.datetime(2026, 5, 2), "date"),
        (datetime.time(3, 4), "clock time"),
        ("=1+1", "empty (or a formula"),
    ],
)
def test_excel_refuses_a_cell_by_its_row(tmp_path, cell, words):
    write_sheet(tmp_path / "a.xlsx", [HEADER, *([k, k / 3, "ok"] for k in range(4)), [4, cell, "x"], [5, 1, "y"]])
    (problem,) = refused(tmp_path / "a.xlsx")
    assert (problem.line, problem.column) == (6, "voltage_ab")
    assert words in problem.message


def test_excel_sheets(tmp_path):
    write_sheet(tmp_path / "a.xlsx", [HEADER, *([k, k, ""] for k in range(6))], ("Run", "Notes"))
    assert "2 sheets (Run, Notes)" in refused(tmp_path / "a.xlsx")[0].message
    assert read(tmp_path / "a.xlsx", Layout(sheet="Run"))["time"].size == 6
    assert "no sheet 'Ran'" in refused(tmp_path / "a.xlsx", Layout(sheet="Ran"))[0].message


def test_other_archives_and_bombs(tmp_path):
    for names, words in ((("a.csv",), "archive; unpack it"), (("mimetype", "content.xml"), "OpenDocument")):
        with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
            for name in names:
                archive.writestr(name, "x")
        assert words in refused(tmp_path / "a.zip")[0].message
    with zipfile.ZipFile(tmp_path / "b.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b"\0" * (3 * limits.BLOCK_BYTES))
    assert "unpacks to" in refused(tmp_path / "b.xlsx")[0].message
    with zipfile.ZipFile(tmp_path / "c.xlsx", "w") as archive:
        archive.writestr("xl/workbook.xml", b"<broken")
    assert "Excel workbook" in refused(tmp_path / "c.xlsx")[0].message


# ----- Written by hand, byte by byte


def sheet_by_hand(path, rows):
    """Write a workbook after ECMA-376, part 1, with inline strings and no more than a reader needs."""
    space = "http://schemas.openxmlformats.org"
    cells = "".join(
        f'<row r="{r}">'
        + "".join(
            f'<c r="{chr(64 + c)}{r}" t="inlineStr"><is><t>{v}</t></is></c>'
            if isinstance(v, str)
            else f'<c r="{chr(64 + c)}{r}"><v>{v!r}</v></c>'
            for c, v in enumerate(row, start=1)
        )
        + "</row>"
        for r, row in enumerate(rows, start=1)
    )
    content = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{space}/package/2006/content-types"><Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Override PartName="/xl/workbook.xml" '
        f'ContentType="{content}.sheet.main+xml"/>'
        f'<Override PartName="/xl/s.xml" ContentType="{content}.worksheet+xml"/>'
        "</Types>",
        "_rels/.rels": f'<Relationships xmlns="{space}/package/2006/relationships"><Relationship Id="r" '
        f'Type="{space}/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{space}/spreadsheetml/2006/main" xmlns:r="{space}/officeDocument/2006/'
        'relationships"><sheets><sheet name="Run" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{space}/package/2006/relationships">'
        '<Relationship Id="r1" '
        f'Type="{space}/officeDocument/2006/relationships/worksheet" Target="s.xml"/></Relationships>',
        "xl/s.xml": f'<worksheet xmlns="{space}/spreadsheetml/2006/main"><sheetData>{cells}</sheetData></worksheet>',
    }
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in parts.items():
            archive.writestr(name, '<?xml version="1.0"?>' + text)


def test_excel_by_hand(tmp_path):
    sheet_by_hand(tmp_path / "a.xlsx", [HEADER, *([k / 10, k * 1.5, "x"] for k in range(7))])
    np.testing.assert_allclose(read(tmp_path / "a.xlsx")["voltage_ab"], 1.5 * np.arange(7), rtol=1e-15)


def tdms_by_hand(path, channels, step):
    """Write one segment after the published layout: lead-in, objects with properties and raw data index, raw data."""

    def text(value):
        raw = value.encode()
        return struct.pack("<I", len(raw)) + raw

    def prop(name, value):
        if isinstance(value, str):
            return text(name) + struct.pack("<I", 0x20) + text(value)
        return text(name) + struct.pack("<Id", 10, value)

    objects = [text("/") + struct.pack("<II", 0xFFFFFFFF, 0), text("/'run'") + struct.pack("<II", 0xFFFFFFFF, 0)]
    for name, (values, unit) in channels.items():
        index = struct.pack("<IIIQ", 20, 10, 1, len(values))  # length, double, one dimension, number of values
        properties = prop("unit_string", unit) + prop("wf_increment", step)
        objects.append(text(f"/'run'/'{name}'") + index + struct.pack("<I", 2) + properties)
    metadata = struct.pack("<I", len(objects)) + b"".join(objects)
    raw = b"".join(np.asarray(values, "<f8").tobytes() for values, _ in channels.values())
    head = b"TDSm" + struct.pack("<IIQQ", 0b1110, 4713, len(metadata) + len(raw), len(metadata))
    path.write_bytes(head + metadata + raw)


def test_tdms_by_hand(tmp_path):
    tdms_by_hand(tmp_path / "a.tdms", {"voltage_ab": (WAVE * 1e3, "mV"), "speed": (SPEED, "rpm")}, 1 / 5000)
    check(read(tmp_path / "a.tdms"))


def mdf_by_hand(path, columns):
    """Write an MDF 4.10 file after the ASAM standard's block layout (from memory): one sorted group of doubles."""
    data = bytearray(64)

    def block(kind, links, body):
        place = len(data)
        size = 24 + 8 * len(links) + len(body)
        data.extend(struct.pack("<4sIQQ", kind, 0, size, len(links)) + struct.pack(f"<{len(links)}Q", *links) + body)
        data.extend(bytes(-len(data) % 8))
        return place

    def text(value):
        return block(b"##TX", (), value.encode() + b"\0")

    data[:64] = b"MDF     4.10    by hand " + struct.pack("<4xH34x", 410)
    rows = np.column_stack([values for values, _ in columns.values()]).astype("<f8")
    head = block(b"##HD", (0, 0, 0, 0, 0, 0), bytes(32))
    assert head == 64
    record = block(b"##DT", (), rows.tobytes())
    following = 0
    for number, (name, (_, unit)) in reversed(list(enumerate(columns.items()))):
        kind, sync = (2, 1) if number == 0 else (0, 0)  # the first is the master, in time
        body = struct.pack("<BBBBIIIIBBHdddddd", kind, sync, 4, 0, 8 * number, 64, 0, 0, 0, 0, 0, *[0.0] * 6)
        following = block(b"##CN", (following, 0, text(name), 0, 0, 0, text(unit), 0), body)
    group = block(
        b"##CG", (0, following, 0, 0, 0, 0), struct.pack("<QQHHIII", 0, len(rows), 0, 0, 0, rows.shape[1] * 8, 0)
    )
    first = block(b"##DG", (0, group, record, 0), bytes(8))
    struct.pack_into("<Q", data, head + 24, first)
    path.write_bytes(bytes(data))


def test_mdf_by_hand(tmp_path):
    mdf_by_hand(tmp_path / "a.mf4", {"t": (TIME, "s"), "voltage_ab": (WAVE * 1e3, "mV"), "speed": (SPEED, "rpm")})
    columns = read(tmp_path / "a.mf4")
    check(columns)
    np.testing.assert_allclose(columns["speed"], 210 * 2 * np.pi / 60)


def test_mdf_whose_blocks_go_in_a_circle(tmp_path):
    mdf_by_hand(tmp_path / "a.mf4", {"t": (TIME, "s"), "voltage_ab": (WAVE, "V")})
    content = bytearray((tmp_path / "a.mf4").read_bytes())
    channel = content.index(b"##CN")
    struct.pack_into("<Q", content, channel + 24, channel)  # the next channel is this one
    (tmp_path / "a.mf4").write_bytes(content)
    limits.use(Limits(reading_seconds=3))
    assert "reading_seconds" in refused(tmp_path / "a.mf4")[0].message


# ----- Files cut off in the middle


def test_a_recording_that_is_cut_off_is_refused(tmp_path):
    write_tdms(tmp_path / "a.tdms", [("r", "voltage_ab", WAVE, "V")], wf_increment=1 / 5000)
    write_wav(tmp_path / "a.wav", np.zeros((N, 1)), 2)
    write_mdf(tmp_path / "a.mf4", voltage_ab=(WAVE, "V"))
    write_hdf5(tmp_path / "a.h5", voltage_ab=(WAVE, "V"))
    pd.DataFrame({"voltage_ab [V]": WAVE}).to_parquet(tmp_path / "a.parquet")
    write_sheet(tmp_path / "a.xlsx", [HEADER, *([k, k, ""] for k in range(600))])
    by_number = Layout(columns={"voltage_ab": LayoutColumn(column=1, unit="V")})
    for whole in sorted(tmp_path.iterdir()):
        layout = by_number if whole.suffix == ".wav" else None
        assert read(whole, layout)["voltage_ab"].size >= 600
        content = whole.read_bytes()
        for share in (0.3, 0.9, 0.995):
            whole.write_bytes(content[: int(share * len(content))])
            (problem,) = refused(whole, layout)
            assert "can be read" in problem.message, whole


@pytest.mark.slow
@pytest.mark.parametrize("suffix", ["tdms", "wav", "mf4", "h5", "parquet", "xlsx"])
def test_a_recording_with_wrong_bytes_gives_numbers_or_a_named_problem(tmp_path, suffix):
    limits.use(Limits(reading_seconds=15))
    path = tmp_path / f"a.{suffix}"
    layout = Layout()
    if suffix == "tdms":
        write_tdms(path, [("r", "voltage_ab", WAVE[:300], "V")], wf_increment=1 / 5000)
    elif suffix == "wav":
        write_wav(path, np.zeros((300, 1)), 2)
        layout = Layout(columns={"voltage_ab": LayoutColumn(column=1, unit="V")})
    elif suffix == "mf4":
        write_mdf(path, voltage_ab=(WAVE[:300], "V"))
    elif suffix == "h5":
        write_hdf5(path, voltage_ab=(WAVE[:300], "V"), time=(TIME[:300], "s"))
    elif suffix == "parquet":
        pd.DataFrame({"voltage_ab [V]": WAVE[:300]}).to_parquet(path)
    else:
        write_sheet(path, [HEADER, *([k, k, ""] for k in range(60))])
    whole = path.read_bytes()
    rng = random.Random(7)
    refusals = 0
    for _ in range(120):
        content = bytearray(whole)
        for _ in range(rng.randint(1, 4)):
            end = len(content) if rng.random() < 0.4 else min(len(content), 3000)
            content[rng.randrange(8, end)] = rng.choice([0, 255, rng.randrange(256)])
        path.write_bytes(content)
        try:
            columns = read(path, layout, time_ordered=False, minimum_rows=1)
        except InputError as error:
            refusals += 1
            assert all(problem.file == "U/log" and len(problem.message) < 600 for problem in error.problems)
        else:
            assert all(np.isfinite(values).all() for values in columns.values())
    assert refusals > 0 or suffix == "mf4"
