"""When something happened in a sampled record: level crossings, the end of an output, and what sampling leaves open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import FitError

#: Readings are averaged until the output before an event stands so many of their standard errors above idle.
_CLEAR = 8.0


@dataclass(frozen=True)
class Moment:
    """A moment between two readings: its middle in s, and half the time between them."""

    time: float
    half_width: float


def between(time: np.ndarray, index: int) -> Moment:
    """Return the moment between the readings ``index`` and ``index + 1`` of ``time`` ``(n,)``."""
    return Moment(0.5 * float(time[index] + time[index + 1]), 0.5 * float(time[index + 1] - time[index]))


def largest_step(time: np.ndarray, signal: np.ndarray) -> Moment:
    """Return when a signal ``(n,)`` made its largest change between neighbouring readings.

    Raises ``FitError`` if no change stands out: the largest must be half of the signal's whole range.
    """
    steps = np.abs(np.diff(signal))
    span = float(np.ptp(signal))
    if steps.size == 0 or span == 0 or float(steps.max()) < 0.5 * span:
        raise FitError("the moment of the fault cannot be seen in the log; state it as the condition 'event_time'")
    return between(time, int(np.argmax(steps)))


@dataclass(frozen=True)
class Stop:
    """The end of an output after an event: how long it went on, and what is known of it.

    ``duration`` in s with rectangular ``half_widths``; ``stopped`` is false where the output was still there at
    the end of the record, and ``duration`` then is how long it was watched.
    """

    duration: float
    half_widths: tuple[float, ...]
    stopped: bool
    watched: float


def level_before(time: np.ndarray, output: np.ndarray, event: Moment) -> float:
    """Return the mean of an output ``(n,)`` over the second half of the readings before ``event``.

    Raises ``FitError`` if there are fewer than three readings before or after, or no output before.
    """
    before = time < event.time - event.half_width
    if before.sum() < 3 or np.count_nonzero(time > event.time) < 3:
        raise FitError("fewer than three readings lie before or after the event; record 1 s before it and 5 s after")
    level = float(np.mean(output[before][-max(3, int(before.sum()) // 2) :]))
    if not level > 0:
        raise FitError("there was no output before the event; drive at part throttle before the fault is applied")
    return level


def settled_level(time: np.ndarray, output: np.ndarray, event: Moment) -> float | None:
    """Return the level at which an output ``(n,)`` stays to the end after ``event``, ``None`` where it comes back.

    The level is that of the last fifth of the readings. An output that is driven on at a lower level drops while the
    rotor still turns too fast for it and rises again, so no eighth of what comes before may lie below.
    """
    after = output[time > event.time]
    tail = after[-max(3, after.size // 5) :]
    level, spread = float(np.median(tail)), _white(after)
    # Of neighbouring readings many scatter alike; a tenth of them count.
    lower = level - 4.0 * spread / np.sqrt(max(1.0, 0.1 * tail.size / 8)) - 1e-9 * abs(level)
    before = np.array_split(after[: after.size - tail.size], 8)
    rises = any(part.size >= 3 and float(np.median(part)) < lower for part in before)
    return None if rises else level


def stop_after(time: np.ndarray, output: np.ndarray, event: Moment, share: float = 0.05, idle: float = 0.0) -> Stop:
    """Return how long an output went on after ``event``: ``time`` and ``output`` ``(n,)``, any unit.

    The output counts as removed for good after its last reading that lies above ``idle`` by more than ``share`` of its
    mean before the event over ``idle``, and by more than four times its scatter. Where single readings scatter too much
    for that, means over as many as it takes are judged; their length is an error of the time. It is 0 where no reading
    after the event lies above. Raises ``FitError`` as ``level_before`` does, and where the scatter leaves it open.
    """
    level = level_before(time, output, event) - idle
    if not level > 0:
        raise FitError("there was no output over idle before the event; drive at part throttle before the fault")
    noise = _white(output[time < event.time])
    width = max(1, int(np.ceil((_CLEAR * noise / level) ** 2))) | 1
    if width > 0.2 * np.count_nonzero(time > event.time) or width > 0.5 * np.count_nonzero(time < event.time):
        raise FitError(
            "the output scatters so much that its end cannot be told; record with less noise (a filter, a larger load, "
            "or "
            "duty instead of current)"
        )
    judged = output if width == 1 else np.convolve(np.pad(output, width // 2, "edge"), np.ones(width) / width, "valid")
    threshold = idle + max(share * level, 4.0 * noise / np.sqrt(width))
    after = time > event.time
    watched = float(time[-1]) - event.time
    more = () if width == 1 else (0.5 * width * float(np.median(np.diff(time))),)
    on = np.flatnonzero(after & (judged > threshold))
    if on.size == 0:
        first = float(time[after][0])
        half = 0.5 * (first - event.time)
        return Stop(half, (half, event.half_width, *more), True, watched)
    if on[-1] == time.size - 1:
        return Stop(watched, (), False, watched)
    end = between(time, int(on[-1]))
    return Stop(end.time - event.time, (end.half_width, event.half_width, *more), True, watched)


def _white(readings: np.ndarray) -> float:
    """Return the standard deviation of white noise from first differences; the median keeps steps out of it."""
    steps = np.abs(np.diff(readings))
    return float(np.median(steps)) / 0.6745 / float(np.sqrt(2.0)) if steps.size else 0.0


def never_on(time: np.ndarray, output: np.ndarray, event: Moment, level: float) -> Stop:
    """Return how long an output was on after ``event`` although it should have stayed off above ``level``."""
    after = time > event.time
    watched = float(time[-1]) - event.time
    if after.sum() < 3:
        raise FitError("fewer than three readings lie after the event; record for 5 s after it")
    on = np.flatnonzero(after & (output > level))
    if on.size == 0:
        return Stop(0.0, (), True, watched)
    if on[-1] == time.size - 1:
        return Stop(watched, (), False, watched)
    end = between(time, int(on[-1]))
    return Stop(end.time - event.time, (end.half_width, event.half_width), True, watched)
