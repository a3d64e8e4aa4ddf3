"""How a model's units compare over time: one small chart per quantity, as inline SVG."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from ..quantities import key_quantities, quantities
from ..signs import unit_text
from . import numbers
from .plot import Frame, frame
from .register_view import Row
from .style import INK, LIMIT, MARKS, MUTED
from .symbols import axis_label

#: Up to so many units each has its mark, interval and words; beyond it is a dot, and the extreme ones are marked.
_MOST_MARKED = 150
#: Up to so many units all are named in the picture, else the extreme ones; so much of a name finds room.
_MOST_NAMED, _LONGEST_NAME = 8, 16
#: Where units were judged by more limits than these, lines tell nothing.
_MOST_LIMITS = 4
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
                charts.append(_chart(name, points, _limits(members, name)))
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


def _limits(rows: Sequence[Row], name: str) -> list[float]:
    """Return the limits that the units were judged by, each once; not where they were judged by many."""
    found = {
        limit
        for row in rows
        for criterion in (row.results.criteria if row.results else ())
        if criterion.quantity == name and criterion.from_ is None
        for limit in (criterion.min, criterion.max)
        if limit is not None
    }
    return sorted(found) if len(found) <= _MOST_LIMITS else []


def _chart(name: str, points: Sequence[Point], limits: Sequence[float]) -> Chart:
    quantity = quantities()[name]
    title = axis_label(quantity.title, quantity.unit)
    low, high = min(p.low for p in points), max(p.high for p in points)
    # A limit far from all units would press them into a line.
    span = high - low
    near = [limit for limit in limits if low - 2 * span <= limit <= high + 2 * span]
    plot = frame([p.day for p in points], min([low, *near]), max([high, *near]))
    parts = plot.grid()
    parts += [plot.level(limit, LIMIT, "5 3", f"limit {numbers.limit(limit)}") for limit in near]
    shares = {id(p): (place + 0.5) / len(points) for place, p in enumerate(points)}
    if len(points) <= _MOST_MARKED:
        parts += [_marker(plot, p, shares[id(p)], quantity.unit) for p in points]
        spoken = "; ".join(f"{p.day} {p.unit}: {_written(p, quantity.unit)}, {p.verdict}" for p in points)
        named: Sequence[Point] = points if len(points) <= _MOST_NAMED else _extreme(points)
    else:
        parts.append(plot.dots([(p.day, p.value, shares[id(p)]) for p in points]))
        named = _extreme(points)
        parts += [_marker(plot, p, shares[id(p)], quantity.unit) for p in named]
        spoken = f"{len(points)} units; " + "; ".join(f"{p.unit}: {_written(p, quantity.unit)}" for p in named)
    middle = sorted(p.value for p in points)[len(points) // 2]
    parts += [_name(plot, p, shares[id(p)], p.value >= middle) for p in named]
    beyond = [f"{numbers.limit(limit)} {unit_text(quantity.unit)}".rstrip() for limit in limits if limit not in near]
    shown = f"{title}; beyond the picture: limit {', '.join(beyond)}" if beyond else title
    return Chart(shown, plot.picture(f"{title}. {spoken}", parts))


def _extreme(points: Sequence[Point]) -> list[Point]:
    """Return the lowest and the highest units, which a reader looks for by name."""
    by_value = sorted(points, key=lambda p: (p.value, p.unit))
    return sorted([*by_value[:2], *by_value[-2:]], key=lambda p: (p.day, p.unit))


def _written(point: Point, unit: str) -> str:
    return f"{numbers.result(point.value, (point.high - point.low) / 2).text} {unit_text(unit)}".rstrip()


def _name(plot: Frame, point: Point, share: float, above: bool) -> Markup:
    x = plot.x(point.day, share)
    y = max(9.0, plot.y(point.high) - 3) if above else plot.y(point.low) + 9
    return Markup('<text x="{}" y="{}" font-size="9" fill="{}" text-anchor="{}">{}</text>').format(
        x, y, MUTED, "end" if x > plot.width / 2 else "start", point.unit[:_LONGEST_NAME]
    )


def _marker(plot: Frame, point: Point, share: float, unit: str) -> Markup:
    look = MARKS[point.verdict]
    x = plot.x(point.day, share)
    return Markup(
        '<g><title>{}, {}: {}</title><line x1="{x}" x2="{x}" y1="{}" y2="{}" stroke="{}" stroke-width="1.4"/>'
        '<g transform="translate({} {}) scale(0.65)"><path d="{}" fill="{}" stroke="white" stroke-width="1"/>'
        '<path d="{}" fill="none" stroke="white" stroke-width="2.2"/></g></g>'
    ).format(
        point.unit,
        point.day.isoformat(),
        _written(point, unit),
        plot.y(point.high),
        plot.y(point.low),
        INK,
        round(x - 6.5, 1),
        round(plot.y(point.value) - 6.5, 1),
        look.shape,
        look.colour,
        look.sign,
        x=x,
    )
