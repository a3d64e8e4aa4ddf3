"""A few inputs of each class, and the judge on inputs that must fail."""

from __future__ import annotations

import os
import random

import numpy as np
import pytest

from rotorproof.settings.layout import BUILTIN, Layout, LayoutColumn
from rotorproof.settings.load import load_project, load_settings

from . import seeds
from .classes import _GATES, _WANTED, CLASSES, _log, _project
from .judging import Tally, Unexpected, judge


@pytest.mark.slow
@pytest.mark.parametrize("name", CLASSES)
def test_a_few_inputs_of_each_class_are_used_or_named(name, tmp_path):
    rng, tally = random.Random(f"few {name}"), Tally()
    for _ in range(3 if "decide" in name else 12):
        content, run = CLASSES[name](rng, tmp_path)
        wrong = judge(run, tally)
        assert wrong is None, f"{content[:300]!r}\n{wrong}"


@pytest.mark.parametrize("name", seeds.FORMATS)
def test_the_sound_log_of_each_format_is_read(name, tmp_path):
    layout = BUILTIN["auto" if "text, " in name else "plain"]
    if name == "WAV":
        layout = Layout(columns={"voltage_ab": LayoutColumn(column=1, unit="V")})
    assert _log(seeds.logs()[name], tmp_path, _GATES if name == "VCD" else _WANTED, layout)()


def test_the_project_whose_settings_are_spoiled_is_sound(tmp_path):
    root = _project(tmp_path)
    project = load_project(load_settings(root / "config/config.yaml"), root / "config", root)
    assert (project.problems, project.refused) == ([], {})
    assert project.units["BAD"].layouts.keys() >= {"brake-stand-field-oriented"}
    assert project.units["BAD"].acceptance is not None


def test_the_judge_sees_what_goes_wrong():
    def overflow():
        raise OverflowError("math range error")

    def loud():
        raise Unexpected("a number from nothing")

    def greedy():
        return bool(np.ones(10**10).any())

    assert "OverflowError" in judge(overflow, Tally())
    assert "a number from nothing" in judge(loud, Tally())
    assert "MemoryError" in judge(greedy, Tally())
    assert "SIGABRT" in judge(os.abort, Tally())
    tally = Tally()
    assert judge(lambda: True, tally) is None
    assert judge(lambda: False, tally) is None
    assert (tally.tried, tally.used) == (2, 1)
