"""Units written with the usual SI prefixes and symbols, read without the unit library, which takes long to start.

What is not in these tables is left to the library; a test compares every prefix and symbol here with it.
"""

from __future__ import annotations

import difflib
import itertools
import math
import re
from fractions import Fraction

#: SI brochure (9th edition), table 7, those that the trade uses.
_PREFIXES = {"G": 9, "M": 6, "k": 3, "c": -2, "m": -3, "u": -6, "n": -9, "p": -12}
#: Symbol -> exponents of m, kg, s, A, K (SI brochure, tables 2 and 4), and the factor to coherent SI.
_SYMBOLS: dict[str, tuple[tuple[int, int, int, int, int], Fraction]] = {
    "m": ((1, 0, 0, 0, 0), Fraction(1)),
    "g": ((0, 1, 0, 0, 0), Fraction(1, 1000)),
    "s": ((0, 0, 1, 0, 0), Fraction(1)),
    "A": ((0, 0, 0, 1, 0), Fraction(1)),
    "Hz": ((0, 0, -1, 0, 0), Fraction(1)),
    "N": ((1, 1, -2, 0, 0), Fraction(1)),
    "J": ((2, 1, -2, 0, 0), Fraction(1)),
    "W": ((2, 1, -3, 0, 0), Fraction(1)),
    "Wh": ((2, 1, -2, 0, 0), Fraction(3600)),
    "C": ((0, 0, 1, 1, 0), Fraction(1)),
    "V": ((2, 1, -3, -1, 0), Fraction(1)),
    "ohm": ((2, 1, -3, -2, 0), Fraction(1)),
    "H": ((2, 1, -2, -2, 0), Fraction(1)),
}
#: Those that take no prefix here.
_ALONE: dict[str, tuple[tuple[int, int, int, int, int], Fraction]] = {
    "K": ((0, 0, 0, 0, 1), Fraction(1)),
    "rad": ((0, 0, 0, 0, 0), Fraction(1)),
    "min": ((0, 0, 1, 0, 0), Fraction(60)),
    "h": ((0, 0, 1, 0, 0), Fraction(3600)),
}
_TURNS = {"deg": Fraction(1, 180), "revolution": Fraction(2), "rpm": Fraction(2, 60)}
#: Prefixed symbols that mean something else to the library.
_LEFT_OUT = {"pH"}
#: What a written unit is made of: names, powers, marks.
_TOKEN = re.compile(
    r" *(?:(?P<name>[A-Za-z_°][A-Za-z0-9_°]*)|(?:\^|\*\*)(?P<power>-?[1-9])(?![0-9])|(?P<mark>[*/()])"
    r"|(?P<one>1)(?= */))"
)
#: Brackets within brackets, at most.
_DEEPEST = 2

Dimensions = tuple[int, int, int, int, int]


def terms(text: str) -> list[tuple[str, int]]:
    """Return names and powers of a product of units, read from the left: "N m s^2/rad^2", "V/(rad/s)", "1/s".

    Nothing is worked out: a power is one digit, and the only number is the 1 of "1/s". Raises ``ValueError`` for any
    other text.
    """
    tokens = _tokens(text)
    found: list[tuple[str, int]] = []
    signs = [1]  # of the powers within each open bracket
    sign, before = 1, "start"
    if tokens[:2] == [("one", "1"), ("mark", "/")]:
        tokens, sign, before = tokens[2:], -1, "/"
    for kind, word in tokens:
        after_unit = before in ("name", "power", ")")
        if kind == "name":
            found.append((word, sign * signs[-1]))
        elif kind == "power" and before == "name":
            found[-1] = (found[-1][0], found[-1][1] * int(word))
        elif word == "(" and len(signs) <= _DEEPEST:
            signs.append(sign * signs[-1])
        elif word == ")" and after_unit and len(signs) > 1:
            signs.pop()
        elif word not in ("*", "/") or not after_unit:
            raise ValueError(f"{text!r} is no product of units")
        sign = -1 if word == "/" else 1
        before = kind if kind != "mark" else word
    if len(signs) > 1 or before not in ("name", "power", ")"):
        raise ValueError(f"{text!r} is no product of units")
    return found


