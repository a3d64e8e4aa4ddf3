"""Settings drawn key by key, and tables written in every format: used as they are, or named; nothing else."""

from __future__ import annotations

import datetime
import gzip
import io
import math
import wave

import numpy as np
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rotorproof.errors import InputError
from rotorproof.logs.table import read_table
from rotorproof.settings.folder import SettingsFolder
from rotorproof.settings.layout import BUILTIN, Layout, LayoutColumn
from rotorproof.settings.load import load_settings, load_unit
from rotorproof.settings.schemas import MODELS
from rotorproof.units import Measured

from .bench import Bench
from .grammar import Drawn, words

FAST = settings(
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
#: Where each settings file lies, and what loads it.
FILES = {
    "unit": ("raw/BAD/unit.yaml", lambda root: load_unit(root / "raw/BAD", _config(root), "BAD/unit.yaml")),
    "acceptance": ("config/acceptance/own.yaml", lambda root: _config(root).acceptance("own")),
    "layout": ("config/layouts/own.yaml", lambda root: _config(root).layout("own")),
    "instrument": ("config/instruments/own.yaml", lambda root: _config(root).instrument("own")),
    "process": ("config/processes/own.yaml", lambda root: _config(root).process("own")),
    "config": ("config/config.yaml", lambda root: load_settings(root / "config/config.yaml")),
}


def _config(root):
    return SettingsFolder(root / "config")


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    bench = Bench(tmp_path_factory.mktemp("grammar")).build()
    for name in ("instruments", "processes"):
        (bench.root / "config" / name).mkdir()
    return bench.root


def _numbers(thing):
    """Yield every number of a model, however deep."""
    if isinstance(thing, Measured):
        yield from (thing.value, thing.standard_uncertainty or 0.0)
    elif isinstance(thing, dict):
        for value in thing.values():
            yield from _numbers(value)
    elif isinstance(thing, list | tuple):
        for value in thing:
            yield from _numbers(value)
    elif isinstance(thing, float):
        yield thing
    elif hasattr(thing, "__dict__") and not isinstance(thing, type | datetime.date):
        yield from _numbers(vars(thing))


def test_every_file_that_a_person_writes_is_drawn():
    assert {*FILES, "results", "comparison"} == set(MODELS), "a new kind of settings file is to be drawn here too"


@pytest.mark.slow
@pytest.mark.parametrize("kind", FILES)
def test_a_settings_file_of_any_keys_is_used_or_named(kind, root):
    place, load = FILES[kind]
    drawn = Drawn(MODELS[kind].model_json_schema(by_alias=True), words())
    sound = (root / place).read_bytes() if (root / place).is_file() else None
    used = 0

    @settings(FAST, max_examples=400)
    @given(st.data())
    def try_it(data):
        nonlocal used
        (root / place).write_text(yaml.safe_dump(drawn.document(data.draw), allow_unicode=True), encoding="utf-8")
        try:
            found = load(root)
        except InputError as error:
            for problem in error.problems:
                assert problem.file is not None
                assert 10 < len(problem.message) < 1500, problem
                assert "did not foresee" not in problem.message
        else:
            used += 1
            assert all(math.isfinite(number) for number in _numbers(found))

    try:
        try_it()
    finally:
        if sound is None:
            (root / place).unlink()
        else:
            (root / place).write_bytes(sound)
    assert drawn.keys <= drawn.seen, drawn.keys - drawn.seen
    assert used, "nothing that was drawn could be used"


#: Names and units of columns, and the factor to SI; ``None`` where the unit is none for such a column.
_HEADS = (
    ("time", "s", 1.0),
    ("time", "ms", 1e-3),
    ("voltage_ab", "V", 1.0),
    ("voltage_ab", "mV", 1e-3),
    ("voltage_ab", "A", None),
    ("current_ab", "A", 1.0),
    ("current_ab", "kA", 1e3),
    ("current_ab", "", None),
    ("note", "", 1.0),
)
_CELLS = st.one_of(
    st.integers(-999, 999).map(float),
    st.floats(-1e6, 1e6, width=32),
    st.sampled_from([0.0, -0.0, 1e300, -1e300, 9.9e37, math.nan, math.inf, 1e-300]),
)
_WANTED = ("time", "voltage_ab", "current_ab")


@st.composite
def tables(draw):
    """Draw heads of columns and their readings; the time mostly rises."""
    heads = draw(st.lists(st.sampled_from(_HEADS), min_size=1, max_size=4, unique_by=lambda head: head[0]))
    rows = draw(st.integers(2, 12))
    sound = st.integers(-999, 999).map(float)
    columns = []
    for name, _, _ in heads:
        if name == "time" and draw(st.integers(0, 4)):
            columns.append([float(k) for k in range(rows)])
        else:
            cells = _CELLS if draw(st.integers(0, 3)) == 0 else sound
            columns.append(draw(st.lists(cells, min_size=rows, max_size=rows)))
    return heads, columns


def _named(heads):
    return [f"{name} [{unit}]" if unit else name for name, unit, _ in heads]


def _text(heads, columns, path):
    lines = [",".join(_named(heads)), *(",".join(map(repr, row)) for row in zip(*columns, strict=True))]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _gzip(heads, columns, path):
    _text(heads, columns, path)
    path.write_bytes(gzip.compress(path.read_bytes()))


def _zstandard(heads, columns, path):
    import zstandard

    _text(heads, columns, path)
    path.write_bytes(zstandard.ZstdCompressor().compress(path.read_bytes()))


def _utf16(heads, columns, path):
    _text(heads, columns, path)
    path.write_bytes(path.read_text(encoding="utf-8").encode("utf-16"))


def _parquet(heads, columns, path):
    import pyarrow as pa
    from pyarrow import parquet

    parquet.write_table(pa.table(dict(zip(_named(heads), columns, strict=True))), path)


def _hdf5(heads, columns, path):
    import h5py

    with h5py.File(path, "w") as file:
        for (name, unit, _), cells in zip(heads, columns, strict=True):
            file.create_dataset(name, data=np.array(cells)).attrs["units"] = unit


def _excel(heads, columns, path):
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(_named(heads))
    for row in zip(*columns, strict=True):
        book.active.append([cell if math.isfinite(cell) else str(cell) for cell in row])
    book.save(path)


def _tdms(heads, columns, path):
    import nptdms

    with nptdms.TdmsWriter(path) as writer:
        writer.write_segment(
            [
                nptdms.ChannelObject("r", name, np.array(cells), {"unit_string": unit})
                for (name, unit, _), cells in zip(heads, columns, strict=True)
            ]
        )


def _mdf(version):
    def write(heads, columns, path):
        import asammdf

        file = asammdf.MDF(version=version)
        times = np.arange(len(columns[0]), dtype=float)
        signals = [
            asammdf.Signal(samples=np.array(cells), timestamps=times, name=name, unit=unit or "1")
            for (name, unit, _), cells in zip(heads, columns, strict=True)
            if name != "time"
        ]
        if signals:
            file.append(signals)
        saved = file.save(path.with_suffix(".mdf"), overwrite=True)
        file.close()
        saved.rename(path)

    return write


WRITERS = {
    "text": _text,
    "text, gzip": _gzip,
    "text, Zstandard": _zstandard,
    "text, UTF-16": _utf16,
    "Parquet": _parquet,
    "HDF5": _hdf5,
    "Excel workbook": _excel,
    "TDMS": _tdms,
    "MDF 4": _mdf("4.10"),
    "MDF 3": _mdf("3.30"),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", WRITERS)
def test_a_table_in_any_format_gives_its_own_numbers_or_is_named(name, tmp_path):
    path = tmp_path / "log"
    read = 0

    @settings(FAST, max_examples=100 if name.startswith("text") else 30)
    @given(tables())
    def try_it(table):
        nonlocal read
        heads, columns = table
        WRITERS[name](heads, columns, path)
        layout = BUILTIN["auto" if "UTF" in name else "plain"]
        try:
            found = read_table(path, layout, _WANTED, shown="U/log", time_ordered=True, minimum_rows=2).columns
        except InputError as error:
            assert all(problem.file == "U/log" and 10 < len(problem.message) < 700 for problem in error.problems)
            return
        read += bool(found)
        true = {head[0]: (head, cells) for head, cells in zip(heads, columns, strict=True)}
        for column, values in found.items():
            if column == "time" and (name.startswith("MDF") or "time" not in true):
                continue  # these formats have times of their own
            (_, _, factor), cells = true[column]
            assert factor is not None, f"a unit that is none of {column} was taken"
            np.testing.assert_allclose(values, np.array(cells) * factor, rtol=1e-12, atol=0)
            assert np.isfinite(values).all()

    try_it()
    assert read, "no table that was drawn could be read"


@pytest.mark.slow
@settings(FAST, max_examples=60)
@given(
    samples=st.lists(st.integers(-(2**15), 2**15 - 1), min_size=2, max_size=30),
    rate=st.integers(1, 2**31 - 1),
    scale=st.sampled_from([1.0, -10.0, 1e-3, 1e300]),
)
def test_a_wav_file_gives_its_samples_times_the_scale_or_is_named(tmp_path, samples, rate, scale):
    stream = io.BytesIO()
    with wave.open(stream, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(np.array(samples, dtype="<i2").tobytes())
    path = tmp_path / "log"
    path.write_bytes(stream.getvalue())
    layout = Layout(columns={"voltage_ab": LayoutColumn(column=1, unit="V", scale=scale)})
    try:
        found = read_table(path, layout, ("time", "voltage_ab"), shown="U/log", time_ordered=True, minimum_rows=2)
    except InputError as error:
        assert all(problem.file == "U/log" for problem in error.problems)
        return
    # A sample is a share of full scale, 2^15 (RIFF WAVE, 16 bits).
    np.testing.assert_allclose(found.columns["voltage_ab"], np.array(samples) / 2**15 * scale, rtol=1e-12)
    np.testing.assert_allclose(found.columns["time"], np.arange(len(samples)) / rate, rtol=1e-12)


@pytest.mark.slow
@settings(FAST, max_examples=100)
@given(
    steps=st.lists(st.tuples(st.integers(-1, 500), st.sampled_from("01xz?")), min_size=1, max_size=20),
    step=st.sampled_from(["1 ns", "10 us", "100ps", "7 ns", "1 week", "s"]),
)
def test_a_dump_of_logic_levels_gives_its_own_levels_or_is_named(tmp_path, steps, step):
    lines = [f"$timescale {step} $end", "$var wire 1 ! gate_ah $end", "$enddefinitions $end", "#0", "0!"]
    now = 0
    for later, level in steps:
        now += later
        lines += [f"#{now}", f"{level}!"]
    path = tmp_path / "log"
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    try:
        found = read_table(
            path, BUILTIN["plain"], ("time", "gate_ah"), shown="U/log", time_ordered=True, minimum_rows=2
        )
    except InputError as error:
        assert all(problem.file == "U/log" and 10 < len(problem.message) < 700 for problem in error.problems)
        return
    assert {level for _, level in steps} <= {"0", "1"}
    assert step not in ("7 ns", "1 week", "s")
    assert set(found.columns["gate_ah"]) <= {0.0, 1.0}
    assert found.columns["gate_ah"][-1] == float(steps[-1][1])
