"""The lock files install what was reviewed, from wherever the user's pip looks."""

import functools
import itertools
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
LOCKS = ["requirements.lock", "tests/requirements.lock", "requirements-build.lock"]
PYTHONS = ["3.11", "3.12", "3.13", "3.14"]
RUNNING = f"{sys.version_info.major}.{sys.version_info.minor}"
MACHINES = [("Linux", "linux", "x86_64"), ("Linux", "linux", "aarch64"), ("Darwin", "darwin", "arm64")]


@functools.cache
def pinned(lock: str) -> dict[tuple[str, str], list[str]]:
    """Map each (package, marker) of a lock file to its version and the hashes that follow it."""
    pins: dict[tuple[str, str], list[str]] = {}
    for line in (ROOT / lock).read_text(encoding="utf-8").splitlines():
        if match := re.match(r"(\S+)==(\S+?)(?: ; (.*?))? \\$", line):
            name, version, marker = match.groups()
            current = pins[(name, marker or "")] = [version]
        elif line.startswith("    --hash="):
            current.append(line.strip(" \\"))
        else:
            assert line.startswith("    #"), f"unexpected line in {lock}: {line}"
    return pins


def environment(python: str, machine: tuple[str, str, str] = MACHINES[0]) -> dict[str, str]:
    """Return what markers are evaluated with, for a Python (3.13) and an operating system and processor."""
    system, platform, processor = machine
    return {
        "implementation_name": "cpython",
        "os_name": "posix",
        "platform_machine": processor,
        "platform_python_implementation": "CPython",
        "platform_system": system,
        "python_full_version": f"{python}.0",
        "python_version": python,
        "sys_platform": platform,
    }


def active(lock: str, there: dict[str, str]) -> dict[str, str]:
    """Map each package that a lock file installs in an environment to its version."""
    found: dict[str, str] = {}
    for (name, marker), (version, *_) in pinned(lock).items():
        if not marker or Marker(marker).evaluate(dict(there)):
            assert name not in found, f"{lock} pins {name} twice"
            found[name] = version
    return found


def declared(lock: str) -> list[str]:
    """Return the requirements of pyproject.toml that a lock file is made from."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    extras = project["project"]["optional-dependencies"].values()
    product = [*project["project"]["dependencies"], *itertools.chain.from_iterable(extras)]
    groups = project["dependency-groups"]
    return {LOCKS[0]: product, LOCKS[1]: groups["test"], LOCKS[2]: groups["build"]}[lock]


def lacking(roots: list[str], pins: dict[str, str], there: dict[str, str]) -> list[str]:
    """Return one line for each requirement, extras included, that the pins do not fulfil in an environment.

    What a package needs is read from its installed release. One that is pinned to another release for that
    environment is left out; the test of that Python reads it.
    """
    found: list[str] = []
    waiting = [("pyproject.toml", Requirement(text)) for text in roots]
    seen: set[str] = set()
    while waiting:
        needed_by, requirement = waiting.pop()
        name = canonicalize_name(requirement.name)
        if name not in pins:
            found.append(f"{needed_by} needs {name}, which is not pinned")
            continue
        if not requirement.specifier.contains(pins[name], prereleases=True):
            found.append(f"{needed_by} needs {name}{requirement.specifier}, pinned is {pins[name]}")
        asked = f"{name}[{','.join(sorted(requirement.extras))}]" if requirement.extras else name
        if asked in seen or pins[name] != installed(name):
            continue
        seen.add(asked)
        for needed in needs(name):
            extras = ["", *requirement.extras]
            if needed.marker is None or any(needed.marker.evaluate({**there, "extra": extra}) for extra in extras):
                waiting.append((asked, needed))
    return sorted(set(found))


@functools.cache
def installed(name: str) -> str | None:
    """Return the installed release of a package."""
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


@functools.cache
def needs(name: str) -> list[Requirement]:
    """Return what an installed package says it needs, with and without extras."""
    return [Requirement(text) for text in metadata.requires(name) or []]


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_holds_no_address(lock: str) -> None:
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert not re.search(r"://|--(extra-)?index|--find-links| @ |^-", text, re.MULTILINE)


@pytest.mark.parametrize("lock", LOCKS)
def test_every_pin_has_a_hash(lock: str) -> None:
    pins = pinned(lock)
    assert pins
    for pin, (_, *hashes) in pins.items():
        assert hashes, pin
        assert all(re.fullmatch(r"--hash=sha256:[0-9a-f]{64}", text) for text in hashes), pin


@pytest.mark.parametrize("python", PYTHONS)
def test_the_locks_agree(python: str) -> None:
    product = active(LOCKS[0], environment(python))
    for lock in LOCKS[1:]:
        for name, version in active(lock, environment(python)).items():
            assert version == product.get(name, version), (lock, name)


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("machine", MACHINES, ids=" ".join)
@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_holds_all_that_its_packages_need(lock: str, machine: tuple[str, str, str], python: str) -> None:
    there = environment(python, machine)
    assert lacking(declared(lock), active(lock, there), there) == [], f"run `make lock` to renew {lock}"


@pytest.mark.parametrize(
    ("lock", "name", "needed_by"),
    [
        ("requirements.lock", "brotli", "fonttools[woff]"),  # an extra that a package asks for
        ("requirements.lock", "lxml", "canmatrix[arxml,dbc]"),
        ("tests/requirements.lock", "pysocks", "urllib3[socks]"),
        ("tests/requirements.lock", "coverage", "pytest-cov"),  # itself asked for with an extra
        ("requirements.lock", "numpy", "pyproject.toml"),
    ],
)
def test_a_missing_or_other_pin_is_noticed(lock: str, name: str, needed_by: str) -> None:
    here = environment(RUNNING)
    pins = active(lock, here)
    without = {pin: version for pin, version in pins.items() if pin != name}
    assert any(f"{needed_by} needs {name}" in line for line in lacking(declared(lock), without, here))
    if name != "brotli":  # any version of it would do
        assert any(f"needs {name}" in line for line in lacking(declared(lock), {**pins, name: "0.0.1"}, here))


@pytest.mark.parametrize("lock", LOCKS)
def test_what_is_installed_is_what_is_pinned(lock: str) -> None:
    pins = active(lock, environment(RUNNING))
    assert {name: installed(name) for name in pins} == pins, "run `make test` to install what is pinned"
