"""Delimited text: what is read, what is refused and where.

The numbers of well-formed files are compared with Python's own ``csv`` and ``float``, which share nothing with the
compiled parser in use. RFC 4180 is the source for quoting and line ends.
"""

from __future__ import annotations

import csv
import gzip
import io
import random
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import zstandard

from rotorproof.errors import InputError
from rotorproof.logs import limits
from rotorproof.logs.chunks import time_checked
from rotorproof.logs.needed import missing_columns
from rotorproof.logs.table import open_log, read_table
from rotorproof.procedures import procedures
from rotorproof.settings.folder import SettingsFolder
from rotorproof.settings.layout import BUILTIN, Layout, LayoutColumn

WANTED = ("time", "voltage_ab", "speed", "temperature_winding", "duty", "hall_a")
GOOD = "time [s],voltage_ab [V],speed [rpm]\n" + "".join(f"{k / 10},{k * 1.5},{600 + k}\n" for k in range(8))


def read(tmp_path, content, layout=BUILTIN["plain"], name="log.csv", rows=4, ordered=True):
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_table(path, layout, WANTED, shown="U/log.csv", time_ordered=ordered, minimum_rows=rows)


def refused(*args, **kwargs):
    with pytest.raises(InputError) as caught:
        read(*args, **kwargs)
    for problem in caught.value.problems:
        assert problem.file == "U/log.csv"
        assert problem.message.count(". ") <= 1, "one or two sentences"
    return caught.value.problems


def test_plain_log_becomes_si(tmp_path):
    columns = read(tmp_path, GOOD).columns
    assert list(columns) == ["time", "voltage_ab", "speed"]
    np.testing.assert_allclose(columns["speed"], (600 + np.arange(8)) * 2 * np.pi / 60, rtol=1e-14)
    np.testing.assert_array_equal(columns["voltage_ab"], 1.5 * np.arange(8))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda t: t.replace("\n", "\r\n"), "CRLF"),
        (lambda t: t.replace("\n", "\r"), "bare carriage returns"),
        (lambda t: "\ufeff" + t, "byte order mark"),
        (lambda t: t.rstrip("\n"), "no line end at the end"),
        (lambda t: t.replace(",", " , "), "blanks around cells"),
        (lambda t: t.replace("\n", ",\n"), "delimiter at the end of every line"),
        (lambda t: t.replace("\n", ",\n").replace(",\n", "\n", 1), "delimiter at the end of all but the header"),
        (lambda t: "# made by hand\n\n" + t.replace("\n", "\n# note\n\n   \n"), "comments and blank lines"),
        (lambda t: "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in t.split("\n") if line), "quotes"),
        (lambda t: t.replace("\n", ',"a, b"\n').replace('"a, b"', "remark", 1), "quoted text with a comma"),
    ],
)
def test_same_readings_in_other_dress(tmp_path, change, why):
    expected = read(tmp_path, GOOD).columns
    found = read(tmp_path, change(GOOD)).columns
    for name, values in expected.items():
        np.testing.assert_array_equal(found[name], values, err_msg=why)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-8-sig", "cp1252", "latin-1", "ascii"])
def test_encodings_named_in_the_layout(tmp_path, encoding):
    expected = read(tmp_path, GOOD).columns
    found = read(tmp_path, GOOD.encode(encoding), Layout(encoding=encoding)).columns
    np.testing.assert_array_equal(found["speed"], expected["speed"])


def test_gzip_and_zstandard(tmp_path):
    expected = read(tmp_path, GOOD).columns
    for packed in (
        gzip.compress(GOOD.encode()),
        zstandard.ZstdCompressor().compress(GOOD.encode()),
        # Two frames one after the other are one file (RFC 8878, 3.1).
        b"".join(zstandard.ZstdCompressor().compress(part) for part in (GOOD[:70].encode(), GOOD[70:].encode())),
        gzip.compress(GOOD[:70].encode()) + gzip.compress(GOOD[70:].encode()),
    ):
        found = read(tmp_path, packed, name="log.csv.gz").columns
        np.testing.assert_array_equal(found["voltage_ab"], expected["voltage_ab"])


