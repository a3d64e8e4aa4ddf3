"""When something happened in a sampled record: level crossings, the end of an output, and what sampling leaves open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import FitError


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


def stop_after(time: np.ndarray, output: np.ndarray, event: Moment, share: float = 0.05) -> Stop:
    """Return how long an output went on after ``event``: ``time`` and ``output`` ``(n,)``, any unit.

    The output counts as removed for good after its last reading above ``share`` of its mean before the event. It is
    0 where no reading after the event lies above. Raises ``FitError`` if there are fewer than three readings before
    or after, or no output before.
    """
    before = time < event.time - event.half_width
    after = time > event.time
    if before.sum() < 3 or after.sum() < 3:
        raise FitError("fewer than three readings lie before or after the event; record 1 s before it and 5 s after")
    level = float(np.mean(output[before][-max(3, int(before.sum()) // 2) :]))
    if not level > 0:
        raise FitError("there was no output before the event; drive at part throttle before the fault is applied")
    watched = float(time[-1]) - event.time
    on = np.flatnonzero(after & (output > share * level))
    if on.size == 0:
        first = float(time[after][0])
        width = 0.5 * (first - event.time)
        return Stop(width, (width, event.half_width), True, watched)
    if on[-1] == time.size - 1:
        return Stop(watched, (), False, watched)
    end = between(time, int(on[-1]))
    return Stop(end.time - event.time, (end.half_width, event.half_width), True, watched)


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
