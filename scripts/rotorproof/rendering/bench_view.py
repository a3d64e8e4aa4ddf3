"""The page of the check standards: a control chart for each constant, and what each day out of control says."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from ..quantities import quantities
from ..season.bench import BASELINE, Chart, Judgement, Standard, quantity_of
from ..season.gather import day_of, is_standard, serials
from ..signs import unit_text
from ..units import from_si
from . import numbers, words
from .plot import frame
from .style import INK, LIMIT, SERIES_COLOURS, ZONE
from .symbols import axis_label
from .wording import maker

#: So many days out of control are told one by one, the latest first.
_MOST_DAYS = 12
#: Days out of control that are named in a chart.
_MOST_NAMED = 3


@dataclass(frozen=True)
class ChartView:
    """One chart, ready to place, and its limits in words."""

    title: str
    picture: Markup
    caption: str


@dataclass(frozen=True)
class DayView:
    """One day out of control in words."""

    day: str
    unit: str
    report: str
    constants: str
    why: str
    what: str


@dataclass(frozen=True)
class StandardView:
    """One check standard, ready to print."""

    title: str
    state: str
    charts: Sequence[ChartView]
    days: Sequence[DayView]
    left_out: int


def bench_view(
    standards: Sequence[Standard], archived: Mapping[str, str] | None = None, place: str = ""
) -> list[StandardView]:
    """Return what the page shows of each check standard.

    Their reports lie at ``place``, those of the ``archived`` where it says, both seen from the page.
    """
    return [_standard(one, archived or {}, place) for one in standards]


def bench_doubt(unit: Mapping[str, Any], standards: Sequence[Standard]) -> str:
    """Return why the bench on which a unit was measured is in doubt, "" if it is not.

    A standard speaks for units that share an instrument with it; where serial numbers are not stated, for all.
    """
    day = day_of(unit)
    if day is None or is_standard(unit):
        return ""
    own = serials(unit)
    for one in standards:
        shared = own & one.instruments
        found = one.doubt(day) if shared or not own or not one.instruments else None
        if found is not None:
            if found.beyond_stated:
                size = "by more than the stated accuracies allow: measure this unit again"
            else:
                size = "within what the stated accuracies allow, and the intervals of this unit with them"
            cause = f"; fits {_either(found.suspects)}" if found.suspects else ""
            return (
                f"Bench in doubt: the check standard {one.serial} was out of control on {found.day} "
                f"({_titles(found.departed)}{cause}), {size}"
            )
    return ""


def _standard(one: Standard, archived: Mapping[str, str], place: str) -> StandardView:
    out = [day for day in one.days if day.state == "out of control"]
    title = " ".join(filter(None, (one.model, one.serial)))
    return StandardView(
        title, _state(one), [_chart(chart) for chart in one.charts],
        [_day(day, archived.get(day.unit, f"{place}{day.unit}/report.pdf")) for day in out[::-1][:_MOST_DAYS]],
        max(0, len(out) - _MOST_DAYS),
    )  # fmt: skip


def _state(one: Standard) -> str:
    # The first days are learned from, so there is always one that tells.
    last = [day for day in one.days if day.state != "not measured"][-1]
    newest = one.days[-1]
    unseen = f"; on {newest.day} nothing that is charted was measured" if newest is not last else ""
    return _told(one, last) + unseen


def _told(one: Standard, last: Judgement) -> str:
    counted = words.counted(len(one.days), "day")
    if last.state == "learning":
        if len(one.days) > BASELINE:
            return f"{counted}; no constant was measured on more than {BASELINE} of them, so there are no limits yet"
        return f"{counted}; limits are made from the first {BASELINE}"
    good = [day.day for day in one.days if day.state == "in control"]
    if last.state == "in control":
        return f"in control on {last.day}; {counted}"
    since = f"the last good day is {good[-1]}" if good else "no day after the first ones was good"
    return f"out of control on {last.day}; {since}"


def _titles(names: Sequence[str]) -> str:
    return ", ".join(_title(name) for name in names)


def _title(name: str) -> str:
    """Return a constant's title, with the test that gave it."""
    quantity, _, procedure = name.partition("/")
    title = quantities()[quantity].title
    return f"{title} ({maker(procedure)})" if procedure else title


