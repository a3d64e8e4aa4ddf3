"""The digits that are written: those of JCGM 100 and two more, the same wherever a number was computed."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest

from rotorproof.decision import digits
from rotorproof.evidence.recompute import _differences


@pytest.mark.parametrize(
    ("number", "uncertainty", "written"),
    [
        # JCGM 100:2008, 7.2.2: m = 100.021 47 g with u = 0.35 mg; two digits more are kept here.
        (100.0214712345, 0.00035, 100.0214712),
        (100.0214712345, 0.35, 100.0215),
        (-0.123456789, 0.0123, -0.12346),
        (123456.789, 3456.0, 123457.0),
        (123456789.0, 345678.0, 123456800.0),
        # What rounds up to the next power of ten has one place less.
        (0.123456789, 0.00999996, 0.12346),
        (0.123456789, 0.0099994, 0.123457),
        # Exact: every digit that double precision is sure of, and none more.
        (119.99999999999997, 0.0, 120.0),
        (645213.0, 0.0, 645213.0),
    ],
)
def test_a_value_ends_two_digits_beyond_its_uncertainty(number: float, uncertainty: float, written: float) -> None:
    assert repr(digits.value(number, uncertainty)) == repr(written)


def test_a_zero_has_no_sign() -> None:
    assert repr(digits.value(-1e-9, 0.1)) == "0.0"
    assert repr(digits.significant(-0.0, 4)) == "0.0"


@pytest.mark.parametrize(
    ("number", "written"),
    [(0.123456, 0.1235), (0.9876543, 0.98765), (0.99999994, 1.0), (1.0, 1.0), (0.0, 0.0), (1.1e-16, 0.0), (0.5, 0.5)],
)
def test_a_probability_keeps_four_digits_of_its_smaller_side(number: float, written: float) -> None:
    assert digits.probability(number) == written


def line(source: str, u: float, share: float) -> dict[str, Any]:
    row = {"source": source, "standard_uncertainty": u, "share": share, "distribution": "normal"}
    return row | {"degrees_of_freedom": None, "expanded_uncertainty_if_halved": None}


def entry(**changed: Any) -> dict[str, Any]:
    whole = {
        "value": 0.12345678901,
        "standard_uncertainty": 0.00012345678,
        "degrees_of_freedom": 54.9999999999,
        "expanded_uncertainty": 0.00024765432,
        "coverage_factor": 2.0060001,
        "interval": [0.12320913469, 0.12370444333],
        "budget": [
            line("b", 0.000087, 0.4999999999),
            line("a", 0.0000870000000001, 0.5000000001),
            line("small", 1.23456789e-6, 1e-4),
            line("rounding", 1.1e-8, 0.99e-6),
        ],
        "details": {"harmonics": [{"order": 360, "amplitude": 0.09726685191594}]},
    }
    return whole | changed


def test_an_entry_is_written_with_the_digits_that_mean_something() -> None:
    found = digits.results({"quantities": {"x": entry(alternatives=[entry()])}, "criteria": []})["quantities"]["x"]
    assert found["value"] == 0.1234568
    assert found["interval"] == [0.1232091, 0.1237044]
    assert found["standard_uncertainty"] == 0.0001235
    assert found["degrees_of_freedom"] == 55.0
    assert found["coverage_factor"] == 2.006
    assert found["details"] == {"harmonics": [{"order": 360, "amplitude": 0.0972669}]}
    # Equal sources stand by name, whichever the last digit favours; what is rounding is left out.
    assert [row["source"] for row in found["budget"]] == ["a", "b", "small"]
    assert found["budget"][2]["standard_uncertainty"] == 1.235e-06
    assert found["alternatives"][0]["value"] == 0.1234568


def test_numbers_that_differ_by_rounding_are_written_alike() -> None:
    def shaken(data: Any, by: float) -> Any:
        if isinstance(data, dict):
            return {key: shaken(item, by) for key, item in data.items()}
        if isinstance(data, list):
            return [shaken(item, by) for item in data]
        return data * (1 + by) if isinstance(data, float) else data

    one = {"quantities": {"x": entry()}, "criteria": []}
    assert digits.results(one) == digits.results(shaken(one, 1e-12)) == digits.results(shaken(one, -1e-12))


def test_written_twice_is_written_once() -> None:
    one = digits.results({"quantities": {"x": entry()}, "criteria": []})
    assert digits.results(one) == one


@pytest.mark.parametrize("number", [0.12345, 0.99999, 5.4321e-7, 0.5])
def test_a_step_is_the_distance_between_neighbours(number: float) -> None:
    for name, rule in (("expanded_uncertainty", digits.uncertainty), ("probability_of_conformity", digits.probability)):
        step = digits.step(name, number, None)
        written = rule(number)
        assert rule(written + 0.4 * step) == written
        assert rule(written + step) == pytest.approx(written + step, rel=1e-12)


def drawn(seed: int) -> dict[str, Any]:
    """Return results with a number wherever one is written, none of which ends."""
    rng = np.random.default_rng(seed)

    def number() -> float:
        return float(rng.uniform(0.05, 0.95))

    u = float(10 ** rng.uniform(-6, 1))
    sources = [
        {"source": "ab"[k], "standard_uncertainty": u * size, "share": size**2, "distribution": "normal"}
        | {"degrees_of_freedom": 100 * number(), "expanded_uncertainty_if_halved": u * number()}
        for k, size in enumerate((0.1 + 0.9 * number(), 0.0011 + 0.01 * number()))
    ]
    whole = entry(
        value=number(),
        standard_uncertainty=u,
        degrees_of_freedom=100 * number(),
        expanded_uncertainty=1.97 * u,
        coverage_factor=2 * number(),
        interval=[number(), number()],
        budget=sources,
        details={"value": number(), "share": number(), "probability": number(), "order": 3},
        procedure="p",
        consistency={"chi_square": number(), "birge_ratio": number(), "probability": number()}
        | {"tests": [{"weight": number(), "residual": number(), "normalised_residual": number()}]},
    )
    other = entry(value=number(), standard_uncertainty=3 * u, normalised_error=number(), procedure="q", budget=[])
    risks = dict.fromkeys(digits._PROBABILITIES, 0.0)
    rows = [
        {"quantity": "x", "from": name, "min": number(), "max": number(), **{risk: number() for risk in risks}}
        | {"acceptance_interval": [number(), number()]}
        for name in (None, "q")
    ]
    checks = [{"statistic": 50 * number(), "probability": number()}]
    tests = [{"adequacy": {"significance": number(), "checks": checks}}]
    return {"quantities": {"x": {**whole, "alternatives": [other]}}, "criteria": rows, "tests": tests}


def leaves(data: Any, *where: Any) -> list[tuple[Any, ...]]:
    """Return the place of each number that is not whole."""
    if isinstance(data, float):
        return [where]
    pairs = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [place for key, item in pairs for place in leaves(item, *where, key)]


@pytest.mark.parametrize("seed", range(40))
def test_every_number_that_is_rounded_is_compared_with_a_step_of_its_own(seed: int) -> None:
    raw = drawn(seed)
    written = digits.results(raw)
    # Rounding moves a number by half of a step, so that a step is enough for every one.
    assert list(_differences(raw, written, "", None, raw)) == []


def test_no_step_hides_a_number_that_is_another() -> None:
    raw = next(raw for raw in map(drawn, range(40)) if raw["quantities"]["x"]["standard_uncertainty"] < 0.01)
    places = leaves(raw)
    assert len(places) > 50
    for *where, last in places:
        old = digits.results(raw)
        new = copy.deepcopy(old)
        holder = new
        for key in where:
            holder = holder[key]
        holder[last] = 1.06 * holder[last] + 2e-5  # a share has six decimals
        assert len(list(_differences(old, new, "", None, old))) == 1, (*where, last)
