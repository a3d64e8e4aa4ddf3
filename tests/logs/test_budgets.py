"""Small files that ask for much, and readers that hang or fall, are refused by name, with what may be raised."""

from __future__ import annotations

import gzip
import os
import resource
import time

import h5py
import numpy as np
import pyarrow as pa
import pytest
import zstandard
from pyarrow import parquet

from rotorproof.errors import InputError
from rotorproof.logs import limits
from rotorproof.logs.apart import _limit, open_apart
from rotorproof.logs.chunks import Chunk, LogStream
from rotorproof.logs.table import open_log, read_table
from rotorproof.settings.layout import Layout
from rotorproof.settings.run import Limits

WANTED = ("time", "voltage_ab")
N = 4000
TIME = np.arange(N) / 1000


@pytest.fixture(autouse=True)
def default_limits():
    yield
    limits.use(Limits())


def read(path):
    return read_table(path, Layout(), WANTED, shown="U/log", time_ordered=True, minimum_rows=5).columns


def refused(path):
    with pytest.raises(InputError) as caught:
        read(path)
    return caught.value.problems


def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def hdf5(path, values, **kwargs):
    with h5py.File(path, "w") as file:
        file.create_dataset("time", data=TIME, **kwargs).attrs["units"] = "s"
        file.create_dataset("voltage_ab", data=values, **kwargs).attrs["units"] = "V"


def hdf5_bomb(path):
    # Never written, so that nothing is stored: 10 GB of the value that fills.
    with h5py.File(path, "w") as file:
        for name, unit in (("time", "s"), ("voltage_ab", "V")):
            item = file.create_dataset(name, shape=(625_000_000,), dtype="f8", chunks=(1_000_000,), compression="gzip")
            item.attrs["units"] = unit


def parquet_bomb(path):
    # A constant shrinks to nothing: 200 groups of a million rows.
    schema = pa.schema([("voltage_ab [V]", pa.float64())])
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        batch = pa.table({"voltage_ab [V]": np.zeros(1_000_000)})
        for _ in range(200):
            writer.write_table(batch)


def zstd_bomb(path):
    with path.open("wb") as stream, zstandard.ZstdCompressor().stream_writer(stream) as packed:
        packed.write(b"time [s],voltage_ab [V]\n")
        for _ in range(1000):
            packed.write(b"\n" * 1_000_000)


def gzip_bomb(path):
    with gzip.open(path, "wb") as packed:
        packed.write(b"time [s],voltage_ab [V]\n")
        for _ in range(200):
            packed.write(b"\n" * 1_000_000)


@pytest.mark.parametrize("make", [hdf5_bomb, parquet_bomb, zstd_bomb, gzip_bomb])
def test_a_small_file_that_unpacks_to_much_is_refused_before_it_does(tmp_path, make):
    path = tmp_path / "log"
    make(path)
    assert path.stat().st_size < 1_000_000
    before = peak_mb()
    problem = refused(path)[0]  # another may say that time stands still
    assert "unpacks to more than" in problem.message
    assert "unpacked_ratio" in problem.message
    assert peak_mb() - before < 400


def test_a_larger_ratio_lets_a_sound_file_through(tmp_path):
    values = pa.table({"time [s]": np.arange(3_000_000) / 1e6, "voltage_ab [V]": np.zeros(3_000_000)})
    parquet.write_table(values, tmp_path / "log", compression="zstd", use_dictionary=False)
    assert read(tmp_path / "log")["voltage_ab"].size == 3_000_000
    limits.use(Limits(unpacked_ratio=1))
    assert "over 1 times as much" in refused(tmp_path / "log")[0].message


