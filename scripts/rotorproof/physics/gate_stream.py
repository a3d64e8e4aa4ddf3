"""Follow gate signals and sensor levels through a capture of any length, keeping only what is asked of them.

A capture need not hold all six gates and three sensors: what is counted is what its channels can tell. The reducer
works on vectors of level changes. What lies across the border of two blocks (an open pulse, an open sector) is
carried; what grows with the capture is counted, not kept, so memory stays flat.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..errors import FitError
from .bridge import MINUS_LEG, PLUS_LEG, POWERED, added_gate, conduction_states
from .gate_slices import GateSlices
from .kept_sectors import KeptSectors
from .tallies import Runs, Tally, Windows

GATES = ("gate_ah", "gate_al", "gate_bh", "gate_bl", "gate_ch", "gate_cl")
HALLS = ("hall_a", "hall_b", "hall_c")
#: A pause between the two switches of a leg longer than this is a floating leg, not dead time (common practice,
#: no source: dead times of MOSFET bridges are 0.1 us to 5 us).
LONGEST_DEAD_TIME = 20e-6
#: Rising edges further apart than this are no PWM period (a PWM below 200 Hz is not met).
LONGEST_PERIOD = 5e-3
#: A sensor code that stands shorter is a disturbance, not a position: 3 kHz electrical is beyond hub motors.
SHORTEST_SECTOR = 50e-6
#: Sensor code 4 a + 2 b + c to the bits of channels 6, 7 and 8.
_SENSOR_BITS = np.array([(c >> 2 & 1) << 6 | (c >> 1 & 1) << 7 | (c & 1) << 8 for c in range(8)])
#: Overlaps and wrong steps beyond this number are counted, not listed.
MOST_LISTED = 500


class GateStream:
    """Reducer of a gate capture; ``sample_rate`` in Hz is that of the instrument that took it."""

    def __init__(self, sample_rate: float) -> None:
        self.rate = sample_rate
        self.last: tuple[float, int, int, np.ndarray] | None = None
        self.begin = self.end = 0.0
        self.off_grid = self.edges = 0
        self.legs = [Runs() for _ in range(3)]
        self.gates = [Runs() for _ in range(6)]
        self.dead = [Tally() for _ in range(6)]  # by leg and edge: 2 leg + (0: low turns on, 1: high turns on)
        self.periods = Tally()
        self.delays = Tally()
        self.shortest = np.full(6, np.inf)
        self.shortest_at = np.zeros(6)
        self.on_time = np.zeros(6)
        self.both_on = np.zeros(3)
        self.overlaps: list[tuple[float, float, int]] = []
        self.overlap_count = 0
        self.last_rise = np.full(6, -np.inf)
        self.last_rise_sector = np.full(6, -1)
        self.sector_number = 0
        self.open: _Open | None = None
        self.before: tuple[int, int] | None = None  # sensor code and conduction state of the sector before
        self.table = np.zeros((8, 8), dtype=np.int64)
        self.steps = np.zeros((8, 8), dtype=np.int64)
        self.dropouts = self.glitches = 0
        self.waiting: list[tuple[int, int, float]] = []
        self.wrong: list[tuple[float, int, int]] = []
        self.schemes = np.zeros(16, dtype=np.int64)
        self.analogue: tuple[str, ...] | None = None
        self.windows: Windows | None = None
        self.seen = np.zeros(9, dtype=bool)  # gates and sensors that the capture holds
        self.kept = KeptSectors()
        self.slices = GateSlices()
        #: Of each gate: periods of its chopping, sum and sum of squares of the share in which it was on.
        self.pulses = np.zeros((6, 3))

    # ------------------------------------------------------------------ rows in

    def feed(self, rows: Mapping[str, np.ndarray]) -> None:
        """Take the next rows of the capture (see ``Reducer.feed``). Raises ``FitError`` for levels other than 0, 1."""
        time = np.asarray(rows["time"], dtype=float)
        if time.size == 0:
            return
        gate = _packed(rows, GATES)
        hall = _packed(rows, HALLS[::-1])
        if self.analogue is None:
            self.analogue = tuple(name for name in ("throttle", "duty") if name in rows)
            self.windows = Windows(1 + len(self.analogue))
        values = np.array([np.asarray(rows[name], dtype=float) for name in self.analogue]).reshape(-1, time.size)
        first = self.last is None
        if self.last is None:
            self.seen = np.array([name in rows for name in (*GATES, *HALLS)])
            self.begin = float(time[0])
            for leg in range(3):
                # The state -1 stands for what was before the capture, so that an overlap at its start is seen.
                self.legs[leg].feed(time[[0, 0]], np.array([-1, gate[0] >> (2 * leg) & 3]))
            for number in range(6):
                self.gates[number].feed(time[:1], gate[:1] >> number & 1)
            self.last = (self.begin, int(gate[0]), int(hall[0]), values[:, :1])
        before, self.last = self.last, (float(time[-1]), int(gate[-1]), int(hall[-1]), values[:, -1:])
        self.end = float(time[-1])
        if first and time.size == 1:
            return
        # From here on only the rows where something changes, and the last; the first row is the state carried in.
        change = np.empty(time.size, dtype=bool)
        change[0] = (gate[0], hall[0]) != before[1:3]
        change[1:] = (gate[1:] != gate[:-1]) | (hall[1:] != hall[:-1])
        place = np.flatnonzero(change)
        self._grid(time[place])
        rows_kept = place if change[-1] else np.append(place, time.size - 1)
        whole_time, whole_gate = time, gate
        time = np.append(before[0], time[rows_kept])
        gate, hall = (np.append(b, level[rows_kept]) for b, level in ((before[1], gate), (before[2], hall)))
        self._window(before, whole_time[first:], whole_gate[first:], values[:, first:], time, gate)
        sector = self.sector_number + np.append(0, np.cumsum(hall[1:] != hall[:-1]))
        self._on(time, gate)
        if self.seen[:6].all() and not self.seen[6:].all():
            self.slices.add(time, gate[:-1] | _SENSOR_BITS[hall[:-1]])
        self._legs(time[1:], gate[1:])
        rises = self._gates(time, gate, sector)
        self._sectors(time, gate, hall, sector, rises)
        self.sector_number = int(sector[-1])

    def _window(
        self,
        before: tuple[float, int, int, np.ndarray],
        time: np.ndarray,
        gate: np.ndarray,
        values: np.ndarray,
        change_time: np.ndarray,
        change_gate: np.ndarray,
    ) -> None:
        """Average over windows of time: what the gates do from change to change, analogue values from row to row."""
        assert self.windows is not None
        if self.analogue:
            change_time = np.append(before[0], time)
            change_gate = np.append(before[1], gate)
            values = np.concatenate([before[3], values], axis=1)[:, :-1]
        else:
            values = np.empty((0, change_time.size - 1))
        powered = POWERED[change_gate[:-1]].astype(float)
        self.windows.add(change_time, np.concatenate([powered[None, :], values]))

    def _grid(self, time: np.ndarray) -> None:
        """Count level changes, and those that do not lie on the stated sample grid."""
        samples = (time - self.begin) * self.rate
        self.off_grid += int(np.count_nonzero(np.abs(samples - np.rint(samples)) > 0.2))
        self.edges += time.size

    def _count(self, duration: np.ndarray) -> np.ndarray:
        return np.rint(duration * self.rate).astype(np.int64)

    def _on(self, time: np.ndarray, gate: np.ndarray) -> None:
        duration = np.diff(time)
        shares = np.bincount(gate[:-1], duration, minlength=64)
        states = np.arange(64)
        for number in range(6):
            self.on_time[number] += shares[states >> number & 1 == 1].sum()
        for leg in range(3):
            self.both_on[leg] += shares[states >> (2 * leg) & 3 == 3].sum()

    # ------------------------------------------------------------------ one leg

    def _legs(self, time: np.ndarray, gate: np.ndarray) -> None:
        for leg in range(3):
            before, state, after, start, end = self.legs[leg].feed(time, gate >> (2 * leg) & 3)
            pause = (state == 0) & (end - start <= LONGEST_DEAD_TIME)
            # Leg state 1: high switch on; 2: low switch on; 3: both.
            self.dead[2 * leg].add(self._count((end - start)[pause & (before == 1) & (after == 2)]))
            self.dead[2 * leg + 1].add(self._count((end - start)[pause & (before == 2) & (after == 1)]))
            # Both edges in one sample: a dead time of 0 samples.
            self.dead[2 * leg].add(np.zeros(np.count_nonzero((before == 1) & (state == 2)), dtype=np.int64))
            self.dead[2 * leg + 1].add(np.zeros(np.count_nonzero((before == 2) & (state == 1)), dtype=np.int64))
            both = state == 3
            self._overlap(leg, start[both], end[both])

    def _overlap(self, leg: int, start: np.ndarray, end: np.ndarray) -> None:
        self.overlap_count += start.size
        room = MOST_LISTED - len(self.overlaps)
        self.overlaps += [(float(s), float(e - s), leg) for s, e in zip(start[:room], end[:room], strict=True)]

    # ------------------------------------------------------------------ one gate

    def _gates(self, time: np.ndarray, gate: np.ndarray, sector: np.ndarray) -> list[np.ndarray]:
        """Take pulses and periods; return the rows at which each gate turns on."""
        rises = []
        for number in range(6):
            level = gate >> number & 1
            _, state, _, start, end = self.gates[number].feed(time[1:], level[1:])
            width = np.where(state == 1, self._count(end - start) / self.rate, np.inf)
            if width.size and width.min() < self.shortest[number]:
                place = int(np.argmin(width))
                self.shortest[number], self.shortest_at[number] = width[place], start[place]
            rise = np.flatnonzero((level[1:] == 1) & (level[:-1] == 0)) + 1
            rises.append(rise)
            if rise.size:
                at = np.append(self.last_rise[number], time[rise])
                where = np.append(self.last_rise_sector[number], sector[rise])
                period = np.diff(at)
                # Two turn-ons within one sector: the chopping, not the commutation.
                chopped = (where[1:] == where[:-1]) & (period <= LONGEST_PERIOD)
                self.periods.add(self._count(period[chopped]))
                if not self.seen[:6].all():
                    self._pulse(number, at, time, level, rise, chopped)
                self.last_rise[number], self.last_rise_sector[number] = at[-1], where[-1]
        return rises

    def _pulse(
        self, number: int, at: np.ndarray, time: np.ndarray, level: np.ndarray, rise: np.ndarray, chopped: np.ndarray
    ) -> None:
        """Add the share in which a gate was on in those of its periods ``chopped`` that lie within this block."""
        fall = np.flatnonzero((level[1:] == 0) & (level[:-1] == 1)) + 1
        # The fall after each turn-on but the last; the turn-on carried in has none here.
        follow = fall[np.searchsorted(fall, rise[:-1])] if rise.size > 1 else np.zeros(0, dtype=int)
        share = ((time[follow] - at[1:-1]) / np.diff(at[1:]))[chopped[1:]]
        self.pulses[number] += share.size, share.sum(), np.sum(share**2)

    # ------------------------------------------------------------------ sectors

    def _sectors(
        self, time: np.ndarray, gate: np.ndarray, hall: np.ndarray, sector: np.ndarray, rises: list[np.ndarray]
    ) -> None:
        number = sector - sector[0]
        count = int(number[-1]) + 1
        duration = np.diff(time)
        first = np.append(0, np.flatnonzero(np.diff(number)) + 1)
        on = np.stack(
            [np.bincount(number[:-1], duration * (gate[:-1] >> g & 1), minlength=count) for g in range(6)], axis=1
        )
        turned = np.stack([np.bincount(number[r], minlength=count) for r in rises], axis=1)
        earliest = np.full((count, 6), np.inf)
        for g, rise in enumerate(rises):
            inside, place = np.unique(number[rise], return_index=True)
            earliest[inside, g] = time[rise[place]]
        start, code = time[first], hall[first]
        if self.open is not None:
            start[0] = self.open.start
            on[0] += self.open.on
            turned[0] += self.open.turned
            earliest[0] = np.minimum(earliest[0], self.open.earliest)
        self.open = _Open(float(start[-1]), int(code[-1]), on[-1], turned[-1], earliest[-1])
        if count > 1:
            self._closed(start[:-1], start[1:], code[:-1], on[:-1], turned[:-1], earliest[:-1])

    def _closed(
        self,
        start: np.ndarray,
        end: np.ndarray,
        code: np.ndarray,
        on: np.ndarray,
        turned: np.ndarray,
        earliest: np.ndarray,
    ) -> None:
        """Judge sectors that have ended, ``(n,)`` and ``(n, 6)``."""
        length = end - start
        real = length >= SHORTEST_SECTOR
        self.glitches += int(np.count_nonzero(~real))
        start, code, on, turned, earliest, length = (a[real] for a in (start, code, on, turned, earliest, length))
        if start.size == 0:
            return
        share = on / length[:, None]
        if not self.seen.all():
            if self.seen[6:].all():
                self._keep(start, code, share, earliest)
            return
        state = conduction_states(share[:, ::2], share[:, 1::2])
        # The first sector of the capture is cut off: it is a beginning, not a step to be judged.
        if self.before is None:
            self.before = (int(code[0]), int(state[0]))
            start, code, turned, earliest, state, length = (
                a[1:] for a in (start, code, turned, earliest, state, length)
            )
            if start.size == 0:
                return
        codes, states = np.append(self.before[0], code), np.append(self.before[1], state)
        self.before = (int(codes[-1]), int(states[-1]))
        np.add.at(self.table, (code, state), 1)
        np.add.at(self.steps, (codes[:-1], codes[1:]), 1)
        self._dropouts(code, state, start)
        gate = added_gate(states[:-1], states[1:])
        rows = np.flatnonzero(gate >= 0)
        delay = earliest[rows, gate[rows]] - start[rows]
        self.delays.add(self._count(delay[np.isfinite(delay) & (delay < length[rows])]))
        self._schemes(state, turned)
        self._list_wrong(start, code, state)

    def _keep(self, start: np.ndarray, code: np.ndarray, share: np.ndarray, earliest: np.ndarray) -> None:
        """Keep sectors one by one: which leg works how is only told apart beside the others and other captures."""
        if self.before is None:  # the first one is cut off
            self.before = (int(code[0]), 0)
            start, code, share, earliest = (a[1:] for a in (start, code, share, earliest))
        delay = self._count(np.where(np.isfinite(earliest), earliest - start[:, None], -1.0)) / self.rate
        self.kept.add(code, share, delay)

    def _dropouts(self, code: np.ndarray, state: np.ndarray, start: np.ndarray) -> None:
        """Count sectors without conduction between sectors with conduction."""
        joined = [*self.waiting, *zip(code.tolist(), state.tolist(), start.tolist(), strict=True)]
        for before, here, after in zip(joined, joined[1:], joined[2:], strict=False):
            if here[1] == 0 and before[1] > 0 and after[1] > 0:
                self.dropouts += 1
                if len(self.wrong) < MOST_LISTED:
                    self.wrong.append((here[2], here[0], 0))
        self.waiting = joined[-2:]

    def _schemes(self, state: np.ndarray, turned: np.ndarray) -> None:
        six = np.flatnonzero((state >= 1) & (state <= 6))
        plus, minus = PLUS_LEG[state[six]], MINUS_LEG[state[six]]
        chopped = turned[six] >= 3
        rows = np.arange(six.size)
        key = (
            chopped[rows, 2 * plus]
            + 2 * chopped[rows, 2 * plus + 1]
            + 4 * chopped[rows, 2 * minus]
            + 8 * chopped[rows, 2 * minus + 1]
        )
        self.schemes += np.bincount(key, minlength=16)

    def _list_wrong(self, start: np.ndarray, code: np.ndarray, state: np.ndarray) -> None:
        """List sectors whose state differs from the one this code has had most often so far."""
        usual = np.argmax(self.table[:, 1:], axis=1) + 1
        odd = np.flatnonzero((state != usual[code]) & (state > 0))
        for row in odd[: MOST_LISTED - len(self.wrong)]:
            self.wrong.append((float(start[row]), int(code[row]), int(state[row])))

    # ------------------------------------------------------------------ columns out

    def finish(self) -> dict[str, np.ndarray]:
        """Return the reduced columns (see ``REDUCED``). Raises ``FitError`` where the capture cannot be judged."""
        if self.last is None or self.end <= self.begin:
            raise FitError("the capture spans no time; capture some seconds with the controller driving")
        self._still_open()
        share = self.off_grid / max(self.edges, 1)
        if share > 0.01:
            raise FitError(
                f"{share * 100:.0f} % of the level changes do not lie on the sample grid of {self.rate / 1e6:g} MHz; "
                "state the 'sample_rate' the capture was taken with"
            )
        dead_value, dead_count, dead_group = _joined(self.dead)
        assert self.windows is not None
        middles, means = self.windows.means()
        overlaps = np.array(self.overlaps, dtype=float).reshape(-1, 3)
        wrong = np.array(sorted(self.wrong), dtype=float).reshape(-1, 3)
        columns = {
            "span": np.array([self.end - self.begin]),
            "sample_interval": np.array([1.0 / self.rate]),
            "edge_count": np.array([float(self.edges)]),
            "gate_on_time": self.on_time,
            "leg_overlap_time": self.both_on,
            "dead_time": dead_value / self.rate,
            "dead_time_count": dead_count,
            "dead_time_group": dead_group,
            "overlap_total": np.array([float(self.overlap_count)]),
            "overlap_start": overlaps[:, 0],
            "overlap_duration": overlaps[:, 1],
            "overlap_leg": overlaps[:, 2],
            "pulse_shortest": np.where(np.isfinite(self.shortest), self.shortest, 0.0),
            "pulse_shortest_start": self.shortest_at,
            "pwm_period": self.periods.values / self.rate,
            "pwm_period_count": self.periods.counts.astype(float),
            "commutation_delay": self.delays.values / self.rate,
            "commutation_delay_count": self.delays.counts.astype(float),
            "state_table": self.table.ravel().astype(float),
            "sensor_steps": self.steps.ravel().astype(float),
            "dropout_total": np.array([float(self.dropouts)]),
            "glitch_total": np.array([float(self.glitches)]),
            "wrong_start": wrong[:, 0],
            "wrong_code": wrong[:, 1],
            "wrong_state": wrong[:, 2],
            "scheme_count": self.schemes.astype(float),
            "window_middle": middles,
            "window_duty": means[0],
            "channels": self.seen.astype(float),
            **self.kept.columns(),
            "slice_levels": self.slices.levels.ravel(),
            "slice_steps": self.slices.steps.ravel(),
            "pulse_share": self.pulses.ravel(),
        }
        if not self.seen[:6].all():
            # What the bridge does is not known without all of its gates.
            return columns | {"window_middle": np.zeros(0), "window_duty": np.zeros(0)}
        for row, name in enumerate(self.analogue or (), start=1):
            columns[f"window_{'command' if name == 'duty' else name}"] = means[row]
        return columns

    def _still_open(self) -> None:
        """Count an overlap that lasts to the end of the capture or began with it."""
        for leg, runs in enumerate(self.legs):
            if runs.states.size and runs.states[-1] == 3:
                self._overlap(leg, runs.starts[-1:], np.array([self.end]))


#: The reduced columns, each with the raw column whose instrument error it carries. The sampling interval is exact
#: by its statement: the clock's error acts on the times it counted.
_TIMES = (
    "span gate_on_time leg_overlap_time dead_time overlap_start overlap_duration pulse_shortest pulse_shortest_start "
    "pwm_period commutation_delay wrong_start window_middle sector_delay"
)
_COUNTS = (
    "sample_interval edge_count dead_time_count dead_time_group overlap_total overlap_leg pwm_period_count "
    "commutation_delay_count state_table sensor_steps dropout_total glitch_total wrong_code wrong_state scheme_count "
    "window_duty channels sector_code sector_share sector_median later_sector later_sector_count slice_levels "
    "slice_steps pulse_share"
)
REDUCED: dict[str, str] = {
    **dict.fromkeys(_TIMES.split(), "time"),
    **dict.fromkeys(_COUNTS.split(), ""),
    "window_command": "duty",
    "window_throttle": "throttle",
}


class _Open:
    """The sector that has not ended yet."""

    def __init__(self, start: float, code: int, on: np.ndarray, turned: np.ndarray, earliest: np.ndarray) -> None:
        self.start, self.code, self.on, self.turned, self.earliest = start, code, on, turned, earliest


def _packed(rows: Mapping[str, np.ndarray], names: tuple[str, ...]) -> np.ndarray:
    """Return levels as the bits of bytes ``(n,)``, 0 for a channel that is not there.

    Raises ``FitError`` for levels other than 0 and 1.
    """
    packed = np.zeros(len(rows["time"]), dtype=np.uint8)
    for name in reversed(names):
        np.left_shift(packed, 1, out=packed)
        if name not in rows:
            continue
        level = np.asarray(rows[name])
        if level.dtype.itemsize == 1:
            # A level below zero is one above 127 here.
            high = level.view(np.uint8)
            wrong = high.max() > 1
        else:
            high = (level == 1).view(np.uint8)
            wrong = np.count_nonzero(level) != np.count_nonzero(high)
        if wrong:
            raise FitError(f"{name} holds levels other than 0 and 1; export logic levels, or map them in a layout")
        # In place: a new array for each of nine levels would cost more than the bits.
        np.bitwise_or(packed, high, out=packed)
    return packed


def _joined(tallies: list[Tally]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    values = np.concatenate([t.values for t in tallies]).astype(float)
    counts = np.concatenate([t.counts for t in tallies]).astype(float)
    groups = np.concatenate([np.full(t.values.size, float(n)) for n, t in enumerate(tallies)])
    return values, counts, groups
