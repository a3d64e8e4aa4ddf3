"""Numbers as a reader sees them: uncertainty with two significant digits, the value to the same place.

A value has four digits at most, as many as anybody at a bench acts on; where its uncertainty lies beyond the fourth, it
is rounded up to that place (JCGM 100:2008, 7.2.6). Files keep all digits.

After JCGM 100:2008, 7.2.2 and 7.2.6 (how to state a result, how many digits) and the rules for printing numbers of
ISO 80000-1:2009, 7.3 (thin spaces between groups of three digits, a true minus sign, "x 10^n" for powers).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Context, Decimal

#: Digits of the expanded uncertainty that are shown (JCGM 100:2008, 7.2.6: two at most usually suffice).
UNCERTAINTY_DIGITS = 2
#: Digits of a value with uncertainty that are shown.
VALUE_DIGITS = 4
#: Digits of a number that states no uncertainty (a reading in a table, a computed total).
PLAIN_DIGITS = 5
#: Digits of a whole number without uncertainty: as many as double precision is sure of.
_WHOLE_DIGITS = 15
#: Digits of a limit: those that its author may have written.
_MOST_DIGITS = 12
#: Numbers below and above these powers of ten are written with "x 10^n".
_LOWEST, _HIGHEST = -4, 6
#: Sides of an interval that differ by less than this share of the longer one are printed as one.
_SAME_SIDES = 0.02
_MINUS, _NARROW = "−", "\u202f"
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(frozen=True, slots=True)
class Written:
    """A result ready to print: ``value``, its ``uncertainty`` and a common ``power`` ("" or "× 10⁻⁶")."""

    value: str
    uncertainty: str
    power: str = ""

    @property
    def text(self) -> str:
        """Return "0.1213 ± 0.0008" or "(1.21 ± 0.08) × 10⁻⁶", without the unit."""
        if not self.uncertainty:
            return f"{self.value}{_NARROW}{self.power}" if self.power else self.value
        both = f"{self.value} ± {self.uncertainty}"
        return f"({both}) {self.power}" if self.power else both


def result(value: float, expanded_uncertainty: float) -> Written:
    """Return a value and its expanded uncertainty, both rounded to one place: two digits of the latter, if they show.

    Without uncertainty (0) the value alone is given: a whole number, which may be a count or a table written as a
    number, with all its digits, else five. Raises ``ValueError`` on what is not finite and on a negative
    uncertainty: a report must not print either.
    """
    _check(value, expanded_uncertainty)
    if expanded_uncertainty < 0:
        raise ValueError("an uncertainty cannot be negative")
    if expanded_uncertainty == 0:
        return _plain(value, _WHOLE_DIGITS if float(value).is_integer() else PLAIN_DIGITS)
    place, capped = _place(value, expanded_uncertainty)
    rounded = _to_place(expanded_uncertainty, place, ROUND_CEILING if capped else ROUND_HALF_EVEN)
    number = _to_place(value, place)
    power = _power(number if number else rounded)
    return Written(_digits(number, place, power), _digits(rounded, place, power), _times(power))


def stated(value: float, low: float, high: float, expanded_uncertainty: float) -> str:
    """Return a value with its uncertainty: "1.21 ± 0.08", or "1.21 (+0.11 −0.06)" where the sides differ.

    ``expanded_uncertainty`` is the longer side of the interval from ``low`` to ``high``.
    """
    _check(value, low, high)
    above, below = high - value, value - low
    if expanded_uncertainty <= 0 or abs(above - below) <= _SAME_SIDES * expanded_uncertainty:
        return result(value, expanded_uncertainty).text
    place, capped = _place(value, expanded_uncertainty)
    rounding = ROUND_CEILING if capped else ROUND_HALF_EVEN
    number = _to_place(value, place)
    power = _power(number if number else _to_place(expanded_uncertainty, place, rounding))
    sides = [_digits(_to_place(side, place, rounding), place, power) for side in (above, below)]
    text = f"{_digits(number, place, power)} (+{sides[0]} {_MINUS}{sides[1]})"
    return f"{text} {_times(power)}" if power else text


def interval(low: float, high: float, expanded_uncertainty: float) -> tuple[str, str]:
    """Return the ends of a coverage interval to the decimal place at which ``result`` writes the value.

    A power of ten, where one is needed, is written with each end.
    """
    _check(low, high, expanded_uncertainty)
    if expanded_uncertainty <= 0:
        return plain(low), plain(high)
    place, capped = _place((low + high) / 2, expanded_uncertainty)
    outwards = (ROUND_FLOOR, ROUND_CEILING) if capped else (ROUND_HALF_EVEN, ROUND_HALF_EVEN)
    rounded = [_to_place(end, place, how) for end, how in zip((low, high), outwards, strict=True)]
    ends = []
    largest = max(rounded, key=abs)
    power = _power(largest if largest else Decimal(1).scaleb(place))
    for end in rounded:
        text = _digits(end, place, power)
        ends.append(f"{text}{_NARROW}{_times(power)}" if power else text)
    return ends[0], ends[1]


def beside(part: float, whole: float) -> str:
    """Return a part of an uncertainty to the place of the whole's third digit, so that a column can be compared."""
    _check(part, whole)
    if whole <= 0:
        return plain(part, 2)
    rounded = _significant(whole, UNCERTAINTY_DIGITS + 1)
    place = _last_place(rounded, UNCERTAINTY_DIGITS + 1)
    power = _power(rounded)
    text = _digits(_to_place(part, place), place, power)
    return f"{text}{_NARROW}{_times(power)}" if power else text


