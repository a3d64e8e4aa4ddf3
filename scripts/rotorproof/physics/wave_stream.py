"""Reduce a long capture of back-EMF while it is read: averages over the turn in blocks of turns, in flat memory.

Short records pass as they are. Of a long one, neighbouring readings are averaged as far as 500 a turn are left, the
angle is followed in stretches of some hundred turns that overlap, and the readings are summed up by angle. The sums
hold all that ``waveform.equations`` asks of a record: harmonics, offset, drift of speed and scatter between blocks.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import numpy as np

from ..errors import FitError
from . import thinning
from .line_checks import Checked, Ends, Moments, check_lines, line_of, line_voltages
from .phase import Track, track
from .turn_sums import TurnSums
from .waveform import BINS

#: A record of up to this many rows is kept as it is.
KEPT_ROWS = 500_000
#: Averages in a stretch that is followed at once, at least ``_LEAST_TURNS`` turns of them, at most ``_MOST_TURNS``:
#: then each turn corrects the angle.
_STRETCH, _LEAST_TURNS, _MOST_TURNS = 1 << 15, 200, 1500
#: A stretch shorter than this many turns waits for more readings, up to ``_MOST_STRETCHES`` times its size.
_FEWEST_TURNS = 12.0
_MOST_STRETCHES = 16
#: The angle is followed on fewer averages than are kept: its fundamental needs no more.
_FOLLOWED_PER_TURN = 48
#: Turns at the ends of a stretch in which the angle is left to the neighbouring one.
_MARGIN, _LEAD = 1.5, 8.0
#: Fewer averages a turn than this (a wheel that was run up while recording): average less from here on.
_TOO_FEW = 350
_TURN = 2 * np.pi
#: Readings of which the moments are summed up at once: products of more than 10,000 are shared out among threads, and
#: their sum would depend on how many there are.
_PART = 1 << 13

#: Columns of a reduced record that carry no instrument's error. The others keep the names of the raw ones: ``time``
#: is the first and the last, ``voltage_*`` the mean of each bin, ``speed`` that of each block.
REDUCED: dict[str, str] = dict.fromkeys(
    (
        "reading_count",  # readings of the log
        "turn_count",  # electrical turns
        "rotation",  # sequence of the lines as recorded: +1, -1, 0
        "speed_range",  # least and largest electrical speed over the mean
        "bin_block",  # block of each bin
        "bin_angle",  # mean electrical angle, rad
        "bin_advance",  # mean electrical speed times the length of the record, rad
        "bin_readings",  # number of averages
        "bin_averaging",  # mean square of the angle that was averaged, rad^2
        "line_spread",  # standard deviation of the averages within each bin at its speed, V: line by line
        "line_products",  # moments of the lines, see line_checks
        "line_step_products",
        "clipped_share",  # of each voltage column
    ),
    "",
)


class WaveStream:
    """Reducer of an open-circuit log: ``time``, voltages and, if there, ``speed``."""

    def __init__(self, kept_rows: int = KEPT_ROWS) -> None:
        self._kept_rows = kept_rows
        self._pieces: list[Mapping[str, np.ndarray]] = []
        self._rows = 0
        self._long: _Long | None = None

    def feed(self, rows: Mapping[str, np.ndarray]) -> None:
        """Take the next rows (see ``Reducer.feed``), one at every sample. Raises ``FitError``."""
        if self._long is not None:
            self._long.feed(rows)
            return
        self._pieces.append(rows)
        self._rows += len(rows["time"])
        if self._rows > self._kept_rows:
            first = self._joined()
            self._pieces = []
            self._long = _Long(first, self._kept_rows)

    def finish(self) -> dict[str, np.ndarray]:
        """Return the record as it is, or its reduced columns (see ``REDUCED``). Raises ``FitError``."""
        return self._joined() if self._long is None else self._long.finish()

    def _joined(self) -> dict[str, np.ndarray]:
        names = list(self._pieces[0]) if self._pieces else []
        return {name: np.concatenate([piece[name] for piece in self._pieces]) for name in names}


class _Long:
    """A record that is too long to keep."""

    def __init__(self, first: Mapping[str, np.ndarray], kept_rows: int) -> None:
        self.names, self.raw = line_voltages(first)
        self.columns = ["time", *self.raw, *(["speed"] if "speed" in first else [])]
        self.begin = float(first["time"][0])
        self.end = self.begin
        self.readings = 0
        self.ends = {name: Ends() for name in self.raw}
        self.rest = {name: np.zeros(0) for name in self.columns}
        self.m = 1  # readings averaged into one
        self.most = kept_rows
        self.waiting: list[dict[str, np.ndarray]] = []
        self.waiting_rows = 0
        self.follower: _Follower | None = None
        self.feed(first)

    def feed(self, rows: Mapping[str, np.ndarray]) -> None:
        time = rows["time"]
        self.readings += time.size
        self.end = float(time[-1])
        for name in self.raw:
            self.ends[name].add(rows[name])
        self._average(rows)
        if self.follower is None and self.waiting_rows > self.most:
            self._begin(last=False)
        elif self.follower is not None and self.waiting_rows >= self.follower.stretch:
            self._hand_over()

    def _average(self, rows: Mapping[str, np.ndarray]) -> None:
        """Average ``m`` neighbours; what is left over waits for the next rows."""
        if self.m == 1:
            averages = {name: rows[name] for name in self.columns}
        else:
            averages = {}
            for name in self.columns:
                joined = np.concatenate([self.rest[name], rows[name]]) if self.rest[name].size else rows[name]
                averages[name] = thinning.thinned(joined, self.m)
                self.rest[name] = joined[joined.size // self.m * self.m :].copy()
        averages["readings"] = np.full(averages["time"].size, float(self.m))
        self.waiting.append(averages)
        self.waiting_rows += averages["time"].size

    def _joined(self) -> dict[str, np.ndarray]:
        waiting, self.waiting, self.waiting_rows = self.waiting, [], 0
        if len(waiting) == 1:
            return waiting[0]
        return {name: np.concatenate([piece[name] for piece in waiting]) for name in [*self.columns, "readings"]}

    def _begin(self, *, last: bool) -> None:
        """Choose by the first readings how many to average, and follow them."""
        first = self._joined()
        lines = np.stack([line_of(first, name) for name in self.names])
        m = thinning.first_factor(lines)
        lines = thinning.thinned(lines, m)
        checked = check_lines(self.names, lines)
        kept = np.stack(
            [sign * lines[self.names.index(name)] for name, sign in zip(checked.names, checked.signs, strict=True)]
        )
        try:
            turn = track(thinning.thinned(first["time"], m), kept)
        except FitError:
            # So slow or so finely sampled that these readings hold less than three turns: look at four times as long.
            if last or self.m > 1000 or not thinning.keeps(lines, 4):
                raise
            self._coarsen(first, 4)
            return
        per_turn = turn.angle.size * m / turn.turns
        factor = max(1, int(per_turn / thinning.FEWEST_PER_TURN))
        self._coarsen(first, factor)
        self.follower = _Follower(self.names, self.raw, checked, per_turn / factor, "speed" in first)
        self._hand_over()

    def _coarsen(self, columns: Mapping[str, np.ndarray], factor: int) -> None:
        """Average what is waiting further, and what comes alike."""
        if factor > 1:
            # Less than one average is left out at the end, which the times know.
            columns = {name: thinning.thinned(values, factor) for name, values in columns.items()}
            columns["readings"] = columns["readings"] * factor
            self.m *= factor
        self.waiting, self.waiting_rows = [dict(columns)], columns["time"].size

    def _hand_over(self) -> None:
        assert self.follower is not None
        per_turn = self.follower.take(self._joined())
        if per_turn < _TOO_FEW and self.m > 1:
            self.m = max(1, int(self.m * per_turn / (2 * thinning.FEWEST_PER_TURN)))
            # Fewer than m readings; they would be averaged over another number.
            self.rest = {name: np.zeros(0) for name in self.columns}

    def finish(self) -> dict[str, np.ndarray]:
        if self.follower is None:
            self._begin(last=True)
        assert self.follower is not None
        if self.waiting_rows:
            self.follower.take(self._joined())
        columns = self.follower.finish(self.begin, self.end)
        columns["reading_count"] = np.array([float(self.readings)])
        columns["clipped_share"] = np.array([self.ends[name].clipped_share() for name in self.raw])
        return columns


class _Sums:
    """Sums of lines and their products, from which the moments follow."""

    def __init__(self, origin: np.ndarray) -> None:
        k = origin.size
        self.origin = origin
        self.count = self.steps = 0
        self.total = np.zeros(k)
        self.products, self.step_products = np.zeros((k, k)), np.zeros((k, k))

    def add(self, lines: Sequence[np.ndarray]) -> None:
        """Take lines, k of ``(n,)``; the step from one piece to the next does not count."""
        n = lines[0].size
        # In parts that the processor's nearest memory holds; each begins with the last of the one before.
        for start in range(0, n, _PART):
            part = slice(max(start - 1, 0), start + _PART)
            near = np.stack([line[part] - origin for line, origin in zip(lines, self.origin, strict=True)])
            self.step_products += _gram(near[:, 1:] - near[:, :-1])
            near = near[:, min(start, 1) :]
            self.total += near.sum(axis=1)
            self.products += _gram(near)
        self.count += n
        self.steps += max(n - 1, 0)

    def moments(self) -> Moments:
        mean = self.total / self.count
        return Moments(self.products / self.count - np.outer(mean, mean), self.step_products / max(self.steps, 1))


def _gram(rows: np.ndarray) -> np.ndarray:
    """Return the products of rows ``(k, n)``: one by one they take half the time of a matrix product so flat."""
    products = np.empty((len(rows), len(rows)))
    for i, row in enumerate(rows):
        for j in range(i + 1):
            products[i, j] = products[j, i] = row @ rows[j]
    return products


class _Follower:
    """Follows the angle of averaged readings stretch by stretch and sums them up by it."""

    def __init__(self, names: list[str], raw: list[str], checked: Checked, per_turn: float, speed: bool) -> None:
        self.names, self.raw, self.kept, self.signs = names, raw, checked.names, checked.signs
        self.per_turn = per_turn  # averages
        self.columns = ["time", "readings", *raw, *(["speed"] if speed else [])]
        self.speed = speed
        self.pending = {name: np.zeros(0) for name in self.columns}
        self.done = 0  # rows of ``pending`` that are summed up already
        self.expected: float | None = None  # angle of the first that is not
        self.origin = self.last = 0.0
        self.sequence: int | None = None
        self.slowest, self.fastest = np.inf, 0.0
        self.moments: _Sums | None = None
        self.unit: float | None = None  # readings in the first average
        # Averages, angle in the bin, speed, width of the averages, then voltages, and lines over speed with squares.
        self.sums = TurnSums(4 + len(raw) + int(speed) + 2 * len(names), BINS)

    @property
    def stretch(self) -> int:
        """Return how many averages to follow at once."""
        return int(np.clip(_STRETCH, _LEAST_TURNS * self.per_turn, _MOST_TURNS * self.per_turn))

    def take(self, rows: Mapping[str, np.ndarray]) -> float:
        """Take averaged readings; return how many of them there are in a turn."""
        lines = [line_of(rows, name) for name in self.names]
        if self.moments is None:
            self.moments = _Sums(np.array([line.mean() for line in lines]))
        self.moments.add(lines)
        stretch = self.stretch
        for start in range(0, rows["time"].size, stretch):
            self.pending = {
                name: np.concatenate([self.pending[name], rows[name][start : start + stretch]]) for name in self.columns
            }
            if self.pending["time"].size - self.done >= stretch:
                self._follow(last=False)
        return self.per_turn

    def _follow(self, *, last: bool) -> None:
        """Sum up the pending readings but those at the end, whose angle the next ones will make surer."""
        time, size = self.pending["time"], self.pending["time"].size
        coarse = max(1, int(self.per_turn / _FOLLOWED_PER_TURN))
        thin = {name: thinning.thinned(self.pending[name], coarse) for name in self.raw}
        lines = np.stack([sign * line_of(thin, name) for name, sign in zip(self.kept, self.signs, strict=True)])
        patient = not last and size < _MOST_STRETCHES * self.stretch
        times = thinning.thinned(time, coarse)
        try:
            turn = track(times, lines)
        except FitError as error:
            raise FitError(f"from {time[self.done]:.6g} s to {time[-1]:.6g} s: {error}") from None
        if patient and turn.turns < _FEWEST_TURNS:
            return
        # Between averages the speed hardly changes, and a line is five times as quick to draw as the curve.
        angle, speed = turn.angle, turn.speed
        if coarse > 1:
            angle, speed = np.interp(time, times, turn.angle), np.interp(time, times, turn.speed)
            for beyond in (time < times[0], time > times[-1]):
                angle[beyond] = turn.at(time[beyond])
        if self.expected is None:
            self.origin = float(angle[0])
        else:
            angle = angle + self._shift(float(angle[self.done]), float(time[self.done]))
        self._check_sequence(turn, float(time[self.done]))
        self.per_turn = size / turn.turns
        end = size if last else max(self.done, int(np.searchsorted(angle, angle[-1] - _MARGIN * _TURN)))
        self._sum(slice(self.done, end), angle, speed)
        if last:
            self.last = float(angle[-1])
            return
        self.expected = float(angle[end])
        lead = int(np.searchsorted(angle, angle[end] - _LEAD * _TURN))
        self.pending = {name: values[lead:].copy() for name, values in self.pending.items()}
        self.done = end - lead

    def _shift(self, angle: float, time: float) -> float:
        """Return the whole turns that join this stretch to the one before. Raises ``FitError`` if they do not meet."""
        assert self.expected is not None
        away = (self.expected - angle) / _TURN
        turns = round(away)
        if abs(away - turns) > 0.08:
            raise FitError(
                f"the wave of {self.kept[0]} jumps by {abs(away - turns) * 360:.0f} degrees near {time:.6g} s: a probe "
                "came off, or readings are missing; cut the log to the part before or after"
            )
        return turns * _TURN

    def _check_sequence(self, turn: Track, time: float) -> None:
        if self.sequence is None:
            self.sequence = turn.sequence
        elif turn.sequence != self.sequence:
            raise FitError(f"the rotation reverses near {time:.6g} s; cut the log to one direction")

    def _sum(self, rows: slice, angle: np.ndarray, speed: np.ndarray) -> None:
        time, readings = self.pending["time"][rows], self.pending["readings"][rows]
        angle, speed = angle[rows], speed[rows]
        if time.size == 0:
            return
        self.slowest = min(self.slowest, float(speed.min()))
        self.fastest = max(self.fastest, float(speed.max()))
        scaled = angle * (BINS / _TURN)
        whole = np.floor(scaled)
        place = whole.astype(np.int64) & (BINS - 1)  # a power of two: the rest of the division
        turn = (angle - self.origin) / _TURN
        columns = {name: self.pending[name][rows] for name in (*self.raw, *(["speed"] if self.speed else []))}
        m = float(readings[0]) if readings[0] == readings[-1] else 0.0  # 0: not the same everywhere
        blur: np.ndarray | float = 0.0
        if m != 1.0 and time.size > 1:
            # The angle that one average covers: the step between averages, of which 1 - 1/m^2 blurs (m readings).
            step = speed * np.gradient(time)
            blur = step * step * ((1.0 - readings**-2.0) / 12.0)
        lines = [line_of(columns, name) / speed for name in self.names]
        values = itertools.chain(
            (scaled - whole, speed, blur), columns.values(), lines, (line * line for line in lines)
        )
        self.unit = self.unit or float(readings[0])
        if m == self.unit:
            self.sums.add(turn, place, itertools.chain((1.0,), values))
            return
        # Each counts by the readings it holds; the first averages are worth one.
        weight = readings / self.unit
        self.sums.add(turn, place, itertools.chain((weight,), (value * weight for value in values)))

    def finish(self, begin: float, end: float) -> dict[str, np.ndarray]:
        """Return the reduced columns of a record from ``begin`` to ``end`` s."""
        self._follow(last=True)
        assert self.moments is not None
        turns = (self.last - self.origin) / _TURN
        sums = self.sums.blocks(turns)
        count = sums[0]
        block, place = np.nonzero(count)
        rows = count[block, place]
        mean = sums[1:, block, place] / rows
        k = len(self.raw)
        lines = {name: mean[3 + row] for row, name in enumerate(self.raw)}
        # Over the speed, which changes within a block: then what is left is noise.
        each, squares = np.split(mean[3 + k + int(self.speed) :], 2)
        spread = mean[1] * np.sqrt(np.maximum(squares - each * each, 0.0))
        level = float(np.sum(mean[1] * rows) / rows.sum())
        found = self.moments.moments()
        columns = {
            "time": np.array([begin, end]),
            **lines,
            "turn_count": np.array([turns]),
            "rotation": np.array([float(self.sequence or 0)]),
            "speed_range": np.array([self.slowest, self.fastest]) / level,
            "bin_block": block.astype(float),
            "bin_angle": (place + mean[0]) * (_TURN / BINS),
            "bin_advance": mean[1] * (end - begin),
            "bin_readings": rows,
            "bin_averaging": mean[2],
            "line_spread": spread.ravel(),
            "line_products": found.products.ravel(),
            "line_step_products": found.steps.ravel(),
        }
        if self.speed:
            columns["speed"] = sums[4 + k].sum(axis=1) / count.sum(axis=1)
        return columns
