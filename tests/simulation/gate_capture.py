"""An invented controller seen by a logic analyser: six gate signals and three sensors, with faults planted at will.

Works forward in time from a turning rotor: the sensors follow the angle, the firmware looks at them once per
switching period, and each gate's on-times come out as intervals. The judging code goes the other way, from levels
to states, and shares nothing with this.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

CHANNELS = (
    "gate_ah", "gate_al", "gate_bh", "gate_bl", "gate_ch", "gate_cl", "hall_a", "hall_b", "hall_c",
)  # fmt: skip
#: The commonly published table: sensors (a, b, c) -> leg at plus, leg at minus.
TABLE = {
    (1, 0, 1): ("a", "b"),
    (1, 0, 0): ("a", "c"),
    (1, 1, 0): ("b", "c"),
    (0, 1, 0): ("b", "a"),
    (0, 1, 1): ("c", "a"),
    (0, 0, 1): ("c", "b"),
}


@dataclass(frozen=True)
class GateFaults:
    """Faults to plant; the defaults are a sound controller.

    ``overlap``: ``(leg, time in s, length in s)``, once: at the first switching edge of that leg after that time
    both switches are on together for that long. ``dead_time_error``: added to the dead time of one
    ``(leg, "low" | "high")`` edge. ``wrong_step``: sensor code -> legs driven instead. ``swapped_sensors``: two
    sensor wires exchanged between motor and controller, the probes sitting on the motor's side.
    ``stuck_sensor``: ``(sensor, level, from time)``. ``spikes``: times at which sensor a is disturbed for 3 us.
    ``dropped_sector``: the firmware leaves the bridge off for the first whole sector after this time.
    ``active_low``: gate channels captured upside down.
    """

    overlap: tuple[str, float, float] | None = None
    dead_time_error: dict[tuple[str, str], float] = field(default_factory=dict)
    wrong_step: dict[tuple[int, int, int], tuple[str, str]] = field(default_factory=dict)
    swapped_sensors: tuple[str, str] | None = None
    stuck_sensor: tuple[str, int, float] | None = None
    spikes: tuple[float, ...] = ()
    dropped_sector: float | None = None
    active_low: tuple[str, ...] = ()


@dataclass(frozen=True)
class GateBench:
    """A controller driving a rotor: ``scheme`` is ``high``, ``high complementary``, ``low``, ``low complementary``,
    ``both`` or ``bipolar``; ``duty`` a number or a function of time; speeds in electrical hertz.
    """

    pwm_frequency: float = 16000.0
    dead_time: float = 600e-9
    dead_time_jitter: float = 0.0
    period_jitter: float = 0.0
    scheme: str = "high complementary"
    duty: float | Callable[[np.ndarray], np.ndarray] = 0.5
    electrical_frequency: float = 60.0
    speed_ripple: float = 0.03
    faults: GateFaults = field(default_factory=GateFaults)

    def angle(self, time: np.ndarray) -> np.ndarray:
        """Return the electrical angle in turns: a mean speed with two ripples of no simple ratio."""
        f, r = self.electrical_frequency, self.speed_ripple
        return f * time + r / (2 * np.pi) * (
            np.sin(2 * np.pi * f * time / 3.7) + 0.4 * np.sin(2 * np.pi * 6 * f * time)
        )

    def _edges_of(self, offset: float, duration: float) -> tuple[np.ndarray, np.ndarray]:
        """Return times at which the angle passes ``offset`` plus whole turns, up and half a turn later down."""
        grid = np.arange(0, duration + 1e-4, 1e-4)
        turns = self.angle(grid)
        wanted = np.arange(np.ceil((turns[0] - offset) * 2), np.floor((turns[-1] - offset) * 2) + 1) / 2
        times = np.interp(wanted + offset, turns, grid)
        for _ in range(4):
            slope = (self.angle(times + 1e-6) - self.angle(times - 1e-6)) / 2e-6
            times = times - (self.angle(times) - wanted - offset) / slope
        rising = np.isclose(wanted % 1.0, 0.0)
        keep = (times > 0) & (times < duration)
        return times[keep & rising], times[keep & ~rising]

    def sensors(self, duration: float) -> dict[str, tuple[np.ndarray, np.ndarray, int]]:
        """Return for each sensor its rising and falling times and the level at the start, at the motor."""
        found = {}
        for name, offset in (("a", 0.0), ("b", 1 / 3), ("c", 2 / 3)):
            up, down = self._edges_of(offset, duration)
            found[name] = (up, down, int((self.angle(np.zeros(1))[0] - offset) % 1.0 < 0.5))
        stuck = self.faults.stuck_sensor
        if stuck:
            name, level, since = stuck
            up, down, start = found[name]
            before = sorted([(t, 1) for t in up if t < since] + [(t, 0) for t in down if t < since])
            held = before[-1][1] if before else start
            up, down = up[up < since], down[down < since]
            if held != level:
                up, down = (np.append(up, since), down) if level else (up, np.append(down, since))
            found[name] = (up, down, start)
        if self.faults.spikes:
            up, down, start = found["a"]
            for at in self.faults.spikes:
                level = _level(up, down, start, np.array([at]))[0]
                first, second = np.array([at]), np.array([at + 3e-6])
                up = np.sort(np.append(up, second if level else first))
                down = np.sort(np.append(down, first if level else second))
            found["a"] = (up, down, start)
        return found

    def gates(self, duration: float, rng: np.random.Generator) -> dict[str, np.ndarray]:
        """Return the on-intervals ``(n, 2)`` in s of each gate."""
        period = 1.0 / self.pwm_frequency
        n = int(duration / period)
        begin = period * np.arange(n + 1)
        begin[1:] += np.cumsum(rng.normal(0, self.period_jitter, n)) if self.period_jitter else 0.0
        # The firmware reads the sensors in the middle of a period and acts at the next.
        look = begin[:-1] - 0.5 * period
        found = self.sensors(duration)
        wires = {name: name for name in "abc"}
        if self.faults.swapped_sensors:
            one, other = self.faults.swapped_sensors
            wires[one], wires[other] = other, one
        code = np.stack([_level(*found[wires[name]], look) for name in "abc"], axis=1)
        table = {**TABLE, **self.faults.wrong_step}
        duty = np.broadcast_to(self.duty(begin[:-1]) if callable(self.duty) else self.duty, (n,)).astype(float)
        plus = np.array([table[tuple(row)][0] if tuple(row) in table else "-" for row in code.tolist()])
        minus = np.array([table[tuple(row)][1] if tuple(row) in table else "-" for row in code.tolist()])
        if self.faults.dropped_sector is not None:
            first = int(self.faults.dropped_sector / period)
            change = np.flatnonzero(np.any(code[1:] != code[:-1], axis=1)) + 1
            start, stop = change[change > first][:2]
            plus[start:stop] = minus[start:stop] = "-"
        on: dict[str, list[np.ndarray]] = {name: [] for name in CHANNELS[:6]}
        a, b = begin[:-1], begin[1:]

        def dead(leg: str, edge: str, size: int) -> np.ndarray:
            base = self.dead_time + self.faults.dead_time_error.get((leg, edge), 0.0)
            return np.maximum(base + (rng.normal(0, self.dead_time_jitter, size) if self.dead_time_jitter else 0.0), 0)

        for leg in "abc":
            for role, where in (("plus", plus == leg), ("minus", minus == leg)):
                start, stop, d = a[where], b[where], duty[where]
                high, low = (f"gate_{leg}h", f"gate_{leg}l") if role == "plus" else (f"gate_{leg}l", f"gate_{leg}h")
                edge_high, edge_low = ("high", "low") if role == "plus" else ("low", "high")
                main = self.scheme.split()[0]
                chopped = main in ("both", "bipolar") or main == ("high" if role == "plus" else "low")
                complementary = self.scheme.endswith("complementary") or main == "bipolar"
                if not chopped:
                    on[high].append(np.column_stack([start, stop]))
                    continue
                t_on = dead(leg, edge_high, start.size) if complementary else 0.0
                middle = start + d * (stop - start)
                real = middle - start > t_on
                on[high].append(np.column_stack([start + t_on, middle])[real])
                if complementary:
                    t_off = dead(leg, edge_low, start.size)
                    real = stop - middle > t_off
                    on[low].append(np.column_stack([middle + t_off, stop])[real])
        result = {name: _merged(np.concatenate(parts) if parts else np.zeros((0, 2))) for name, parts in on.items()}
        if self.faults.overlap:
            leg, at, length = self.faults.overlap
            high, low = result[f"gate_{leg}h"], result[f"gate_{leg}l"]
            # The first turn-off of the high switch that its low switch follows shortly: let it last too long.
            follow = np.searchsorted(low[:, 0], high[:, 1])
            follow = np.minimum(follow, len(low) - 1)
            gap = low[follow, 0] - high[:, 1]
            row = int(np.flatnonzero((high[:, 1] > at) & (gap > 0) & (gap < 5e-6))[0])
            high[row, 1] = low[follow[row], 0] + length
        return result

    def capture(
        self, duration: float, sample_rate: float, rng: np.random.Generator, clock_error: float = 0.0
    ) -> Capture:
        """Return what a logic analyser sees: level changes in samples of its own, slightly wrong, clock."""
        interval = (1 + clock_error) / sample_rate
        phase = float(rng.uniform(0, interval))
        events = []
        sensors, gates = self.sensors(duration), self.gates(duration, rng)
        initial = {}
        for number, name in enumerate(CHANNELS):
            if name.startswith("gate"):
                spans = gates[name]
                up, down, start = spans[:, 0], spans[:, 1], 0
                if up.size and up[0] <= 0:
                    up, start = up[1:], 1
            else:
                up, down, start = sensors[name[-1]]
            flip = name in self.faults.active_low
            initial[name] = start ^ flip
            times = np.concatenate([up, down])
            level = np.concatenate([np.ones(up.size, int), np.zeros(down.size, int)]) ^ flip
            order = np.argsort(times, kind="stable")
            ticks = np.ceil((times[order] - phase) / interval).astype(np.int64)
            level = level[order]
            # Of several changes between two samples the last level is seen; no change, no event.
            last = np.append(ticks[1:] != ticks[:-1], True) if ticks.size else np.zeros(0, bool)
            ticks, level = ticks[last], level[last]
            before = np.append(initial[name], level[:-1]) if level.size else level
            seen = level != before
            events.append(np.column_stack([ticks[seen], np.full(seen.sum(), number), level[seen]]))
        joined = np.concatenate(events)
        joined = joined[np.lexsort((joined[:, 1], joined[:, 0]))]
        samples = int(duration / interval)
        inside = (joined[:, 0] > 0) & (joined[:, 0] < samples)
        return Capture(sample_rate, initial, joined[inside], samples)


@dataclass(frozen=True)
class Capture:
    """Level changes ``(n, 3)``: sample number, channel number, level from then; ``samples`` in all."""

    sample_rate: float
    initial: dict[str, int]
    events: np.ndarray
    samples: int

    def write_vcd(self, path: Path, timescale: str = "1 ns") -> None:
        """Write a value change dump with an independent library; times are rounded to the time scale."""
        from vcd import VCDWriter

        number, name = timescale.split()
        unit = int(number) * {"s": 1.0, "us": 1e-6, "ns": 1e-9, "ps": 1e-12}[name]
        times = np.rint(self.events[:, 0] / self.sample_rate / unit).astype(np.int64)
        with path.open("w") as stream, VCDWriter(stream, timescale=timescale, date="", version="invented") as writer:
            variables = [
                writer.register_var("capture", name, "wire", size=1, init=self.initial[name]) for name in CHANNELS
            ]
            change = writer.change
            for time, number, level in zip(
                times.tolist(), self.events[:, 1].tolist(), self.events[:, 2].tolist(), strict=True
            ):
                change(variables[number], time, level)
            writer.close(round(self.samples / self.sample_rate / unit))

    def rows(self) -> tuple[np.ndarray, np.ndarray]:
        """Return times ``(m,)`` in s at which anything changes, and the levels ``(m, 9)`` from then on."""
        ticks, place = np.unique(np.append([0, self.samples], self.events[:, 0]), return_inverse=True)
        levels = np.zeros((ticks.size, len(CHANNELS)), dtype=int)
        where = place[2:]
        for number, name in enumerate(CHANNELS):
            mine = self.events[:, 1] == number
            series = np.full(ticks.size, -1)
            series[0] = self.initial[name]
            series[where[mine]] = self.events[mine, 2]
            filled = np.maximum.accumulate(np.where(series >= 0, np.arange(ticks.size), 0))
            levels[:, number] = series[filled]
        return ticks / self.sample_rate, levels

    def write_csv(self, path: Path, extra: dict[str, tuple[str, np.ndarray]] | None = None) -> None:
        """Write the plain layout, one row per change; ``extra``: header text -> values per row."""
        times, levels = self.rows()
        columns = [times, *levels.T]
        headers = ["time [s]", *(f"{name} [1]" for name in CHANNELS)]
        formats = ["%.9f", *["%d"] * len(CHANNELS)]
        for name, (form, values) in (extra or {}).items():
            headers.append(name)
            formats.append(form)
            columns.append(values)
        with path.open("w", encoding="utf-8") as stream:
            stream.write("# Invented capture, no real controller.\n" + ",".join(headers) + "\n")
            np.savetxt(stream, np.column_stack(columns), fmt=formats, delimiter=",")


def _level(up: np.ndarray, down: np.ndarray, start: int, times: np.ndarray) -> np.ndarray:
    """Return the level at ``times`` of a signal that starts at ``start``."""
    return start + np.searchsorted(up, times, "right") - np.searchsorted(down, times, "right")


def _merged(spans: np.ndarray) -> np.ndarray:
    """Join intervals that touch."""
    if len(spans) == 0:
        return spans
    spans = spans[np.argsort(spans[:, 0])]
    apart = spans[1:, 0] - spans[:-1, 1] > 1e-12
    starts = spans[np.append(True, apart), 0]
    stops = spans[np.append(apart, True), 1]
    return np.column_stack([starts, stops])
