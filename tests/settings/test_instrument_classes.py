"""Classes of instruments: they can be read, say that they have no source, and fill in what a unit leaves open."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rotorproof.errors import InputError
from rotorproof.fitting.assign import assign
from rotorproof.fitting.calibration import instrument_problems
from rotorproof.planning.capability import instrument_for
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.documents import read_document
from rotorproof.settings.folder import SettingsFolder
from rotorproof.settings.load import load_unit
from rotorproof.settings.unit import InstrumentClass
from rotorproof.settings.validation import validated

CONFIG = Path(__file__).parents[2] / "config"
NAMES = sorted(path.stem for path in (CONFIG / "instruments").glob("*.yaml"))


@pytest.mark.parametrize("name", NAMES)
def test_every_class_can_be_read_and_names_its_source(name: str) -> None:
    path = CONFIG / "instruments" / f"{name}.yaml"
    found = validated(read_document(path), InstrumentClass)
    assert found.source == "typical, common practice, no source"
    assert any(kind is not None for _, kind in found.accuracy)


def write(folder: Path, instrument: str) -> Path:
    unit = folder / "U-1"
    unit.mkdir()
    (unit / "unit.yaml").write_text(f"unit: U-1\nkind: motor\ninstruments:\n  dmm: {instrument}\n", "utf-8")
    return unit


def test_a_unit_takes_what_it_does_not_state(tmp_path: Path) -> None:
    unit = write(tmp_path, "{like: handheld-multimeter, accuracy: {voltage: 0.1 %}}")
    found = load_unit(unit, SettingsFolder(CONFIG), "U-1/unit.yaml")
    dmm = found.file.instruments["dmm"]
    assert len(dmm.accuracy.voltage.ranges) == 1
    assert len(dmm.accuracy.current.ranges) == 3
    # The workflow hands on plain data: they must give the same again.
    assert type(found.file).model_validate(found.document.data).instruments["dmm"] == dmm


def test_what_is_typical_never_stands_beside_a_statement(tmp_path: Path) -> None:
    unit = write(tmp_path, "{like: handheld-multimeter, accuracy: {voltage: 0.1 %, current: }}")
    rows = [f"{i},{0.24 * i:.3f},20" for i in range(1, 7)]
    head = "current_ab [A],voltage_ab [V],temperature_winding [degC]"
    (unit / "w.csv").write_text("\n".join([head, *rows]) + "\n", "utf-8")
    test = "tests:\n  - procedure: winding-resistance\n    log: w.csv\n"
    probe = "  probe: {accuracy: {temperature: 0.5 degC}}\n"
    (unit / "unit.yaml").write_text((unit / "unit.yaml").read_text("utf-8") + probe + test, "utf-8")
    found = load_unit(unit, SettingsFolder(CONFIG), "U-1/unit.yaml").file
    dmm = found.instruments["dmm"]
    assert dmm.typical == ["current", "resistance", "temperature"]
    assert found.instruments_for("temperature") == ["probe"] and found.instruments_for("current") == ["dmm"]
    assert instrument_for(found, "winding-resistance", "temperature_winding") == ("probe", "")
    assert len(dmm.accuracy.current.ranges) == 3
    (about,) = instrument_problems(found, "U-1/unit.yaml")
    assert "'dmm' for current, resistance, temperature is what is typical of a handheld multimeter" in about.message
    log = Log("w", {name: np.arange(1.0, 7.0) for name in ("current_ab", "voltage_ab", "temperature_winding")}, {})
    given = assign(found, procedures()["winding-resistance"], found.tests, [log], [{}], "U-1/unit.yaml")
    read = {error.influence.source for error in given.instruments if (0, "temperature_winding") in error.columns}
    assert read == {"accuracy of probe, temperature"}
    (said,) = [problem for problem in given.problems if "ambient" not in problem.message]
    assert "temperature is taken to be read with 'probe', whose accuracy is stated, and not with 'dmm'" in said.message
    named = found.tests[0].model_copy(update={"instruments": {"temperature_winding": "dmm"}})
    given = assign(found, procedures()["winding-resistance"], [named], [log], [{}], "U-1/unit.yaml")
    assert not [problem for problem in given.problems if "ambient" not in problem.message]


def test_channels_come_with_the_class(tmp_path: Path) -> None:
    found = load_unit(write(tmp_path, "{like: 8-bit-oscilloscope}"), SettingsFolder(CONFIG), "U-1/unit.yaml")
    assert found.file.instruments["dmm"].channels == "independent"


def test_an_unknown_class_is_named_with_its_line(tmp_path: Path) -> None:
    unit = write(tmp_path, "{like: handheld-multimetre}")
    with pytest.raises(InputError) as caught:
        load_unit(unit, SettingsFolder(CONFIG), "U-1/unit.yaml")
    (problem,) = caught.value.problems
    assert "did you mean 'handheld-multimeter'" in problem.message
    assert (problem.file, problem.line, problem.column) == ("U-1/unit.yaml", 4, "like")
