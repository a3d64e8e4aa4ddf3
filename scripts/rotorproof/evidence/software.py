"""Which software made a report: versions, one hash over the code, and the code itself for the archive."""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import io
import platform
import zipfile
from functools import cache
from importlib import metadata
from pathlib import Path

from .. import __version__

ROOT = Path(__file__).resolve().parents[3]

#: Libraries that have a part in the numbers (those that read logs and settings among them) or the pages.
LIBRARIES = (
    "asammdf",
    "cssselect2",
    "fonttools",
    "h5py",
    "jinja2",
    "matplotlib",
    "nptdms",
    "numpy",
    "openpyxl",
    "pikepdf",
    "pillow",
    "pint",
    "pyarrow",
    "pydantic",
    "pydyf",
    "pyphen",
    "pyyaml",
    "scipy",
    "snakemake",
    "tinycss2",
    "tinyhtml5",
    "weasyprint",
    "zstandard",
)
#: What the system gives to lay out a page: names of the library, and the function that tells its version.
_OF_THE_SYSTEM = {
    "pango": (("libpango-1.0.so.0", "libpango-1.0.dylib", "libpango-1.0-0.dll"), "pango_version_string"),
    "harfbuzz": (("libharfbuzz.so.0", "libharfbuzz.dylib", "libharfbuzz-0.dll"), "hb_version_string"),
}
_SINGLE = ("LICENSE", "README.md", "Snakefile", "pyproject.toml", "requirements.lock")
_FOLDERS = ("scripts", "templates")


def source_files(root: Path = ROOT) -> list[Path]:
    """Return the program's own files: the Snakefile, scripts, templates and the lock file, sorted by path."""
    found = [root / name for name in _SINGLE if (root / name).is_file()]
    for folder in _FOLDERS:
        for path in (root / folder).rglob("*"):
            hidden = any(part.startswith((".", "__pycache__")) for part in path.relative_to(root).parts)
            if path.is_file() and not hidden and path.suffix not in (".pyc", ".pyo"):
                found.append(path)
    return sorted(found, key=lambda path: path.relative_to(root).as_posix())


def code_hash(root: Path = ROOT) -> str:
    """Return the SHA-256 over names and contents of what computes and renders: Snakefile, scripts, templates."""
    digest = hashlib.sha256()
    for path in source_files(root):
        name = path.relative_to(root).as_posix()
        if name == "Snakefile" or name.startswith(("scripts/", "templates/")):
            digest.update(f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {name}\n".encode())
    return digest.hexdigest()


@cache
def _of_the_system() -> dict[str, str]:
    """Return the versions of the system's libraries, as far as they are found under their usual names."""
    found = {}
    for name, (files, function) in _OF_THE_SYSTEM.items():
        for file in files:
            with contextlib.suppress(OSError, AttributeError):
                tell = getattr(ctypes.CDLL(file), function)
                tell.restype = ctypes.c_char_p
                found[name] = tell().decode("ascii", "replace")
                break
    return found


def software() -> dict[str, str]:
    """Return the versions behind a report by name."""
    return {
        "rotorproof": __version__,
        "python": platform.python_version(),
        **{name: metadata.version(name) for name in LIBRARIES},
        **_of_the_system(),
    }


def source_archive(root: Path = ROOT) -> bytes:
    """Return the program's own files as a zip whose bytes depend on their names and contents alone."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in source_files(root):
            entry = zipfile.ZipInfo(path.relative_to(root).as_posix(), date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = (0o755 if path.suffix == ".sh" else 0o644) << 16
            archive.writestr(entry, path.read_bytes())
    return buffer.getvalue()
