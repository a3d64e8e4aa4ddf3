"""Details of signals drawn by hand: how uncertain a moment is, where a record begins, how it is sampled.

Sources: JCGM 100:2008, 4.3.7 for rectangular errors; figures worked by hand from the drawings.
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.physics import bridge, linearity, pairing, response, sampling, six_step, sweeps, tallies
from rotorproof.physics.gate_stream import GateStream
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from tests.outside import Outside
from tests.procedures.controller_runs import outcome as controller_outcome
from tests.procedures.runs import outcome
from tests.proof.test_controller import PERIOD, RATE, drawn
from tests.proof.test_motor_turned import P

HAND = "drawn and worked by hand"


def values(name: str, logs: list, **given: float) -> dict[str, float]:
    return {key: form.value for key, form in outcome(procedures()[name], logs, **given).forms.items()}


# ----- Moments


def test_how_well_a_moment_is_known(outside: Outside) -> None:
    # Readings at 10.0, 10.1, ... s; the event lies between 11.0 and 11.1 s, the last output at 11.6 s.
    time = 10 + 0.1 * np.arange(60)
    output = np.where(time < 11.65, 2.0, 0.05)
    event = response.between(time, 10)
    found = response.stop_after(time, output, event)
    gone = response.stop_after(time, np.where(time < 11.05, 2.0, 0.05), event)
    ever = response.stop_after(time, np.full(60, 2.0), event)
    for what, ours, published in (
        ("middle of 11.0 and 11.1 s", event.time, 11.05),
        ("half of 0.1 s", event.half_width, 0.05),
        ("from 11.05 s to the middle of 11.6 and 11.7 s", found.duration, 0.6),
        ("half-width of the end", found.half_widths[0], 0.05),
        ("half-width of the event", found.half_widths[1], 0.05),
        ("watched from 11.05 s to 15.9 s", found.watched, 4.85),
        ("gone at 11.1 s, the first reading: half of 0.05 s", gone.duration, 0.025),
        ("its half-width", gone.half_widths[0], 0.025),
        ("still on at 15.9 s", ever.duration, 4.85),
    ):
        outside(
            "fault_response_time",
            what,
            ours=float(ours),
            published=published,
            allowance=1e-9,
            unit="s",
            source=f"JCGM 100:2008, 4.3.7; {HAND}",
        )


def test_how_well_a_threshold_is_known(outside: Outside) -> None:
    # 2 V/s, a reading each 0.05 s from 20 V on; the output goes on between 30.0 and 30.1 V.
    time = 100 + 0.05 * np.arange(400)
    swept = 20 + 2.0 * (time - 100)
    (found,), idle = sweeps.switchings(time, swept, swept > 30.05, 0.5)
    for what, ours, published, unit in (
        ("threshold between 30.0 and 30.1 V", found.value, 30.05, "V"),
        ("half of the gap of 0.1 V", found.half_gap, 0.05, "V"),
        ("rate of the sweep", found.rate, 2.0, "V/s"),
        ("changes that lead nowhere", idle, 0, "1"),
        (
            "noise of its readings, of 10 mV",
            1e3 * sweeps.noise(swept + 0.01 * np.random.default_rng(2).standard_normal(400)),
            10.0,
            "mV",
        ),
    ):
        outside(
            "start_voltage",
            what,
            ours=float(ours),
            published=published,
            allowance=1.0 if (unit == "V" and published == 0) or what.startswith("noise") else 1e-9,
            unit=unit,
            source=HAND,
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
            source="JCGM 100:2008, 4.2.3; " + HAND,
        )


# ----- Bridge and windows


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
        source="states of a six-step bridge in their order; " + HAND,
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
            source="states of a six-step bridge in their order; " + HAND,
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
                source=HAND,
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
        source=HAND,
    )


def test_a_capture_that_begins_later(outside: Outside) -> None:
    rows = drawn(duty=0.4, dead=5)
    stream = GateStream(RATE)
    stream.feed({**rows, "time": rows["time"] + 3.0})
    log = Log("capture", stream.finish())
    found = {name: form.value for name, form in controller_outcome("gate-timing", [log]).forms.items()}
    for name, published, factor, unit in (
        ("dead_time_min", 500.0, 1e9, "ns"),
        ("pwm_frequency", RATE / PERIOD / 1e3, 1e-3, "kHz"),
        ("overlap_count", 0.0, 1.0, "1"),
        ("commutation_errors", 0.0, 1.0, "1"),
    ):
        outside(
            name,
            "capture that begins at 3 s: 20 kHz, dead time of 5 samples of 100 ns",
            ours=factor * found[name],
            published=published,
            allowance=1e-3,
            unit=unit,
            source=HAND,
        )


@pytest.mark.parametrize("size", [1.0, 6.0, 40.0])
def test_all_connections_of_an_ideal_machine(outside: Outside, size: float) -> None:
    """Of 36 connections three run forward, three backward: every turn of the phases has one turn of the sensors."""
    x = (np.arange(720) + 0.5) * 2 * np.pi / 720
    lines = size * np.stack([np.sin(x - k * 2 * np.pi / 3) for k in range(3)])
    levels = np.stack([np.mod(x - k * 2 * np.pi / 3, 2 * np.pi) < np.pi for k in range(3)])
    table = six_step.best_table(levels, lines)
    found = six_step.connections(levels, lines, table)
    straight = next(c for c in found if c.phases == (0, 1, 2) and c.sensors == (0, 1, 2))
    for what, ours, published, allowance in (
        ("connections that run forward", sum(c.behaviour == "forward" for c in found), 3, 0),
        ("connections that run backward", sum(c.behaviour == "backward" for c in found), 3, 0),
        ("torque of the straight one over the best", straight.torque, 1.0, 1e-9),
    ):
        outside(
            "commutation_match",
            f"{what}, line EMF of {size:g} V",
            ours=float(ours),
            published=published,
            allowance=allowance,
            source="symmetry of three phases, from memory",
        )
    assert pairing.spacing(float(six_step.table_code(table))) == pytest.approx(2 * np.pi / 3)


# ----- Linearity


def test_how_uncertain_a_linearity_is(outside: Outside) -> None:
    """A bow of 5 % with noise of 1 % of the span on 12 levels, 400 times."""
    rng = np.random.default_rng(12)
    x = np.linspace(0.0, 20.0, 12)
    true = 30 * (x / 20 + 0.2 * (x / 20) * (1 - x / 20))
    found = [linearity.linearity(x, true + 0.3 * rng.standard_normal(12), np.full(12, 0.3)) for _ in range(400)]
    # The same place, since another one being largest is another question.
    place = int(np.argmax(np.bincount([f.place for f in found])))
    here = [f for f in found if f.place == place]
    spread = float(np.std([f.deviations[place] for f in found], ddof=1)) / 30
    outside(
        "throttle_linearity",
        "standard uncertainty of the largest deviation from the line, 12 levels known to 1 % of the span",
        ours=float(np.mean([f.standard_uncertainty for f in here])),
        published=spread,
        allowance=0.1 * spread,
        source="standard deviation of 400 seeded runs (JCGM 100:2008, 4.2)",
    )
    errors = [
        linearity.levels(np.linspace(0, 10, 600), 3 * np.linspace(0, 10, 600) + 0.2 * rng.standard_normal(600), 12)
        for _ in range(60)
    ]
    outside(
        "throttle_linearity",
        "standard error of a level: mean of 50 readings of noise 0.2 on a slope",
        ours=float(np.sqrt(np.mean([e.error**2 for e in errors]))),
        published=0.2 / np.sqrt(50),
        allowance=0.05 * 0.2 / np.sqrt(50),
        source="s/sqrt(n), JCGM 100:2008, 4.2.3",
    )


# ----- Records


@pytest.mark.parametrize(("turns", "uneven"), [(5.3, 0.0), (40.0, 0.3)])
def test_emf_of_few_turns_or_uneven_readings(outside: Outside, turns: float, uneven: float) -> None:
    """The speed falls by 10 % over the record; the machine makes 0.2 V s per electrical radian."""
    rng = np.random.default_rng(6)
    n = int(120 * turns)
    time = 7.0 + (np.arange(n) + uneven * rng.uniform(-1, 1, n)) * 1e-3
    since = time - 7.0
    span = n * 1e-3
    speed = 2 * np.pi * turns / span * (1.05 - 0.1 * since / span)
    angle = 2 * np.pi * turns / span * (1.05 * since - 0.05 * since**2 / span) + 2.1
    columns = {"time": time, "speed": speed / P}
    for k, line in enumerate(("ab", "bc", "ca")):
        columns[f"voltage_{line}"] = 0.2 * speed * np.sin(angle - k * 2 * np.pi / 3)
    found = values("open-circuit", [(columns, {})])
    # A wrong electrical speed cancels from constants per mechanical speed, but not from the ratio.
    outside(
        "pole_pair_ratio",
        f"{turns:g} electrical turns while the speed falls by 10 %, readings uneven by {uneven:g} of a step",
        ours=found["pole_pair_ratio"],
        published=P,
        allowance=2e-3,
        source="n = f/p (IEC 60050-411); " + HAND,
    )
    for name, factor in (("peak", 1.0), ("rms", np.sqrt(0.5)), ("dc", 3 / np.pi)):
        outside(
            f"emf_constant_{name}",
            f"{turns:g} electrical turns while the speed falls by 10 %, readings uneven by {uneven:g} of a step",
            ours=found[f"emf_constant_{name}"],
            published=0.2 * P * factor,
            allowance=1e-3 * 0.2 * P * factor,
            unit="V s/rad",
            source="d(flux)/dt; " + HAND,
        )


def test_two_coast_downs_in_one_record(outside: Outside) -> None:
    # From 40 rad/s by 8 rad/s each second, driven up again, from 36 rad/s by the same.
    step = 2e-3
    first, second = np.arange(0, 5.0, step), np.arange(0, 4.5, step)
    speed = np.concatenate(
        [
            np.full(500, 40.0),
            40 - 8 * first,
            np.zeros(500),
            np.linspace(0, 36, 1500),
            np.full(500, 36.0),
            36 - 8 * second,
            np.zeros(500),
        ]
    )
    noise = 1e-3 * np.random.default_rng(7).standard_normal(speed.size)
    columns = {"time": 1000 + step * np.arange(speed.size), "speed": speed + noise * (speed > 0)}
    found = values("coast-down", [(columns, {})])
    for name, published, allowance, unit in (
        ("coulomb_deceleration", 8.0, 0.004, "rad/s^2"),
        ("viscous_decay_rate", 0.0, 2e-4, "1/s"),
    ):
        outside(
            name,
            "two coast-downs in one record that begins at 1000 s, 8 rad/s each second",
            ours=found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source="uniform deceleration, " + HAND,
        )


def test_sensors_that_bounce(outside: Outside) -> None:
    # Each rise of A bounces from 2 degrees before its place to 2 degrees after.
    time = np.arange(40_000) / 40_000.0
    turns = P * 18.0 * time / (2 * np.pi) + 0.1
    columns = {"time": time}
    for k, line in enumerate(("ab", "bc", "ca")):
        columns[f"voltage_{line}"] = 6.0 * np.sin(2 * np.pi * turns - k * 2 * np.pi / 3)
        columns[f"hall_{'abc'[k]}"] = (np.mod(turns - k / 3, 1.0) < 0.5).astype(float)
    from_rise = np.mod(360 * turns + 180, 360) - 180
    bouncing = (from_rise > -2) & (from_rise < 2)
    columns["hall_a"] = np.where(bouncing, np.floor(from_rise / 0.8) % 2, columns["hall_a"])
    found = values("hall-sensors", [(columns, {})])
    for name, published, allowance, factor, unit in (
        ("hall_duty_error", 0.0, 0.15, 100.0, "percent"),
        ("hall_offset", 0.0, 0.2, 180 / np.pi, "deg"),
        ("hall_placement_a", 0.0, 0.3, 180 / np.pi, "deg"),
    ):
        outside(
            name,
            "sensor A bounces over 4 degrees about its place",
            ours=factor * found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source="drawn and worked by hand in electrical degrees",
        )
