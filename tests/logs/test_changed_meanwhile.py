"""A log that is replaced during a run: its readings must not pass for those of the log that the run went by."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from read import main
from rotorproof.contents import Contents
from rotorproof.errors import InputError
from rotorproof.logs import unit_logs

LOG = b"time [s],voltage [V]\n0,1\n1,2\n"


def read(folder: Path, stamp: str) -> Path:
    made = folder / "readings.npz"
    test = {"procedure": "winding-resistance", "log": "a.csv", "layout": "plain"}
    main(unit="A-1", folder=folder, tests=[test], layouts={"plain": {}}, readings=made, stamps={"a.csv": stamp})
    return made


def test_the_log_the_run_went_by_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(LOG)
    assert read(tmp_path, hashlib.sha256(LOG).hexdigest()).is_file()


def test_another_one_in_its_place_is_not(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(LOG)
    with pytest.raises(InputError, match=r"A-1/a\.csv: .*changed while it was read; run the same command again"):
        read(tmp_path, hashlib.sha256(LOG + b"2,3\n").hexdigest())
    assert not (tmp_path / "readings.npz").exists()


def test_one_that_is_written_while_it_is_read_is_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(LOG)
    honest = unit_logs._read

    def replaced(*given: object) -> object:
        stat = path.stat()
        path.write_bytes(LOG.replace(b"2", b"3"))
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
        return honest(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(unit_logs, "_read", replaced)
    with pytest.raises(InputError, match="changed while it was read"):
        read(tmp_path, hashlib.sha256(LOG).hexdigest())


def test_a_log_that_was_another_one_for_a_while_is_not_untouched(tmp_path: Path) -> None:
    """Put back with its content and times, it still has a later change of its entry."""
    path = tmp_path / "a.csv"
    path.write_bytes(LOG)
    contents = Contents(tmp_path / "note.json")
    contents.sha256(path)
    assert contents.untouched()
    stat = path.stat()
    path.write_bytes(LOG.replace(b"2", b"3"))
    path.write_bytes(LOG)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert not contents.untouched()
    path.unlink()
    assert not contents.untouched()
