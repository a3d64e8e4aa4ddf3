"""A test may name the time window that is to be used; what is left out is said, and nothing is guessed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from rotorproof.logs.unit_logs import read_unit
from rotorproof.settings.layout import Layout
from rotorproof.settings.unit import Test as UnitTest

TIME = np.arange(0.0, 10.0, 0.1)


def write(folder: Path) -> None:
    rows = [f"{t:.1f},{120 - 8 * t:.2f}" for t in TIME]
    (folder / "c.csv").write_text("\n".join(["time [s],speed [rpm]", *rows]) + "\n", encoding="utf-8")


def read(folder: Path, **more: object) -> tuple[dict[str, np.ndarray] | None, list[str]]:
    test = UnitTest.model_validate({"procedure": "coast-down", "log": "c.csv", **more})
    readings = read_unit("A-1", folder, [test], {"plain": Layout()})
    (columns,) = readings.columns
    return columns, [problem.message for problem in readings.problems]  # type: ignore[return-value]


def test_readings_outside_the_window_are_left_out_and_counted(tmp_path: Path) -> None:
    write(tmp_path)
    columns, messages = read(tmp_path, window=["2 s", "6000 ms"])
    assert columns is not None
    assert columns["time"].min() == pytest.approx(2.0)
    assert columns["time"].max() == pytest.approx(6.0)
    assert any("59 of 100 readings lie outside the window 2 s to 6 s" in message for message in messages)


def test_a_window_beside_the_log_is_refused_with_the_logs_extent(tmp_path: Path) -> None:
    write(tmp_path)
    columns, messages = read(tmp_path, window=["20 s", "30 s"])
    assert columns is None
    assert any("holds 0 of the 100 readings" in message and "0 s to 9.9 s" in message for message in messages)


def test_a_window_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValidationError, match="must begin before it ends"):
        UnitTest.model_validate({"procedure": "coast-down", "log": "c.csv", "window": ["6 s", "2 s"]})
