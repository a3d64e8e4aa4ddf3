"""Each kind of wrong input is answered with its place and what to do, and harms no other unit."""

from __future__ import annotations

from pathlib import Path

import pytest

from rotorproof.units import conversion

from .bench import Bench, process
from .catalogue import CASES


@pytest.fixture(scope="module")
def untouched(tmp_path_factory):
    """Return the results of the good unit beside a unit that is as good."""
    outcome = process(Bench(tmp_path_factory.mktemp("good")).build().root)
    assert outcome.refused == []
    assert [r["verdict"] for r in outcome.results.values()] == ["accepted", "accepted"]
    assert not any(outcome.problems.values())
    return outcome.results["GOOD"]


def test_the_catalogue_names_each_kind_once():
    assert len({case.name for case in CASES}) == len(CASES) >= 60


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_wrong_input_is_named(case, tmp_path, untouched):
    bench = Bench(tmp_path).build()
    case.change(bench)
    outcome = process(tmp_path)
    assert outcome.settings == []
    assert outcome.results["GOOD"] == untouched, "another unit's results changed"
    assert ("BAD" in outcome.refused) == case.refused
    problems = outcome.problems["BAD"]
    matching = [
        p
        for p in problems
        if (p.get("file"), p.get("line"), p.get("column")) == (case.file, case.line, case.column)
        and case.words in p["message"]
    ]
    assert matching, f"no such problem among {problems}"
    assert matching[0]["severity"] == case.severity
    for problem in problems:
        assert "Traceback" not in problem["message"]
        assert "did not foresee" not in problem["message"]
        assert len(problem["message"]) < 600
    if case.severity == "error":
        assert not outcome.results.get("BAD", {}).get("quantities"), "a number was given from input that is wrong"


@pytest.mark.parametrize(
    ("old", "new", "line", "column", "words"),
    [
        ("config_version: 1", "config_version: 9", 1, "config_version", "must be"),
        ("config_version: 1", "", None, None, "must hold 'key: value' lines"),
        ("1", "1\nrawdir: raw", 2, "rawdir", "did you mean 'raw_dir'"),
        ("1", "1\ncoverage_probability: 2", 2, "coverage_probability", "less than or equal"),
        ("1", "1\ncoverage_probability: high", 2, "coverage_probability", "must be a number"),
        ("1", "1\nraw_dir: [raw]", 2, "raw_dir", "must be text"),
        ("1", "1\nraw_dir: nowhere", None, None, "the folder 'nowhere' does not exist"),
        (
            "1",
            "1\npack: {voltage_full: 42, voltage_nominal: 36 V, voltage_empty: 30 V}",
            2,
            "pack.voltage_full",
            "unit",
        ),
        ("1", "1\npack: {voltage_full: 42 V, voltage_nominal: 36 V}", 2, "pack.voltage_empty", "is missing"),
        (
            "1",
            "1\npack: {voltage_full: 42 V, voltage_nominal: 36 V, voltage_empty: -42 V}",
            2,
            "pack.voltage_empty",
            "must be above 0 V",
        ),
        (
            "1",
            "1\npack: {voltage_full: 9**9**9 V, voltage_nominal: 36 V, voltage_empty: 30 V}",
            2,
            "pack.voltage_full",
            "is not known",
        ),
        (
            "1",
            "1\npack: {voltage_full: 30 V, voltage_nominal: 36 V, voltage_empty: 42 V}",
            2,
            "pack",
            "fall from full to empty",
        ),
        (
            "1",
            "1\nvehicle: {mass: -110 kg, rolling_resistance: 0.008, drag_area: 0.5 m^2}",
            2,
            "vehicle.mass",
            "must be above 0 kg",
        ),
        (
            "1",
            "1\nvehicle: {mass: 0 kg, rolling_resistance: 0.008, drag_area: 0.5 m^2}",
            2,
            "vehicle.mass",
            "must be above 0 kg",
        ),
        ("1", "1\nraw_dir: " + "r" * 300, 2, "raw_dir", "no folder can be called 'rrrr"),
        ("1", "1\nreports_dir: " + "\u00fc" * 200, 2, "reports_dir", "no folder can be called"),
        ("1", '1\nreports_dir: "a\\0b"', 2, "reports_dir", "no folder can be called 'a"),
        ("1", "1\nreports_dir: ''", 2, "reports_dir", "at least 1 character"),
        ("1", "1\nworkshop: " + "W" * 9000, 2, "workshop", "at most 200 characters"),
        ("1", "1\ncoverage_probability: .nan", 2, None, "not a finite number"),
        ("1", "1\nworkshop: *x", 2, None, "aliases"),
        ("1", "1\nworkshop: a\nworkshop: b", 3, None, "stands twice"),
    ],
)
def test_wrong_settings_are_named(tmp_path, old, new, line, column, words):
    bench = Bench(tmp_path).build()
    bench.edit("config/config.yaml", old, new)
    outcome = process(tmp_path)
    assert not outcome.results
    (problem,) = outcome.settings
    assert (problem.get("line"), problem.get("column")) == (line, column), problem
    assert words in problem["message"]


def test_a_folder_that_may_not_be_read_is_named_and_the_others_go_on(tmp_path, monkeypatch):
    bench = Bench(tmp_path).build()
    listed = Path.iterdir

    def iterdir(self):
        if self == bench.bad:
            raise PermissionError(13, "Permission denied", str(self))
        return listed(self)

    monkeypatch.setattr(Path, "iterdir", iterdir)  # the tests may run as root, who may read everything
    outcome = process(tmp_path)
    assert outcome.refused == ["BAD"]
    assert "the folder cannot be read: Permission denied" in outcome.problems["BAD"][0]["message"]
    assert "GOOD" in outcome.results


def test_raw_that_may_not_be_read_is_named(tmp_path, monkeypatch):
    bench = Bench(tmp_path).build()
    listed = Path.iterdir

    def iterdir(self):
        if self == bench.bad.parent:
            raise PermissionError(13, "Permission denied", str(self))
        return listed(self)

    monkeypatch.setattr(Path, "iterdir", iterdir)
    (problem,) = process(tmp_path).settings
    assert "the folder 'raw' cannot be read: Permission denied" in problem["message"]


def test_a_folder_named_as_something_else_in_the_reports_whatever_its_capitals(tmp_path):
    bench = Bench(tmp_path).build()
    bench.bad.rename(bench.bad.parent / "Archive")
    bench.edit("raw/Archive/unit.yaml", "unit: BAD", "unit: Archive")
    outcome = process(tmp_path)
    assert outcome.refused == ["Archive"]
    assert "the reports keep something else under that name" in outcome.problems["Archive"][0]["message"]
    assert "GOOD" in outcome.results


def test_a_unit_is_shown_without_the_blanks_around_it():
    with pytest.raises(ValueError, match="is not known") as caught:
        conversion("V x" + "\n" * 20_000, "voltage")
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize("name", ["{unit}", "<b>", "*", "$(id)", "a b"])
def test_a_folder_named_like_a_pattern_is_named_and_the_others_go_on(tmp_path, name):
    bench = Bench(tmp_path).build()
    bench.bad.rename(bench.bad.parent / name)
    bench.edit(f"raw/{name}/unit.yaml", "unit: BAD", f"unit: '{name}'")
    outcome = process(tmp_path)
    assert outcome.refused == [name]
    assert "letters, digits" in outcome.problems[name][0]["message"]
    assert "GOOD" in outcome.results
