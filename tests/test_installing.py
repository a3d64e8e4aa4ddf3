"""The Makefile installs what the lock files pin, however new the releases are that an index offers beside it."""

from __future__ import annotations

import base64
import hashlib
import io
import os
import shutil
import subprocess
import tarfile
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[1]

#: The build tool whose release 1.0 builds a wheel and whose release 2.0 refuses to.
BUILDER = """
import pathlib, shutil
def build_wheel(folder, config_settings=None, metadata_directory=None):
    {refuse}
    wheel = next(pathlib.Path.cwd().glob("*.whl"))
    shutil.copy(wheel, folder)
    return wheel.name
"""


def wheel(name: str, version: str, files: dict[str, str], *headers: str) -> tuple[str, bytes]:
    """Return name and bytes of a wheel that holds the given files and headers of metadata."""
    about = f"{name}-{version}.dist-info"
    files = {
        **files,
        f"{about}/METADATA": "\n".join(["Metadata-Version: 2.1", f"Name: {name}", f"Version: {version}", *headers, ""]),
        f"{about}/WHEEL": "Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    record = [f"{path},sha256={_digest(text)},{len(text.encode())}" for path, text in files.items()]
    files[f"{about}/RECORD"] = "\n".join([*record, f"{about}/RECORD,,", ""])
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for path, text in files.items():
            archive.writestr(path, text)
    return f"{name}-{version}-py3-none-any.whl", stream.getvalue()


def _digest(text: str) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b"=").decode()


def source(name: str, version: str) -> tuple[str, bytes]:
    """Return name and bytes of a package that comes as source and is built with the module ``builder``."""
    built, content = wheel(name, version, {f"{name}.py": ""})
    project = b'[build-system]\nrequires = ["builder"]\nbuild-backend = "builder"\n'
    about = f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n".encode()
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w:gz") as archive:
        for path, data in (("pyproject.toml", project), ("PKG-INFO", about), (built, content)):
            entry = tarfile.TarInfo(f"{name}-{version}/{path}")
            entry.size = len(data)
            archive.addfile(entry, io.BytesIO(data))
    return f"{name}-{version}.tar.gz", stream.getvalue()


def offer(index: Path) -> None:
    """Write an index with two releases of each package; every pin is to the older one."""
    for version in ("1.0", "2.0"):
        refuse = "" if version == "1.0" else "raise SystemExit('this release builds no such package')"
        for name, content in (
            wheel("builder", version, {"builder.py": BUILDER.format(refuse=refuse)}),
            wheel("page", version, {"page.py": ""}, "Requires-Dist: font[woff]>=1"),
            wheel("font", version, {"font.py": ""}, "Provides-Extra: woff", 'Requires-Dist: press; extra == "woff"'),
            wheel("press", version, {"press.py": ""}),
            wheel("tool", version, {"tool.py": ""}, "Requires-Dist: font[woff]"),
            source("pool", version),
        ):
            (index / name).write_bytes(content)


def lock(index: Path, *names: str) -> str:
    """Return a lock file in the form of the project's own, without extras."""
    lines = []
    for name in names:
        (path,) = index.glob(f"{name}-1.0*")
        lines.append(f"{name}==1.0 \\\n    --hash=sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}\n")
    return "".join(lines)


def test_a_newer_release_than_the_pinned_one_is_not_installed(tmp_path: Path) -> None:
    index, project = tmp_path / "index", tmp_path / "a project"
    for folder in (index, project / "scripts", project / "tests"):
        folder.mkdir(parents=True)
    offer(index)
    shutil.copy(ROOT / "Makefile", project)
    for name in ("find_python.sh", "system_check.sh"):
        shutil.copy(ROOT / "scripts" / name, project / "scripts")
    (project / "requirements-build.lock").write_text(lock(index, "builder"), encoding="utf-8")
    (project / "requirements.lock").write_text(lock(index, "font", "page", "pool", "press"), encoding="utf-8")
    (project / "tests/requirements.lock").write_text(lock(index, "tool", "font", "press"), encoding="utf-8")
    inherited = {name: value for name, value in os.environ.items() if not name.startswith(("PIP_", "MAKE"))}
    environment = {"PIP_CONFIG_FILE": os.devnull, "PIP_NO_INDEX": "1", "PIP_FIND_LINKS": index.as_uri()}
    done = subprocess.run(
        ["make", "test-ready"],
        cwd=project,
        env={**inherited, **environment},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (packages,) = project.glob(".venv/lib/*/site-packages")
    found = {path.name for path in packages.glob("*-[12].0.dist-info")}
    assert found == {f"{name}-1.0.dist-info" for name in ("builder", "font", "page", "pool", "press", "tool")}