def plain(value: float, digits: int = PLAIN_DIGITS) -> str:
    """Return a number without uncertainty to at most ``digits`` significant digits, no trailing zeros."""
    _check(value)
    return _plain(value, digits).text


def against(value: float, limits: Iterable[float], digits: int) -> str:
    """Return ``plain``, with as many digits more as tell the value from a limit that it does not equal."""
    others = {limit(one) for one in limits if one != value}
    texts = (plain(value, count) for count in range(digits, _MOST_DIGITS + 1))
    return next((text for text in texts if text not in others), plain(value, digits))


def limit(value: float) -> str:
    """Return a limit as its author wrote it: every digit that it has, but none that binary arithmetic added."""
    _check(value)
    return _plain(value, _MOST_DIGITS).text


def percent(share: float) -> str:
    """Return a share of 1 as a percentage for budgets: "62 %", "0.4 %", "< 0.1 %"."""
    _check(share)
    hundred = 100 * share
    if 0 < hundred < 0.1:
        return "< 0.1 %"
    return f"{plain(round(hundred, 1 if hundred < 10 else 0), 3)} %"


def probability(value: float) -> str:
    """Return a probability in percent that never rounds to certainty: "99.8 %", "> 99.99 %", "< 0.01 %"."""
    _check(value)
    if not 0 <= value <= 1:
        raise ValueError("a probability lies between 0 and 1")
    if value > 0.9999:
        return "> 99.99 %"
    if value < 0.0001:
        return "< 0.01 %"
    digits = 2 if value > 0.99 or value < 0.01 else 1
    return f"{100 * value:.{digits}f} %"


def degrees_of_freedom(value: float | None) -> str:
    """Return degrees of freedom, truncated to a whole number (JCGM 100:2008, G.4.1); ``None`` is infinite."""
    if value is None or value >= 1e3:
        return "∞"
    _check(value)
    return str(math.floor(value)) if value >= 1 else plain(value, 2)


def _check(*numbers: float) -> None:
    if not all(math.isfinite(number) for number in numbers):
        raise ValueError("only finite numbers can be written into a report")


def _significant(value: float, digits: int) -> Decimal:
    return Context(prec=digits, rounding=ROUND_HALF_EVEN).create_decimal(repr(float(value)))


def _last_place(rounded: Decimal, digits: int) -> int:
    """Return the power of ten of the last significant digit: -4 for 0.0008 written as 0.00080."""
    return rounded.adjusted() - digits + 1


def _place(value: float, expanded_uncertainty: float) -> tuple[int, bool]:
    """Return the power of ten of the last digit shown, and whether it is the value's fourth, not the uncertainty's."""
    place = _last_place(_significant(expanded_uncertainty, UNCERTAINTY_DIGITS), UNCERTAINTY_DIGITS)
    if value == 0:
        return place, False
    fourth = _last_place(_significant(value, VALUE_DIGITS), VALUE_DIGITS)
    return max(place, fourth), fourth > place


def _to_place(value: float, place: int, rounding: str = ROUND_HALF_EVEN) -> Decimal:
    # The quantum may lie far beyond the value's own digits: give the arithmetic room for both.
    context = Context(prec=700, rounding=rounding)
    number = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(place), context=context)
    return abs(number) if number == 0 else number  # never "-0.00"


def _power(number: Decimal) -> int:
    """Return the power of ten to take out of a number: 0 within the ordinary range."""
    size = number.adjusted()
    # A speed of 1230 rpm known to 120 rpm stays a whole number: (1.23 ± 0.12) × 10³ helps nobody at a bench.
    return 0 if _LOWEST <= size < _HIGHEST else size


def _digits(number: Decimal, place: int, power: int) -> str:
    shown = number.scaleb(-power, context=Context(prec=700))
    decimals = max(0, power - place)
    return _grouped(f"{shown:.{decimals}f}")


def _times(power: int) -> str:
    return f"× 10{str(power).translate(_SUPERSCRIPT)}" if power else ""


def _plain(value: float, digits: int) -> Written:
    if value == 0:
        return Written("0", "")
    rounded = _significant(value, digits)
    size = rounded.adjusted()
    # A whole number of ordinary size keeps its digits: 12 000 rpm is not 1.2 x 10^4 rpm.
    power = 0 if _LOWEST <= size < _HIGHEST else size
    shown = rounded.scaleb(-power).normalize()
    decimals = max(0, -int(shown.as_tuple().exponent))
    return Written(_grouped(f"{shown:.{decimals}f}"), "", _times(power))


def _grouped(text: str) -> str:
    """Put thin spaces between groups of three digits where five or more stand before the point."""
    sign, body = (_MINUS, text[1:]) if text.startswith("-") else ("", text)
    whole, point, fraction = body.partition(".")
    if len(whole) > 4:
        first = len(whole) % 3 or 3
        whole = _NARROW.join([whole[:first], *(whole[i : i + 3] for i in range(first, len(whole), 3))])
    return sign + whole + point + fraction
