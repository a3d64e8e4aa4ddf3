"""How many digits of a number are written to ``results.json`` and ``comparison.json``: those that mean something.

Computers of different kinds, and versions of the libraries, agree to about the tenth digit of a result. What is written
ends well before that, so that the files, and all that is made from them, agree to the byte. Decisions are made before,
on the numbers as they were computed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

#: Digits of an uncertainty, and of what is as uncertain as one: a coverage factor, degrees of freedom, a share.
UNCERTAINTY_DIGITS = 4
#: Digits of a number that states no uncertainty, such as the height of a harmonic in a list.
PLAIN_DIGITS = 6
#: Digits of a number that is exact or comes from a settings file: double precision is sure of a few more.
EXACT_DIGITS = 12
#: Decimals of a probability, a share or a correlation beyond which nobody reads.
MOST_DECIMALS = 6
#: Sources below this share of the variance are left out of a budget: often the rounding of a difference that is zero.
SMALLEST_SHARE = 1e-6
#: A source of the smallest share keeps three digits beside the whole uncertainty, which has one before them.
_BESIDE = UNCERTAINTY_DIGITS + 1


def significant(number: float, digits: int) -> float:
    """Return a number rounded to so many significant digits."""
    return float(f"{number:.{digits - 1}e}") + 0.0  # never -0.0, whose sign is that of a rounding error


def uncertainty(number: float) -> float:
    """Return a number rounded to four significant digits."""
    return significant(number, UNCERTAINTY_DIGITS)


def last_place(standard_uncertainty: float) -> int:
    """Return the power of ten of the last digit written of a value: two beyond its uncertainty's second digit."""
    return _size(standard_uncertainty) - UNCERTAINTY_DIGITS + 1


def value(number: float, standard_uncertainty: float) -> float:
    """Return a value, or the end of an interval, rounded to two digits beyond its uncertainty's second digit."""
    if standard_uncertainty == 0:
        return significant(number, EXACT_DIGITS)
    return round(number, -last_place(standard_uncertainty)) + 0.0


def share(number: float) -> float:
    """Return a part of one rounded to four significant digits and at most six decimals."""
    return round(uncertainty(number), MOST_DECIMALS) + 0.0


def probability(number: float) -> float:
    """Return a probability: as a share, or 1 less one where that is smaller."""
    return share(number) if number <= 0.5 else round(1.0 - share(1.0 - number), MOST_DECIMALS)


@dataclass(frozen=True, slots=True)
class _Rule:
    """How a number is written, and by how much two neighbours differ as they are written.

    Both take the number and the standard uncertainty of the value that it belongs to, ``None`` where it has none.
    """

    write: Callable[[float, float | None], float]
    step: Callable[[float, float | None], float]


def _digits(count: int) -> _Rule:
    return _Rule(lambda number, _: significant(number, count), lambda number, _: _step(number, count))


def _decimals(count: int) -> _Rule:
    return _Rule(lambda number, _: round(number, count) + 0.0, lambda number, _: 10.0**-count)


def _share_step(number: float) -> float:
    return max(_step(number, UNCERTAINTY_DIGITS), 10.0**-MOST_DECIMALS)


def _value_step(number: float, u: float | None) -> float:
    if u is None:
        return _step(number, PLAIN_DIGITS)
    return 10.0 ** last_place(u) if u else _step(number, EXACT_DIGITS)


def _source(number: float, whole: float | None) -> float:
    """Return a line of a budget, which ends where it no longer counts beside the whole."""
    own = uncertainty(number)
    return round(own, _BESIDE - _size(whole)) if whole else own


def _source_step(number: float, whole: float | None) -> float:
    own = _step(number, UNCERTAINTY_DIGITS)
    return max(own, 10.0 ** (_size(whole) - _BESIDE)) if whole else own


_PLAIN = _digits(PLAIN_DIGITS)
_VALUE = _Rule(lambda number, u: significant(number, PLAIN_DIGITS) if u is None else value(number, u), _value_step)
_PROBABILITY = _Rule(
    lambda number, _: probability(number), lambda number, _: _share_step(min(number, abs(1.0 - number)))
)
_UNCERTAINTIES = (
    "standard_uncertainty",
    "degrees_of_freedom",
    "expanded_uncertainty",
    "coverage_factor",
    "normalised_error",
)
_PROBABILITIES = (
    "probability_of_conformity",
    "specific_consumer_risk",
    "specific_producer_risk",
    "global_consumer_risk",
    "global_producer_risk",
)
#: The rule of each number by its name, or by the name of what holds it and its own, which goes before.
_RULES: Mapping[str, _Rule] = {
    **dict.fromkeys(("value", "interval", "acceptance_interval", "difference", "residual"), _VALUE),
    **dict.fromkeys(
        (
            *_UNCERTAINTIES,
            "expanded_uncertainty_if_halved",
            "expected_uncertainty",
            "significance",
            "chi_square",
            "birge_ratio",
        ),
        _digits(UNCERTAINTY_DIGITS),
    ),
    **dict.fromkeys((*_PROBABILITIES, "probability"), _PROBABILITY),
    **dict.fromkeys(("weight", "normalised_residual", "correlation", "shift"), _decimals(UNCERTAINTY_DIGITS)),
    **dict.fromkeys(("min", "max"), _digits(EXACT_DIGITS)),
    "share": _Rule(lambda number, _: share(number), lambda number, _: _share_step(number)),
    "budget.standard_uncertainty": _Rule(_source, _source_step),
    # Residuals are differences: two computers share few digits of their statistics.
    "checks.statistic": _digits(3),
    "checks.probability": _decimals(4),
}