def _either(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _day(day: Judgement, report: str) -> DayView:
    if day.suspects:
        best = next(cause for cause in day.causes if cause.name == day.suspects[0])
        why = f"fits {_either(day.suspects)}"
        if len(day.suspects) > 1:
            why += ", which these constants do not tell apart"
        size = numbers.plain(abs(best.amount), 2)
        why += f"; an error of {size} times the stated accuracy of {best.name} would explain it"
    elif day.causes:
        why = (
            "fits no single instrument: the standard itself may have changed, or more than one thing has. Nearest is "
            f"{day.causes[0].name}, which explains {numbers.percent(max(0.0, day.causes[0].share))} of it"
        )
    else:
        why = "what it fits cannot be told: that takes two constants and the fit of a day of the standard"
    if day.beyond_stated:
        what = (
            f"beyond what the stated accuracies allow: {_titles(day.beyond_stated)}. Repair or calibrate, then measure "
            "again what was measured since the last good day"
        )
    else:
        what = "within what the stated accuracies allow; look at the instrument before it drifts further"
    return DayView(day.day.isoformat(), day.unit, report, _titles(day.departed), why, what)


def _to_spread(value: float, spread: float) -> str:
    """Return a value to the decimal at which its standard deviation begins, so that values beside it align."""
    if not spread > 0:
        return numbers.plain(value, 5)
    return f"{value:.{max(0, -math.floor(math.log10(spread)))}f}".replace("-", "−")


def _chart(chart: Chart) -> ChartView:
    quantity = quantities()[quantity_of(chart.quantity)]

    def shown(value: float) -> float:
        return from_si(value, quantity.unit, quantity.kind)

    values = [shown(value) for value in chart.values]
    averages = [shown(value) for value in chart.averages]
    upper = [shown(chart.history.mean + half) for half in chart.average_half]
    lower = [shown(chart.history.mean - half) for half in chart.average_half]
    low, high, centre = shown(chart.low), shown(chart.high), shown(chart.history.mean)
    stated = None
    if chart.stated_half is not None:
        stated = (shown(chart.history.mean - chart.stated_half), shown(chart.history.mean + chart.stated_half))
    heights = [*values, low, high, *(stated or ())]
    plot = frame(chart.days, min(heights), max(heights), 480.0, 220.0)
    parts = [plot.band(*stated, ZONE)] if stated else []
    parts += plot.grid()
    parts.append(plot.level(centre, INK, "", f"mean of the first {BASELINE}"))
    parts += [plot.level(level, LIMIT, "5 3", "limit of a day") for level in (low, high)]
    later = slice(BASELINE, None)
    if len(values) > BASELINE:
        colour = SERIES_COLOURS[0]
        parts.append(plot.line(chart.days[later], averages[later], colour, ""))
        parts += [plot.line(chart.days[later], side[later], colour, "2 2") for side in (upper, lower)]
    out = [
        str(day) for day, far, slow in zip(chart.days, chart.beyond, chart.average_beyond, strict=True) if far or slow
    ]
    # The latest ones are told in words below, and those are looked for.
    named = set(out[-_MOST_NAMED:])
    parts += [
        plot.dot(
            day,
            value,
            far or slow,
            f"{day}: {numbers.plain(value, 5)} {unit_text(quantity.unit)}",
            named=str(day) in named,
        )
        for day, value, far, slow in zip(chart.days, values, chart.beyond, chart.average_beyond, strict=True)
    ]
    spoken = f"{len(values)} days; " + (
        f"beyond the limits on {', '.join(out[-12:])}" if out else "none beyond the limits"
    )
    title = axis_label(_title(chart.quantity), quantity.unit)
    u = shown(chart.history.mean + chart.history.standard_deviation) - centre
    mean, least, most = (_to_spread(value, u) for value in (centre, low, high))
    caption = (
        f"Mean {mean}, limits of a day {least} to {most}, standard deviation {numbers.plain(u, 2)} "
        f"{unit_text(quantity.unit)} from the first {chart.history.count} days"
    )
    return ChartView(title, plot.picture(f"{title}. {spoken}", parts), caption)
