"""Small graphics made here as inline SVG: the mark of a decision, and a criterion's limits with the interval."""

from __future__ import annotations

from markupsafe import Markup

from ..decision.models import CriterionEntry, QuantityEntry
from ..signs import unit_text
from . import numbers, words
from .style import INK, MARKS, MUTED, RULE, ZONE

_WIDTH, _HEIGHT = 140.0, 30.0
#: Free room at both ends, as a share of the span of everything that is shown.
_ROOM = 0.12


def mark(word: str, size: str = "1em") -> Markup:
    """Return the shape of a verdict or decision; its title is the word, for readers who cannot see it."""
    look = MARKS[word]
    if look.hollow:
        shape = Markup('<path d="{}" fill="white" stroke="{}" stroke-width="1.8"/>').format(look.shape, look.colour)
        sign_colour = look.colour
    else:
        shape = Markup('<path d="{}" fill="{}"/>').format(look.shape, look.colour)
        sign_colour = "white"
    sign = Markup('<path d="{}" fill="none" stroke="{}" stroke-width="2.2"/>').format(look.sign, sign_colour)
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" class="mark" role="img" viewBox="0 0 20 20" '
        'width="{}" height="{}"><title>{}</title>{}{}</svg>'
    ).format(size, size, look.word, shape, sign)


def criterion_gauge(criterion: CriterionEntry, entry: QuantityEntry | None) -> Markup:
    """Return the limits of a criterion as a zone with edges, and the measured value with its interval on it."""
    low, high = criterion.min, criterion.max
    shown = [x for x in (low, high) if x is not None]
    if entry is not None:
        shown += [entry.value, *entry.interval]
    first, last = min(shown), max(shown)
    span = last - first or abs(last) or 1.0
    start = first - _ROOM * span

    def at(value: float) -> float:
        return round(_WIDTH * (value - start) / (span * (1 + 2 * _ROOM)), 2)

    left = 0.0 if low is None else at(low)
    right = _WIDTH if high is None else at(high)
    parts = [
        Markup('<line x1="0" x2="{}" y1="15" y2="15" stroke="{}" stroke-width="0.8"/>').format(_WIDTH, RULE),
        Markup('<rect x="{}" y="5" width="{}" height="20" fill="{}"/>').format(left, max(right - left, 1.0), ZONE),
    ]
    for edge, limit in ((left, low), (right, high)):
        if limit is not None:
            parts.append(
                Markup('<line x1="{0}" x2="{0}" y1="2" y2="28" stroke="{1}" stroke-width="1.6"/>').format(edge, MUTED)
            )
    for end, limit in zip(criterion.acceptance_interval or (), (low, high), strict=False):
        # With a guard band the value itself must keep a distance from the limit.
        if end is not None and end != limit and start <= end <= start + span * (1 + 2 * _ROOM):
            parts.append(
                Markup(
                    '<line x1="{0}" x2="{0}" y1="5" y2="25" stroke="{1}" stroke-width="1" stroke-dasharray="2 2"/>'
                ).format(at(end), INK)
            )
    if entry is not None:
        parts += _interval(at(entry.value), [at(end) for end in entry.interval], criterion.decision)
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" class="gauge" role="img" viewBox="0 0 {} {}"><title>{}</title>{}</svg>'
    ).format(_WIDTH, _HEIGHT, _described(criterion, entry), Markup("").join(parts))


def _interval(value: float, ends: list[float], decision: str) -> list[Markup]:
    line = Markup('<line x1="{}" x2="{}" y1="{}" y2="{}" stroke="{}" stroke-width="{}"/>')
    look = MARKS[decision]
    scale = 0.62
    corner = (round(value - 10 * scale, 2), round(15 - 10 * scale, 2))
    return [
        line.format(ends[0], ends[1], 15, 15, INK, 1.8),
        *(line.format(end, end, 10, 20, INK, 1.8) for end in ends),
        Markup(
            '<g transform="translate({} {}) scale({})"><path d="{}" fill="{}" stroke="white" stroke-width="1"/>'
            '<path d="{}" fill="none" stroke="white" stroke-width="2.2"/></g>'
        ).format(*corner, scale, look.shape, look.colour, look.sign),
    ]


def _described(criterion: CriterionEntry, entry: QuantityEntry | None) -> str:
    if entry is None:
        return f"Limit: {words.limits_text(criterion)}. Not measured."
    ends = numbers.interval(*entry.interval, entry.expanded_uncertainty)
    unit = unit_text(entry.unit)
    return (
        f"Limit: {words.limits_text(criterion)}. Interval of the measured value: {ends[0]} to {ends[1]} {unit}".rstrip()
        + f". Decision: {criterion.decision}."
    )
