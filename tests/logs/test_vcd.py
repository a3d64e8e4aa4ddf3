"""Value change dumps against pyvcd (an independent reader and writer) and IEEE Std 1364-2005, clause 18."""

from __future__ import annotations

import gzip
import io
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize

from rotorproof.errors import InputError
from rotorproof.logs.table import read_table
from rotorproof.logs.vcd import levels
from rotorproof.settings.layout import Layout

NAMES = ("gate_ah", "gate_al", "hall_a")


def _pieces(data: bytes, size: int) -> Iterator[bytes]:
    return (data[i : i + size] for i in range(0, len(data), size))


def _read(
    data: bytes, size: int = 1 << 20, layout: Layout | None = None, names: tuple[str, ...] = NAMES
) -> dict[str, np.ndarray]:
    blocks = list(levels(_pieces(data, size), layout or Layout(), names, "U1/a.vcd")[1])
    return {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}


def _independent(data: bytes) -> list[tuple[float, tuple[int, ...]]]:
    """Return the states at each time by walking pyvcd's tokens one by one."""
    codes: dict[str, str] = {}
    state: dict[str, int] = {}
    rows: dict[int, tuple[int, ...]] = {}
    now, tick = 0, 0.0
    for token in tokenize(io.BytesIO(data)):
        if token.kind is TokenKind.TIMESCALE:
            tick = token.timescale.magnitude * {"ns": 1e-9, "us": 1e-6}[token.timescale.unit.value]
        elif token.kind is TokenKind.VAR:
            codes[token.var.id_code] = token.var.reference
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR and codes[token.scalar_change.id_code] in NAMES:
            state[codes[token.scalar_change.id_code]] = int(token.scalar_change.value)
        if len(state) == len(NAMES):
            rows[now] = tuple(state[name] for name in NAMES)
    return [(time * tick, row) for time, row in sorted(rows.items())]


def _write(changes: list[tuple[int, int, int]], extra: int) -> bytes:
    stream = io.StringIO()
    with VCDWriter(stream, timescale="10 ns", date="today", comment="invented, with 1! inside") as writer:
        variables = [writer.register_var("top.bridge", name, "wire", size=1, init=0) for name in NAMES]
        # More variables than one-character codes, a vector and a real one between the wanted changes.
        others = [writer.register_var("top", f"other{n}", "wire", size=1, init=0) for n in range(extra)]
        bus = writer.register_var("top", "bus", "wire", size=4, init=0)
        real = writer.register_var("top", "level", "real", init=0.0)
        time = 0
        for n, (step, which, level) in enumerate(changes):
            time += step
            writer.change(variables[which], time, level)
            if n % 3 == 0:
                writer.change(bus, time, n % 16)
                writer.change(real, time, 0.5 * n)
                if others:
                    writer.change(others[n % extra], time, n % 2)
    return stream.getvalue().encode()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 2), st.integers(0, 1)), min_size=1, max_size=60),
    st.sampled_from([0, 5, 120]),
    st.sampled_from([7, 64, 1 << 20]),
)
def test_same_states_as_an_independent_reader(changes: list[tuple[int, int, int]], extra: int, size: int) -> None:
    data = _write(changes, extra)
    found = _read(data, size)
    expected = dict(_independent(data))
    # Ours may hold rows where nothing wanted changed; the state at every time must be the same.
    times = np.array(list(expected))
    place = np.searchsorted(found["time"], times * (1 + 1e-12), side="right") - 1
    assert np.all(np.diff(found["time"]) > 0)
    for column, name in enumerate(NAMES):
        assert found[name][place].tolist() == [row[column] for row in expected.values()]
    assert found["time"][-1] == pytest.approx(times[-1])


HEAD = """$date today $end
$timescale 1 us $end
$scope module top $end
$var wire 1 b gate_ah $end
$var wire 1 # gate_al $end
$var wire 1 10 hall_a $end
$upscope $end
$enddefinitions $end
"""


