"""How a model's units compare over time: one small chart per quantity, as inline SVG."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from ..quantities import key_quantities, quantities
from ..signs import unit_text
from . import numbers
from .register_view import Row
from .style import INK, MARKS, MUTED, RULE
from .symbols import axis_label

_WIDTH, _HEIGHT = 340.0, 170.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 58.0, 12.0, 10.0, 30.0
#: Fewer points show no trend.
_FEWEST = 2


@dataclass(frozen=True)
class Point:
    """One unit's value on its day, with the ends of its interval."""

    unit: str
    day: datetime.date
    value: float
    low: float
    high: float
    verdict: str


@dataclass(frozen=True)
class Chart:
    """One quantity over the days on which the units of a model were tested."""

    title: str
    picture: Markup


@dataclass(frozen=True)
class Trend:
    """All charts of one model."""

    model: str
    units: int
    charts: Sequence[Chart]


def trends(rows: Sequence[Row]) -> list[Trend]:
    """Return the trends of every model that at least two units with a date of test have."""
    models: dict[str, list[Row]] = {}
    for row in rows:
        if row.results is not None and row.unit.get("model") and _day(row) is not None:
            models.setdefault(str(row.unit["model"]), []).append(row)
    found = []
    for model, members in sorted(models.items()):
        charts = []
        for name in key_quantities():
            points = _points(members, name)
            if len(points) >= _FEWEST:
                charts.append(_chart(name, points))
        if charts:
            found.append(Trend(model, len(members), charts))
    return found


def _day(row: Row) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(str(row.unit.get("tested_on")))
    except ValueError:
        return None


def _points(rows: Sequence[Row], name: str) -> list[Point]:
    points = []
    for row in rows:
        day = _day(row)
        entry = row.results.quantities.get(name) if row.results else None
        if entry is not None and day is not None:
            low, high = entry.interval
            points.append(Point(row.name, day, entry.value, low, high, row.verdict))
    return sorted(points, key=lambda point: (point.day, point.unit))


def _chart(name: str, points: Sequence[Point]) -> Chart:
    quantity = quantities()[name]
    title = axis_label(quantity.title, quantity.unit)
    ticks = _ticks(min(p.low for p in points), max(p.high for p in points))
    bottom, top = ticks[0], ticks[-1]
    first, last = points[0].day, points[-1].day
    days = max((last - first).days, 1)

    def x(point: Point, place: int) -> float:
        # On one day, side by side in the order of their names.
        share = (point.day - first).days / days if last > first else (place + 0.5) / len(points)
        return round(_LEFT + 8 + share * (_WIDTH - _LEFT - _RIGHT - 16), 1)

    def y(value: float) -> float:
        return round(_TOP + (top - value) / (top - bottom) * (_HEIGHT - _TOP - _BOTTOM), 1)

    parts = [_gridline(y(tick), numbers.limit(tick)) for tick in ticks]
    parts += [_marker(point, x(point, place), y, quantity.unit) for place, point in enumerate(points)]
    label = Markup('<text x="{}" y="{}" font-size="11" fill="{}" text-anchor="{}">{}</text>')
    parts.append(label.format(_LEFT, _HEIGHT - 8, MUTED, "start", first.isoformat()))
    if last > first:
        parts.append(label.format(_WIDTH - _RIGHT, _HEIGHT - 8, MUTED, "end", last.isoformat()))
    spoken = "; ".join(f"{p.day} {p.unit}: {_written(p, quantity.unit)}, {p.verdict}" for p in points)
    picture = Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" class="trend" role="img" viewBox="0 0 {} {}" width="{}" height="{}">'
        "<title>{}. {}</title>{}</svg>"
    ).format(_WIDTH, _HEIGHT, _WIDTH, _HEIGHT, title, spoken, Markup("").join(parts))
    return Chart(title, picture)


def _written(point: Point, unit: str) -> str:
    return f"{numbers.result(point.value, (point.high - point.low) / 2).text} {unit_text(unit)}".rstrip()


def _gridline(height: float, label: str) -> Markup:
    return Markup(
        '<line x1="{}" x2="{}" y1="{}" y2="{}" stroke="{}" stroke-width="0.8"/>'
        '<text x="{}" y="{}" font-size="11" fill="{}" text-anchor="end">{}</text>'
    ).format(_LEFT, _WIDTH - _RIGHT, height, height, RULE, _LEFT - 5, height + 4, MUTED, label)


def _marker(point: Point, x: float, y: object, unit: str) -> Markup:
    assert callable(y)
    look = MARKS[point.verdict]
    top, middle, bottom = y(point.high), y(point.value), y(point.low)
    return Markup(
        '<g><title>{}, {}: {}</title><line x1="{x}" x2="{x}" y1="{}" y2="{}" stroke="{}" stroke-width="1.4"/>'
        '<g transform="translate({} {}) scale(0.65)"><path d="{}" fill="{}" stroke="white" stroke-width="1"/>'
        '<path d="{}" fill="none" stroke="white" stroke-width="2.2"/></g></g>'
    ).format(
        point.unit,
        point.day.isoformat(),
        _written(point, unit),
        top,
        bottom,
        INK,
        round(x - 6.5, 1),
        round(middle - 6.5, 1),
        look.shape,
        look.colour,
        look.sign,
        x=x,
    )


def _ticks(low: float, high: float) -> list[float]:
    """Return three to six round numbers that span ``low`` to ``high``."""
    span = high - low or abs(high) * 0.1 or 1.0
    rough = span / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough * 0.999)
    first = math.floor(low / step + 1e-9)
    last = max(math.ceil(high / step - 1e-9), first + 1)
    return [number * step for number in range(first, last + 1)]
