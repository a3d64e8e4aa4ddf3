"""Is what was recorded the three line voltages of one machine? Polarity, dead lines, clipping, sampling."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError

LINES = ("ab", "bc", "ca")
_DEAD = 0.05  # of the largest line's RMS
_SUM = 0.03  # of the lines' RMS: beyond it the sum of three line voltages needs an explanation
_PART = 2048  # readings of which the extremes are looked at together
_CLOSED = 0.15  # a hypothesis that mends the sum must leave less than this


@dataclass(frozen=True)
class Checked:
    """Lines that can be fitted: which of the recorded ones ``(names)``, their sign, and what was found."""

    names: tuple[str, ...]
    signs: tuple[float, ...]
    findings: tuple[str, ...]


@dataclass(frozen=True)
class Moments:
    """Mean products of lines without their means ``(k, k)``, and of their steps from reading to reading."""

    products: np.ndarray
    steps: np.ndarray


def moments(lines: np.ndarray) -> Moments:
    """Return the moments of lines ``(k, n)``."""
    centred = lines - lines.mean(axis=1, keepdims=True)
    steps = np.diff(lines, axis=1)
    return Moments(centred @ centred.T / lines.shape[1], steps @ steps.T / max(steps.shape[1], 1))


def check_lines(names: Sequence[str], lines: np.ndarray) -> Checked:
    """Check recorded line voltages ``(k, n)`` against each other; ``names`` such as ``ab`` (see ``check_moments``)."""
    return check_moments(names, moments(lines))


def check_moments(names: Sequence[str], found: Moments) -> Checked:
    """Check line voltages against each other by their moments.

    Three line voltages of one machine sum to zero at every instant, and two stand a third of a turn apart.
    A line without signal is dropped and a line of opposite polarity is turned round; both are told. Raises
    ``FitError`` where no such step makes sense of the readings.
    """
    gram = found.products
    rms = np.sqrt(np.diag(gram))
    if rms.max() == 0:
        raise FitError("all line voltages are constant; turn the rotor while recording, and check the probes")
    findings: list[str] = []
    alive = np.flatnonzero(rms > _DEAD * rms.max())
    for i in range(len(names)):
        if i not in alive:
            findings.append(
                f"voltage_{names[i]} carries no signal ({100 * rms[i] / rms.max():.1f} % of the largest): a dead probe "
                "or a broken lead. It was left out; check the connection"
            )
    kept = [names[int(i)] for i in alive]
    signs = np.ones(len(kept))
    gram = gram[np.ix_(alive, alive)]
    if len(kept) == 3:
        signs = _close_the_sum(kept, gram, found.steps, findings)
    elif len(kept) == 2:
        cosine = gram[0, 1] / np.sqrt(gram[0, 0] * gram[1, 1])
        if 0.25 < cosine < 0.75:
            signs[1] = -1.0
            findings.append(
                f"voltage_{kept[0]} and voltage_{kept[1]} are 60 electrical degrees apart instead of 120: one of "
                f"them was recorded with opposite polarity (such as C-B for B-C). voltage_{kept[1]} was turned "
                "round; correct the layout (invert)"
            )
        elif not -0.75 < cosine < -0.25:
            raise FitError(
                f"voltage_{kept[0]} and voltage_{kept[1]} are not a third of a turn apart (correlation "
                f"{cosine:.2f} instead of −0.50): two probes on the same pair, or a broken lead; check the connections"
            )
    return Checked(tuple(kept), tuple(float(s) for s in signs), tuple(findings))


def _close_the_sum(kept: Sequence[str], gram: np.ndarray, steps: np.ndarray, findings: list[str]) -> np.ndarray:
    def remainder(weights: np.ndarray) -> float:
        # Noise is not what is looked for: it changes from reading to reading, a wrong sum only with the wave.
        noise = 0.5 * float(weights @ steps @ weights)
        return float(np.sqrt(max(float(weights @ gram @ weights) - noise, 0.0) / np.trace(gram)))

    signs = np.ones(3)
    left = remainder(signs)
    if left <= _SUM:
        return signs
    for i in range(3):
        trial = np.ones(3)
        trial[i] = -1.0
        if left > 0.5 and remainder(trial) < _CLOSED:
            findings.append(
                f"the three line voltages sum to zero only with voltage_{kept[i]} turned round: it was recorded with "
                "opposite polarity. It was turned round here; correct the layout (invert) or swap the probe"
            )
            return trial
    rms = np.sqrt(np.diag(gram))
    if left < _CLOSED:
        findings.append(
            f"the three line voltages do not sum to zero: {100 * left:.1f} % of their size is left. The gains of the "
            f"probes differ (RMS {', '.join(f'{n} {r:.4g} V' for n, r in zip(kept, rms, strict=True))}) or the "
            "channels were not sampled together; the EMF unbalance then tells of the probes"
        )
        return signs
    raise FitError(
        f"the three line voltages do not sum to zero ({100 * left:.0f} % of their size is left, RMS "
        f"{', '.join(f'{n} {r:.4g} V' for n, r in zip(kept, rms, strict=True))}): check probe factors in the layout "
        "and that each channel is on its own pair"
    )


def clipped_share(readings: np.ndarray) -> float:
    """Return the share of readings ``(n,)`` that stand at the end of the converter's range, 0 if none seem to."""
    ends = Ends()
    ends.add(readings)
    return ends.clipped_share()


