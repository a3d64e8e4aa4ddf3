"""Clock times and dates as seconds since the first reading: what meters and spreadsheets write instead of seconds.

Readers hand over the texts of a column of stamps (``Chunk.columns["time"]`` is then an array of text); ``resolved``
turns all of them together into seconds, since only all show in which order day and month stand and how finely the
clock was written.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import DATE_ORDERS
from . import limits
from .chunks import Chunk, Stamps
from .pace import even_pace

#: Longer texts are no stamps, and no pattern looks at them.
LONGEST_STAMP = 60
_DAY = 86400.0
#: A step back by more than this, without dates, is midnight.
_MIDNIGHT = 0.5 * _DAY
#: How many times more memory a stamp takes than a reading.
_READINGS_PER_STAMP = 2 * LONGEST_STAMP // 8
#: A time of day or of a stopwatch. Each pattern here can read a text in one way only.
_TIME = re.compile(
    r"T?(?P<first>\d{1,4}):(?P<second>\d{2})(?::(?P<third>\d{2}))?(?:[.,](?P<part>\d{1,9})|:(?P<milli>\d{3}))?"
    r"(?:[ ]?(?P<half>[AaPp])\.?[Mm]\.?)?(?:[ ]?(?P<zone>Z|[+-]\d{2}(?::?\d{2})?))?",
    re.ASCII,
)
#: What no number begins with: hours and minutes, whatever follows.
_BEGINNING = re.compile(r"\d{1,4}:\d{2}|T\d{2}:", re.ASCII)
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})T(\d{2})(\d{2})(\d{2})(.*)", re.ASCII)
_YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})", re.ASCII)
_YEAR_LAST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4}|\d{2})", re.ASCII)
_DAY_NAMED = re.compile(r"(\d{1,2})[- .]{1,2}([A-Za-z]{3,9})[-., ]{1,2}(\d{4}|\d{2})", re.ASCII)
_MONTH_NAMED = re.compile(r"([A-Za-z]{3,9})\.?[ -](\d{1,2}),?[ -](\d{4})", re.ASCII)
_MONTHS = (
    *("january", "february", "march", "april", "may", "june", "july"),
    *("august", "september", "october", "november", "december"),
)


@dataclass(frozen=True, slots=True)
class Clock:
    """How a column of stamps is written: its unit (``CLOCK_UNITS``), where the dates stand apart, their order."""

    unit: str = "clock"
    date: int | None = None
    order: str | None = None


class _StampError(ValueError):
    """A stamp that cannot be used; ``row`` is its place, from 0."""

    def __init__(self, row: int, message: str) -> None:
        super().__init__(message)
        self.row = row


def is_stamp(text: str) -> bool:
    """Tell whether a cell looks like a clock time or a date, whatever its numbers."""
    text = text.strip()
    if _BEGINNING.match(text):
        return True
    day, time = _parts(text) if len(text) <= LONGEST_STAMP else (None, None)
    return day is not None and _days(day) is not None and (time is None or _TIME.fullmatch(time) is not None)


def has_date(text: str) -> bool:
    """Tell whether a stamp holds a date."""
    return is_stamp(text) and _parts(text.strip())[0] is not None


def has_time(text: str) -> bool:
    """Tell whether a stamp holds a time of day."""
    return is_stamp(text) and _parts(text.strip())[1] is not None


def stamped(times: Sequence[str], dates: Sequence[str] | None) -> np.ndarray:
    """Return the texts of a column of stamps ``(n,)``, each behind its date where dates stand in a column of their own.

    What is longer than a stamp can be is cut so that it is none.
    """
    texts = (
        times if dates is None else [f"{date.strip()} {time.strip()}" for date, time in zip(dates, times, strict=True)]
    )
    short = [text if len(text := one.strip()) <= LONGEST_STAMP else f"{text[:20].strip()}..." for one in texts]
    return np.array(short, dtype=f"<U{LONGEST_STAMP}")


def resolved(chunks: Iterable[Chunk], clock: Clock, shown: str) -> Iterator[Chunk]:
    """Yield all rows as one chunk whose "time" is in seconds since the first. Raises ``InputError``, one line of it."""
    held: list[Chunk] = []
    size = 0
    for chunk in chunks:
        held.append(chunk)
        size += chunk.rows * (len(chunk.columns) + _READINGS_PER_STAMP)
        if size > limits.in_force().readings:
            message = "the log holds more clock times than are read at once; cut it, or export seconds"
            raise InputError(Problem(message, file=shown, column="time"))
    if not held:
        return
    texts = [str(text).strip() for chunk in held for text in chunk.columns["time"]]
    ends = np.cumsum([chunk.rows for chunk in held])

    def line(row: int) -> int | None:
        place = int(np.searchsorted(ends, row, side="right"))
        return held[place].line(row - (int(ends[place - 1]) if place else 0)) if place < len(held) else None

    columns = {
        name: np.concatenate([np.asarray(chunk.columns[name]) for chunk in held])
        for name in held[0].columns
        if name != "time"
    }
    if not texts:
        yield Chunk({"time": np.empty(0), **columns}, line)
        return
    try:
        time, stamps = seconds(texts, clock)
    except _StampError as error:
        where = line(error.row)
        row = "" if where is not None else f"row {error.row + 1}: "
        raise InputError(Problem(f"{row}{error}", file=shown, line=where, column="time")) from None
    yield Chunk({"time": time, **columns}, line, stamps)


def seconds(texts: Sequence[str], clock: Clock) -> tuple[np.ndarray, Stamps]:
    """Return the stamps as seconds since the first, ``(n,)`` and increasing, and what they told.

    Raises ``ValueError`` with one message for the practitioner: a text that is no stamp, a clock that runs backwards
    other than at midnight or stands still, dates that read in two ways which matter.
    """
    days, of_day, step, dated = _read(texts, clock)
    turns = np.zeros(len(texts))
    if dated:
        raw = _ordered(texts, days, of_day, clock)
    else:
        # A stopwatch knows no midnight.
        if float(of_day.max()) < _DAY and clock.unit != "mm:ss":
            turns = np.cumsum(np.diff(of_day, prepend=of_day[0]) < -_MIDNIGHT)
        raw = of_day + turns * _DAY
    back = np.flatnonzero(np.diff(raw) < 0)
    if back.size:
        raise _backwards(texts, raw, int(back[0]), back.size)
    if len(texts) > 1 and raw[-1] == raw[0]:
        raise _StampError(1, f"the clock stands still: every reading carries the stamp {texts[0]!r}; export seconds")
    resolution = float(step.min())
    pace = even_pace(raw, resolution)
    if pace is not None and pace.period > 0:
        # The errors of two ends are together as large as what is open of the time between them.
        told = Stamps(
            resolution, np.sqrt(2.0) * pace.half_width, 1, int(turns[-1]), texts[0].removeprefix("T"), pace.period
        )
        return pace.times(raw.size), told
    starts = np.flatnonzero(np.diff(raw, prepend=-np.inf) > 0)
    counts = np.diff(starts, append=raw.size)
    inside = np.arange(raw.size) - np.repeat(starts, counts)
    time = raw + resolution * (inside + 0.5) / np.repeat(counts, counts)
    return time - time[0], Stamps(resolution, resolution, int(counts.max()), int(turns[-1]), texts[0].removeprefix("T"))


def _read(texts: Sequence[str], clock: Clock) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
    """Return days ``(n, 3)`` in each order, seconds of the day and step ``(n,)``, and whether there are dates."""
    days = np.full((len(texts), 3), np.nan)
    of_day, step = np.empty(len(texts)), np.empty(len(texts))
    dated: bool | None = None
    bad: list[tuple[int, str]] = []
    for row, text in enumerate(texts):
        try:
            possible, of_day[row], step[row] = _stamp(text, clock.unit)
            dated = possible is not None if dated is None else dated
            if dated != (possible is not None):
                raise ValueError(f"{text!r} {'has no date' if dated else 'has a date'}, unlike the first stamp")
            if possible is not None:
                days[row] = possible
        except ValueError as error:
            slip = clock.unit == "clock" and text.count(":") == 1 and texts[0].count(":") == 2
            like = f"{text!r} is malformed: it is not written as the first stamp, {texts[0]!r}, is; correct the cell"
            bad.append((row, like if slip else str(error)))
    if bad:
        more = f" (and {len(bad) - 1} more stamps cannot be read)" if len(bad) > 1 else ""
        raise _StampError(bad[0][0], bad[0][1] + more)
    return days, of_day, step, bool(dated)


def _parts(text: str) -> tuple[str | None, str | None]:
    """Return the date and the time of day of a stamp, each as far as it is there."""
    if compact := _COMPACT.fullmatch(text):
        year, month, day, hour, minute, second, rest = compact.groups()
        return f"{year}-{month}-{day}", f"{hour}:{minute}:{second}{rest}"
    colon = text.find(":")
    if colon < 0:
        return text, None
    cut = max(text.rfind(" ", 0, colon), text.rfind("T", 0, colon))
    return (text[:cut].rstrip(" ,") or None, text[cut + 1 :]) if cut > 0 else (None, text)


def _stamp(text: str, unit: str) -> tuple[Sequence[float] | None, float, float]:
    """Return the day in each order, the seconds of the day and the step of one stamp. Raises ``ValueError``."""
    if not text:
        raise ValueError("the cell is empty; fill the time in or take the row out")
    day, time = _parts(text) if len(text) <= LONGEST_STAMP else (None, text)
    found = _TIME.fullmatch(time) if time is not None and len(time) <= LONGEST_STAMP else None
    possible = _days(day) if day is not None else None
    if found is None or (day is not None and not possible):
        lacks = " (it has no time of day)" if possible and time is None else ""
        raise ValueError(
            f"{text[:LONGEST_STAMP]!r} is no clock time or date that can be read{lacks}; write for example 09:12:04, "
            "2026-11-28 09:12:04 or 28.11.2026 09:12:04, or seconds in every row"
        )
    part = found["part"] or found["milli"]
    fraction = int(part) / 10 ** len(part) if part else 0.0
    first, second = int(found["first"]), int(found["second"])
    if found["third"] is None:
        hours = bool(day or found["half"] or found[0].startswith("T") or unit == "h:mm") and not part
        if not hours and unit == "clock" and not part:
            raise ValueError(
                f"{text!r} may be hours and minutes or minutes and seconds; say which by the unit 'h:mm' or 'mm:ss', "
                "in the header ('time [h:mm]') or in a layout file"
            )
        hour, minute, whole = (first, second, 0) if hours else (0, first, second)
        step = 60.0 if hours else 1.0
    else:
        hour, minute, whole, step = first, second, int(found["third"]), 1.0
    if part:
        # Digits that are always zero were never measured.
        step = 10.0 ** -len(part.rstrip("0"))
    if whole > 59 or (minute > 59 and found["third"] is not None) or (step == 60.0 and minute > 59):
        raise ValueError(f"{text!r} is no time of day: minutes and seconds end at 59")
    if (day is not None and hour > 23) or (found["half"] and not 1 <= hour <= 12):
        raise ValueError(f"{text!r} is no time of day: there is no such hour")
    if found["half"]:
        hour = hour % 12 + (12 if found["half"] in "pP" else 0)
    return possible, 3600.0 * hour + 60.0 * minute + whole + fraction - _zone(found["zone"]), step


def _zone(text: str | None) -> float:
    """Return by how many seconds a zone is ahead of universal time (ISO 8601)."""
    if text is None or text == "Z":
        return 0.0
    digits = text[1:].replace(":", "").ljust(4, "0")
    return (1 if text[0] == "+" else -1) * (3600.0 * int(digits[:2]) + 60.0 * int(digits[2:]))


@lru_cache(maxsize=4096)
def _days(text: str) -> tuple[float, float, float] | None:
    """Return the day that a date means in each of ``DATE_ORDERS``, NaN where it means none; ``None`` if in none."""
    ways: tuple[tuple[str, str, str] | None, ...]
    if found := _YEAR_FIRST.fullmatch(text):
        ways = (None, None, (found[1], found[3], found[4]))
    elif found := _YEAR_LAST.fullmatch(text):
        first, mark, second, last = found.groups()
        # With points between them the day comes first wherever dates are written so (common practice, no source).
        american = None if mark == "." else (last, first, second)
        ways = ((last, second, first), american, (first, second, last) if len(last) == 2 and mark != "." else None)
    elif found := _DAY_NAMED.fullmatch(text):
        ways = ((found[3], _month(found[2]), found[1]),) * 3
    elif found := _MONTH_NAMED.fullmatch(text):
        ways = ((found[3], _month(found[1]), found[2]),) * 3
    else:
        return None
    days = tuple(np.nan if way is None else _ordinal(*way) for way in ways)
    return None if all(np.isnan(day) for day in days) else (days[0], days[1], days[2])


def _month(name: str) -> str:
    places = [place for place, month in enumerate(_MONTHS, start=1) if month.startswith(name.lower())]
    return str(places[0]) if len(places) == 1 else "0"


def _ordinal(year: str, month: str, day: str) -> float:
    # Which century a year of two digits means makes no difference to a difference.
    full = int(year) + (2000 if len(year) <= 2 else 0)
    try:
        return float(datetime.date(full, int(month), int(day)).toordinal())
    except ValueError:
        return np.nan


def _ordered(texts: Sequence[str], days: np.ndarray, of_day: np.ndarray, clock: Clock) -> np.ndarray:
    """Return dated stamps in seconds since the first, ``(n,)``, in the only order of the date that they allow."""
    if clock.order is not None:
        asked = DATE_ORDERS.index(clock.order)
        if (wrong := np.isnan(days[:, asked])).any():
            row = int(np.argmax(wrong))
            raise _StampError(row, f"{texts[row]!r} holds no date in the order {clock.order}, which the layout names")
        days = days[:, [asked]]
    ways = [way for way in days.T if not np.isnan(way).any()]
    if not ways:
        row = int(np.argmax(np.isnan(days[:, ~np.isnan(days[0])]).all(axis=1)))
        raise _StampError(row, f"{texts[row]!r} holds a date in another order than {texts[0]!r}; write both alike")
    times = [(way - way[0]) * _DAY + (of_day - of_day[0]) for way in ways]
    # An order in which the recording would run backwards is none that it was written in.
    forward = [time for time in times if np.all(np.diff(time) >= 0)] or times[:1]
    other = next((time for time in forward[1:] if not np.array_equal(time, forward[0])), None)
    if other is not None:
        row = int(np.argmax(other != forward[0]))
        raise _StampError(
            row,
            f"after {texts[0]!r} the date of {texts[row]!r} reads in two ways, and the time between them is not the "
            f"same; name 'date_order' ({' or '.join(DATE_ORDERS[:2])}) in a layout file, or write 2026-11-28",
        )
    return forward[0]


def _backwards(texts: Sequence[str], raw: np.ndarray, place: int, count: int) -> _StampError:
    gap = float(raw[place] - raw[place + 1])
    hint = "keep one recording per log, in order"
    if 3300 <= gap <= 3600:
        hint = "if summer time ended there, write the zone beside each time or export seconds"
    elif 0.45 * _DAY <= gap <= _MIDNIGHT:
        hint = "if the clock counts to twelve, export AM and PM, or 24 hours"
    more = f"; there are {count} such places" if count > 1 else ""
    return _StampError(
        place + 1, f"the clock runs backwards, from {texts[place]!r} to {texts[place + 1]!r}{more}; {hint}"
    )
