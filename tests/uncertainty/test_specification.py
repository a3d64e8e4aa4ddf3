"""Data-sheet statements into errors. Arithmetic by hand; the statements are of the usual form, figures invented."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.uncertainty.accuracy import Accuracy, parse_accuracy
from rotorproof.uncertainty.specification import components, parse_specification, rounding_shows


@pytest.mark.parametrize(
    ("text", "kind", "relative", "fixed"),
    [
        ("0.05 % + 2 mV", "voltage", 5e-4, 2e-3),
        ("0.05 percent of reading + 2 mV", "voltage", 5e-4, 2e-3),
        ("50 ppm", "time", 5e-5, 0),
        ("1.5 degC", "temperature", 0, 1.5),
        ("0.3 % + 1 °C", "temperature", 3e-3, 1.0),
        ("1 rpm", "speed", 0, 2 * math.pi / 60),
        ("0.2 % rdg + 0.1 % rng + 3 digits", "voltage", 2e-3, 0.01 + 3e-3),
        ("0.1 % of range", "voltage", 0, 0.01),
        ("0.1 % of full scale", "voltage", 0, 0.01),
        ("100 ppm of range + 1 count", "voltage", 0, 1e-3 + 1e-3),
    ],
)
def test_statement(text: str, kind: str, relative: float, fixed: float) -> None:
    found = parse_accuracy(text, kind, range_=10.0, resolution=1e-3)
    assert (found.relative, found.fixed) == pytest.approx((relative, fixed))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("0.1 % of range", "needs the range"),
        ("3 digits", "add 'resolution'"),
        ("2 A", "does not measure a voltage"),
        ("0.5 % of nothing", "not known"),
        ("about 1 %", "number with a unit"),
    ],
)
def test_statement_that_cannot_be_read(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_accuracy(text, "voltage")


METER = parse_specification(
    [
        {"range": "60 V", "accuracy": "0.5 % + 3 digits", "resolution": "10 mV"},
        {"range": "6 V", "accuracy": "0.5 % + 2 digits", "resolution": "1 mV", "temperature_coefficient": "0.05 %"},
    ],
    "voltage",
)


def test_the_smallest_range_that_holds_the_largest_reading() -> None:
    assert METER.range_of(0.1)[0].limit == 6
    assert METER.range_of(6.0) == (METER.ranges[0], True)
    assert METER.range_of(6.01)[0].limit == 60
    assert METER.range_of(61.0) == (METER.ranges[1], False)
    assert METER.ranges[0].accuracy == Accuracy(0.005, 0.002)
    assert METER.ranges[1].accuracy == Accuracy(0.005, 0.03)


def test_temperature_counts_outside_the_reference_only() -> None:
    small = METER.ranges[0]
    assert [c.words for c in components(small, 20.0)] == ["accuracy", "resolution"]
    assert [c.words for c in components(small, 28.0)] == ["accuracy", "resolution"]
    assert [c.words for c in components(small, None)] == ["accuracy", "resolution"]
    warm = components(small, 35.0)[1]
    assert warm.words == "temperature coefficient"
    assert warm.accuracy.relative == pytest.approx(7 * 5e-4)
    assert components(small, 10.0)[1].accuracy.relative == pytest.approx(8 * 5e-4)


def test_parts_in_front_are_errors_of_their_own() -> None:
    scope = parse_specification({"accuracy": "3 %", "probe": "2 %", "shunt": "0.5 %", "lever": "1 %"}, "voltage")
    found = {c.name: c for c in components(scope.ranges[0], None)}
    assert set(found) == {"", "/probe", "/shunt", "/lever"}
    assert found["/probe"].own and not found["/shunt"].own
    assert found["/probe"].accuracy == Accuracy(0.02, 0.0)


def test_rounding_is_common_to_readings_that_hardly_move() -> None:
    assert not rounding_shows(np.full(50, 3.2), 0.1)
    assert not rounding_shows(np.array([3.2]), 0.1)
    assert not rounding_shows(np.array([3.2, 3.3, 3.2, 3.4]), 0.1)
    assert rounding_shows(np.linspace(0, 5, 20), 0.1)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (3, "percent of reading plus"),
        ([], "percent of reading plus"),
        (["1 %"], "percent of reading plus"),
        ({"range": "6 V"}, "needs 'accuracy'"),
        ({"accuracy": "1 %", "rnge": "6 V"}, "did you mean 'range'"),
        ({"accuracy": "1 %", "range": 6}, "text with a unit"),
        ({"accuracy": "1 %", "range": "0 V"}, "above zero"),
        ([{"accuracy": "1 %"}, {"accuracy": "2 %", "range": "6 V"}], "each of several ranges"),
        ([{"accuracy": "1 %", "range": "6 V"}, {"accuracy": "2 %", "range": "6000 mV"}], "same limit"),
    ],
)
def test_specification_that_cannot_be_read(value: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_specification(value, "voltage")


def test_error_of_one_standard_uncertainty() -> None:
    """0.5 % + 2 mV at 5 V is 27 mV at most: u = 27/sqrt(3) mV (JCGM 100:2008, 4.3.7)."""
    assert Accuracy(0.005, 0.002).error(np.array([5.0]))[0] == pytest.approx(0.027 / math.sqrt(3))
    assert Accuracy(0.005, 0.002).error(np.array([-5.0]))[0] == pytest.approx(-0.027 / math.sqrt(3))


def test_percent_of_range_alone_may_be_gain_as_well_as_offset() -> None:
    """A spring scale of 1 % of 50 N: 0.5 N off everywhere, or 1 % steep, both within its statement."""
    (scale,) = parse_specification({"range": "50 N", "accuracy": "1 % of range"}, "force").ranges
    offset, gain = components(scale, None)
    assert (offset.accuracy.relative, offset.accuracy.fixed) == (0.0, pytest.approx(0.5))
    assert (gain.accuracy.relative, gain.accuracy.fixed) == (pytest.approx(0.01), 0.0)
    assert "gain" in gain.words
    # A statement that has a part of the reading says itself what the gain is.
    (meter,) = parse_specification({"range": "60 V", "accuracy": "0.5 % + 0.1 % of range"}, "voltage").ranges
    assert len(components(meter, None)) == 1