@pytest.mark.parametrize("pack", [gzip.compress, lambda b: zstandard.ZstdCompressor().compress(b)])
def test_a_packed_log_that_is_cut_off_is_refused(tmp_path, pack):
    packed = pack(GOOD.encode())
    (problem,) = refused(tmp_path, packed[: len(packed) - 9], name="log.csv.gz")
    assert "damaged or cut off" in problem.message


@pytest.mark.parametrize("pack", [gzip.compress, lambda b: zstandard.ZstdCompressor().compress(b)])
def test_a_decompression_bomb_stops_early(tmp_path, pack):
    bomb = pack(GOOD.encode() + b"\n" * (4 * limits.BLOCK_BYTES))
    assert len(bomb) * limits.in_force().unpacked_ratio < 3 * limits.BLOCK_BYTES
    (problem,) = refused(tmp_path, bomb, name="bomb.csv.gz")
    assert "unpacks to more than" in problem.message


def test_numbers_agree_with_pythons_own_parser(tmp_path):
    rng = random.Random(20)
    forms = ["{:.6f}", "{:e}", "{:g}", "{:+.3f}", "{!r}", "{:.0f}"]
    rows = [[rng.choice(forms).format(rng.gauss(0, 10 ** rng.uniform(-6, 6))) for _ in range(3)] for _ in range(3000)]
    text = "voltage_ab [V],speed [rad/s],duty [1]\n" + "".join(",".join(row) + "\n" for row in rows)
    found = read(tmp_path, text).columns
    expected = np.array([[float(cell) for cell in row] for row in csv.reader(io.StringIO(text)) if "[" not in row[0]])
    for position, name in enumerate(("voltage_ab", "speed", "duty")):
        np.testing.assert_array_equal(found[name], expected[:, position])


def test_layout_scales_shifts_and_inverts(tmp_path):
    layout = Layout(
        delimiter=";",
        decimal=",",
        skip_rows=2,
        columns={
            "time": LayoutColumn(column="t", unit="ms"),
            "voltage_ab": LayoutColumn(column=2, unit="mV", scale=10.0, offset=5.0, invert=True),
            "hall_a": LayoutColumn(column=3, unit="1", invert=True),
        },
    )
    text = "Scope;model\nserial;7\nt;CH1;D0\n" + "".join(f"{k},5;{k}00,25;{k % 2}\n" for k in range(6))
    found = read(tmp_path, text, layout).columns
    k = np.arange(6)
    np.testing.assert_allclose(found["time"], (k + 0.5) * 1e-3, rtol=1e-14)
    np.testing.assert_allclose(found["voltage_ab"], -((k * 100 + 0.25) * 10 + 5) * 1e-3, rtol=1e-13)
    np.testing.assert_array_equal(found["hall_a"], 1 - k % 2)


def test_blanks_as_delimiter_and_no_header(tmp_path):
    layout = Layout(
        delimiter="whitespace",
        header=False,
        columns={"time": LayoutColumn(column=1, unit="s"), "duty": LayoutColumn(column=2, unit="percent")},
    )
    text = "".join(f"  {k}.0 \t  {k * 10}  \n" for k in range(6))
    found = read(tmp_path, text, layout).columns
    np.testing.assert_allclose(found["duty"], np.arange(6) / 10)


def at(problem):
    return problem.line, problem.column