def _tokens(text: str) -> list[tuple[str, str]]:
    """Cut a written unit into names, powers and marks. Raises ``ValueError`` at anything else."""
    tokens, place, text = [], 0, text.rstrip()
    while place < len(text):
        token = _TOKEN.match(text, place)
        if token is None:
            raise ValueError(f"{text!r} is no product of units")
        tokens.append((str(token.lastgroup), token[str(token.lastgroup)]))
        place = token.end()
    return tokens


def known(text: str) -> tuple[Dimensions, Fraction, int] | None:
    """Return the dimension (m, kg, s, A, K) of a unit, its factor to SI and the power of pi in it.

    ``None`` for a unit that is not written with these symbols.
    """
    try:
        written = terms(text)
    except ValueError:
        return None
    dimensions, factor, turns = [0] * 5, Fraction(1), 0
    for name, power in written:
        found = _symbol(name)
        if found is None:
            return None
        exponents, scale, turn = found
        dimensions = [d + power * e for d, e in zip(dimensions, exponents, strict=True)]
        factor *= scale**power
        turns += power * turn
    return (dimensions[0], dimensions[1], dimensions[2], dimensions[3], dimensions[4]), factor, turns


def factor(unit: str, target: str) -> float | None:
    """Return what a number in ``unit`` is multiplied by to be in ``target``; ``None`` if these tables cannot say."""
    ours, goal = known(unit), known(target)
    if ours is None or goal is None or ours[0] != goal[0]:
        return None
    return float(ours[1] / goal[1]) * math.pi ** (ours[2] - goal[2])


def near(text: str, target: str) -> str | None:
    """Return the known symbol of the same dimension as ``target`` that looks most like ``text``, if one does."""
    names = [*_ALONE, *_TURNS, *_SYMBOLS, *(prefix + name for prefix in _PREFIXES for name in _SYMBOLS)]
    fitting = [*_with_prefixes(target), *(name for name in names if factor(name, target) is not None)]
    found = difflib.get_close_matches(text.strip().lower(), [name.lower() for name in fitting], n=1, cutoff=0.6)
    alike = [name for name in fitting if found and name.lower() == found[0]]
    # "mv" means mV rather than MV: the letters as they were typed decide.
    return max(alike, key=lambda name: sum(a == b for a, b in zip(name, text.strip(), strict=False)), default=None)


def _with_prefixes(product: str) -> list[str]:
    """Return a product of units with each prefix on each of its symbols, itself first: "kg m^2", "g cm^2"."""
    pieces = re.split(r"([A-Za-z]+)", product)
    choices = []
    for name in pieces:
        base = name if name in _SYMBOLS else name[1:] if name[:1] in _PREFIXES and name[1:] in _SYMBOLS else None
        others = [] if base is None else [base, *(prefix + base for prefix in _PREFIXES)]
        choices.append(list(dict.fromkeys([name, *others])))
    return ["".join(chosen) for chosen in itertools.product(*choices)]


def _symbol(name: str) -> tuple[Dimensions, Fraction, int] | None:
    if name in _TURNS:
        return (0, 0, -1, 0, 0) if name == "rpm" else (0, 0, 0, 0, 0), _TURNS[name], 1
    if name in _ALONE:
        return (*_ALONE[name], 0)
    if name in _SYMBOLS:
        return (*_SYMBOLS[name], 0)
    if name[:1] in _PREFIXES and name[1:] in _SYMBOLS and name not in _LEFT_OUT:
        dimensions, scale = _SYMBOLS[name[1:]]
        return dimensions, scale * Fraction(10) ** _PREFIXES[name[0]], 0
    return None
