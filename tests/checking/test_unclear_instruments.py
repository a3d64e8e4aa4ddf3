"""Two instruments that could have read one column are asked about before anything is fitted, with the test's line."""

from __future__ import annotations

from pathlib import Path

from rotorproof.checking.unit_check import check_unit
from rotorproof.settings.folder import SettingsFolder
from rotorproof.settings.load import load_unit

CONFIG = Path(__file__).parents[2] / "config"
UNIT = """\
unit: T-1
kind: motor
instruments:
  first: {accuracy: {voltage: 1 mV, current: 1 mA, temperature: 1 degC}}
  second: {accuracy: {voltage: 5 mV}}
tests:
  - procedure: winding-resistance
    log: w.csv
    conditions: {winding_temperature: 20 degC}
"""


def _problems(folder: Path, text: str) -> list[tuple[str, int | None]]:
    folder.mkdir()
    (folder / "unit.yaml").write_text(text, encoding="utf-8")
    rows = [f"{i},{0.24 * i:.3f}" for i in range(1, 7)]
    (folder / "w.csv").write_text("\n".join(["current_ab [A],voltage_ab [V]", *rows]) + "\n", encoding="utf-8")
    (log,) = check_unit(load_unit(folder, SettingsFolder(CONFIG), "T-1/unit.yaml")).logs
    return [(problem.message, problem.line) for problem in log.problems if problem.severity == "error"]


def test_two_voltmeters_are_asked_about(tmp_path: Path) -> None:
    ((message, line),) = _problems(tmp_path / "T-1", UNIT)
    assert "several instruments could have read 'voltage_ab' (first, second)" in message
    assert line == 7


def test_one_that_is_named_is_not(tmp_path: Path) -> None:
    assert _problems(tmp_path / "T-1", UNIT + "    instruments: {voltage_ab: second}\n") == []
