"""Slips of whoever writes a settings file, and what is said of them."""

from __future__ import annotations

import argparse

import numpy as np
import pytest

from rotorproof.checking.plausibility import findings
from rotorproof.checking.survey import Survey
from rotorproof.commands import layout
from rotorproof.errors import InputError, Problem
from rotorproof.logs.chunks import Chunk
from rotorproof.settings.documents import read_document, written_key
from rotorproof.units import parse
from tests.errors.bench import Bench, process
from tests.errors.catalogue import limits


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path).build()


def said(bench: Bench) -> str:
    return "\n".join(problem["message"] for problem in process(bench.root).problems["BAD"])


def test_a_decimal_comma_in_a_list(bench):
    bench.edit("raw/BAD/unit.yaml", "log: steps.csv", "log: steps.csv\n    window: [1,5 s, 4 s]")
    assert "the decimal mark must be a point: write '1.5 s', not '1,5 s'" in said(bench)


def test_a_decimal_comma_in_a_flow_mapping(bench):
    limits("max: 0.13 ohm", "max: 0,13 ohm")(bench)
    assert "the decimal mark must be a point: write 'max: 0.13 ohm', not '0,13 ohm'" in said(bench)


def test_a_decimal_comma_in_a_condition_and_what_is_none(bench):
    bench.edit("raw/BAD/unit.yaml", "{winding_temperature: 24.0 degC}", "{winding_temperature: 24,0 degC}")
    assert said(bench) == "the decimal mark must be a point: write 'winding_temperature: 24.0 degC', not '24,0 degC'"
    (bench.bad / "x.yaml").write_text("{a: 1, c: [1, 2, 3], d: {e: 5 V, 7: 8}, f: [1 s, 2 s], g: [1, 2026-05-02]}")
    assert read_document(bench.bad / "x.yaml").data["c"] == [1, 2, 3]


def test_a_decimal_comma_in_a_value(bench):
    bench.edit("raw/BAD/unit.yaml", "36 V", "36,5 V")
    assert "the decimal mark must be a point; write '36.5 V'" in said(bench)
    with pytest.raises(ValueError, match=r"write '0\.050 \+/- 0\.001 kg m\^2'"):
        parse("0,050 +/- 0,001 kg m^2", "moment_of_inertia")


@pytest.mark.parametrize("name", ["unit.yml", "Unit.yaml", "units.yaml"])
def test_a_unit_file_of_nearly_the_right_name(bench, name):
    (bench.bad / "unit.yaml").rename(bench.bad / name)
    assert f"the folder has no unit.yaml; rename {name!r} to unit.yaml" in said(bench)


def test_a_log_of_nearly_the_right_name(bench):
    (bench.bad / "steps.csv").rename(bench.bad / "Steps.CSV")
    assert "is not there; is 'Steps.CSV' meant?" in said(bench)


def test_keys_are_called_keys_and_entries_are_counted_from_one():
    assert written_key(("criteria", 8, "44 N m")) == "criteria, entry 9, 44 N m"
    assert written_key(("tests", 0)) == "tests, entry 1"
    assert written_key(("nameplate", "rated_voltage")) == "nameplate.rated_voltage"
    assert str(Problem("m", "U/unit.yaml", 4, "kind")) == "error: U/unit.yaml, line 4, key 'kind': m"
    assert str(Problem("m", "U/a.csv", 4, "speed")) == "error: U/a.csv, line 4, column 'speed': m"


@pytest.mark.parametrize(("reading", "words"), [(22.0 - 273.15, "are °C written as K"), (295.0, "are K written as")])
def test_kelvin_and_degrees_exchanged(reading, words):
    survey = Survey.of([Chunk({"temperature_winding": np.array([reading, reading + 1.0])}, lambda row: row)])
    found = findings(survey, {}, waveforms=False)
    assert [finding.column for finding in found] == ["temperature_winding"]
    assert words in found[0].message


def test_the_help_of_layout_shows_no_odd_brackets():
    parser = argparse.ArgumentParser()
    layout.add_arguments(parser)
    assert "{.,,}" not in parser.format_help()
    with pytest.raises((InputError, SystemExit)):
        parser.parse_args(["x.csv", "--decimal", ";"])
