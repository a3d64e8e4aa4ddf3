"""Gate timing on invented captures (tests/simulation/gate_capture.py), written by pyvcd, with faults planted.

Sources: the commutation table is the commonly published one for sensors 120 electrical degrees apart
(101 A+ B-, 100 A+ C-, 110 B+ C-, 010 B+ A-, 011 C+ A-, 001 C+ B-), as printed in application notes on six-step drive;
resolution of a counter as rectangular and triangular distributions: JCGM 100:2008, 4.3.7 and 4.3.9.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

from rotorproof.errors import FitError, InputError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.fitting.instrument_error import InstrumentError
from rotorproof.logs.capture import read_reduced
from rotorproof.logs.unit_logs import _require
from rotorproof.physics.gate_stream import GateStream
from rotorproof.physics.six_step import COMMON_TABLE, table_code
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.layout import Layout
from rotorproof.uncertainty.accuracy import Accuracy
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Influence
from tests.outside import Outside
from tests.simulation.gate_capture import CHANNELS, Capture, GateBench, GateFaults

RATE = 24e6
PROCEDURE = procedures()["gate-timing"]


def _reduced(path: Path, rate: float = RATE, layout: Layout | None = None) -> dict[str, np.ndarray]:
    reducer = PROCEDURE.reducer({"sample_rate": rate})
    assert reducer is not None
    return read_reduced(path, layout or Layout(), PROCEDURE, reducer, shown="U/a", require=_require).columns


def _fed(capture: Capture, blocks: int = 1, **extra: np.ndarray) -> dict[str, np.ndarray]:
    """Reduce a capture without a file between, in blocks."""
    times, levels = capture.rows()
    stream = GateStream(capture.sample_rate)
    for part in np.array_split(np.arange(times.size), blocks):
        rows = {"time": times[part], **{n: levels[part, k] for k, n in enumerate(CHANNELS)}}
        stream.feed(rows | {name: values[part] for name, values in extra.items()})
    return stream.finish()


def _outcome(logs: list[Log], clock: Accuracy | None = None) -> Outcome:
    names = [(i, n) for i, log in enumerate(logs) for n in log.columns if PROCEDURE.source_column(n) == "time"]
    instruments = [InstrumentError(Influence("clock", "clock", "rectangular"), clock, names)] if clock else []
    return run(PROCEDURE, logs, label="t", unit="U", given={}, instruments=instruments, uncertain_conditions={})


def _values(bench: GateBench, duration: float = 0.4, seed: int = 3, **keys: Any) -> tuple[dict[str, float], Outcome]:
    capture = bench.capture(duration, RATE, np.random.default_rng(seed), **keys)
    outcome = _outcome([Log("capture", _fed(capture))])
    return {name: form.value for name, form in outcome.forms.items()}, outcome


def test_sound_controller_through_a_value_change_dump(tmp_path: Path) -> None:
    bench = GateBench(dead_time=400e-9)
    capture = bench.capture(0.4, RATE, np.random.default_rng(1), clock_error=20e-6)
    capture.write_vcd(tmp_path / "a.vcd")
    outcome = _outcome([Log("a", _reduced(tmp_path / "a.vcd"))], Accuracy(50e-6, 0.0))
    value = {name: form.value for name, form in outcome.forms.items()}
    assert value["overlap_count"] == 0
    assert value["commutation_errors"] == 0
    # 400 ns are 9.6 samples: 9 and 10 are read, and the truth lies between them, half a sample to either side.
    dead = interval(outcome.forms["dead_time_min"])
    assert dead.low < 400e-9 < dead.high
    assert dead.expanded_uncertainty == pytest.approx(0.95 * 0.5 / RATE, rel=0.01)
    f = interval(outcome.forms["pwm_frequency"])
    assert f.low < 16000.0 < f.high
    assert f.expanded_uncertainty == pytest.approx(0.95 * 50e-6 * 16000, rel=0.05)
    # Sensors are looked at in the middle of a period, the bridge acts at its end: half a period to one and a half.
    assert value["commutation_delay"] == pytest.approx(1 / 16000, rel=0.05)


def test_files_and_block_borders_make_no_difference(tmp_path: Path) -> None:
    capture = GateBench(dead_time=517e-9, faults=GateFaults(overlap=("c", 0.03, 120e-9))).capture(
        0.06, RATE, np.random.default_rng(2), clock_error=1e-5
    )
    capture.write_vcd(tmp_path / "a.vcd")
    capture.write_csv(tmp_path / "a.csv")
    whole = _fed(capture)
    for other in (_reduced(tmp_path / "a.vcd"), _reduced(tmp_path / "a.csv"), _fed(capture, 611)):
        assert set(other) == set(whole)
        for name, values in whole.items():
            # A time scale of 1 ns is all that the dump keeps.
            np.testing.assert_allclose(other[name], values, atol=1.1e-9, rtol=1e-5, err_msg=name)


@pytest.mark.parametrize("kind", ["bool", "int8", "uint8", "int64", "float64"])
def test_the_type_of_parquet_levels_makes_no_difference(tmp_path: Path, kind: str) -> None:
    capture = GateBench(dead_time=517e-9).capture(0.03, RATE, np.random.default_rng(2))
    times, levels = capture.rows()
    columns = {f"{name} [1]": levels[:, k].astype(kind) for k, name in enumerate(CHANNELS)}
    parquet.write_table(pa.table({"time [s]": times, **columns}), tmp_path / "a.parquet", row_group_size=777)
    found = _reduced(tmp_path / "a.parquet")
    for name, values in _fed(capture).items():
        np.testing.assert_array_equal(found[name], values, err_msg=name)


@pytest.mark.parametrize(("kind", "level"), [("int8", -1), ("int8", 2), ("uint8", 3), ("int64", 256), ("float64", 0.5)])
def test_levels_other_than_0_and_1_are_refused_in_any_type(tmp_path: Path, kind: str, level: float) -> None:
    capture = GateBench().capture(0.01, RATE, np.random.default_rng(2))
    times, levels = capture.rows()
    columns = {f"{name} [1]": levels[:, k].astype(kind) for k, name in enumerate(CHANNELS)}
    columns["gate_bl [1]"][57] = level
    parquet.write_table(pa.table({"time [s]": times, **columns}), tmp_path / "a.parquet")
    with pytest.raises(InputError, match="gate_bl holds levels other than 0 and 1"):
        _reduced(tmp_path / "a.parquet")


@pytest.mark.parametrize(
    ("scheme", "words"),
    [
        ("high", "high side chopped, low side held"),
        ("high complementary", "high side chopped, low side complementary"),
        ("low", "low side chopped, high side held"),
        ("low complementary", "low side chopped, high side complementary"),
        ("both", "high and low side chopped together"),
        ("bipolar", "both legs chopped complementary"),
    ],
)
def test_switching_scheme_is_recognised(scheme: str, words: str) -> None:
    value, outcome = _values(GateBench(scheme=scheme, duty=0.7), 0.2)
    assert any(words in note for note in outcome.report.notes)
    assert value["commutation_errors"] == 0
    assert ("dead_time_min" in value) == (scheme.endswith("complementary") or scheme == "bipolar")
    assert ("dead_time_min" in outcome.fit.missing) == ("dead_time_min" not in value)


def test_one_overlap_is_found_with_time_and_leg() -> None:
    value, outcome = _values(GateBench(faults=GateFaults(overlap=("b", 0.2, 120e-9))))
    assert value["overlap_count"] == 1
    columns = _fed(
        GateBench(faults=GateFaults(overlap=("b", 0.2, 120e-9))).capture(0.4, RATE, np.random.default_rng(3))
    )
    assert columns["overlap_leg"].tolist() == [1]
    assert 0.2 < columns["overlap_start"][0] < 0.21
    assert columns["overlap_duration"][0] == pytest.approx(120e-9, abs=1 / RATE)
    assert any("leg B" in warning.message for warning in outcome.report.warnings)


def test_a_short_dead_time_on_one_edge_alone() -> None:
    value, outcome = _values(GateBench(faults=GateFaults(dead_time_error={("c", "high"): -250e-9})), clock_error=3e-6)
    cover = interval(outcome.forms["dead_time_min"])
    assert cover.low < 350e-9 < cover.high
    assert value["overlap_count"] == 0


def test_commutation_faults() -> None:
    sectors = 6 * 60 * 0.4
    value, _ = _values(GateBench(faults=GateFaults(wrong_step={(1, 1, 0): ("b", "a")})))
    assert value["commutation_errors"] == pytest.approx(sectors / 6, abs=2)
    value, outcome = _values(GateBench(faults=GateFaults(swapped_sensors=("a", "b"))))
    assert value["commutation_errors"] == pytest.approx(sectors, abs=3)
    assert any("turn against the sensors" in warning.message for warning in outcome.report.warnings)
    value, outcome = _values(GateBench(faults=GateFaults(stuck_sensor=("c", 0, 0.2))))
    assert value["commutation_errors"] >= 60 * 0.2 - 1
    assert any("impossible sensor codes" in warning.message for warning in outcome.report.warnings)
    value, _ = _values(GateBench(faults=GateFaults(dropped_sector=0.2)))
    assert value["commutation_errors"] == 1
    value, _ = _values(GateBench(faults=GateFaults(spikes=(0.1002, 0.2534))))
    assert value["commutation_errors"] == 0
    assert value["sensor_disturbances"] == 2


def test_active_low_gates_are_named_then_mapped(tmp_path: Path) -> None:
    low = tuple(f"gate_{leg}h" for leg in "abc")
    capture = GateBench(faults=GateFaults(active_low=low)).capture(0.2, RATE, np.random.default_rng(4))
    capture.write_vcd(tmp_path / "a.vcd")
    with pytest.raises(FitError, match=r"active-low.*invert: true"):
        _outcome([Log("a", _reduced(tmp_path / "a.vcd"))])
    layout = Layout.model_validate(
        {"columns": {name: {"column": name, "unit": "1", "invert": name in low} for name in CHANNELS}}
    )
    outcome = _outcome([Log("a", _reduced(tmp_path / "a.vcd", layout=layout))])
    assert outcome.forms["overlap_count"].value == 0
    assert outcome.forms["commutation_errors"].value == 0


def test_wrong_sample_rate_is_refused(tmp_path: Path) -> None:
    capture = GateBench().capture(0.05, RATE, np.random.default_rng(4), clock_error=1e-5)
    capture.write_vcd(tmp_path / "a.vcd")
    with pytest.raises(InputError, match="sample grid"):
        _reduced(tmp_path / "a.vcd", rate=16e6)


def test_standstill_and_a_missing_channel(tmp_path: Path) -> None:
    capture = GateBench().capture(0.05, RATE, np.random.default_rng(4))
    times, levels = capture.rows()
    levels[:, :6] = 0
    stream = GateStream(RATE)
    stream.feed({"time": times, **{name: levels[:, k] for k, name in enumerate(CHANNELS)}})
    with pytest.raises(FitError, match="no gate ever turned on"):
        _outcome([Log("a", stream.finish())])
    # A channel that is not there is no fault of the others; none at all is no capture of a bridge.
    capture.write_csv(tmp_path / "a.csv")
    text = (tmp_path / "a.csv").read_text(encoding="utf-8")
    (tmp_path / "a.csv").write_text(text.replace("gate_cl [1]", "spare [1]"), encoding="utf-8")
    outcome = _outcome([Log("a", _reduced(tmp_path / "a.csv"))])
    assert "gate C low" in " ".join(outcome.report.notes)
    (tmp_path / "b.csv").write_text(text.replace("gate_", "x_").replace("hall_", "y_"), encoding="utf-8")
    with pytest.raises(InputError, match="one of the columns gate_ah"):
        _reduced(tmp_path / "b.csv")


def test_duty_follows_a_throttle_channel() -> None:
    # The planted characteristic bends by a known part of its span: y = d0 + k u + b 4 u (1 - u).
    bend = 0.05

    def duty(t: np.ndarray) -> np.ndarray:
        u = t / 1.2
        return 0.1 + 0.8 * u + bend * 4 * u * (1 - u)

    bench = GateBench(scheme="high", duty=duty, electrical_frequency=80)
    capture = bench.capture(1.2, RATE, np.random.default_rng(8))
    times, _ = capture.rows()
    columns = _fed(capture, throttle=1.0 + 3.0 * times / 1.2)
    outcome = _outcome([Log("a", columns)])
    # A parabola of height b leaves 2/3 b at its middle from its line of least squares on a dense grid.
    dense = np.linspace(0, 1, 4001)
    curve = 0.1 + 0.8 * dense + bend * 4 * dense * (1 - dense)
    truth = np.abs(curve - np.polyval(np.polyfit(dense, curve, 1), dense)).max() / 0.8
    assert outcome.forms["duty_linearity"].value == pytest.approx(truth, abs=0.006)


def test_duty_over_several_captures() -> None:
    # The dead time takes a known part of every pulse: an offset, no bend; a dead stop at the end bends.
    logs, dead, frequency = [], 600e-9, 16_000.0
    for k, command in enumerate(np.linspace(0.1, 0.9, 9)):
        bench = GateBench(dead_time=dead, duty=float(command), pwm_frequency=frequency)
        columns = _fed(bench.capture(0.1, RATE, np.random.default_rng(k), clock_error=4e-6))
        logs.append(Log(f"duty {command:.1f}", columns, {"commanded_duty": float(command)}))
        assert np.mean(columns["window_duty"]) == pytest.approx(command - dead * frequency, abs=1e-3)
    assert _outcome(logs).forms["duty_linearity"].value < 0.002
    bent = [replace(log, conditions={"commanded_duty": log.conditions["commanded_duty"] ** 1.2}) for log in logs]
    assert _outcome(bent).forms["duty_linearity"].value > 0.01


def test_commutation_table_is_the_published_one(outside: Outside) -> None:
    _, outcome = _values(GateBench(), 0.2)
    found = outcome.report.details["commutation_errors"]["table"]
    # The same table as one number, as the test of the motor's sensors writes it.
    assert outcome.forms["controller_table"].value == table_code(COMMON_TABLE)
    published = {"101": "A+ B-", "100": "A+ C-", "110": "B+ C-", "010": "B+ A-", "011": "C+ A-", "001": "C+ B-"}
    outside(
        "gate-timing",
        "sensor codes whose conduction state is that of the commonly published six-step table",
        ours=sum(found.get(code) == state for code, state in published.items()),
        published=6,
        allowance=0,
        source="six-step tables of application notes, sensors 120 electrical degrees apart (101 A+ B- ... 001 C+ B-)",
    )


_READ = """
import json, re, sys, time
from pathlib import Path
from rotorproof.logs.capture import read_reduced
from rotorproof.logs.unit_logs import _require
from rotorproof.physics.six_step import COMMON_TABLE, table_code
from rotorproof.procedures import procedures
from rotorproof.settings.layout import Layout
procedure = procedures()["gate-timing"]
reducer = procedure.reducer({"sample_rate": 24e6})
def mebibytes(what):
    # Of this program alone; getrusage would hold the peak of the process it was forked from.
    return int(re.search(what + r":\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024
before = mebibytes("VmRSS")
columns = read_reduced(Path(sys.argv[1]), Layout(), procedure, reducer, shown="U/a", require=_require).columns
found = {name: values.tolist() for name, values in columns.items() if name.startswith("overlap")}
found["readings"] = sum(values.size for values in columns.values())
found["seconds"] = time.process_time()
found["mebibytes"] = mebibytes("VmHWM") - before
print(json.dumps(found))
"""


@pytest.mark.slow
def test_one_overlap_among_millions_of_changes(tmp_path: Path) -> None:
    bench = GateBench(
        scheme="high complementary",
        electrical_frequency=200,
        dead_time=400e-9,
        faults=GateFaults(overlap=("a", 30.0, 120e-9)),
    )
    capture = bench.capture(40.0, RATE, np.random.default_rng(7), clock_error=1e-6)
    assert len(capture.events) > 2_500_000
    capture.write_vcd(tmp_path / "large.vcd")
    # In a process of its own, so that the memory at its peak is the reader's and not the simulator's.
    seen = json.loads(
        subprocess.run(
            [sys.executable, "-c", _READ, str(tmp_path / "large.vcd")],
            env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
    )
    print(f"{len(capture.events)} changes in {seen['seconds']:.1f} s of processor time, {seen['mebibytes']:.0f} MiB")
    assert seen["overlap_total"] == [1.0]
    assert seen["overlap_leg"] == [0.0]
    assert 30.0 < seen["overlap_start"][0] < 30.1
    assert seen["overlap_duration"][0] == pytest.approx(120e-9, abs=1 / RATE)
    assert seen["readings"] < 50_000
    # Libraries and a block of the file take about 120; the whole file would be 42 more, its changes as arrays 50.
    assert seen["mebibytes"] < 150