@pytest.mark.parametrize(
    ("change", "where", "words"),
    [
        (lambda t: t.replace("voltage_ab [V]", "voltage_ab"), (1, "voltage_ab"), "no unit"),
        (lambda t: t.replace("[V]", "[]"), (1, "voltage_ab"), "a unit is missing"),
        (lambda t: t.replace("[V]", "[Volts!]"), (1, "voltage_ab"), "not known"),
        (lambda t: t.replace("[V]", "[A]"), (1, "voltage_ab"), "does not measure a voltage"),
        (lambda t: t.replace("[rpm]", "[Hz]"), (1, "speed"), "may mean revolutions or radians"),
        (lambda t: t.replace("voltage_ab [V]", "voltage_ab (V)"), (1, "voltage_ab"), "write it as 'voltage_ab [unit]'"),
        (lambda t: t.replace("speed [rpm]", "voltage_ab [mV]"), (1, "voltage_ab"), "stands 2 times"),
        (lambda t: t.replace("0.3,4.5", "0.3,ok"), (5, "voltage_ab"), "'ok' is not a number"),
        (lambda t: t.replace("0.3,4.5", '0.3,"4,5"'), (5, "voltage_ab"), "decimal comma"),
        (lambda t: t.replace("0.3,4.5", '0.3,"1,234.5"'), (5, "voltage_ab"), "between thousands"),
        (lambda t: t.replace("0.3,4.5", "0.3,4.5V"), (5, "voltage_ab"), "the unit belongs into the header"),
        (lambda t: t.replace("0.3,4.5", "12:00:03,4.5"), (5, "time"), "clock time"),
        (lambda t: t.replace("0.3,4.5", "0.3,nan"), (5, "voltage_ab"), "not a finite number"),
        (lambda t: t.replace("0.3,4.5", "0.3,-Infinity"), (5, "voltage_ab"), "not a finite number"),
        (lambda t: t.replace("0.3,4.5", "0.3,1e999"), (5, "voltage_ab"), "too large"),
        (lambda t: t.replace("0.3,4.5", "0.3,1_000"), (5, "voltage_ab"), "holds more than a number"),
        (lambda t: t.replace("0.3,4.5", "0.3,٣"), (5, "voltage_ab"), "is not a number"),
        (lambda t: t.replace("0.3,4.5", "0.3,"), (5, "voltage_ab"), "the cell is empty"),
        (lambda t: t.replace("0.3,4.5,603", "0.3,4.5"), (5, "speed"), "the row has 2 cells, the header 3"),
        (lambda t: t.replace("0.3,4.5", "0,3,4,5"), (5, None), "the row has 5 cells, the header 3"),
        (lambda t: t.replace("0.3,4.5", '0.3,"4.5'), (5, None), "check its quotes"),
        (lambda t: t.replace("0.3,4.5", "0.1,4.5"), (5, "time"), "runs backwards: 0.1 s comes after 0.2 s"),
        (lambda t: t.replace("0.3,4.5", "0.2,4.5"), (5, "time"), "stands still"),
        (lambda t: "\n".join(t.split("\n")[:4]), (None, None), "3 rows of readings; at least 4"),
        (lambda t: t.split("\n")[0], (None, None), "0 rows of readings"),
        (lambda t: "# nothing\n# more\n", (None, None), "no header row"),
        (lambda t: "", (None, None), "is empty"),
        (lambda t: " \n\n", (None, None), "is empty"),
        (lambda t: t.replace(",", ";"), (1, None), "semicolon 2 times"),
        (lambda t: t.replace("600", "6\x0000"), (2, None), "NUL"),
        (lambda t: t.encode("utf-16"), (1, None), "UTF-16"),
        (lambda t: t.encode("utf-16-le"), (1, None), "NUL"),
        (lambda t: t.replace("0.3,4.5", "0.3,4.5 µV").encode("latin-1"), (5, None), "byte 0xb5 is not utf-8 text"),
        (lambda t: b"\xd0\xcf\x11\xe0" + t.encode(), (None, None), "old Excel"),
        (lambda t: b"%PDF-1.7\n" + t.encode(), (None, None), "PDF"),
        (lambda t: t + "0" * (2 * limits.BLOCK_BYTES), (10, None), "the line is longer than"),
        (lambda t: t.replace("600", "6" * 200_000), (2, None), "cannot be split"),
    ],
)
def test_what_is_refused_is_named(tmp_path, change, where, words):
    problems = refused(tmp_path, change(GOOD))
    assert at(problems[0]) == where, problems
    assert words in problems[0].message


def test_every_bad_cell_is_named_up_to_a_limit(tmp_path):
    text = "duty [1],hall_a [1]\n" + "x,1\n1,y\n" * 30
    problems = refused(tmp_path, text)
    assert [at(p) for p in problems[:4]] == [(2, "duty"), (3, "hall_a"), (4, "duty"), (5, "hall_a")]
    assert len(problems) == limits.MAXIMUM_NAMED + 1
    assert "40 more" in problems[-1].message


