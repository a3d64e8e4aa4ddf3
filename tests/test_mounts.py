"""Which file systems are believed, told from a table as proc(5) shows it, and what is read where none is."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from rotorproof.contents import Contents
from rotorproof.mounts import Mounts

#: The first line is the example of proc(5); the others are in its form.
TABLE = r"""36 35 98:0 /mnt1 / rw,noatime master:1 - ext3 /dev/root rw,errors=continue
37 36 8:17 / /media/a\040card rw - vfat /dev/sdb1 rw
38 36 8:18 / /media/other rw shared:2 - exfat /dev/sdb2 rw
39 36 0:50 / /srv/lab rw - nfs4 server:/lab rw
40 36 0:60 / /data rw - btrfs /dev/sdc rw
41 36 0:61 / /remote rw - fuse.sshfs other: rw
"""


@pytest.mark.parametrize(
    ("path", "device", "kept"),
    [
        ("/raw/A", (98, 0), True),
        ("/media/a card/A", (8, 17), False),
        ("/media/other/A", (8, 18), False),
        ("/srv/lab/A", (0, 50), False),
        ("/remote/A", (0, 61), False),
        # Devices that the table does not name: then the place tells.
        ("/data/part/A", (0, 99), True),
        ("/media/a card/A", (0, 99), False),
        ("/datafile", (0, 99), True),
    ],
)
def test_a_place_is_known_by_its_device_or_else_by_where_it_is_mounted(
    path: str, device: tuple[int, int], kept: bool
) -> None:
    assert Mounts(TABLE).keep_changes(path, os.makedev(*device)) is kept


def test_what_cannot_be_told_is_not_believed() -> None:
    for text in ("", "x", "36 35 98:0 / / rw", "36 35 98 / / rw - ext4 /dev/root rw"):
        assert not Mounts(text).keep_changes("/raw/A", os.makedev(98, 0))


def test_a_log_is_read_again_where_no_time_of_change_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log, note = tmp_path / "one.csv", tmp_path / "contents.json"
    log.write_text("1,2")
    first = Contents(note)
    before = first.sha256(log)
    first.note()
    # What a card would state: nothing of the entry tells that it was written.
    stated, really = log.stat(), Path.stat
    monkeypatch.setattr(Path, "stat", lambda path, **options: stated if path == log else really(path, **options))
    log.write_text("1,3")
    assert Contents(note).sha256(log) == before
    assert first.untouched()
    monkeypatch.setattr("rotorproof.mounts._TABLE", tmp_path / "none")
    card = Contents(note)
    assert card.sha256(log) != before
    log.write_text("1,4")
    assert not card.untouched()
