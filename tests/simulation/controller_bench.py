"""An invented controller on the bench: throttle and faults, supply window, current limits; faults planted by parameter.

Everything runs forward in time: a state machine with delays and filters driven by what the bench does, then read by
imperfect instruments. Columns come out as header text -> readings, ready for the plain layout.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from .instruments import BenchInstrument

Columns = dict[str, np.ndarray]


def write_plain(path: Path, columns: Columns, note: str = "Invented log, no real controller.") -> None:
    """Write columns in the plain layout."""
    with path.open("w", encoding="utf-8") as stream:
        stream.write(f"# {note}\n" + ",".join(columns) + "\n")
        np.savetxt(stream, np.column_stack(list(columns.values())), fmt="%.7g", delimiter=",")


@dataclass(frozen=True)
class ThrottleController:
    """A controller's throttle input. ``bend`` is a parabola added to the straight rise, as a share of full output;
    ``jump`` the duty ratio with which it starts; ``notch`` makes the output fall back by that share at 60 % of the way;
    ``lag`` is the time constant of its filter. ``response`` holds the time to the end of output for each fault case,
    ``None`` for one to which it never reacts; the output then decays over ``ramp`` to zero within that time.
    """

    released: float = 0.85
    start: float = 1.15
    full: float = 3.6
    bend: float = 0.0
    jump: float = 0.0
    notch: float = 0.0
    lag: float = 0.02
    ramp: float = 0.03
    response: dict[str, float | None] = field(default_factory=dict)
    starts_at_power_on: bool = False

    def duty(self, signal: np.ndarray) -> np.ndarray:
        """Return the settled duty ratio for a throttle signal ``(n,)`` in V."""
        u = np.clip((signal - self.start) / (self.full - self.start), 0.0, 1.0)
        d = self.jump + (1 - self.jump) * u + 4 * self.bend * u * (1 - u)
        d = d - self.notch * np.clip((u - 0.6) / 0.03, 0, 1) * (u < 0.75)
        return np.where(signal > self.start, d, 0.0)

    def sweep(
        self,
        rng: np.random.Generator,
        meter: BenchInstrument,
        *,
        seconds: float = 40.0,
        interval: float = 0.01,
        duty_noise: float = 0.002,
    ) -> Columns:
        """Return a log of the throttle turned slowly up and down."""
        time = np.arange(0, seconds, interval)
        up = np.clip(time / (0.5 * seconds) * 1.1 - 0.05, 0, 1)
        down = np.clip((seconds - time) / (0.5 * seconds) * 1.1 - 0.05, 0, 1)
        signal = self.released + (4.1 - self.released) * np.minimum(up, down)
        target = self.duty(signal)
        real = np.empty_like(target)
        state, k = 0.0, 1 - np.exp(-interval / self.lag)
        for n, wanted in enumerate(target):
            state += k * (wanted - state)
            real[n] = state
        # A bridge that is off or fully on has no edges whose timing could be uncertain.
        edges = (real > 1e-6) & (real < 1 - 1e-6)
        shown = np.clip(real + edges * rng.normal(0, duty_noise, real.size), 0, 1)
        return {"time [s]": time, "throttle [V]": meter.read(signal, rng), "duty [1]": shown}

    def fault(
        self,
        case: str,
        rng: np.random.Generator,
        *,
        interval: float = 0.002,
        watched: float = 6.0,
        event: float = 1.0,
        current: float = 6.0,
    ) -> tuple[Columns, float]:
        """Return a log of one fault case with supply current as output, and the true time of the fault."""
        at = event + float(rng.uniform(0, interval))
        time = float(rng.uniform(0, interval)) + np.arange(0, event + watched, interval)
        after = time > at
        response = self.response.get(case, 0.15)
        idle = 0.06
        drive = np.full(time.size, current)
        if case == "throttle at power-on":
            drive = np.where(after, current if self.starts_at_power_on else 0.0, 0.0)
        elif response is not None:
            # The last of the output is well above 5 % until the very end: it falls by a ramp, then is cut.
            begin = at + max(response - self.ramp, 0.0)
            fall = 1 - 0.8 * np.clip((time - begin) / max(self.ramp, 1e-9), 0, 1)
            drive = np.where(time < at + response, current * fall, 0.0)
        columns: Columns = {
            "time [s]": time,
            "supply_current [A]": idle * (drive == 0) + drive * (1 + rng.normal(0, 0.02, time.size)),
        }
        signal = np.full(time.size, 2.4)
        levels = {"signal open": 0.02, "signal to supply": 4.98, "signal to ground": 0.0, "signal out of range": 4.5}
        if case in levels:
            signal = np.where(after, levels[case], signal)
        columns["throttle [V]"] = signal + rng.normal(0, 0.004, time.size)
        if case == "brake":
            columns["brake [V]"] = np.where(after, 0.05, 4.9) + rng.normal(0, 0.01, time.size)
        if case == "throttle at power-on":
            columns["supply_voltage [V]"] = np.where(after, 36.0, 0.0) + rng.normal(0, 0.02, time.size)
            columns["supply_current [A]"] = np.where(after, columns["supply_current [A]"], 0.0)
        return columns, at


@dataclass(frozen=True)
class SupplyController:
    """Thresholds of a controller's supply monitor; each sweep meets them with a scatter of ``repeat`` volts.

    ``lead`` is the resistance between supply and terminals, ``delay`` the time the monitor takes; ``chatter`` makes it
    try that many times at the start before it holds. ``overvoltage`` ``None``: it has none.
    """

    start: float = 31.5
    cutoff: float = 29.8
    overvoltage: float | None = 44.5
    overvoltage_return: float = 43.2
    repeat: float = 0.05
    delay: float = 0.02
    lead: float = 0.08
    chatter: int = 0
    current: float = 1.4
    idle: float = 0.05

    def sweep(
        self,
        rng: np.random.Generator,
        meter: BenchInstrument,
        *,
        low: float = 25.0,
        high: float = 48.0,
        sweeps: int = 4,
        rate: float = 0.5,
        interval: float = 0.05,
    ) -> Columns:
        """Return a log of the supply swept up and down ``sweeps`` times, read at the terminals."""
        leg = (high - low) / rate
        time = np.arange(0, 2 * sweeps * leg, interval)
        phase = np.mod(time / leg, 2.0)
        source = low + (high - low) * np.where(phase < 1, phase, 2 - phase)
        # Slow source, fast controller: the monitor is followed in steps of its own.
        fine = 10
        shown_v, shown_i = np.empty(time.size), np.empty(time.size)
        on, wait, tries = False, 0.0, 0
        thresholds = self._draw(rng)
        last_leg, held = 0, 0
        for n in range(time.size):
            if int(time[n] / leg) != last_leg:
                last_leg = int(time[n] / leg)
                thresholds, tries = self._draw(rng), 0
            for _ in range(fine):
                terminal = source[n] - self.lead * (self.current if on else self.idle)
                wanted = self._wanted(on, terminal, thresholds)
                if wanted != on:
                    wait += interval / fine
                    if wait >= self.delay:
                        on, wait = wanted, 0.0
                else:
                    wait = 0.0
            held = held + 1 if on else 0
            if held > 3 and tries < self.chatter and terminal < thresholds["start"] + 1.0 and phase[n] < 1:
                # A retry: the controller lets go shortly after it has started.
                on, tries, held = False, tries + 1, 0
            shown_v[n] = source[n] - self.lead * (self.current if on else self.idle)
            shown_i[n] = self.current if on else self.idle
        return {
            "time [s]": time,
            "supply_voltage [V]": meter.read(shown_v, rng),
            "supply_current [A]": shown_i + rng.normal(0, 0.01, time.size),
        }

    def _draw(self, rng: np.random.Generator) -> dict[str, float]:
        shift = rng.normal(0, self.repeat, 4)
        over = np.inf if self.overvoltage is None else self.overvoltage + shift[2]
        return {
            "start": self.start + shift[0],
            "cutoff": self.cutoff + shift[1],
            "over": over,
            "return": self.overvoltage_return + shift[3],
        }

    def _wanted(self, on: bool, voltage: float, at: dict[str, float]) -> bool:
        if on:
            return at["cutoff"] < voltage < at["over"]
        back = at["return"] if voltage > 0.5 * (self.start + self.overvoltage_return) else np.inf
        return at["start"] < voltage < min(back, at["over"]) if self.overvoltage is not None else voltage > at["start"]


@dataclass(frozen=True)
class LimitController:
    """A controller that limits its supply current and phase current through its duty ratio. ``None``: no limit.

    ``overshoot`` is the share by which the supply current first exceeds the limit; it decays within seconds.
    """

    supply_limit: float | None = 15.0
    phase_limit: float | None = 30.0
    overshoot: float = 0.0
    resistance: float = 0.18
    emf_constant: float = 1.45
    voltage: float = 36.0

    def ramp(
        self,
        rng: np.random.Generator,
        meter: BenchInstrument,
        *,
        seconds: float = 60.0,
        interval: float = 0.02,
        top_torque: float = 55.0,
    ) -> Columns:
        """Return a log of a load torque that rises over ``seconds`` at full throttle, phases a and b recorded."""
        time = np.arange(0, seconds, interval)
        load = top_torque * time / seconds
        speed, angle = self.voltage / self.emf_constant, 0.0
        inertia = 0.35
        supply, ia, ib, w, torque = (np.empty(time.size) for _ in range(5))
        begun = None
        for n in range(time.size):
            for _ in range(4):
                h = interval / 4
                emf = self.emf_constant * speed
                # The duty ratio that the limits allow: d (d V - E)/2R at the supply, (d V - E)/2R in the phases.
                allowed = 1.0
                if self.supply_limit is not None:
                    root = np.sqrt(emf**2 + 8 * self.resistance * self.supply_limit * self.voltage)
                    allowed = min(allowed, (emf + root) / (2 * self.voltage))
                if self.phase_limit is not None:
                    allowed = min(allowed, (emf + 2 * self.resistance * self.phase_limit) / self.voltage)
                duty = allowed
                phase = max((duty * self.voltage - emf) / (2 * self.resistance), 0.0)
                into = duty * phase
                given_torque = self.emf_constant * phase
                speed = max(speed + h * (given_torque - load[n]) / inertia, 0.0)
                angle += h * speed * 20
            if begun is None and allowed < 1:
                begun = time[n]
            bump = 1 + self.overshoot * np.exp(-(time[n] - begun) / 1.5) if begun is not None else 1.0
            sector = int(angle / (2 * np.pi) * 6) % 6
            block = [(1, -1), (1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1)][sector]
            supply[n], ia[n], ib[n] = into * bump, block[0] * phase, block[1] * phase
            w[n], torque[n] = speed, given_torque
        return {
            "time [s]": time,
            "supply_current [A]": meter.read(supply * (1 + rng.normal(0, 0.01, time.size)), rng),
            "current_a [A]": _signed(meter, ia * (1 + rng.normal(0, 0.01, time.size)), rng),
            "current_b [A]": _signed(meter, ib * (1 + rng.normal(0, 0.01, time.size)), rng),
            "speed [rad/s]": w,
            "torque [N m]": torque,
        }


def _signed(meter: BenchInstrument, current: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Read an alternating current: a scale error has the sign of the current, an offset has one sign."""
    scale = BenchInstrument(meter.relative, 0.0, meter.position, meter.noise, meter.step)
    offset = np.sign(np.mean(current)) * meter.position * meter.fixed
    return scale.read(current, rng) + offset
