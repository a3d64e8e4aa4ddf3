"""The page of the models: how their units scatter, which are odd, and what deliveries and time say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from ..quantities import quantities
from ..season.population import Constant, Population
from ..signs import unit_text
from . import numbers, words
from .symbols import with_unit

_MOST_NAMES = 12


@dataclass(frozen=True)
class ConstantView:
    """One constant of a model, ready to print."""

    title: str
    units: int
    mean: Markup
    between: Markup
    interval: Markup
    errors: Markup
    tolerance: Markup
    outliers: str
    deliveries: str
    trend: str


@dataclass(frozen=True)
class PopulationView:
    """One model, ready to print."""

    title: str
    counted: str
    constants: Sequence[ConstantView]


def population_view(populations: Sequence[Population]) -> list[PopulationView]:
    """Return what the page shows of each model."""
    return [
        PopulationView(one.model, words.counted(one.units, "unit"), [_constant(c) for c in one.constants])
        for one in populations
    ]


def _constant(one: Constant) -> ConstantView:
    found = one.scatter
    unit = one.unit
    low, high = (numbers.plain(end, 4) for end in one.tolerance)
    return ConstantView(
        quantities()[one.quantity].title,
        len(one.units),
        with_unit(numbers.result(found.mean, 2 * found.mean_uncertainty).text, unit),
        with_unit(numbers.plain(found.between, 2), unit),
        with_unit(f"{numbers.plain(found.between_low, 2)} to {numbers.plain(found.between_high, 2)}", unit),
        with_unit(f"{numbers.plain(one.own_error, 2)}, shared {numbers.plain(one.shared_error, 2)}", unit),
        # Where the scatter of units is lost in the errors there is no interval, only a mean.
        with_unit(f"{low} to {high}", unit) if one.tolerance[0] < one.tolerance[1] else Markup("cannot be told"),
        _listed(one.outliers) or "none",
        _deliveries(one),
        _trend(one),
    )


def _listed(names: Sequence[str]) -> str:
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def _deliveries(one: Constant) -> str:
    odd = [
        f"{each.name} ({words.counted(each.units, 'unit')}): "
        f"{numbers.result(each.difference, each.expanded_uncertainty).text} {unit_text(one.unit)} from the others"
        for each in one.deliveries
        if each.odd
    ]
    if odd:
        return "; ".join(odd)
    return f"none of {len(one.deliveries)}" if one.deliveries else "no two of three units each"


def _trend(one: Constant) -> str:
    if one.trend is None:
        return "no two days"
    shown = numbers.result(one.trend.slope, one.trend.expanded_uncertainty).text
    found = "drifts by" if one.trend.drifts else "none:"
    return f"{found} {shown} {unit_text(one.unit)} a year, over {one.trend.days} days"