def test_more_readings_than_may_be_held_are_refused(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time [s],voltage_ab [V]\n" + "".join(f"{k},1\n" for k in range(9000)))
    limits.use(Limits(readings=1e4))
    assert "'limits: {readings: ...}'" in refused(path)[0].message


# ----- A reader that hangs, falls, or asks for the whole memory


def opened(tmp_path, reader):
    path = tmp_path / "log"
    path.write_bytes(b"x")
    return open_apart(reader, path, Layout(), WANTED, "U/log")


def test_a_lower_limit_on_this_process_is_kept(tmp_path):
    def under_another(*arguments):
        before = resource.getrlimit(resource.RLIMIT_AS)
        assert before[1] < 1 << 40
        _limit(1 << 40, 100.0)
        assert resource.getrlimit(resource.RLIMIT_AS) == before
        return LogStream([], iter(()), [])

    assert opened(tmp_path, under_another).names == []


def test_a_reader_that_never_ends_is_stopped(tmp_path):
    def circle(*_):
        while True:
            pass

    limits.use(Limits(reading_seconds=1))
    with pytest.raises(InputError) as caught:
        opened(tmp_path, circle)
    assert "reading_seconds" in caught.value.problems[0].message


def test_a_reader_that_asks_for_the_memory_is_stopped(tmp_path):
    limits.use(Limits(reading_memory_mb=200))
    with pytest.raises(InputError) as caught:
        opened(tmp_path, lambda *_: np.ones(100_000_000))
    assert "reading_memory_mb" in caught.value.problems[0].message


def test_a_reader_that_falls_ends_no_other(tmp_path):
    with pytest.raises(InputError) as caught:
        opened(tmp_path, lambda *_: os.abort())
    assert "broke off" in caught.value.problems[0].message


def test_a_reader_that_falls_between_pieces_ends_no_other(tmp_path):
    def falls(*_):
        def chunks():
            yield Chunk({"time": np.arange(3.0)}, lambda _: None)
            os.abort()

        return LogStream(["time"], chunks())

    log = opened(tmp_path, falls)
    assert next(log.chunks).rows == 3
    with pytest.raises(InputError, match="broke off"):
        next(log.chunks)


def test_pieces_notes_lines_and_kinds_come_back_as_they_were(tmp_path):
    levels = np.array([0, 1, 1], dtype=np.int8)

    def reader(*_):
        chunk = Chunk({"time": np.array([0.1, 0.2, 0.3]), "hall_a": levels}, lambda row: row + 7)
        return LogStream(["time [s]", "hall_a [1]"], iter([chunk, Chunk({"time": np.empty(0)}, lambda _: None)]))

    log = opened(tmp_path, reader)
    assert log.names == ["time [s]", "hall_a [1]"]
    first, second = log.chunks
    assert first.columns["hall_a"].dtype == np.int8
    np.testing.assert_array_equal(first.columns["hall_a"], levels)
    np.testing.assert_array_equal(first.columns["time"], [0.1, 0.2, 0.3])
    assert (first.line(0), first.line(2)) == (7, 9)
    assert second.rows == 0


def test_a_log_that_is_not_read_to_its_end_leaves_no_process(tmp_path):
    hdf5(tmp_path / "log", TIME)
    others = _children()  # such as a process that other tests keep
    log = open_log(tmp_path / "log", Layout(), WANTED, shown="U/log")
    assert _children() == others + 1
    del log
    for _ in range(100):
        if _children() == others:
            return
        time.sleep(0.05)
    raise AssertionError("the reading process is still there")


def _children():
    with open(f"/proc/self/task/{os.getpid()}/children") as stream:  # noqa: PTH123
        return len(stream.read().split())


# ----- Checksums of the formats


def changed(path, values):
    """Change one bit of a reading where it is stored as it is; fails if it is not found."""
    content = bytearray(path.read_bytes())
    place = content.index(np.float64(values[1234]).tobytes())
    content[place + 3] ^= 0x10
    path.write_bytes(content)


@pytest.mark.parametrize("checked", [True, False])
def test_a_parquet_page_whose_checksum_is_wrong_is_refused(tmp_path, checked):
    values = np.random.default_rng(1).normal(size=N)
    table = pa.table({"time [s]": TIME, "voltage_ab [V]": values})
    path = tmp_path / "log"
    parquet.write_table(table, path, compression="none", use_dictionary=False, write_page_checksum=checked)
    assert read(path)["voltage_ab"].size == N
    changed(path, values)
    if checked:
        assert "Parquet" in refused(path)[0].message
    else:
        assert read(path)["voltage_ab"][1234] != values[1234], "what the check above stands against"


@pytest.mark.parametrize("checked", [True, False])
def test_a_chunk_of_hdf5_whose_checksum_is_wrong_is_refused(tmp_path, checked):
    values = np.random.default_rng(1).normal(size=N)
    path = tmp_path / "log"
    hdf5(path, values, chunks=(500,), fletcher32=checked)
    assert read(path)["voltage_ab"].size == N
    changed(path, values)
    if checked:
        assert "HDF5" in refused(path)[0].message
    else:
        assert read(path)["voltage_ab"][1234] != values[1234], "what the check above stands against"