def step(name: str, number: float, standard_uncertainty: float | None) -> float:
    """Return by how much two neighbours differ, as they are written, of what ``name`` holds.

    Two computers whose numbers lie on either side of half a step write neighbours. ``name`` may have before it, and a
    dot, the name of what holds it; ``standard_uncertainty`` is that of the value it belongs to, where there is one.
    """
    rule = _RULES.get(name) or _RULES.get(name.rpartition(".")[2], _PLAIN)
    return rule.step(number, standard_uncertainty)


def results(found: Mapping[str, Any]) -> dict[str, Any]:
    """Return the content of ``results.json`` with the digits that mean something."""
    more = {
        key: [{**one, "quantities": {name: _entry(entry) for name, entry in one["quantities"].items()}} for one in each]
        for key, each in found.items()
        if key == "applications"
    }
    quantities = {name: _entry(entry) for name, entry in found["quantities"].items()}
    criteria = [_criterion(row, judged(row, found)) for row in found["criteria"]]
    tests = [{**test, "adequacy": _adequacy(test["adequacy"])} for test in found.get("tests", ())]
    return {**found, **more, "quantities": quantities, "criteria": criteria, "tests": tests}


def comparison(found: Mapping[str, Any]) -> dict[str, Any]:
    """Return the content of ``comparison.json`` with the digits that mean something; single values have them."""
    rows = {name: {**row, "pairs": [_pair(pair) for pair in row["pairs"]]} for name, row in found["quantities"].items()}
    return {**found, "quantities": rows}


def _adequacy(found: Mapping[str, Any]) -> dict[str, Any]:
    checks = [_each(check, ("statistic", "probability"), within="checks") for check in found["checks"]]
    return {**_each(found, ("significance",)), "checks": checks}


def _entry(entry: Mapping[str, Any]) -> dict[str, Any]:
    u = entry["standard_uncertainty"]
    rounded = _each(entry, (*_UNCERTAINTIES, "value", "interval"), u)
    rounded["budget"] = _budget(entry["budget"], u)
    if "details" in entry:
        rounded["details"] = _plain(entry["details"])
    if entry.get("consistency"):
        rounded["consistency"] = _consistency(entry["consistency"], u)
    if "alternatives" in entry:
        rounded["alternatives"] = [_entry(other) for other in entry["alternatives"]]
    return rounded


def _consistency(found: Mapping[str, Any], u: float) -> dict[str, Any]:
    names = ("value", "expanded_uncertainty", "weight", "residual", "normalised_residual")
    tests = [_each(one, names, u) for one in found["tests"]]
    rounded = {**_each(found, ("chi_square", "birge_ratio", "probability")), "tests": tests}
    if "explanations" in found:
        rounded["explanations"] = [_each(one, ("shift", "probability")) for one in found["explanations"]]
    return rounded


def _budget(lines: Sequence[Mapping[str, Any]], whole: float) -> list[dict[str, Any]]:
    names = ("standard_uncertainty", "share", "degrees_of_freedom", "expanded_uncertainty_if_halved")
    rows = [_each(line, names, whole, "budget") for line in lines if line["share"] >= SMALLEST_SHARE]
    # Two sources of one size would else stand in an order that their last digits give.
    return sorted(rows, key=lambda row: (-row["standard_uncertainty"], row["source"]))


def judged(row: Mapping[str, Any], found: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return the entry of ``results.json`` that a criterion was decided on, as ``Results.judged`` does."""
    applied = (one["quantities"] for one in found.get("applications") or () if one["for"] == row.get("for"))
    entry = next(applied, found["quantities"]).get(row["quantity"])
    if entry is None or row.get("from") is None:
        return entry
    each = (entry, *entry.get("alternatives", ()))
    return next((one for one in each if one["procedure"] == row["from"]), None)


def _criterion(row: Mapping[str, Any], entry: Mapping[str, Any] | None) -> dict[str, Any]:
    u = entry["standard_uncertainty"] if entry is not None else 0.0
    limits = [row.get(side) for side in ("min", "max")]
    rounded = _each(row, ("min", "max", *_PROBABILITIES))
    if row.get("advice"):
        rounded["advice"] = [_each(one, ("expected_uncertainty",)) for one in row["advice"]]
    ends = row.get("acceptance_interval")
    if ends is not None:
        # Without a guard band an end is the limit itself, as its author wrote it.
        rounded["acceptance_interval"] = [
            end if end is None else significant(end, EXACT_DIGITS) if end in limits else value(end, u) for end in ends
        ]
    return rounded


def _pair(pair: Mapping[str, Any]) -> dict[str, Any]:
    names = (*_UNCERTAINTIES, "difference", "interval", "correlation")
    return _each(pair, names, pair["standard_uncertainty"])


def _each(found: Mapping[str, Any], names: Sequence[str], u: float | None = None, within: str = "") -> dict[str, Any]:
    """Return ``found`` with those numbers, or lists of numbers, of ``names`` that are there by their rules."""

    def written(key: str, item: Any) -> Any:
        if key not in names or item is None:
            return item
        rule = _RULES.get(f"{within}.{key}") or _RULES[key]
        return [rule.write(one, u) for one in item] if isinstance(item, list | tuple) else rule.write(item, u)

    return {key: written(key, item) for key, item in found.items()}


def _plain(data: Any) -> Any:
    if isinstance(data, Mapping):
        return {key: _plain(item) for key, item in data.items()}
    if isinstance(data, list | tuple):
        return [_plain(item) for item in data]
    return significant(data, PLAIN_DIGITS) if isinstance(data, float) else data


def _step(number: float, digits: int) -> float:
    return 10.0 ** (_size(number) - digits + 1) if number else 0.0


def _size(number: float) -> int:
    """Return the power of ten of the first digit of an uncertainty as it is written."""
    return int(f"{number:.{UNCERTAINTY_DIGITS - 1}e}".partition("e")[2])
