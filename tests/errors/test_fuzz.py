"""Spoiled logs and unit files by the thousand: no traceback, hang or silent wrong number, no harm to another unit.

What a log may hold after spoiling is judged by a reader of its own here, on Python's ``csv`` and ``float`` alone: where
the product gives numbers, they must be those numbers. The examples are the same in every run (``derandomize``).
"""

from __future__ import annotations

import csv
import datetime
import math
import re

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rotorproof.columns import COLUMNS
from rotorproof.errors import InputError
from rotorproof.logs.table import read_table
from rotorproof.settings.layout import BUILTIN
from rotorproof.settings.load import load_project, load_settings
from rotorproof.uncertainty.accuracy import parse_accuracy
from rotorproof.uncertainty.specification import parse_specification
from rotorproof.units import SI_UNIT, beyond, parse
from tests.fuzz.classes import WORDS

from .bench import UNIT, Bench, log_text, process

TIMED = "time [s],voltage_ab [mV],current_ab [A],note\n" + "".join(f"{k / 8},{k * 12.5},{k}.25,ok\n" for k in range(12))
#: Base unit of each column, and the SI prefixes (SI Brochure, table 7) that a spoiled header may come to hold.
BASE = {"time": "s", "voltage_ab": "V", "current_ab": "A"}
PREFIXES = {
    "": 0,
    "da": 1,
    "h": 2,
    "k": 3,
    "M": 6,
    "G": 9,
    "T": 12,
    "P": 15,
    "E": 18,
    "Z": 21,
    "Y": 24,
    "R": 27,
    "Q": 30,
}
PREFIXES |= {"d": -1, "c": -2, "m": -3, "u": -6, "µ": -6, "n": -9, "p": -12, "f": -15, "a": -18, "z": -21, "y": -24}
WANTED = ("time", "voltage_ab", "current_ab")

