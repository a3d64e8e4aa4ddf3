"""Outside values for a controller: signals drawn by hand, in which every time and count is put in by its drawing.

Sources: commutation table of published application notes; identities of three-phase power (IEC 60050-131); figures
worked by hand from the definitions, written beside each drawing. Nothing of the simulated bench is used here.
"""

from __future__ import annotations

import numpy as np

from rotorproof.physics.gate_stream import GateStream
from rotorproof.procedures.base import Log
from tests.outside import Outside
from tests.procedures.controller_runs import case, outcome

HAND = "signal drawn and worked by hand from the definition"
RATE = 10e6  # Hz: a sample each 100 ns
PERIOD = 500  # samples: 20 kHz
PERIODS = 100  # per sensor sector
#: Sensor code and the legs driven high and low, in the order of the published six-step table.
STEPS = (("101", "ab"), ("100", "ac"), ("110", "bc"), ("010", "ba"), ("011", "ca"), ("001", "cb"))
GATES = tuple(f"gate_{leg}{side}" for leg in "abc" for side in "hl")


def drawn(
    duty: float = 0.4, dead: int = 5, turns: int = 3, early: int = 120, uneven: int = 0, wrong: int | None = None
) -> dict[str, np.ndarray]:
    """Return a capture, sample by sample: the high side is chopped, the low side complementary with ``dead`` samples.

    The sensors change ``early`` samples before the bridge; periods are ``uneven`` samples longer and shorter by turns;
    sector ``wrong`` drives the legs of its neighbour.
    """
    count = 6 * turns * PERIODS
    lengths = PERIOD + uneven * np.where(np.arange(count) % 2, 1, -1)
    start = np.concatenate([[0], np.cumsum(lengths)])
    n = np.arange(start[-1])
    period = np.searchsorted(start, n, side="right") - 1
    phase = n - start[period]
    on_until = round(duty * PERIOD)
    rows = {name: np.zeros(n.size, int) for name in GATES}
    for sector in range(6 * turns):
        here = (period // PERIODS) == sector
        plus, minus = STEPS[((sector + 1) if sector == wrong else sector) % 6][1]
        rows[f"gate_{plus}h"][here] = (phase >= dead)[here] & (phase < on_until)[here]
        if dead:
            rows[f"gate_{plus}l"][here] = (phase >= on_until + dead)[here]
        rows[f"gate_{minus}l"][here] = 1
    ahead = np.minimum(n + early, n.size - 1)
    code = np.array([[int(bit) for bit in STEPS[s % 6][0]] for s in range(6 * turns)])[period[ahead] // PERIODS]
    for k, name in enumerate("abc"):
        rows[f"hall_{name}"] = code[:, k]
    return {"time": n / RATE, **rows}


def captured(rows: dict[str, np.ndarray]) -> Log:
    stream = GateStream(RATE)
    stream.feed(rows)
    return Log("capture", stream.finish())


def values(rows: dict[str, np.ndarray]) -> dict[str, float]:
    return {name: form.value for name, form in outcome("gate-timing", [captured(rows)]).forms.items()}


def test_times_and_counts_of_a_sound_capture(outside: Outside) -> None:
    found = values(drawn())
    # The next state adds a low gate (held, on at once: 12 us after the sensor) or a high gate (0.5 us later): 12.25 us.
    for name, what, published, allowance, factor, unit in (
        ("dead_time_min", "5 samples of 100 ns between the gates of a leg", 500.0, 1e-6, 1e9, "ns"),
        ("overlap_count", "gates of a leg never on together", 0.0, 0.0, 1.0, "1"),
        ("pwm_frequency", "turn-ons 500 samples of 100 ns apart", 20.0, 1e-9, 1e-3, "kHz"),
        ("pulse_width_min", "high gate on from sample 5 to 200 of its period", 19500.0, 1e-6, 1e9, "ns"),
        ("commutation_errors", "18 sectors by the published table", 0.0, 0.0, 1.0, "1"),
        ("sensor_disturbances", "sensors that change once per sector", 0.0, 0.0, 1.0, "1"),
        ("controller_table", "table of states 1 to 6", 645213.0, 0.0, 1.0, "1"),
        ("commutation_delay", "bridge 12 us after the sensors, high gates 0.5 us later", 12.25, 0.1, 1e6, "us"),
    ):
        outside(
            name,
            what,
            ours=factor * found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source="six-step tables of application notes (101 A+ B- ... 001 C+ B-)"
            if name == "controller_table"
            else HAND,
        )


def test_uneven_periods(outside: Outside) -> None:
    outside(
        "pwm_jitter",
        "periods of 51 us and 49 us by turns",
        ours=1e9 * values(drawn(uneven=10))["pwm_jitter"],
        published=1000.0,
        allowance=6.0,
        unit="ns",
        source=HAND,
    )


def test_overlaps_are_counted(outside: Outside) -> None:
    rows = drawn()
    for period, length in ((30, 8), (130, 4)):  # sectors A+ B- and A+ C-
        begin = period * PERIOD + 205  # where the low gate of leg A turns on
        rows["gate_ah"][begin - 5 : begin + length] = 1
    outside(
        "overlap_count",
        "high gate of leg A held into its low gate twice, by 0.8 us and 0.4 us",
        ours=values(rows)["overlap_count"],
        published=2,
        allowance=0,
        source=HAND,
    )


def test_a_wrong_sector_is_counted(outside: Outside) -> None:
    outside(
        "commutation_errors",
        "one sector of 18 drives the legs of the next",
        ours=values(drawn(wrong=8))["commutation_errors"],
        published=1,
        allowance=0,
        source=HAND,
    )


def test_disturbed_sensors_are_counted(outside: Outside) -> None:
    rows = drawn()
    for period in (50, 350, 750):
        begin = period * PERIOD
        rows["hall_b"][begin : begin + 100] ^= 1
    outside(
        "sensor_disturbances",
        "sensor B changed for 10 us three times",
        ours=values(rows)["sensor_disturbances"],
        published=3,
        allowance=0,
        source=HAND,
    )


def test_duty_off_its_line(outside: Outside) -> None:
    # 10, 30, 54, 70 and 90 % for commands of 10, 30, 50, 70, 90 %: the line of least squares lies 0.8 % higher, the
    # middle 3.2 % above it; over the line's span of 80 % that is 4 %.
    logs = []
    for command, real in ((0.1, 0.1), (0.3, 0.3), (0.5, 0.54), (0.7, 0.7), (0.9, 0.9)):
        log = captured(drawn(duty=real, dead=0, turns=2))
        logs.append(Log(f"{command}", log.columns, {"commanded_duty": command}))
    outside(
        "duty_linearity",
        "duty ratios of 10, 30, 54, 70 and 90 % for commands in steps of 20 %",
        ours=100 * outcome("gate-timing", logs).forms["duty_linearity"].value,
        published=4.0,
        allowance=0.1,
        unit="percent",
        source="independent linearity as in IEC 61298-2, from memory; " + HAND,
    )


# ----- Supply window


def test_thresholds_of_a_drawn_sweep(outside: Outside) -> None:
    # From 25 V to 48 V and back, three times, 1 V/s, a reading each 0.01 V. Drives from 31.5 V up, ceases at 44.5 V,
    # drives again from 43.2 V down, ceases at 29.8 V; in the first sweep it lets go once for 0.1 V after starting.
    up = np.arange(25.0, 48.0, 0.01)
    voltage = np.concatenate([np.concatenate([up, up[::-1]])] * 3)
    rising = np.tile(np.repeat([True, False], up.size), 3)
    on = np.where(rising, (voltage > 31.5) & (voltage < 44.5), (voltage < 43.2) & (voltage > 29.8))
    first = np.arange(voltage.size) < up.size
    on &= ~(first & (voltage > 31.7) & (voltage < 31.8))
    columns = {
        "time": np.arange(voltage.size) * 0.01,
        "supply_voltage": voltage,
        "supply_current": np.where(on, 1.4, 0.05),
    }
    found = {n: f.value for n, f in outcome("supply-window", [Log("sweep", columns)]).forms.items()}
    for name, published in (
        ("start_voltage", 31.5),
        ("cutoff_voltage", 29.8),
        ("supply_hysteresis", 1.7),
        ("overvoltage_cutoff", 44.5),
        ("overvoltage_return", 43.2),
    ):
        outside(
            name,
            "drawn sweep with changes at 31.5 V and 44.5 V up, 43.2 V and 29.8 V down",
            ours=found[name],
            published=published,
            allowance=0.02,
            unit="V",
            source=HAND,
        )
    outside(
        "supply_chatter",
        "one retry in the first of three sweeps: two changes too many",
        ours=found["supply_chatter"],
        published=2,
        allowance=0,
        source=HAND,
    )


# ----- Throttle


def test_characteristic_of_a_drawn_sweep(outside: Outside) -> None:
    # Released at 0.80 V, straight from 1.20 V to 3.70 V, up and down; down, the same output at 0.05 V less.
    up = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    signal = np.concatenate([up, up[::-1]])
    lag = np.where(np.arange(signal.size) < up.size, 0.0, 0.05)
    duty = np.clip((signal + lag - 1.2) / 2.5, 0.0, 1.0)
    found = _throttle(signal, duty)
    for name, published, allowance, factor, unit in (
        ("throttle_deadband", 0.40, 0.003, 1.0, "V"),
        ("throttle_start", 1.20, 0.003, 1.0, "V"),
        ("throttle_full", 3.70, 0.003, 1.0, "V"),
        ("throttle_linearity", 0.0, 0.01, 100.0, "percent"),
        ("throttle_hysteresis", 2.0, 0.05, 100.0, "percent"),  # 0.05 V of 2.5 V
        ("throttle_reversal", 0.0, 0.0, 100.0, "percent"),
        ("throttle_step", 3.4, 0.15, 100.0, "percent"),  # a fortieth of 3.4 V is 0.085 V of 2.5 V
    ):
        outside(
            name,
            "drawn sweep: released 0.80 V, straight from 1.20 V to 3.70 V, 0.05 V apart up and down",
            ours=factor * found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source="terms as in IEC 61298-2, from memory; " + HAND,
        )


def test_a_fall_and_a_jump_in_a_drawn_sweep(outside: Outside) -> None:
    # At 2.0 V the output jumps by 10 % of its span; at 3.0 V it falls by 6 %.
    signal = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    duty = np.clip((signal - 1.2) / 2.5 * 0.96, 0.0, 0.96) + 0.1 * (signal > 2.0) - 0.06 * (signal > 3.0)
    found = _throttle(signal, duty)
    # Noise is kept out by running means over 1/150 of the sweep, over which this straight rise is 0.9 % of the span.
    outside(
        "throttle_reversal",
        "output that falls by 6 % of its span while the signal rises",
        ours=100 * found["throttle_reversal"],
        published=6.0,
        allowance=1.0,
        unit="percent",
        source=HAND,
    )
    # A jump within one fortieth adds to the slope there: 10 % + 0.085 V / 2.5 V x 96 %, less what the means of the two
    # neighbouring bins take from it, at most half a bin's slope each.
    outside(
        "throttle_step",
        "output that jumps by 10 % of its span",
        ours=100 * found["throttle_step"],
        published=11.6,
        allowance=1.7,
        unit="percent",
        source=HAND,
    )


def _throttle(signal: np.ndarray, duty: np.ndarray) -> dict[str, float]:
    columns = {"time": np.arange(signal.size) * 0.01, "throttle": signal, "duty": duty}
    log = Log("sweep", columns, {"case": case("throttle", "sweep", "case")})
    return {name: form.value for name, form in outcome("throttle", [log]).forms.items()}


CASES = {
    "signal open": "response_signal_open",
    "signal to supply": "response_signal_to_supply",
    "signal to ground": "response_signal_to_ground",
    "signal out of range": "response_out_of_range",
    "throttle at power-on": "response_power_on",
    "sensor lost": "response_sensor_lost",
    "brake": "brake_response_time",
}
#: Seconds from the event to the end of the output, all unlike.
ENDS = dict(zip(CASES, (0.110, 0.120, 0.130, 0.140, 0.150, 0.160, 0.170), strict=True))


def fault(name: str, *, ends: bool = True) -> Log:
    """Return a log with a reading each millisecond, the event between two of them at 1.0005 s."""
    time = np.arange(0.0, 8.0, 1e-3)
    after = time > 1.0
    late = time > 1.0002 + ENDS[name]
    drive = np.where(late & ends, 0.0, 6.0)
    columns = {"time": time, "supply_current": drive, "throttle": np.where(after, 0.0, 2.4)}
    conditions = {"case": case("throttle", name, "case")}
    if name == "brake":
        columns["brake"] = np.where(after, 0.0, 5.0)
    if name == "throttle at power-on":
        columns["supply_voltage"] = np.where(after, 36.0, 0.0)
        columns["supply_current"] = np.where(after, drive, 0.0)
    if name == "sensor lost":
        conditions["event_time"] = 1.0005
        del columns["throttle"]
    return Log(name, columns, conditions)


def test_responses_of_drawn_faults(outside: Outside) -> None:
    found = {n: f.value for n, f in outcome("throttle", [fault(name) for name in CASES]).forms.items()}
    for name, quantity in CASES.items():
        outside(
            quantity,
            f"output drawn to end {ENDS[name]:.3f} s after the event",
            ours=found[quantity],
            published=ENDS[name],
            allowance=0.0011,
            unit="s",
            source=HAND,
        )
    outside(
        "fault_response_time",
        "longest of the six fault cases, 0.160 s",
        ours=found["fault_response_time"],
        published=0.160,
        allowance=0.0011,
        unit="s",
        source=HAND,
    )
    outside(
        "fault_cases_without_stop",
        "seven cases, all of which stop",
        ours=found["fault_cases_without_stop"],
        published=0,
        allowance=0,
        source=HAND,
    )


def test_faults_that_go_on(outside: Outside) -> None:
    logs = [fault(name, ends=name not in ("signal open", "brake")) for name in CASES]
    outside(
        "fault_cases_without_stop",
        "seven cases, two of which go on to the end of the log",
        ours=outcome("throttle", logs).forms["fault_cases_without_stop"].value,
        published=2,
        allowance=0,
        source=HAND,
    )


# ----- Current limits


def test_limits_of_a_drawn_ramp(outside: Outside) -> None:
    # The load rises in 4000 readings. The supply current follows to 15 A, lies 20 % higher over the fortieth of the log
    # in which it meets the limit, then stays; block-shaped phase currents follow to 30 A.
    n = 4000
    load = np.linspace(0.0, 2.0, n)
    supply = np.minimum(15.0 * load, 15.0)
    supply[n // 2 : n // 2 + n // 40] = 18.0
    block = np.minimum(30.0 * load, 30.0)
    sector = np.arange(n) // 7 % 6
    a, b = np.array([(1, -1), (1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1)])[sector].T
    columns = {
        "time": np.arange(n) * 0.01,
        "supply_current": supply,
        "current_a": block * a,
        "current_b": block * b,
        "torque": 20 * load,
    }
    found = {name: form.value for name, form in outcome("current-limit", [Log("ramp", columns)]).forms.items()}
    for name, published, allowance, factor, unit in (
        ("supply_current_limit", 15.0, 0.02, 1.0, "A"),
        ("phase_current_limit", 30.0, 0.15, 1.0, "A"),
        ("supply_current_overshoot", 20.0, 0.3, 100.0, "percent"),
    ):
        outside(
            name,
            "drawn ramp to 15 A of supply and 30 A of block-shaped phase current, once 18 A",
            ours=factor * found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source=HAND,
        )


# ----- Loss


def test_efficiency_of_drawn_waveforms(outside: Outside) -> None:
    # 36 V and 5 A in: 180 W. Out: 16 V from line to line, 6.5 A, 22.5 degrees: sqrt(3) x 16 x 6.5 x cos(22.5 deg) =
    # 166.42 W.
    time = np.arange(0.0, 0.1, 1e-5)
    angle = 2 * np.pi * 100.0 * time
    columns = {
        "time": time,
        "supply_voltage": np.full(time.size, 36.0),
        "supply_current": np.full(time.size, 5.0),
        "voltage_ab": 16.0 * np.sqrt(2) * np.cos(angle + np.pi / 6),
        "voltage_bc": 16.0 * np.sqrt(2) * np.cos(angle + np.pi / 6 - 2 * np.pi / 3),
        "current_a": 6.5 * np.sqrt(2) * np.cos(angle - np.pi / 8),
        "current_b": 6.5 * np.sqrt(2) * np.cos(angle - np.pi / 8 - 2 * np.pi / 3),
        "current_c": 6.5 * np.sqrt(2) * np.cos(angle - np.pi / 8 + 2 * np.pi / 3),
    }
    idle = {"supply_voltage": np.full(20, 36.0), "supply_current": np.tile([0.049, 0.051], 10)}
    logs = [Log("drive", columns, {"state": 0.0}), Log("idle", idle, {"state": 1.0})]
    found = {name: form.value for name, form in outcome("controller-loss", logs).forms.items()}
    for name, what, published, allowance, factor, unit in (
        ("controller_efficiency", "166.42 W of 180 W", 92.46, 0.01, 100.0, "percent"),
        ("controller_loss", "180 W in, 166.42 W out", 13.58, 0.02, 1.0, "W"),
        ("standby_power", "36 V and 50 mA", 1.8, 1e-9, 1.0, "W"),
    ):
        outside(
            name,
            what,
            ours=factor * found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source="IEC 60050-131: sqrt(3) U I cos(phi); worked by hand",
        )