def test_codes_may_look_like_values_and_vectors() -> None:
    # 18.2.1: an identifier code is made of any printable characters, "b", "#" and "10" among them; a vector value
    # and its code are two words, and a vector may have one bit.
    body = "#0\n$dumpvars\nb0 b\n0#\n010\n$end\n#5\nb1 b\n#7\n1#\n110\n$comment 0b stays 0# $end\n#9\n"
    found = _read((HEAD + body).encode())
    assert found["time"].tolist() == pytest.approx([0, 5e-6, 7e-6, 9e-6])
    assert found["gate_ah"].tolist() == [0, 1, 1, 1]
    assert found["gate_al"].tolist() == [0, 0, 1, 1]
    assert found["hall_a"].tolist() == [0, 0, 1, 1]


def test_changes_may_share_a_line_with_their_time() -> None:
    # 18.2.1: the words of a dump are separated by white space of any kind.
    found = _read((HEAD + "#0 0b 0# 010\r\n#5\t1b 1#\r\n#9").encode())
    assert found["time"].tolist() == pytest.approx([0, 5e-6, 9e-6])
    assert found["gate_al"].tolist() == [0, 1, 1]


def test_layout_names_and_inverts_channels() -> None:
    layout = Layout.model_validate(
        {
            "columns": {
                "gate_bh": {"column": "gate_ah", "unit": "1", "invert": True},
                "hall_c": {"column": "top.hall_a", "unit": "1"},
            }
        }
    )
    body = "#0\n0b\n0#\n010\n#5\n1b\n#9\n"
    found = _read((HEAD + body).encode(), layout=layout, names=("gate_bh", "hall_c"))
    assert found["gate_bh"].tolist() == [1, 0, 0]
    assert found["hall_c"].tolist() == [0, 0, 0]


@pytest.mark.parametrize(
    ("data", "words", "line"),
    [
        (b"time,gate\n1,2\n", "no value change dump", None),
        ((HEAD + "#0\n0b\n0#\n010\n#5\nxb\n#9\n").encode(), "unknown", None),
        ((HEAD + "#0\n0b\n0#\n010\n#5\n1b\n#4\n0b\n").encode(), "backwards", 15),
        ((HEAD + "#0\n0b\n0#\n010\n#5\n7b\n").encode(), "no value change", 14),
        ((HEAD + "#0\n0b\n0#\n010\n#5e3\n1b\n").encode(), "digits", 13),
        ((HEAD + "#0\n0b\n0#\n").encode(), "never gives a level for hall_a", None),
        (HEAD.replace("1 us", "fast").encode() + b"#0\n", "timescale", None),
        (HEAD.replace("wire 1 b", "wire 8 b").encode() + b"#0\n", "8 bits wide", None),
    ],
)
def test_what_cannot_be_used_is_named(data: bytes, words: str, line: int | None) -> None:
    with pytest.raises(InputError) as caught:
        _read(data)
    problem = caught.value.problems[0]
    assert words in problem.message
    assert problem.file == "U1/a.vcd"
    if line is not None:
        assert problem.line == line


def test_a_channel_that_lacks_is_left_to_the_caller() -> None:
    found = _read((HEAD.replace("gate_ah", "gate_zz") + "#0\n0b\n0#\n010\n#1\n").encode())
    assert set(found) == {"time", "gate_al", "hall_a"}


def test_packed_dump_is_recognised_by_its_content(tmp_path: Path) -> None:
    (tmp_path / "a.log").write_bytes(gzip.compress((HEAD + "#0\n0b\n0#\n010\n#5\n1b\n#9\n").encode()))
    found = read_table(
        tmp_path / "a.log", Layout(), ["time", *NAMES], shown="U1/a.log", time_ordered=True, minimum_rows=2
    )
    assert found.columns["gate_ah"].tolist() == [0, 1, 1]
    assert found.columns["time"].dtype == float


def test_memory_stays_flat(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)

    def peak(count: int) -> int:
        times = np.cumsum(rng.integers(1, 40, count))
        which, level = rng.integers(0, 3, count), rng.integers(0, 2, count)
        codes = ("b", "#", "10")
        body = "".join(
            f"#{t}\n{v}{codes[w]}\n" for t, w, v in zip(times.tolist(), which.tolist(), level.tolist(), strict=True)
        )
        data = (HEAD + "#0\n0b\n0#\n010\n" + body).encode()
        tracemalloc.start()
        rows = sum(block["time"].size for block in levels(_pieces(data, 1 << 18), Layout(), NAMES, "U1/a.vcd")[1])
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert rows == count + 1
        return found

    small, large = peak(60_000), peak(360_000)
    assert large < 1.3 * small
