"""A folder that carries its own hashes: BagIt 1.0 (RFC 8493) with SHA-256.

Stricter than the standard asks: the tag files have exactly one valid form, so that any changed byte is found,
also one in the hashes themselves that other readers would take for a matter of spelling.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path

from ..errors import InputError, Problem
from ..files import sha256

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_MANIFEST = "manifest-sha256.txt"
_TAG_MANIFEST = "tagmanifest-sha256.txt"
_TAGS = ("bag-info.txt", "bagit.txt", _MANIFEST)
_LINE = re.compile(r"([0-9a-f]{64})  ([^\r\n]+)\n")


def payload(folder: Path) -> list[str]:
    """Return the paths of all files under ``data``, relative to ``folder``, sorted."""
    return [name for name in _entries(folder)[0] if name.startswith("data/")]


def _entries(folder: Path) -> tuple[list[str], list[str]]:
    """Return every file, and every folder that holds nothing, by its path in ``folder``; no link is followed."""
    files: list[str] = []
    empty: list[str] = []
    for place, folders, names in os.walk(folder):
        # A link to a folder is listed as a folder, and not gone into.
        links = [name for name in folders if (Path(place) / name).is_symlink()]
        files += [(Path(place) / name).relative_to(folder).as_posix() for name in [*names, *links]]
        if not folders and not names and Path(place) != folder:
            empty.append(Path(place).relative_to(folder).as_posix())
    return sorted(files), sorted(empty)


def begin_bag(folder: Path, about: Mapping[str, str]) -> list[str]:
    """Write the tag files that say what a bag is about; return the names of all files there are now.

    ``about`` goes into ``bag-info.txt``; its values are one line each. What is written here can be in a list of
    files that the bag holds itself.
    """
    lines = "".join(f"{key}: {' '.join(value.split())}\n" for key, value in about.items())
    (folder / "bagit.txt").write_bytes(DECLARATION)
    (folder / "bag-info.txt").write_bytes(lines.encode())
    return _entries(folder)[0]


def finish_bag(folder: Path) -> None:
    """Make a bag of a folder that ``begin_bag`` began: write its manifests, make all files read-only, sync to disk.

    Raises ``InputError`` for names that cannot be stored, or not beside each other, on another computer.
    """
    names = payload(folder)
    for name in names:
        check_name(name)
    for alike in twins(names):
        raise InputError(Problem(f"a computer may take these names for one: {', '.join(alike)}; rename them"))
    (folder / _MANIFEST).write_bytes(_manifest(folder, names))
    (folder / _TAG_MANIFEST).write_bytes(_manifest(folder, _TAGS))
    for path in folder.rglob("*"):
        if path.is_file():
            path.chmod(0o444)
        sync(path)
    sync(folder)


def _manifest(folder: Path, names: Iterable[str]) -> bytes:
    # A percent sign is written %25, RFC 8493, 2.1.3; names with line breaks are refused.
    return "".join(f"{sha256(folder / name)}  {name.replace('%', '%25')}\n" for name in sorted(names)).encode()


def check_name(name: str) -> None:
    """Raise ``InputError`` for a file name that a manifest cannot hold or another system cannot store."""
    if any(ord(letter) < 32 or letter in "\\\x7f" for letter in name) or not name.isprintable():
        raise InputError(Problem("the file's name holds characters that an archive cannot store; rename it", name))


def twins(names: Iterable[str]) -> list[list[str]]:
    """Return the names that are one on a computer that tells neither case nor the spellings of an accent apart."""
    found: dict[str, list[str]] = {}
    for name in sorted(names):
        folded = unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())
        found.setdefault(folded, []).append(name)
    return [alike for alike in found.values() if len(alike) > 1]


def sync(path: Path) -> None:
    """Wait until a file, or what a folder lists, is on the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def check_bag(folder: Path) -> tuple[dict[str, str], list[str]]:
    """Return the SHA-256 of every file as it is now, and what is wrong with the bag, in plain words.

    The manifests are not among the files: they follow from the others, and are compared with what they must be.
    """
    faults: list[str] = []
    present, empty = _entries(folder)
    hashes: dict[str, str] = {}
    for name in present:
        path = folder / name
        if path.is_symlink() or not path.is_file():
            faults.append(f"{name} is a link or a device, not a file")
        else:
            hashes[name] = sha256(path)
    faults += [f"{name} is a folder with nothing in it, which was added to the archive" for name in empty]
    faults += [f"a computer may take these names for one: {', '.join(alike)}" for alike in twins(present)]
    tags = [name for name in present if not name.startswith("data/")]
    faults += [f"{name} was added to the archive" for name in tags if name not in (*_TAGS, _TAG_MANIFEST)]
    faults += [f"{name} is missing" for name in (*_TAGS, _TAG_MANIFEST) if name not in tags]
    files = {name: digest for name, digest in hashes.items() if name.startswith("data/")}
    if "bagit.txt" in hashes and (folder / "bagit.txt").read_bytes() != DECLARATION:
        faults.append("bagit.txt was changed")
    for name, listed in ((_MANIFEST, files), (_TAG_MANIFEST, {t: hashes[t] for t in _TAGS if t in hashes})):
        if name in hashes:
            faults += _compare(name, (folder / name).read_bytes(), listed)
    lists = {_MANIFEST, _TAG_MANIFEST}
    return {name: value for name, value in hashes.items() if name not in lists}, list(dict.fromkeys(faults))


def _compare(manifest: str, raw: bytes, present: Mapping[str, str]) -> list[str]:
    text = raw.decode("utf-8", errors="replace")
    found = {m[2].replace("%25", "%"): m[1] for m in _LINE.finditer(text)}
    faults = [f"{name} was changed" for name in found if name in present and present[name] != found[name]]
    faults += [f"{name} is missing" for name in found if name not in present]
    faults += [f"{name} was added to the archive" for name in present if name not in found]
    expected = "".join(f"{found[name]}  {name.replace('%', '%25')}\n" for name in sorted(found)).encode()
    if raw != expected:
        faults.append(f"{manifest} was changed")
    return faults
