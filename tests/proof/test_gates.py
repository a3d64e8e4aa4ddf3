"""Outside values for the timing of a bridge: captures drawn sample by sample.

Every time and count is put in by its drawing. Sources: commutation table of published application notes; JCGM 100:2008,
4.2.3, 4.3.7 and 4.3.9; standard deviations of drawn periods; figures worked by hand from the definitions. Nothing of
the simulated bench is used here.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.physics import bridge, commutation, sampling, tallies
from rotorproof.physics.gate_stream import GateStream
from rotorproof.procedures.base import Log
from tests.outside import Outside
from tests.procedures.controller_runs import outcome as controller_outcome
from tests.proof.cases import BY_DRAWING, DRAWN, GATE_RATE, HAND, PERIOD, captured, gates, timed


def test_times_and_counts_of_a_sound_capture(outside: Outside) -> None:
    found = timed(gates())
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
            else BY_DRAWING,
        )


def test_uneven_periods(outside: Outside) -> None:
    outside(
        "pwm_jitter",
        "periods of 51 us and 49 us by turns",
        ours=1e9 * timed(gates(uneven=10))["pwm_jitter"],
        published=1000.0,
        allowance=6.0,
        unit="ns",
        source=BY_DRAWING,
    )


def test_overlaps_are_counted(outside: Outside) -> None:
    rows = gates()
    for period, length in ((30, 8), (130, 4)):  # sectors A+ B- and A+ C-
        begin = period * PERIOD + 205  # where the low gate of leg A turns on
        rows["gate_ah"][begin - 5 : begin + length] = 1
    outside(
        "overlap_count",
        "high gate of leg A held into its low gate twice, by 0.8 us and 0.4 us",
        ours=timed(rows)["overlap_count"],
        published=2,
        allowance=0,
        source=BY_DRAWING,
    )


def test_a_wrong_sector_is_counted(outside: Outside) -> None:
    outside(
        "commutation_errors",
        "one sector of 18 drives the legs of the next",
        ours=timed(gates(wrong=8))["commutation_errors"],
        published=1,
        allowance=0,
        source=BY_DRAWING,
    )


def test_disturbed_sensors_are_counted(outside: Outside) -> None:
    rows = gates()
    for period in (50, 350, 750):
        begin = period * PERIOD
        rows["hall_b"][begin : begin + 100] ^= 1
    outside(
        "sensor_disturbances",
        "sensor B changed for 10 us three times",
        ours=timed(rows)["sensor_disturbances"],
        published=3,
        allowance=0,
        source=BY_DRAWING,
    )


def test_duty_off_its_line(outside: Outside) -> None:
    # 10, 30, 54, 70 and 90 % for commands of 10, 30, 50, 70, 90 %: the line of least squares lies 0.8 % higher, the
    # middle 3.2 % above it; over the line's span of 80 % that is 4 %.
    logs = []
    for command, real in ((0.1, 0.1), (0.3, 0.3), (0.5, 0.54), (0.7, 0.7), (0.9, 0.9)):
        log = captured(gates(duty=real, dead=0, turns=2))
        logs.append(Log(f"{command}", log.columns, {"commanded_duty": command}))
    outside(
        "duty_linearity",
        "duty ratios of 10, 30, 54, 70 and 90 % for commands in steps of 20 %",
        ours=100 * controller_outcome("gate-timing", logs).forms["duty_linearity"].value,
        published=4.0,
        allowance=0.1,
        unit="percent",
        source="independent linearity as in IEC 61298-2, from memory; " + BY_DRAWING,
    )


def test_mean_of_many_periods(outside: Outside) -> None:
    # 40 periods of 50 us and 40 of 52 us by three gates, in a record of 4.08 ms: no more than 80 of these count; one of
    # 102 us is a missing edge.
    found = sampling.period(np.array([52e-6, 102e-6, 50e-6]), np.array([120, 1, 120]), 4.08e-3)
    deviation = np.sqrt(240 / 239)
    for what, ours, published in (
        ("mean of 50 and 52 us", found.mean, 51.0),
        ("standard deviation", found.standard_deviation, deviation),
        ("standard error of the mean of 80", found.standard_error, deviation / np.sqrt(80)),
    ):
        outside(
            "pwm_frequency",
            what,
            ours=1e6 * ours,
            published=float(published),
            allowance=1e-6,
            unit="us",
            source="JCGM 100:2008, 4.2.3; " + DRAWN,
        )


@pytest.mark.parametrize(
    ("what", "high", "low", "published"),
    [
        ("A chopped, B held low, C idle", (0.4, 0.0, 0.0), (0.0, 1.0, 0.0), 1),
        ("C chopped, A held low", (0.0, 0.0, 0.4), (1.0, 0.0, 0.0), 5),
        ("A and B driven, C 0.3 high and 0.3 low", (0.5, 0.2, 0.3), (0.2, 0.6, 0.3), 7),
        ("A and B at the same mean potential", (0.50, 0.45, 0.0), (0.49, 0.455, 0.0), 0),
        ("no high switch works", (0.001, 0.0, 0.0), (0.0, 1.0, 0.0), 0),
    ],
)
def test_what_a_bridge_does(
    outside: Outside, what: str, high: tuple[float, ...], low: tuple[float, ...], published: int
) -> None:
    outside(
        "controller_table",
        what,
        ours=int(bridge.conduction_states(np.array([high]), np.array([low]))[0]),
        published=published,
        allowance=0,
        source="states of a six-step bridge in their order; " + DRAWN,
    )


def test_which_gate_a_step_adds(outside: Outside) -> None:
    # Gates AH AL BH BL CH CL are 0 to 5. A+B- to A+C- adds C low; C+B- to A+B- adds A high; back to C+B- C high.
    before, after = np.array([1, 6, 1, 2, 1, 3]), np.array([2, 1, 6, 1, 4, 4])
    for a, b, ours, published in zip(before, after, bridge.added_gate(before, after), (5, 0, 4, 3, -1, 1), strict=True):
        outside(
            "commutation_delay",
            f"gate that the step from state {a} to state {b} turns on",
            ours=int(ours),
            published=published,
            allowance=0,
            source="states of a six-step bridge in their order; " + DRAWN,
        )


def test_means_over_windows(outside: Outside) -> None:
    """A duty that steps at 0.305 s in a record from 0.2 s on, in three pieces; windows of 10 ms."""
    edges = np.array([0.2, 0.23, 0.305, 0.34, 0.401])
    level = np.array([0.1, 0.3, 0.8, 0.5])
    windows = tallies.Windows(1)
    for start, end in ((0, 2), (2, 3), (3, 4)):
        windows.add(edges[start : end + 1], level[None, start:end])
    middles, (means,) = windows.means()
    # The last millisecond is no whole window.
    for number, middle, mean in ((0, 0.205, 0.1), (10, 0.305, 0.55), (3, 0.235, 0.3), (-1, 0.395, 0.5)):
        for what, ours, published, unit in (
            ("middle", middles[number], middle, "s"),
            ("mean", means[number], mean, "1"),
        ):
            outside(
                "duty_linearity",
                f"{what} of the window around {middle:g} s",
                ours=float(ours),
                published=published,
                allowance=1e-9,
                unit=unit,
                source=DRAWN,
            )
    short = tallies.Windows(1, most=8)
    short.add(edges, level[None])
    # Windows double to 40 ms: the third lasts from 0.28 to 0.32 s, 25 ms at 0.3 and 15 ms at 0.8.
    outside(
        "duty_linearity",
        "mean of the third of windows doubled to 40 ms",
        ours=float(short.means()[1][0, 2]),
        published=(25 * 0.3 + 15 * 0.8) / 40,
        allowance=1e-9,
        source=DRAWN,
    )


def test_a_capture_that_begins_later(outside: Outside) -> None:
    rows = gates(duty=0.4, dead=5)
    stream = GateStream(GATE_RATE)
    stream.feed({**rows, "time": rows["time"] + 3.0})
    log = Log("capture", stream.finish())
    found = {name: form.value for name, form in controller_outcome("gate-timing", [log]).forms.items()}
    outside.each(
        found,
        (
            ("dead_time_min", 500.0, 1e-3, "ns"),
            ("pwm_frequency", GATE_RATE / PERIOD / 1e3, 1e-3, "kHz"),
            ("overlap_count", 0.0, 1e-3, "1"),
            ("commutation_errors", 0.0, 1e-3, "1"),
        ),
        what="capture that begins at 3 s: 20 kHz, dead time of 5 samples of 100 ns",
        source=DRAWN,
    )


def test_a_skipped_sensor_step(outside: Outside) -> None:
    # The capture loses the whole of one sector: the sensors go from its neighbour before to that after.
    rows = gates()
    keep = np.ones(rows["time"].size, bool)
    keep[7 * 100 * 500 - 120 : 8 * 100 * 500 - 120] = False
    rows = {name: series[keep] for name, series in rows.items()}
    rows["time"] = np.arange(keep.sum()) / 10e6
    outside(
        "commutation_errors",
        "one sector of 18 cut out, so that the sensors skip a step",
        ours=timed(rows)["commutation_errors"],
        published=1,
        allowance=0,
        source="signal drawn and worked by hand from the definition",
    )


@pytest.mark.parametrize("spread", [1.0, 2.0, 5.0])
def test_jitter_through_a_sample_clock(outside: Outside, spread: float) -> None:
    """Periods of 500.37 samples with a known scatter, each edge seen at the next sample."""
    rng = np.random.default_rng(5)
    interval, runs, found, stated = 1e-7, 60, [], []
    for _ in range(runs):
        true = (500.37 + spread * rng.standard_normal(400)) * interval
        edges = np.ceil(np.cumsum(true) / interval + rng.uniform()) * interval
        lengths, counts = np.unique(np.rint(np.diff(edges) / interval), return_counts=True)
        value, u = sampling.jitter(
            sampling.period(lengths * interval, counts, float(edges[-1] - edges[0])), interval
        ) or (0.0, 0.0)
        found.append(value)
        stated.append(u)
    outside(
        "pwm_jitter",
        f"periods that scatter by {spread:g} samples: mean of {runs} captures",
        ours=float(np.mean(found)) / interval,
        published=spread,
        allowance=0.03 * spread,
        unit="samples",
        source="standard deviation of the drawn periods",
    )
    if spread > 2:
        outside(
            "pwm_jitter",
            f"its standard uncertainty against the scatter of {runs} captures",
            ours=math.sqrt(np.mean(np.square(stated))) / interval,
            published=float(np.std(found, ddof=1)) / interval,
            allowance=0.25 * float(np.std(found, ddof=1)) / interval,
            unit="samples",
            source="standard deviation of the values found",
        )


def test_how_uncertain_the_shortest_interval_is(outside: Outside) -> None:
    """Standard deviations of a triangle and of rectangles (JCGM 100:2008, 4.3.7 and 4.3.9)."""
    interval = 1e-7
    for what, values_, counts, value, deviation in (
        ("one reading of 5 samples", [5.0], [40], 5.0, 1 / math.sqrt(6)),
        ("readings of 5 and 6 samples", [6.0, 5.0], [9, 40], 5.5, 0.5 / math.sqrt(3)),
        ("readings of 5, 6 and 7 samples", [5.0, 7.0, 6.0], [9, 9, 40], 5.0, 1 / math.sqrt(3)),
        ("readings of 5 and of 8 samples", [8.0, 5.0], [9, 40], 5.0, 1 / math.sqrt(6)),
    ):
        found = sampling.shortest(np.array(values_) * interval, np.array(counts), interval)
        for kind, ours, published in (
            ("value", found.value, value),
            ("standard uncertainty", math.sqrt(sum(w * w for w in found.half_widths) / 3), deviation),
        ):
            outside(
                "dead_time_min",
                f"{kind} of the shortest interval from {what}",
                ours=ours / interval,
                published=published,
                allowance=1e-9,
                unit="samples",
                source="JCGM 100:2008, 4.3.7 and 4.3.9; " + HAND,
            )


def test_invalid_sensor_codes_count_as_errors(outside: Outside) -> None:
    # Six sound sectors, and one in which all sensors read low.
    table, steps = np.zeros((8, 8), int), np.zeros((8, 8), int)
    ring = (0b101, 0b100, 0b110, 0b010, 0b011, 0b001)
    for number, code in enumerate(ring):
        table[code, number + 1] = 1
        steps[code, ring[(number + 1) % 6]] = 1
    table[0, 3] = 1
    outside(
        "commutation_errors",
        "six sound sectors and one with the sensor code 000",
        ours=commutation.judge(table, steps).errors,
        published=1,
        allowance=0,
        source="published six-step table, " + HAND,
    )
