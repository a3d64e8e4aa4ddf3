"""The lock files install what was reviewed, from wherever the user's pip looks."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
LOCKS = ["requirements.lock", "tests/requirements.lock"]


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


def names(requirements: list[str]) -> set[str]:
    return {canonicalize_name(Requirement(text).name) for text in requirements}


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


def test_both_locks_agree() -> None:
    product, tools = (pinned(lock) for lock in LOCKS)
    product_versions: dict[str, set[str]] = {}
    for (name, _), (version, *_) in product.items():
        product_versions.setdefault(name, set()).add(version)
    for (name, _), (version, *_) in tools.items():
        if name in product_versions:
            assert version in product_versions[name]


def test_the_locks_hold_all_declared_dependencies() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    product = list(declared["project"]["dependencies"])
    for extra in declared["project"]["optional-dependencies"].values():
        product += extra
    tools = declared["dependency-groups"]["test"]
    for lock, requirements in zip(LOCKS, (product, tools), strict=True):
        assert names(requirements) <= {name for name, _ in pinned(lock)}, f"run `make lock` to renew {lock}"