PIECES = [
    *(
        b",",
        b";",
        b"\t",
        b"\n",
        b"\r",
        b"\r\n",
        b"#",
        b'"',
        b"'",
        b".",
        b"-",
        b"+",
        b"e",
        b"E9",
        b"0",
        b"7",
        b" ",
        b"_",
    ),
    *(b"nan", b"inf", b"-", b"1e999", b"0x1F", b"\0", b"\xff", b"\xef\xbb\xbf", b"\xff\xfe", "°".encode("latin-1")),
    *(
        "µ".encode(),
        "٣".encode(),
        b"[V]",
        b"[mV]",
        b"[A]",
        b"[]",
        b"[",
        b"]",
        b"time",
        b"voltage_ab [V]",
        b"1,5",
        b"1.234,5",
    ),
    *(
        b"\x1f\x8b",
        b"PK\x03\x04",
        b"PAR1",
        b"RIFF",
        b"$date",
        b"true",
        b"None",
        b"\x1a",
        b"\x0b",
        b"\x85",
        "\u2028".encode(),
    ),
]
place = st.floats(0, 1)
piece = st.one_of(st.sampled_from(PIECES), st.binary(min_size=1, max_size=4))
change = st.tuples(
    st.sampled_from(["insert", "replace", "delete", "copy line", "drop line", "cut", "swap"]), place, place, piece
)
FAST = settings(
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def spoiled(content, changes):
    for kind, a, b, new in changes:
        i, j = sorted((int(a * len(content)), int(b * len(content))))
        lines = content.split(b"\n")
        line = int(a * (len(lines) - 1))
        if kind == "insert":
            content = content[:i] + new + content[i:]
        elif kind == "replace":
            content = content[:i] + new + content[i + len(new) :]
        elif kind == "delete":
            content = content[:i] + content[min(j, i + 6) :]
        elif kind == "copy line":
            content = b"\n".join([*lines[: line + 1], *lines[line:]])
        elif kind == "drop line":
            content = b"\n".join([*lines[:line], *lines[line + 1 :]])
        elif kind == "cut":
            content = content[: max(i, 1)]
        elif kind == "swap" and len(content) > i + 1:
            content = content[:i] + content[i + 1 : i + 2] + content[i : i + 1] + content[i + 2 :]
    return content


def scale(column, unit):
    """Return SI per written unit; ``KeyError`` for what is no prefixed SI unit."""
    assert unit.endswith(BASE[column]), f"{unit!r} was taken for a unit of {column}"
    return 10.0 ** PREFIXES[unit.removesuffix(BASE[column])]


def judged(content):
    """Read a plain log the slow way; raise ``ValueError`` where the plain layout does not allow it."""
    text = content.decode("utf-8-sig")
    if "\n" not in text:
        text = text.replace("\r", "\n")
    rows = [line.strip("\r") for line in text.split("\n")]
    rows = [row for row in rows if row.strip() and not row.strip().startswith("#")]
    table = [[cell.strip() for cell in next(csv.reader([row], strict=True))] for row in rows]
    header, body = table[0], table[1:]
    if body and len(body[0]) == len(header) + 1 and body[0][-1] == "":
        header = [*header, ""]
    if any(len(row) != len(header) for row in body):
        raise ValueError("ragged")
    columns = {}
    for position, cell in enumerate(header):
        match = re.fullmatch(r"(\w+)\s*\[([^\]]*)\]", cell, re.ASCII)
        if match and match[1] in WANTED:
            if match[1] in columns:
                raise ValueError("twice")
            factor = scale(match[1], match[2].strip())
            columns[match[1]] = np.array([float(row[position]) for row in body]) * factor
    if any(not math.isfinite(value) for values in columns.values() for value in values):
        raise ValueError("not finite")
    if "time" in columns and np.any(np.diff(columns["time"]) <= 0):
        raise ValueError("time")
    return columns


@pytest.mark.slow
@settings(FAST, max_examples=2500)
@given(st.lists(change, min_size=1, max_size=5))
def test_a_spoiled_log_gives_its_own_numbers_or_a_named_problem(tmp_path, changes):
    content = spoiled(TIMED.encode(), changes)
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    try:
        found = read_table(path, BUILTIN["plain"], WANTED, shown="U/log.csv", time_ordered=True, minimum_rows=2)
    except InputError as error:
        for problem in error.problems:
            assert problem.file == "U/log.csv"
            assert 10 < len(problem.message) < 600
            assert problem.line is None or 1 <= problem.line <= content.count(b"\n") + content.count(b"\r") + 1
        return
    if not found.columns:
        return  # the header names nothing of use: the procedure then asks for its columns
    expected = judged(content)
    assert set(found.columns) == set(expected)
    for name, values in expected.items():
        np.testing.assert_allclose(found.columns[name], values, rtol=1e-14, atol=0)


@pytest.mark.slow
@settings(FAST, max_examples=1500)
@given(st.lists(change, min_size=0, max_size=4), st.sampled_from([",", ";", "\t", "|"]), st.booleans())
def test_a_spoiled_log_of_unknown_dialect(tmp_path, changes, delimiter, decimal_comma):
    text = TIMED.replace(",", delimiter)
    comma = decimal_comma and delimiter != ","
    text = text.replace(".", ",") if comma else text
    path = tmp_path / "log.csv"
    content = spoiled(text.encode(), changes)
    path.write_bytes(content)
    try:
        found = read_table(path, BUILTIN["auto"], WANTED, shown="U/log.csv", time_ordered=True, minimum_rows=2)
    except InputError as error:
        assert all(problem.file == "U/log.csv" for problem in error.problems)
        assert changes, "a sound log was refused"
        return
    assert len(found.notes) <= 1
    if not changes:
        np.testing.assert_allclose(found.columns["voltage_ab"], np.arange(12) * 12.5e-3)
    # Every number given is one that stands in the file, up to the power of ten that its unit makes.
    cells = {cell for mark in (rb"[;|\t\n\r]", rb"[;|\t\n\r,]") for cell in re.split(mark, content)}
    numbers = {float(cell.replace(b",", b".").strip(b' "')) for cell in cells if _is(cell.strip(b' "'))}
    for name, values in found.columns.items():
        for value in values:
            assert any(_near(value / factor, numbers) for factor in (1.0, 1e-3)), (name, value)


def _is(cell):
    try:
        float(cell.replace(b",", b"."))
    except ValueError:
        return False
    return True


def _near(value, numbers):
    return any(math.isclose(value, number, rel_tol=1e-12, abs_tol=1e-300) for number in numbers)


YAML_PIECES = [
    *(
        b"[",
        b"]",
        b"{",
        b"}",
        b": ",
        b"- ",
        b"&a ",
        b"*a",
        b"!!python/object ",
        b"!x ",
        b"|",
        b">",
        b"%",
        b"@",
        b"`",
        b"?",
        b"~",
    ),
    *(
        b"null",
        b"true",
        b"1e400",
        b".nan",
        b"-1",
        b"0",
        b"36",
        b"V",
        b"percent",
        b"+/-",
        b"2026-02-30",
        b"../",
        b"/etc/passwd",
    ),
    *(
        b"\t",
        b"\n",
        b"\n  ",
        b"#",
        b'"',
        b"'",
        b"\0",
        b"\xff",
        b"winding-resistance",
        b"insulation-resistance",
        b"<<: ",
        b"log",
    ),
    *(
        b"99999999999999999999",
        b"0x1F",
        b"1_000",
        b"12:30:45",
        b"\xe2\x80\xa8",
        b"unit: GOOD",
        b"tests: []",
        b"kind: drive",
    ),
]
yaml_piece = st.one_of(st.sampled_from(YAML_PIECES), st.binary(min_size=1, max_size=4))
yaml_change = st.tuples(
    st.sampled_from(["insert", "replace", "delete", "copy line", "drop line", "cut", "swap"]), place, place, yaml_piece
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return Bench(tmp_path_factory.mktemp("fuzz")).build()


@pytest.fixture(scope="module")
def untouched(bench):
    return process(bench.root).results["GOOD"]


@pytest.mark.slow
@settings(FAST, max_examples=1500)
@given(changes=st.lists(yaml_change, min_size=1, max_size=4))
def test_a_spoiled_unit_file_is_used_or_named(bench, changes):
    (bench.bad / "unit.yaml").write_bytes(spoiled(UNIT.replace("NAME", "BAD").encode(), changes))
    project = load_project(load_settings(bench.root / "config/config.yaml"), bench.root / "config", bench.root)
    assert "GOOD" in project.units
    assert ("BAD" in project.units) != ("BAD" in project.refused)
    for problem in project.refused.get("BAD", []):
        assert problem.file in ("BAD/unit.yaml", "config/acceptance/small.yaml", "config/layouts/logger.yaml")
        assert 10 < len(problem.message) < 1200
    if "BAD" in project.units:
        file = project.units["BAD"].file
        assert file.unit == "BAD"
        assert file.tested_on is None or isinstance(file.tested_on, datetime.date)
        for test in file.tests:
            assert (bench.bad / test.log).resolve().is_relative_to(bench.bad.resolve())


@pytest.mark.slow
@settings(FAST, max_examples=200)
@given(
    st.lists(yaml_change, min_size=0, max_size=1),
    st.lists(change, min_size=0, max_size=2),
)
def test_whatever_happens_to_one_unit_the_other_keeps_its_results(bench, untouched, in_file, in_log):
    (bench.bad / "unit.yaml").write_bytes(spoiled(UNIT.replace("NAME", "BAD").encode(), in_file))
    (bench.bad / "steps.csv").write_bytes(spoiled(log_text().encode(), in_log))
    outcome = process(bench.root)
    assert outcome.results["GOOD"] == untouched
    for problem in outcome.problems["BAD"]:
        assert "did not foresee" not in problem["message"], problem
    for quantity in outcome.results.get("BAD", {}).get("quantities", {}).values():
        assert math.isfinite(quantity["value"])
        assert math.isfinite(quantity["standard_uncertainty"])


HOSTILE_WORDS = st.tuples(st.sampled_from(WORDS), st.sampled_from([1, 1, 1, 2, 50, 20_000]))


@pytest.mark.slow
@settings(FAST, max_examples=3000)
@given(
    head=st.sampled_from(["", "36 ", "-1e3 ", "0.05 % + "]),
    words=st.lists(HOSTILE_WORDS, max_size=8),
    blank=st.sampled_from(["", " "]),
    kind=st.sampled_from(sorted(SI_UNIT)),
)
def test_a_text_with_a_unit_is_a_value_its_kind_can_have_or_is_named(head, words, blank, kind):
    text = head + blank.join(word * times for word, times in words)
    for read in (parse, parse_accuracy, parse_specification):
        try:
            found = read(text, kind)
        except ValueError as error:
            assert 5 < len(str(error)) < 700
            continue
        if read is parse:
            assert beyond(found.value, kind) is None
            assert math.isfinite(found.value)
        elif read is parse_accuracy:
            assert 0 <= found.relative < math.inf
            assert 0 <= found.fixed < math.inf


def test_the_judges_units_are_those_of_the_columns():
    assert {name: SI_UNIT[COLUMNS[name].kind] for name in BASE} == BASE
