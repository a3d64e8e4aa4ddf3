"""How numbers are written.

Sources: rounding of a result to its uncertainty, JCGM 100:2008, 7.2.6 ("10.057 62 ohm with u = 27 mohm should be
rounded to 10.058 ohm") and 7.2.2 (the mass standard 100.021 47 g with U = 0.79 mg), both from memory; degrees of
freedom truncated to the next lower integer, JCGM 100:2008, G.4.1.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rotorproof.rendering import numbers

_FINITE = st.floats(allow_nan=False, allow_infinity=False)
_SUPERSCRIPTS = str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (10.05762, 0.027, "10.06 ± 0.03"),
        (100.02147, 0.00079, "100.0 ± 0.1"),
        (1.00582, 0.027, "1.006 ± 0.027"),
        (0.12134, 0.00083, "0.1213 ± 0.0009"),
        (29.509, 0.066, "29.51 ± 0.07"),
        (16000.0, 0.3, "16\u202f000 ± 10"),
        # The rounding of U carries into the next digit: its place moves with it.
        (9.996, 0.0996, "10.00 ± 0.10"),
        (9.999, 0.996, "10.0 ± 1.0"),
        (1230.4, 123.0, "1230 ± 120"),
        (123456.7, 432.1, "123\u202f500 ± 500"),
        (1.2345e-6, 2.1e-8, "(1.234 ± 0.021) × 10⁻⁶"),
        (4.56e8, 1.2e6, "(4.560 ± 0.012) × 10⁸"),
        # Far below its uncertainty a value is zero, and zero has no sign.
        (0.001, 12.0, "0 ± 12"),
        (-0.0004, 0.12, "0.00 ± 0.12"),
        (-3.21, 0.12, "−3.21 ± 0.12"),
        (0.0, 0.1, "0.00 ± 0.10"),
        (1e-300, 1e-302, "(1.000 ± 0.010) × 10⁻³⁰⁰"),
        # No uncertainty: the number alone.
        (51.0, 0.0, "51"),
        (0.1 + 0.2, 0.0, "0.3"),
    ],
)
def test_result_is_rounded_to_two_digits_of_its_uncertainty(value: float, uncertainty: float, text: str) -> None:
    assert numbers.result(value, uncertainty).text == text


@given(_FINITE, st.floats(min_value=0, max_value=1e300, exclude_min=True))
def test_rounding_moves_no_number_by_more_than_half_its_last_place(value: float, uncertainty: float) -> None:
    written = numbers.result(value, uncertainty)
    power = int(match[1].translate(_SUPERSCRIPTS)) if (match := re.search(r"10([⁻⁰¹²³⁴⁵⁶⁷⁸⁹]+)", written.power)) else 0
    shown, spread = (
        Decimal(text.replace("\u202f", "").replace("−", "-")).scaleb(power)
        for text in (written.value, written.uncertainty)
    )
    place = Decimal(1).scaleb(int(spread.as_tuple().exponent))
    # Digits before the point are written with zeros: 1230 ± 120 is rounded to tens.
    place = max(place, Decimal(1).scaleb(spread.adjusted() - 1), Decimal(1).scaleb(shown.adjusted() - 3))
    assert abs(shown - Decimal(repr(value))) <= place / 2
    # An uncertainty that lies beyond the fourth digit of its value is rounded up.
    assert -place / 2 <= spread - Decimal(repr(uncertainty)) <= place


@given(_FINITE)
def test_plain_numbers_of_any_size_stay_short(value: float) -> None:
    assert len(numbers.plain(value)) <= 18
    assert "e" not in numbers.plain(value).lower()


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_never_printed(bad: float) -> None:
    for attempt in (
        lambda: numbers.result(bad, 0.1),
        lambda: numbers.result(1.0, bad),
        lambda: numbers.interval(bad, 1.0, 0.1),
        lambda: numbers.plain(bad),
        lambda: numbers.limit(bad),
        lambda: numbers.percent(bad),
        lambda: numbers.probability(bad),
    ):
        with pytest.raises(ValueError, match="finite"):
            attempt()
    with pytest.raises(ValueError, match="negative"):
        numbers.result(1.0, -0.1)


def test_unequal_sides_are_both_shown() -> None:
    assert numbers.stated(1.21, 1.15, 1.32, 0.11) == "1.21 (+0.11 −0.06)"
    assert numbers.stated(1.21, 1.10, 1.32, 0.11) == "1.21 ± 0.11"
    assert numbers.stated(2e-7, 1.4e-7, 3.1e-7, 1.1e-7) == "2.0 (+1.1 −0.6) × 10⁻⁷"
    assert numbers.stated(4.0, 4.0, 4.0, 0.0) == "4"
    # A commutation table is a number whose every digit counts.
    assert numbers.stated(534162.0, 534162.0, 534162.0, 0.0).replace("\u202f", "") == "534162"
    assert numbers.stated(1 / 3, 1 / 3, 1 / 3, 0.0).replace("\u202f", "") == "0.33333"


def test_interval_has_the_place_of_its_value() -> None:
    assert numbers.interval(0.12051, 0.12217, 0.00083) == ("0.1205", "0.1222")
    assert numbers.interval(-0.12, 0.12, 0.12) == ("−0.12", "0.12")
    assert numbers.interval(1.213e-6, 1.255e-6, 2.1e-8) == ("1.213\u202f× 10⁻⁶", "1.255\u202f× 10⁻⁶")


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.15, "0.15"), (12000.0, "12\u202f000"), (0.1 + 0.2, "0.3"), (5e6, "5\u202f× 10⁶"), (-2.5, "−2.5"), (0.0, "0")],
)
def test_a_limit_keeps_its_own_digits(value: float, text: str) -> None:
    assert numbers.limit(value) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(1.0, "> 99.99 %"), (0.99995, "> 99.99 %"), (0.9984, "99.84 %"), (0.5, "50.0 %"), (0.0, "< 0.01 %")],
)
def test_a_probability_never_rounds_to_certainty(value: float, text: str) -> None:
    assert numbers.probability(value) == text


def test_shares_and_degrees_of_freedom() -> None:
    assert [numbers.percent(x) for x in (0.0, 0.0004, 0.045, 0.621, 1.0)] == [
        "0 %",
        "< 0.1 %",
        "4.5 %",
        "62 %",
        "100 %",
    ]
    assert [numbers.degrees_of_freedom(x) for x in (None, 41.97, 1e9, 0.5)] == ["∞", "41", "∞", "0.5"]


def test_parts_of_a_budget_share_one_place() -> None:
    assert [numbers.beside(x, 0.00067) for x in (0.00059, 8.4e-5, 6.9e-6)] == ["0.000590", "0.000084", "0.000007"]
    assert numbers.beside(1.2e-8, 2.14e-6) == "0.01\u202f× 10⁻⁶"


@pytest.mark.parametrize(
    ("value", "limits", "text"),
    [
        (3.004, [3.0], "3.004"),
        (3.51, [3.0], "3.51"),
        (3.514, [3.0], "3.51"),
        (3.0, [3.0], "3"),
        (0.12999996, [0.1, 0.13], "0.12999996"),
        (2.9999, [3.0], "2.9999"),
    ],
)
def test_a_value_never_reads_like_a_limit_that_it_does_not_equal(value: float, limits: list[float], text: str) -> None:
    assert numbers.against(value, limits, 3) == text
