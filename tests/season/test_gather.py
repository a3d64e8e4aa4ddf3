"""From a unit's files to a day of the check standard: the names that fits give to errors are understood."""

from __future__ import annotations

from pathlib import Path

import pytest

from rotorproof.season.bench import _patterns
from rotorproof.season.gather import _forms, day_of, in_si, is_standard, serials
from tests.rendering.made import UNIT, make


def test_values_and_forms_of_a_day_are_named_alike(tmp_path: Path) -> None:
    made = make(tmp_path)
    values, forms = in_si(made.results), _forms(tmp_path / "fit.json")
    name = "phase_resistance/winding-resistance"
    assert values[name] == pytest.approx(forms[name].value, rel=1e-4)
    patterns = _patterns([forms[name]])
    assert {"dmm 7, voltage", "dmm 7, current"} <= set(patterns)
    # A gain of the voltmeter raises a resistance, one of the ammeter lowers it.
    assert patterns["dmm 7, voltage"][0] > 0 > patterns["dmm 7, current"][0]


def test_what_a_unit_file_says_of_its_day() -> None:
    assert serials(UNIT) == {"7"}
    assert str(day_of(UNIT)) == "2026-05-02"
    assert day_of({}) is None
    assert not is_standard(UNIT)
    assert is_standard({"role": "check standard"})
