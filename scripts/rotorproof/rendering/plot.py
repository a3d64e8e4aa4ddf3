"""Small charts of values over days as inline SVG: the frame, and what is drawn into it."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from . import numbers
from .style import INK, LIMIT, MUTED, RULE

_LEFT, _RIGHT, _TOP, _BOTTOM = 58.0, 12.0, 10.0, 30.0


@dataclass(frozen=True)
class Frame:
    """The scales of one chart: days to the right, values upwards, with round numbers at the side."""

    first: datetime.date
    last: datetime.date
    ticks: Sequence[float]
    width: float
    height: float

    def x(self, day: datetime.date, share_of_day: float = 0.5) -> float:
        """Return where a day lies; all on one day lie by their ``share_of_day``."""
        days = (self.last - self.first).days
        share = (day - self.first).days / days if days else share_of_day
        return round(_LEFT + 8 + share * (self.width - _LEFT - _RIGHT - 16), 1)

    def y(self, value: float) -> float:
        """Return where a value lies, those beyond the frame at its edge."""
        low, high = self.ticks[0], self.ticks[-1]
        held = min(max(value, low), high)
        return round(_TOP + (high - held) / (high - low) * (self.height - _TOP - _BOTTOM), 1)

    def grid(self) -> list[Markup]:
        """Return the lines of the round numbers, and the first and the last day."""
        line = Markup(
            '<line x1="{}" x2="{}" y1="{}" y2="{}" stroke="{}" stroke-width="0.8"/>'
            '<text x="{}" y="{}" font-size="11" fill="{}" text-anchor="end">{}</text>'
        )
        parts = [
            line.format(_LEFT, self.width - _RIGHT, y, y, RULE, _LEFT - 5, y + 4, MUTED, numbers.limit(tick))
            for tick in self.ticks
            for y in [self.y(tick)]
        ]
        parts.append(self._label(_LEFT, "start", self.first.isoformat()))
        if self.last > self.first:
            parts.append(self._label(self.width - _RIGHT, "end", self.last.isoformat()))
        return parts

    def _label(self, x: float, anchor: str, text: str) -> Markup:
        return Markup('<text x="{}" y="{}" font-size="11" fill="{}" text-anchor="{}">{}</text>').format(
            x, self.height - 8, MUTED, anchor, text
        )

    def level(self, value: float, colour: str, dash: str, title: str) -> Markup:
        """Return a level line over all days, with its name."""
        return Markup(
            '<line x1="{}" x2="{}" y1="{y}" y2="{y}" stroke="{}" stroke-width="1.2" stroke-dasharray="{}">'
            "<title>{}</title></line>"
        ).format(_LEFT, self.width - _RIGHT, colour, dash or "none", title, y=self.y(value))

    def band(self, low: float, high: float, colour: str) -> Markup:
        """Return a zone between two values."""
        top, bottom = self.y(high), self.y(low)
        return Markup('<rect x="{}" width="{}" y="{}" height="{}" fill="{}"/>').format(
            _LEFT, self.width - _LEFT - _RIGHT, top, round(max(bottom - top, 0.5), 1), colour
        )

    def line(self, days: Sequence[datetime.date], values: Sequence[float], colour: str, dash: str) -> Markup:
        """Return a line through values over their days."""
        points = " ".join(f"{self.x(day)},{self.y(value)}" for day, value in zip(days, values, strict=True))
        return Markup(
            '<polyline points="{}" fill="none" stroke="{}" stroke-width="1.3" stroke-dasharray="{}"/>'
        ).format(points, colour, dash or "none")

    def dot(self, day: datetime.date, value: float, out: bool, title: str, *, named: bool = False) -> Markup:
        """Return a point with its name; one that is out of limits is a larger square, so that no colour tells it.

        Where it is to be ``named``, its day stands beside it.
        """
        x, y = self.x(day), self.y(value)
        if out:
            shape = Markup('<rect x="{}" y="{}" width="8" height="8" fill="{}" stroke="white">').format(
                round(x - 4, 1), round(y - 4, 1), LIMIT
            )
            anchor, away = ("end", -7) if x > self.width / 2 else ("start", 7)
            name = Markup('<text x="{}" y="{}" font-size="10" fill="{}" text-anchor="{}">{}</text>').format(
                round(x + away, 1), round(y + 3.5, 1), INK, anchor, day.isoformat()
            )
            return Markup("{}<title>{}</title></rect>{}").format(shape, title, name if named else "")
        return Markup('<circle cx="{}" cy="{}" r="2.6" fill="{}"><title>{}</title></circle>').format(x, y, INK, title)

    def dots(self, points: Sequence[tuple[datetime.date, float, float]]) -> Markup:
        """Return many points as one path: a day, a value and the share of the day each."""
        path = "".join(f"M{self.x(day, share)} {self.y(value)}h0" for day, value, share in points)
        return Markup('<path d="{}" stroke="{}" stroke-width="2.4" stroke-linecap="round" fill="none"/>').format(
            path, INK
        )

    def picture(self, title: str, parts: Sequence[Markup]) -> Markup:
        """Return the whole chart; ``title`` says all of it in words."""
        return Markup(
            '<svg xmlns="http://www.w3.org/2000/svg" class="trend" role="img" viewBox="0 0 {} {}" width="{}" '
            'height="{}"><title>{}</title>{}</svg>'
        ).format(self.width, self.height, self.width, self.height, title, Markup("").join(parts))


def frame(days: Sequence[datetime.date], low: float, high: float, width: float = 340.0, height: float = 170.0) -> Frame:
    """Return the frame that holds these days and the values from ``low`` to ``high``."""
    return Frame(min(days), max(days), ticks(low, high), width, height)


def ticks(low: float, high: float) -> list[float]:
    """Return three to six round numbers that span ``low`` to ``high``."""
    span = high - low or abs(high) * 0.1 or 1.0
    rough = span / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough * 0.999)
    first = math.floor(low / step + 1e-9)
    last = max(math.ceil(high / step - 1e-9), first + 1)
    return [number * step for number in range(first, last + 1)]
