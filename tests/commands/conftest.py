"""A small project whose root the commands use."""

from __future__ import annotations

import io

import pytest

from rotorproof.commands import _project, layout, unit
from tests.errors.bench import Bench


@pytest.fixture
def bench(tmp_path, monkeypatch):
    for module in (_project, layout, unit):
        monkeypatch.setattr(module, "ROOT", tmp_path)
    return Bench(tmp_path).build()


@pytest.fixture
def typed(monkeypatch):
    """Return a function that puts answers on a terminal."""

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    return lambda *answers: monkeypatch.setattr("sys.stdin", Terminal("\n".join(answers) + "\n"))
