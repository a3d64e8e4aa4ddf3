"""Gate timing from captures that do not hold all nine channels, as analysers with few of them take it.

The bench is ``tests/simulation/gate_capture.py``; sources as in ``test_gate_timing.py``: the six-step table of
application notes, resolution of a counter after JCGM 100:2008, 4.3.7.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome
from rotorproof.logs.capture import read_reduced
from rotorproof.logs.unit_logs import _require
from rotorproof.physics.gate_stream import GateStream
from rotorproof.physics.kept_sectors import KeptSectors
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.layout import Layout
from rotorproof.uncertainty.coverage import interval
from tests.outside import Outside
from tests.procedures.controller_runs import outcome
from tests.proof.cases import GATE_RATE, gates
from tests.simulation.gate_capture import CHANNELS, GateBench, GateFaults

RATE = 24e6
SENSORS = ("hall_a", "hall_b", "hall_c")
A, B, C = (("gate_ah", "gate_al"), ("gate_bh", "gate_bl"), ("gate_ch", "gate_cl"))
COMMUTATION = ("commutation_errors", "controller_table", "commutation_delay")
AHEAD, BACK = {"driven_direction": 0.0}, {"driven_direction": 1.0}
TABLE = 645213.0  # 001 C+ B-, 010 B+ A-, 011 C+ A-, 100 A+ C-, 101 A+ B-, 110 B+ C-


def _log(bench: GateBench, names: tuple[str, ...], seed: int = 3, blocks: int = 3, duration: float = 0.2) -> Log:
    capture = bench.capture(duration, RATE, np.random.default_rng(seed), clock_error=3e-6)
    times, levels = capture.rows()
    stream = GateStream(RATE)
    for part in np.array_split(np.arange(times.size), blocks):
        stream.feed({"time": times[part], **{n: levels[part, CHANNELS.index(n)] for n in names}})
    return Log("+".join(names), stream.finish())


def _found(*logs: Log) -> tuple[dict[str, float], Outcome]:
    found = outcome("gate-timing", list(logs))
    return {name: form.value for name, form in found.forms.items()}, found


def test_one_leg_gives_dead_time_and_overlaps_and_names_what_is_not_there() -> None:
    found = _found(_log(GateBench(dead_time=400e-9), A))[1]
    dead = interval(found.forms["dead_time_min"])
    assert dead.low < 400e-9 < dead.high
    frequency = interval(found.forms["pwm_frequency"])
    assert frequency.low < 16000.05 < frequency.high  # seen by a clock 3 ppm slow
    # None in this leg says nothing of the others, and another leg may have a shorter dead time.
    assert "none was seen in leg A, but legs B and C can short" in found.fit.missing["overlap_count"]
    assert found.report.bounds == {"dead_time_min": "most", "overlap_count": "least", "pulse_width_min": "most"}
    for name in ("commutation_errors", "controller_table", "commutation_delay", "sensor_disturbances"):
        assert name in found.fit.missing
    assert "both gates of legs B and C" in " ".join(found.report.notes)
    assert found.report.extrapolated["overlap_count"] == "from leg A alone"
    assert [warning.danger for warning in found.report.warnings] == [True]


def test_an_overlap_in_the_leg_captured_is_counted_whatever_the_others_do() -> None:
    stream = GateStream(10e6)
    edges = {"gate_ah": [1, 1, 1, 1, 0, 0, 0, 0] * 20, "gate_al": [0, 0, 0, 1, 1, 1, 0, 0] * 20}
    stream.feed({"time": np.arange(160) * 2e-6, **{name: np.array(levels) for name, levels in edges.items()}})
    value, found = _found(Log("leg A", stream.finish()))
    assert value["overlap_count"] == 20
    assert found.report.bounds["overlap_count"] == "least"


def test_one_gate_gives_the_switching_frequency() -> None:
    value, found = _found(_log(GateBench(), ("gate_bh",)))
    assert value["pwm_frequency"] == pytest.approx(16000, rel=1e-5)
    assert {"dead_time_min", "overlap_count"} <= set(found.fit.missing)


def test_a_commutation_out_of_step_with_the_switching_does_not_pull_the_period(outside: Outside) -> None:
    # Intervals of 40 us between bursts of periods of 50 us, 2 of 100: a mean over all would be 49.8 us.
    stream = GateStream(10e6)
    rise, times, levels = 0, [], []
    for k in range(3000):
        times += [rise, rise + 200]
        levels += [1, 0]
        rise += 400 if k % 50 == 49 else 500
    stream.feed({"time": np.array(times) / 10e6, "gate_ah": np.array(levels)})
    outside(
        "pwm_frequency",
        "one gate without sensors, every fiftieth period cut to 40 us",
        ours=_found(Log("gate", stream.finish()))[0]["pwm_frequency"],
        published=20e3,
        allowance=0.1,
        unit="Hz",
        source="capture drawn edge by edge",
    )


@pytest.mark.parametrize("scheme", ["high", "high complementary", "low", "low complementary", "both", "bipolar"])
@pytest.mark.parametrize("legs", [A + B, B + C, A + C])
def test_two_legs_beside_the_sensors_give_the_table(scheme: str, legs: tuple[str, ...]) -> None:
    duty = 0.65 if scheme == "bipolar" else 0.25
    value, found = _found(_log(GateBench(scheme=scheme, duty=duty), legs + SENSORS, duration=0.1))
    assert value["controller_table"] == TABLE
    assert "but not judged are faults of leg" in found.fit.missing["commutation_errors"]
    # Sensors are looked at in the middle of a period, the bridge acts at its end: half a period to one and a half.
    assert value["commutation_delay"] == pytest.approx(1 / 16000, rel=0.15)
    assert "without leg" in found.report.extrapolated["controller_table"]


def test_the_drawn_capture_in_parts_agrees_with_its_drawing(outside: Outside) -> None:
    rows = gates(wrong=8)
    logs = []
    for legs in (A + B, B + C):
        stream = GateStream(GATE_RATE)
        stream.feed({name: rows[name] for name in ("time", *legs, *SENSORS)})
        logs.append(Log(legs[0], stream.finish()))
    value, found = _found(*logs)
    # The ninth sector does as the tenth should: B+ A- in place of B+ C-, which both pairs of legs show.
    for name, published, allowance in (
        ("controller_table", TABLE, 0.0),
        ("commutation_errors", 2.0, 0.0),
        ("dead_time_min", 500e-9, 1e-12),
    ):
        outside(
            name,
            "capture of 18 sectors, one of them wrong, seen as legs A and B and again as legs B and C",
            ours=value[name],
            published=published,
            allowance=allowance,
            source="six-step tables of application notes (101 A+ B- ... 001 C+ B-), capture drawn sample by sample",
        )
    assert "controller_table" not in found.report.extrapolated


def test_three_legs_one_by_one_are_joined_by_the_sensors() -> None:
    logs = [_log(GateBench(), leg + SENSORS, seed=k) for k, leg in enumerate((A, B, C))]
    value, found = _found(*logs)
    assert value["controller_table"] == TABLE
    assert value["commutation_errors"] == 0
    assert not found.report.extrapolated
    assert _found(logs[0])[1].fit.missing["controller_table"].startswith("the legs captured")


@pytest.mark.parametrize(
    "fault",
    [
        GateFaults(),
        GateFaults(wrong_step={(1, 1, 0): ("b", "a")}),
        GateFaults(dropped_sector=0.15),
        GateFaults(stuck_sensor=("c", 0, 0.15)),
        GateFaults(swapped_sensors=("a", "b")),
    ],
)
@pytest.mark.parametrize("most", [6, 29, 50])
def test_sectors_beyond_those_kept_are_judged_alike(
    fault: GateFaults, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The same captures, with all sectors kept one by one and with the first few alone.
    parts = [(A + B + SENSORS, 5), (C + SENSORS, 6)]
    whole, report = _found(*(_log(GateBench(faults=fault), names, seed, blocks=7) for names, seed in parts))
    monkeypatch.setattr("rotorproof.physics.kept_sectors.MOST_SECTORS", most)
    logs = [_log(GateBench(faults=fault), names, seed, blocks=7) for names, seed in parts]
    assert all(log["sector_code"].size == most for log in logs)
    value, found = _found(*logs)
    for name in ("controller_table", "commutation_errors", "sensor_disturbances"):
        assert value.get(name) == whole.get(name)
    judged = [next(n for n in one.report.notes if "sectors judged" in n) for one in (found, report)]
    assert judged[0] == judged[1]


def test_sectors_of_no_pattern_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = KeptSectors()
    monkeypatch.setattr("rotorproof.physics.kept_sectors.MOST_SECTORS", 50)
    monkeypatch.setattr("rotorproof.physics.kept_sectors.MOST_KINDS", 500)
    rng = np.random.default_rng(1)
    with pytest.raises(FitError, match="do not work alike"):
        kept.add(rng.integers(0, 8, 5000), rng.random((5000, 6)), np.zeros((5000, 6)))


@pytest.mark.parametrize("scheme", ["high", "high complementary", "low", "low complementary", "both", "bipolar"])
@pytest.mark.parametrize("shared", [("hall_a",), ("hall_b", "hall_c"), ("gate_bh",), ("gate_cl",), A])
def test_six_gates_and_three_sensors_in_captures_of_their_own_give_the_table(
    scheme: str, shared: tuple[str, ...]
) -> None:
    bench = GateBench(scheme=scheme, duty=0.65 if scheme == "bipolar" else 0.3)
    gates = _log(bench, (*CHANNELS[:6], *(name for name in shared if name in SENSORS)), seed=1)
    sensors = _log(bench, (*SENSORS, *(name for name in shared if name not in SENSORS)), seed=2)
    value, found = _found(*(Log(log.label, log.columns, AHEAD) for log in (gates, sensors)))
    assert value["overlap_count"] == 0
    if (scheme, shared) in (("low complementary", ("gate_bh",)), ("high complementary", ("gate_cl",))):
        # On all the time in two sectors and for 70 % in the two opposite ones: too much alike to tell them apart.
        assert "do not tell which state" in found.fit.missing["controller_table"]
        return
    assert value["controller_table"] == TABLE
    if shared != A:
        for name in ("commutation_errors", "commutation_delay"):
            assert "two captures" in found.fit.missing[name]
        assert "Not measured: commutation errors and delay" in " ".join(found.report.notes)


def _reversed(sensors: Log) -> dict[str, np.ndarray]:
    """Return a capture of sensors read backwards: that of a rotor that turns the other way."""
    return {**sensors.columns, "sector_code": sensors["sector_code"][::-1], "sector_share": _back(sensors)}


def _back(sensors: Log) -> np.ndarray:
    return sensors["sector_share"].reshape(-1, 6)[::-1].ravel()


@pytest.mark.parametrize("shared", [("hall_a",), A])
def test_one_sensor_or_leg_in_common_joins_nothing_without_a_direction(shared: tuple[str, ...]) -> None:
    gates = _log(GateBench(), (*CHANNELS[:6], *(name for name in shared if name in SENSORS)))
    sensors = _log(GateBench(), (*SENSORS, *(name for name in shared if name not in SENSORS)))
    # Through them a rotor that turned the other way has a table too, which is another one.
    for columns in (sensors.columns, _reversed(sensors)):
        for conditions in ((), (AHEAD,)):
            logs = [Log("gates", gates.columns, *conditions), Log("sensors", columns)]
            value, found = _found(*logs)
            assert "controller_table" not in value
            assert "'driven_direction'" in found.fit.missing["controller_table"]
    value, found = _found(Log("gates", gates.columns, AHEAD), Log("sensors", _reversed(sensors), {**AHEAD, **BACK}))
    assert "controller_table" not in value
    assert "different directions" in found.fit.missing["controller_table"]


def test_two_sensors_in_common_need_no_direction() -> None:
    gates, sensors = _log(GateBench(), (*CHANNELS[:6], "hall_a", "hall_b")), _log(GateBench(), SENSORS, seed=5)
    assert _found(gates, sensors)[0]["controller_table"] == TABLE


@pytest.mark.parametrize(
    ("shared", "conditions", "lacking"),
    [(("hall_a",), {}, True), (("hall_a",), AHEAD, False), (("hall_a", "hall_b"), {}, False)],
)
def test_a_direction_that_is_not_stated_is_asked_for_beforehand(
    shared: tuple[str, ...], conditions: dict[str, float], lacking: bool
) -> None:
    logs = [Log("", {name: np.zeros(2) for name in names}, conditions) for names in ((*CHANNELS[:6], *shared), SENSORS)]
    found = [lack for lack in procedures()["gate-timing"].lacks(logs, ()) if "controller_table" in lack.quantities]
    assert bool(found) == lacking
    assert all("'driven_direction'" in lack.why for lack in found)


def test_two_sensors_in_common_show_that_the_rotor_turned_the_other_way() -> None:
    gates = _log(GateBench(), (*CHANNELS[:6], "hall_a", "hall_b"))
    sensors = _log(GateBench(), SENSORS)
    # Read backwards, the sensors are those of a rotor that turns the other way.
    back = {**sensors.columns, "sector_code": sensors["sector_code"][::-1]}
    value, found = _found(gates, Log("back", back))
    assert "controller_table" not in value
    assert "the other way" in found.fit.missing["controller_table"]


def test_sensors_in_a_capture_of_their_own_are_judged_apart() -> None:
    bench = GateBench(faults=GateFaults(spikes=(0.1002,)))
    value, found = _found(_log(bench, CHANNELS[:6]), _log(bench, SENSORS))
    assert value["sensor_disturbances"] == 1
    assert value["overlap_count"] == 0
    assert "three sensors together with both gates" in found.fit.missing["controller_table"]
    with pytest.raises(FitError, match="no gate signal was captured"):
        _found(_log(bench, SENSORS))


@pytest.mark.parametrize(
    ("faults", "least", "most"),
    [
        (GateFaults(wrong_step={(1, 1, 0): ("b", "a")}), 22, 26),
        (GateFaults(swapped_sensors=("a", "b")), 138, 146),
        (GateFaults(dropped_sector=0.2), 1, 1),
        (GateFaults(stuck_sensor=("c", 0, 0.2)), 11, 200),
    ],
)
def test_faults_are_seen_by_two_legs(faults: GateFaults, least: int, most: int) -> None:
    value, _ = _found(_log(GateBench(faults=faults), A + B + SENSORS, duration=0.4))
    assert least <= value["commutation_errors"] <= most


def test_blocks_make_no_difference_and_a_file_neither(tmp_path: Path) -> None:
    names = (*A, "gate_bh", *SENSORS)
    whole, parts = (_log(GateBench(), names, blocks=n).columns for n in (1, 211))
    capture = GateBench().capture(0.2, RATE, np.random.default_rng(3), clock_error=3e-6)
    capture.write_csv(tmp_path / "a.csv")
    text = (tmp_path / "a.csv").read_text(encoding="utf-8")
    for name in set(CHANNELS) - set(names):
        text = text.replace(f"{name} [1]", f"{name}_unused")
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    procedure: Any = procedures()["gate-timing"]
    reducer = procedure.reducer({"sample_rate": RATE})
    read = read_reduced(tmp_path / "a.csv", Layout(), procedure, reducer, shown="U/a", require=_require).columns
    for name, values in whole.items():
        # A period across the border of two blocks has no share of its own.
        if name != "pulse_share":
            np.testing.assert_allclose(parts[name], values, atol=1.1e-9, rtol=1e-5, err_msg=name)
        # The file holds whole nanoseconds.
        apart = 1e-4 if name.endswith("_share") else 1.1e-9
        np.testing.assert_allclose(read[name], values, atol=apart, rtol=1e-5, err_msg=name)


def test_one_gate_over_several_captures_shows_the_duty() -> None:
    logs = []
    for k, command in enumerate(np.linspace(0.1, 0.9, 9)):
        log = _log(GateBench(duty=float(command)), ("gate_al",), seed=k, duration=0.1)
        logs.append(Log(f"{command:.1f}", log.columns, {"commanded_duty": float(command)}))
    assert _found(*logs)[0]["duty_linearity"] < 0.003
    bent = [Log(log.label, log.columns, {"commanded_duty": log.conditions["commanded_duty"] ** 1.2}) for log in logs]
    assert _found(*bent)[0]["duty_linearity"] > 0.01
    assert "one gate in all of them" in _found(logs[0])[1].fit.missing["duty_linearity"]


@pytest.mark.parametrize(
    ("captures", "lacking"),
    [
        ([CHANNELS], set()),
        ([SENSORS], set(procedures()["gate-timing"].gives)),
        ([("gate_ah", *SENSORS)], {"dead_time_min", "overlap_count", *COMMUTATION}),
        ([A], {"sensor_disturbances", *COMMUTATION}),
        ([A + SENSORS, B], set()),
        ([(*CHANNELS[:6], "hall_a"), SENSORS], set(COMMUTATION)),
        ([(*CHANNELS[:6], "hall_a", "hall_b"), SENSORS], {"commutation_errors", "commutation_delay"}),
        ([CHANNELS[:6], SENSORS], set(COMMUTATION)),
    ],
)
def test_the_check_says_before_the_test_what_the_channels_cannot_tell(
    captures: list[tuple[str, ...]], lacking: set[str]
) -> None:
    procedure = procedures()["gate-timing"]
    logs = [Log("x", {name: np.ones(1) for name in ("time", *names)}, {}) for names in captures]
    found: set[str] = set()
    for lack in procedure.lacks(logs, ()):
        found |= set(lack.quantities or procedure.gives)
    assert found == lacking
