"""Classes of instruments: they can be read, say that they have no source, and fill in what a unit leaves open."""

from __future__ import annotations

from pathlib import Path

import pytest

from rotorproof.errors import InputError
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
