"""Outside values for a controller's supply window, responses to faults, current limits and loss.

Sources: identities of three-phase power (IEC 60050-131); JCGM 100:2008, 4.3.7 for rectangular errors; figures worked by
hand from the definitions, written beside each drawing. Nothing of the simulated bench is used here.
"""

from __future__ import annotations

import math

import numpy as np

from rotorproof.physics import response, sweeps
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from tests.outside import Outside
from tests.procedures.controller_runs import case
from tests.procedures.controller_runs import outcome as controller_outcome
from tests.procedures.runs import outcome
from tests.proof.cases import BY_DRAWING, DRAWN, HAND, values


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
    found = {
        n: f.value
        for n, f in controller_outcome(
            "supply-window", [Log("sweep", columns)], given={"response_delay": 0.0}
        ).forms.items()
    }
    outside.each(
        found,
        (
            ("start_voltage", 31.5, 0.02, "V"),
            ("cutoff_voltage", 29.8, 0.02, "V"),
            ("supply_hysteresis", 1.7, 0.02, "V"),
            ("overvoltage_cutoff", 44.5, 0.02, "V"),
            ("overvoltage_return", 43.2, 0.02, "V"),
        ),
        what="drawn sweep with changes at 31.5 V and 44.5 V up, 43.2 V and 29.8 V down",
        source=BY_DRAWING,
    )
    outside(
        "supply_chatter",
        "one retry in the first of three sweeps: two changes too many",
        ours=found["supply_chatter"],
        published=2,
        allowance=0,
        source=BY_DRAWING,
    )


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
    found = {n: f.value for n, f in controller_outcome("throttle", [fault(name) for name in CASES]).forms.items()}
    for name, quantity in CASES.items():
        outside(
            quantity,
            f"output drawn to end {ENDS[name]:.3f} s after the event",
            ours=found[quantity],
            published=ENDS[name],
            allowance=0.0011,
            unit="s",
            source=BY_DRAWING,
        )
    outside(
        "fault_response_time",
        "longest of the six fault cases, 0.160 s",
        ours=found["fault_response_time"],
        published=0.160,
        allowance=0.0011,
        unit="s",
        source=BY_DRAWING,
    )
    outside(
        "fault_cases_without_stop",
        "seven cases, all of which stop",
        ours=found["fault_cases_without_stop"],
        published=0,
        allowance=0,
        source=BY_DRAWING,
    )


def test_faults_that_go_on(outside: Outside) -> None:
    logs = [fault(name, ends=name not in ("signal open", "brake")) for name in CASES]
    outside(
        "fault_cases_without_stop",
        "seven cases, two of which go on to the end of the log",
        ours=controller_outcome("throttle", logs).forms["fault_cases_without_stop"].value,
        published=2,
        allowance=0,
        source=BY_DRAWING,
    )


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
    found = {
        name: form.value for name, form in controller_outcome("current-limit", [Log("ramp", columns)]).forms.items()
    }
    outside.each(
        found,
        (
            ("supply_current_limit", 15.0, 0.02, "A"),
            ("phase_current_limit", 30.0, 0.15, "A"),
            ("supply_current_overshoot", 20.0, 0.3, "percent"),
        ),
        what="drawn ramp to 15 A of supply and 30 A of block-shaped phase current, once 18 A",
        source=BY_DRAWING,
    )


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
    found = {name: form.value for name, form in controller_outcome("controller-loss", logs).forms.items()}
    outside.each(
        found,
        (
            ("controller_efficiency", 92.46, 0.01, "percent", "166.42 W of 180 W"),
            ("controller_loss", 13.58, 0.02, "W", "180 W in, 166.42 W out"),
            ("standby_power", 1.8, 1e-9, "W", "36 V and 50 mA"),
        ),
        source="IEC 60050-131: sqrt(3) U I cos(phi); worked by hand",
    )


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
            source=f"JCGM 100:2008, 4.3.7; {DRAWN}",
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
            source=DRAWN,
        )


def test_power_analyser_readings_over_the_load(outside: Outside) -> None:
    # Loss of 3 W + 5 % + 0.0004/W of the output: at 250 W 3 + 12.5 + 25 = 40.5 W, 250/290.5 = 86.059 %.
    output = np.linspace(20.0, 300.0, 15)
    columns = {
        "supply_voltage": np.full(15, 36.0),
        "supply_current": (output + 3 + 0.05 * output + 4e-4 * output**2) / 36.0,
        "phase_power": output,
    }
    found = values("controller-loss", [(columns, {"state": 0.0})], nameplate_rated_power=250.0)
    outside.each(
        found,
        (
            ("controller_loss", 40.5, 1e-4, "W"),
            ("controller_efficiency", 86.0585, 1e-4, "percent"),
        ),
        what="loss of 3 W + 5 % of the output + 0.0004/W of its square, at 250 W",
        source=HAND,
    )


def test_a_supply_that_is_swept_in_steps(outside: Outside) -> None:
    # A reading each 0.5 V; drives between 31.5 and 32 V, ceases between 30 and 29.5 V. Rectangular: 0.25 V/sqrt(3).
    up = np.arange(20.0, 48.0, 0.5)
    voltage = np.concatenate([np.concatenate([up, up[::-1]])] * 3)
    rising = np.tile(np.repeat([True, False], up.size), 3)
    on = np.where(rising, voltage > 31.7, voltage > 29.7)
    columns = {
        "time": np.arange(voltage.size) * 0.5,
        "supply_voltage": voltage,
        "supply_current": np.where(on, 1.4, 0.05),
    }
    found = outcome(procedures()["supply-window"], [(columns, {})], response_delay=0.0)
    for name, published in (("start_voltage", 31.75), ("cutoff_voltage", 29.75)):
        for what, ours, value in (
            ("middle of the step", found.forms[name].value, published),
            ("standard uncertainty", found.forms[name].standard_uncertainty, 0.25 / math.sqrt(3)),
        ):
            outside(
                name,
                f"swept in steps of 0.5 V: {what}",
                ours=ours,
                published=value,
                allowance=0.003,
                unit="V",
                source=f"JCGM 100:2008, 4.3.7; {HAND}",
            )