def test_lines_are_counted_over_pieces(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "BLOCK_BYTES", 200)
    text = "# head\ntime [s],duty [1]\n" + "".join(f"{k},0.5\n\n" for k in range(500))
    assert read(tmp_path, text).columns["time"].size == 500
    assert at(refused(tmp_path, text.replace("\n377,0.5", "\n377,o.5"))[0]) == (3 + 2 * 377, "duty")
    assert at(refused(tmp_path, text.replace("\n377,0.5", "\n300,0.5"))[0]) == (3 + 2 * 377, "time")
    both = refused(tmp_path, text.replace("\n377,0.5", "\n300,0.5").replace("\n400,0.5", "\n400,"))
    assert [at(p) for p in both] == [(3 + 2 * 400, "duty"), (3 + 2 * 377, "time")]


def test_a_stray_quote_swallows_no_rows(tmp_path):
    text = "duty [1],remark\n" + "".join(f'0.{k},"ok\n0.{k},fine"\n' for k in range(1, 6))
    assert "quotes" in refused(tmp_path, text)[0].message


def test_streaming_holds_one_piece(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "BLOCK_BYTES", 1 << 16)
    path = tmp_path / "long.csv"
    with path.open("w") as stream:
        stream.write("time [s],duty [1]\n")
        stream.writelines(f"{k},0.25\n" for k in range(300_000))

    def peak(limit):
        tracemalloc.start()
        rows = 0
        for chunk in time_checked(open_log(path, Layout(), WANTED, shown="x").chunks, "x"):
            rows += chunk.rows
            if rows > limit:
                break
        result = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return result

    peak(100)
    assert peak(10**9) < 1.5 * peak(60_000)


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal"),
    [
        ("a;b\n1,5;2\n2,25;3\n", "semicolon", "comma"),
        ("a;b\n1.5;2\n2.25;3\n", "semicolon", "point"),
        ("a\tb\n1,5\t2\n", "tab", "comma"),
        ("a,b\n1.5,2\n", "comma", "point"),
        ("a|b\n1.5|2\n", "bar", "point"),
        ("a;b\n1,234;0,5\n", "semicolon", "comma"),
        ("a;b\n12;5\n", "semicolon", "point"),
    ],
)
def test_dialect_is_found_and_stated(tmp_path, text, delimiter, decimal):
    text = text.replace("a", "time [s]", 1).replace("b", "duty [1]", 1)
    found = read(tmp_path, text, BUILTIN["auto"], rows=1)
    assert found.columns["time"].size >= 1
    assert f"{delimiter} between columns, decimal {decimal}" in found.notes[0].message
    assert found.notes[0].severity == "warning"


def test_detected_encoding(tmp_path):
    text = "time [s];temperature_winding [°C]\n1,5;20,5\n2,5;21,5\n"
    for encoding, name in (
        ("cp1252", "cp1252"),
        ("utf-16", "utf-16"),
        ("utf-8-sig", "utf-8"),
        ("utf-16-le", "utf-16-le"),
    ):
        found = read(tmp_path, text.encode(encoding), BUILTIN["auto"], rows=1)
        assert found.columns["temperature_winding"].tolist() == [20.5, 21.5]
        assert f"{name} text" in found.notes[0].message


