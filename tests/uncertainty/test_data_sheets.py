"""Data-sheet statements against worked examples: half-widths, what temperature and digits add, budgets.

Sources: JCGM 100:2008, 4.3.7, F.2.2.1 and H.1; figures worked by hand beside the checks.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.uncertainty.accuracy import parse_accuracy
from rotorproof.uncertainty.forms import Form, Influence, budget, propagate
from rotorproof.uncertainty.specification import components, parse_specification, rounding_shows
from tests.outside import Outside
from tests.uncertainty.test_forms import gauge_block, one

HAND = "worked by hand"


def test_a_stated_half_width(outside: Outside) -> None:
    # JCGM 100:2008, 4.3.7: 16.52 um/(m K) within +/- 0.40 um/(m K): u = 0.23 um/(m K).
    u = float(parse_accuracy("0.40 ohm", "resistance").error(np.array([16.52]))[0])
    outside(
        "uncertainty",
        "standard uncertainty of a value known within +/- 0.40",
        ours=u,
        published=0.23,
        allowance=0.005,
        source="JCGM 100:2008, 4.3.7",
    )


@pytest.mark.parametrize("reading", [10.0, -10.0])
def test_percent_of_reading_of_range_and_digits(outside: Outside, reading: float) -> None:
    # 10 V on a range of 60 V read to 1 mV: 0.05 % of 10 V + 0.1 % of 60 V + 3 x 1 mV + 200 ppm of 10 V + 2 mV
    # = 5 + 60 + 3 + 2 + 2 = 72 mV.
    stated = parse_accuracy("0.05 % + 0.1 % of range + 3 digits + 200 ppm + 2 mV", "voltage", 60.0, 1e-3)
    outside(
        "uncertainty",
        f"half-width of a meter's error at {reading:g} V",
        ours=1e3 * float(stated.error(np.array([reading]))[0]) * math.sqrt(3) * math.copysign(1, reading),
        published=72.0,
        allowance=1e-9,
        unit="mV",
        source=HAND,
    )


@pytest.mark.parametrize(("ambient", "width"), [(23.0, 0.0), (27.9, 0.0), (35.0, 14.0), (8.0, 20.0)])
def test_what_temperature_adds(outside: Outside, ambient: float, width: float) -> None:
    # 0.01 %/K + 1 mV/K outside 23 degC +/- 5 K, at 10 V: 2 mV a kelvin, so 14 mV at 35 degC and 20 mV at 8 degC.
    specification = parse_specification(
        {
            "range": "60 V",
            "accuracy": "0.1 %",
            "resolution": "2 mV",
            "temperature_coefficient": "0.01 % + 1 mV/K",
            "probe": "0.5 %",
        },
        "voltage",
    )
    found = {part.words: part.accuracy for part in components(specification.range_of(40.0)[0], ambient)}
    reading = np.array([10.0])
    for words, published in (
        ("accuracy", 10.0),
        ("temperature coefficient", width),
        ("tolerance of the probe", 50.0),
        # A display that steps by 2 mV is wrong by 1 mV at most, u = 0.29 x 2 mV.
        ("resolution", 0.29 * 2 * math.sqrt(3)),
    ):
        ours = float(found[words].error(reading)[0]) * math.sqrt(3) if words in found else 0.0
        outside(
            "uncertainty",
            f"half-width by {words} at 10 V in {ambient:g} degC",
            ours=1e3 * ours,
            published=published,
            allowance=0.006,
            unit="mV",
            source="JCGM 100:2008, 4.3.7 and F.2.2.1 (0.29 of the step); " + HAND,
        )


def test_when_rounding_shows(outside: Outside) -> None:
    for step, published in ((1.0, 0), (0.1, 1)):
        outside(
            "uncertainty",
            f"whether readings that move by 2.5 show their rounding to {step:g}",
            ours=float(rounding_shows(np.array([0.0, 1.0, 2.5]), step)),
            published=published,
            allowance=0,
            source="common practice, no source",
        )


def test_budget_of_the_gauge_block(outside: Outside) -> None:
    """JCGM 100:2008, table H.1: 25, 9.7, 2.9 and 16.6 nm."""
    names = ("standard", "d", "alpha", "theta", "d_alpha", "d_theta")
    stated = ((50_000_623, 25, 18), (215, 9.7, 25.6), (11.5e-6, 1.2e-6, math.inf), (-0.1, 0.41, math.inf),
              (0, 0.58e-6, 50), (0, 0.029, 2))  # fmt: skip
    inputs = {}
    for name, (value, u, dof) in zip(names, stated, strict=True):
        inputs[name] = Form(value, {Influence(name, name, "normal", dof): u})
    lines = {line.source: line for line in budget(propagate(gauge_block, inputs)["l"])}  # type: ignore[arg-type]
    for name, published, allowance in (("standard", 25, 0.05), ("d", 9.7, 0.05), ("d_alpha", 2.9, 0.05),
                                       ("d_theta", 16.6, 0.1)):  # fmt: skip
        outside(
            "uncertainty",
            f"contribution of {name} to the length of a gauge block",
            ours=lines[name].standard_uncertainty,
            published=published,
            allowance=allowance,
            unit="nm",
            source="JCGM 100:2008, table H.1",
        )
        outside(
            "uncertainty",
            f"share of {name} in its variance",
            ours=lines[name].share,
            published=published**2 / (25**2 + 9.7**2 + 2.9**2 + 16.6**2),
            allowance=0.004,
            source="JCGM 100:2008, table H.1; " + HAND,
        )


def test_differences_and_multiples(outside: Outside) -> None:
    # 12 V and 11 V by one meter of 0.5 %, the second with 20 mV of its own: 5 mV from the meter, 20 mV beside it.
    meter = Influence("meter", "meter", "rectangular")
    first, second = Form(12.0, {meter: 0.06}), Form(11.0, {meter: 0.055, Influence("own", "own"): 0.02})
    apart = first.minus(second)
    for what, ours, published in (
        ("difference of two readings by one meter", apart.value, 1.0),
        ("its standard uncertainty", apart.standard_uncertainty, math.hypot(0.005, 0.02)),
        ("covariance of the two", first.covariance(second), 0.06 * 0.055),
        ("correlation of the two", first.correlation(second), 0.055 / math.hypot(0.055, 0.02)),
        ("three times the second", second.scaled(3.0).value, 33.0),
        ("its standard uncertainty", second.scaled(3.0).standard_uncertainty, 3 * math.hypot(0.055, 0.02)),
    ):
        outside(
            "uncertainty",
            what,
            ours=ours,
            published=published,
            allowance=1e-12,
            source="JCGM 100:2008, 5.2.2; " + HAND,
        )
    assert one(1.0, 0.1).standard_uncertainty == pytest.approx(0.1)