class Ends:
    """The two extremes of a series that arrives in pieces: what tells a wave that was cut off at them.

    A clipped wave holds one extreme value many times over: far more often than the next lower step of the
    converter, and in unbroken runs.
    """

    def __init__(self) -> None:
        self._high, self._low = _End(), _End()
        self._count = 0

    def add(self, readings: np.ndarray) -> None:
        """Take the next readings ``(n,)``."""
        if readings.size == 0:
            return
        self._count += readings.size
        starts = np.arange(0, readings.size, _PART)
        self._high.add(readings, np.maximum.reduceat(readings, starts))
        self._low.add(readings, -np.minimum.reduceat(readings, starts), -1.0)

    def clipped_share(self) -> float:
        """Return the share of readings that stand at an end of the converter's range, 0 if none seem to."""
        return max(end.clipped_share(self._count) for end in (self._high, self._low))


class _End:
    """The largest value so far and the next lower one, how often each came, and how often the largest in a row."""

    def __init__(self) -> None:
        self.top = self.below = -np.inf
        self.at_top = self.at_below = self.pairs = 0
        self.open = False  # the last reading stood at the top

    def add(self, readings: np.ndarray, peaks: np.ndarray, sign: float = 1.0) -> None:
        """Take readings ``(n,)``, turned round by ``sign``, of which each ``_PART`` has its largest in ``peaks``."""
        peak = float(peaks.max())
        if peak < self.below - _near(self.below):
            self.open = False
            return
        if peak > self.top + _near(self.top):
            self.below, self.at_below = self.top, self.at_top
            self.at_top = self.pairs = 0
            self.open = False
        self.top = max(self.top, peak)
        # Only what can be one of the two values is looked at more closely, and most parts of a long record hold none.
        least = self.below - _near(self.below)
        found = [np.empty(0, int)]
        for start in (np.flatnonzero(peaks >= least) * _PART).tolist():
            found.append(np.flatnonzero(sign * readings[start : start + _PART] >= least) + start)
        place = np.concatenate(found)
        near = sign * readings[place]
        at_top = near >= self.top - _near(self.top)
        place = place[at_top]
        self.at_top += place.size
        if place.size:
            self.pairs += int(np.count_nonzero(np.diff(place) == 1)) + int(self.open and place[0] == 0)
        self.open = bool(place.size and place[-1] == readings.size - 1)
        rest = near[~at_top]
        if rest.size == 0:
            return
        second = float(rest.max())
        if second > self.below + _near(self.below):
            self.below, self.at_below = second, 0
        self.at_below += int(np.count_nonzero(rest >= self.below - _near(self.below)))

    def clipped_share(self, count: int) -> float:
        if count < 2 or not np.isfinite(self.below):
            return 0.0
        share = self.at_top / count
        if share < 0.015 or share <= 4 * self.at_below / count:
            return 0.0
        return share if self.pairs / (count - 1) > 0.6 * share else 0.0


def _near(value: float) -> float:
    """Return how far a number may lie from ``value`` and still be the same step of the converter."""
    return 1e-9 * max(abs(value), 1e-12) if np.isfinite(value) else 0.0


def line_voltages(columns: Mapping[str, np.ndarray]) -> tuple[list[str], list[str]]:
    """Return the names of the lines that a record's columns give, and the voltage columns they come from.

    Line voltages go before phase voltages. Raises ``FitError`` without a line and with fewer than two phases.
    """
    raw = [f"voltage_{name}" for name in LINES if f"voltage_{name}" in columns]
    if raw:
        return [name.removeprefix("voltage_") for name in raw], raw
    raw = [f"voltage_{name}" for name in "abc" if f"voltage_{name}" in columns]
    if len(raw) < 2:
        raise FitError(
            "one phase voltage cannot give a line voltage; record voltage_ab, or two phases to the star point"
        )
    if len(raw) == 3:
        return list(LINES), raw
    pair = "".join(name[-1] for name in raw)
    return [pair if pair in LINES else "ca"], raw


def line_of(columns: Mapping[str, np.ndarray], name: str) -> np.ndarray:
    """Return the line voltage ``name`` from line or phase voltage columns."""
    if f"voltage_{name}" in columns:
        return columns[f"voltage_{name}"]
    return columns[f"voltage_{name[0]}"] - columns[f"voltage_{name[1]}"]