def test_an_unknown_export_shows_its_headings_and_who_proposes_a_layout(tmp_path):
    export = "Uhrzeit;n (1/min)\n" + "".join(f"{k / 2};{300 - k}\n" for k in range(30))
    above = "Logger L1\nRun of today\n" + export
    proposes = 'make layout ARGS="FILE --write" proposes a layout'
    plain = refused(tmp_path, export, BUILTIN["plain"], rows=1)[0].message
    assert "semicolon once" in plain
    assert "found: 'Uhrzeit', 'n (1/min)'" in plain
    assert proposes in plain
    auto = refused(tmp_path, above, BUILTIN["auto"], rows=1)[0].message
    assert proposes in auto
    assert "found: 'Logger L1'" in auto
    for names in (["Uhrzeit", "n (1/min)"], ["Logger L1"]):
        first, *_ = missing_columns(procedures()["coast-down"], {}, names, "x")
        assert f"(found: {', '.join(map(repr, names))}; {proposes})" in first.message


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a;b\n1,234;5\n2,345;6\n", 2, "may be a decimal comma or thousands"),
        ("a;b\n1.234;5\n2.345;6\n", 2, "may be a decimal point or thousands"),
        ("a,b;c\n1,5;2\n1,5;2\n", 1, "could be separated by comma or semicolon"),
        ("a;b\n1,5;x\n1.5;x\n", 1, "no delimiter"),
        ("time [s];b\n1.234,5;2\n", 2, "between thousands"),
        ("hello\nworld\n", 1, "no delimiter"),
    ],
)
def test_two_readings_are_asked_for(tmp_path, text, line, words):
    problem = refused(tmp_path, text, BUILTIN["auto"], rows=1)[0]
    assert problem.line == line
    assert words in problem.message


def test_no_file_folder_pipe(tmp_path):
    import os

    for name, words in (("absent.csv", "is not there"), ("sub", "is a folder"), ("pipe", "not a regular file")):
        if name == "sub":
            (tmp_path / name).mkdir()
        if name == "pipe":
            os.mkfifo(tmp_path / name)
        with pytest.raises(InputError) as caught:
            read_table(tmp_path / name, Layout(), WANTED, shown="x", time_ordered=True, minimum_rows=1)
        assert words in str(caught.value)


def test_the_shipped_layout_of_a_spreadsheet_set_to_decimal_commas(tmp_path):
    # A byte order mark, semicolons and commas for points: what spreadsheets of such a setting save (RFC 4180 has none).
    text = "\ufeff" + GOOD.replace(",", ";").replace(".", ",")
    layout = SettingsFolder(Path(__file__).parents[2] / "config").layout("decimal-comma")
    columns = read(tmp_path, text, layout).columns
    plain = read(tmp_path, GOOD).columns
    assert all(np.array_equal(columns[name], plain[name]) for name in ("time", "voltage_ab", "speed"))


def test_a_level_in_volts_is_high_above_its_threshold(tmp_path):
    text = "t,CH2\n0,0.17\n1,4.91\n2,2.49\n3,2.51\n4,0.2\n"
    for invert, unit, threshold in ((False, "V", 2.5), (True, "V", 2.5), (False, "mV", 2.5)):
        columns = {
            "time": LayoutColumn(column="t", unit="s"),
            "hall_a": LayoutColumn(column="CH2", unit=unit, threshold=threshold, invert=invert),
        }
        found = read(tmp_path, text, Layout(columns=columns)).columns["hall_a"]
        np.testing.assert_array_equal(found, np.array([0, 1, 0, 1, 0]) ^ invert)
    columns["hall_a"] = LayoutColumn(column="CH2", unit="V", threshold=2.5)
    (problem,) = refused(tmp_path, text.replace("4.91", "nan"), Layout(columns=columns))
    assert (problem.line, problem.column) == (3, "hall_a")
    with pytest.raises(ValueError, match="'threshold' belongs to a logic level"):
        Layout(columns={"speed": LayoutColumn(column="CH2", unit="V", threshold=2.5)})


@pytest.mark.parametrize("quote", ["", '"'])
def test_decimal_commas_are_told_once_with_the_number_of_rows(tmp_path, quote):
    rows = "".join(f"{quote}0,{n}{quote},{quote}4,5{quote},{quote}600,0{quote}\n" for n in range(1, 12))
    (problem,) = refused(tmp_path, GOOD.splitlines()[0] + "\n" + rows)
    assert problem.line == 2
    assert "comma" in problem.message
    assert problem.message.endswith("(11 such rows, up to line 12)")
    mixed = refused(tmp_path, GOOD.splitlines()[0] + "\n" + rows + "0.9,no,600\n")
    assert [p.line for p in mixed] == [2, 13]
