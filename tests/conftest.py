"""Checks against the outside, recorded as they are made, so that the verification book cannot drift from the tests.

A test that compares with something no one here made asks for the fixture ``outside`` and calls it once per
number. ``pytest --outside-record FILE`` runs those tests alone and writes what they compared.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests.outside import Outside

# A busy machine makes a sound example slow.
settings.register_profile("any-machine", settings.default, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any-machine")


@pytest.fixture
def outside(request: pytest.FixtureRequest) -> Iterator[Outside]:
    """Return the recorder of one test; a test that asks for it must compare something."""
    recorder = Outside(request.node)
    yield recorder
    assert recorder.count, "the test asks for outside checks but compares nothing"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add ``--outside-record``."""
    parser.addoption(
        "--outside-record", metavar="FILE", help="run the outside checks alone and write what they compared"
    )


#: Tests whose fixtures are costly: each group runs in one process, or every process would make them again.
GROUPS = {"tests/evidence/": "evidence", "tests/workflow/test_demo.py": "demo"}


#: Where a test starts the workflow, or a cluster.
FIRST = "tests/workflow/"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Keep together what shares fixtures, and the outside checks alone where a record is asked for.

    What takes long comes first: of the tests that are handed out last, each process then has a short one.
    """
    items.sort(key=lambda item: item.get_closest_marker("slow") is None and not item.nodeid.startswith(FIRST))
    for item in items:
        for place, group in GROUPS.items():
            if item.nodeid.startswith(place):
                item.add_marker(pytest.mark.xdist_group(group))
    if config.getoption("--outside-record"):
        kept = [item for item in items if "outside" in getattr(item, "fixturenames", ())]
        config.hook.pytest_deselected(items=[item for item in items if item not in kept])
        items[:] = kept


class _Recorder:
    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows: list[dict[str, Any]] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Collect the comparisons of a test, here or from a worker process."""
        if report.when == "call":
            rows = [dict(value) for name, value in report.user_properties if name == "outside"]
            self.rows += [{**row, "passed": report.passed} for row in rows]

    def pytest_sessionfinish(self) -> None:
        """Write the record, in an order that does not depend on how the tests were spread."""
        self.rows.sort(key=lambda row: (row["subject"], row["test"], row["what"]))
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self.path.write_text(json.dumps(self.rows, indent=1, ensure_ascii=False), encoding="utf-8")


def pytest_configure(config: pytest.Config) -> None:
    """Collect on the process that sees all reports."""
    path = config.getoption("--outside-record")
    if path and not hasattr(config, "workerinput"):
        config.pluginmanager.register(_Recorder(Path(path)))


def let_drives_be_smooth(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let predictions be those of a DC machine, V = Ke w + R I, which can be worked out by hand."""
    from rotorproof.derivations import pack_prediction
    from rotorproof.physics.drives import Smooth
    from rotorproof.physics.winding import temperature_factor

    def drive(given: Mapping[str, float]) -> Smooth:
        warm = temperature_factor(given.get("pack_winding_temperature", 20.0), given["winding_constant"])
        return Smooth(given["emf_constant_dc"], 2 * given["phase_resistance"] * warm)

    monkeypatch.setattr(pack_prediction, "_drive", drive)


@pytest.fixture
def smooth_drive(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let predictions be those of a DC machine while a test runs."""
    let_drives_be_smooth(monkeypatch)
