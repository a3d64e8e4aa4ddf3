"""A long capture reduced while it is read against the same capture kept whole: same constants, harmonics and findings.

Captures come from the invented machine of tests/simulation/open_circuit.py (no harmonic series, no electrical angle).
No published values: the two ways share the harmonic fit, which tests/procedures/test_open_circuit.py and tests/proof
hold against outside values; here only what reducing could lose is looked at.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.fitting.instrument_error import InstrumentError
from rotorproof.physics.line_checks import Ends, clipped_share
from rotorproof.physics.turn_sums import MOST_BLOCKS, TurnSums
from rotorproof.physics.wave_stream import REDUCED, WaveStream
from rotorproof.procedures.base import Log
from rotorproof.procedures.open_circuit import PROCEDURE
from rotorproof.uncertainty.accuracy import parse_accuracy
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Influence
from tests.simulation.open_circuit import Machine, Scope, record

LINES = ("voltage_ab", "voltage_bc", "voltage_ca")
REAL = Machine(
    pole_pairs=11,
    linkage=0.5,
    shape="",
    harmonics={2: (0.004, 0.1), 5: (0.06, 1.0), 7: (0.02, 2.0), 11: (0.012, 0.3), 17: (0.008, 4.0), 37: (0.004, 0.5)},
    phase_gain=(1.0, 1.02, 0.97),
    pole_spread=0.01,
)


def capture(
    rate: float = 60_000.0, seconds: float = 3.0, *, clip: float = np.inf, **more: float
) -> dict[str, np.ndarray]:
    scope = Scope(rate, 0.02, 0.1, offset=(0.3, -0.1, 0.05), clip=clip)
    drawn = {"speed_rpm": 180.0, "drift": 0.5, "ripple": 0.01, "tacho_noise": 0.1, **more}
    return record(REAL, scope, np.random.default_rng(7), seconds=seconds, **drawn)  # type: ignore[arg-type]


def pieces(columns: Mapping[str, np.ndarray], size: int) -> Iterator[dict[str, np.ndarray]]:
    for start in range(0, len(columns["time"]), size):
        yield {name: values[start : start + size] for name, values in columns.items()}


def reduced(columns: Mapping[str, np.ndarray], size: int = 7001, kept_rows: int = 30_000) -> dict[str, np.ndarray]:
    stream = WaveStream(kept_rows)
    for piece in pieces(columns, size):
        stream.feed(piece)
    return stream.finish()


def outcome(*logs: Mapping[str, np.ndarray], **conditions: float) -> Outcome:
    entries = [Log(f"run {i}", columns, conditions) for i, columns in enumerate(logs)]
    accuracies = {
        "voltage": ("0.5 % + 50 mV", LINES),
        "speed": ("0.5 % + 1 rpm", ("speed",)),
        "time": ("0.1 %", ("time",)),
    }
    instruments = [
        InstrumentError(
            Influence(kind, kind, "rectangular"),
            parse_accuracy(text, kind),
            [(i, name) for i, log in enumerate(logs) for name in names if name in log],
        )
        for kind, (text, names) in accuracies.items()
    ]
    return run(PROCEDURE, entries, label="x", unit="U", given={}, instruments=instruments, uncertain_conditions={})


@pytest.fixture(scope="module")
def whole() -> tuple[dict[str, np.ndarray], Outcome]:
    columns = capture()
    return columns, outcome(columns)


@pytest.mark.parametrize("size", [1, 999, 30_001, 10**9], ids=["rows", "odd pieces", "just too long", "one piece"])
def test_a_short_record_passes_as_it_is(size: int) -> None:
    columns = capture(6000.0, 0.2)
    stream = WaveStream(len(columns["time"]))
    for piece in pieces(columns, size):
        stream.feed(piece)
    found = stream.finish()
    assert list(found) == list(columns)
    assert all(np.array_equal(found[name], columns[name]) for name in columns)


@pytest.mark.parametrize("size", [1009, 7001, 65_536, 10**9])
def test_reduced_and_whole_agree(whole: tuple[dict[str, np.ndarray], Outcome], size: int) -> None:
    columns, kept = whole
    found = reduced(columns, size)
    assert set(found) == {*REDUCED, *columns}
    ours = outcome(found)
    assert ours.forms.keys() == kept.forms.keys()
    for name, form in kept.forms.items():
        u = form.standard_uncertainty
        scatter = np.sqrt(sum(c**2 for i, c in form.terms.items() if "scatter" in i.name))
        # Unlike magnets move the angle at both ends of the record, which is all that the ratio depends on.
        near = 1.0 if name == "pole_pair_ratio" else 0.2
        # What the two ways differ in (where blocks end, how the angle is smoothed) is far below the noise they share.
        assert ours.forms[name].value == pytest.approx(form.value, rel=2e-6, abs=near * scatter), name
        # The harmonics' is scatter alone, from at most 24 blocks that end elsewhere: each of the two estimates has a
        # standard deviation of 1/sqrt(2 x 23), 15 %, so that their difference stays within three of 21 %.
        near = 0.63 if name.startswith("emf_harmonic") else 0.25
        assert ours.forms[name].standard_uncertainty == pytest.approx(u, rel=near, abs=1e-12), name
        for influence in ("voltage", "time", "speed"):
            terms = [sum(c for i, c in o.forms[name].terms.items() if i.name == influence) for o in (kept, ours)]
            assert terms[1] == pytest.approx(terms[0], rel=1e-3, abs=1e-3 * u), (name, influence)


def test_harmonics_and_figures_agree(whole: tuple[dict[str, np.ndarray], Outcome]) -> None:
    columns, kept = whole
    ours = outcome(reduced(columns))
    sizes = [np.array([row["percent"] for row in o.report.details["harmonics"]]) for o in (kept, ours)]
    noise = np.array([row["standard_uncertainty_percent"] for row in kept.report.details["harmonics"]])
    assert sizes[1] == pytest.approx(sizes[0], rel=1e-4, abs=float(noise.max()))
    assert len(ours.report.tables[1].rows) >= 6
    rows = [[float(cell) for cell in o.report.tables[0].rows[0][1:]] for o in (kept, ours)]
    assert rows[1] == pytest.approx(rows[0], rel=1e-3)
    for mine, theirs in zip(ours.report.panels[0].residuals, kept.report.panels[0].residuals, strict=True):
        assert mine.y_error is not None and theirs.y_error is not None
        assert np.median(mine.y_error / theirs.y_error) == pytest.approx(1.0, abs=0.1)
        assert np.abs(mine.y - theirs.y).max() < 2 * theirs.y_error.max()
    assert [w.message for w in ours.report.warnings] == [w.message for w in kept.report.warnings]


def test_a_record_of_phases_or_of_one_line_is_reduced_alike() -> None:
    columns = capture(drift=0.0)
    a, b = 0.4 * columns["voltage_ab"], -0.6 * columns["voltage_ab"]
    phases = {"time": columns["time"], "voltage_a": a, "voltage_b": b}
    line = {"time": columns["time"], "voltage_ab": columns["voltage_ab"]}
    for log in (phases, line):
        kept, ours = outcome(log, speed=18.85), outcome(reduced(log), speed=18.85)
        assert ours.forms["emf_constant_dc"].value == pytest.approx(kept.forms["emf_constant_dc"].value, rel=1e-5)
        assert ours.fit.missing.keys() == kept.fit.missing.keys()


def test_long_and_short_logs_are_fitted_together() -> None:
    long, short = capture(), capture(8000.0, 0.5, speed_rpm=90.0)
    kept, ours = outcome(long, short), outcome(reduced(long), short)
    for name in ("emf_constant_peak", "emf_constant_dc", "emf_distortion", "pole_pair_ratio"):
        assert ours.forms[name].value == pytest.approx(kept.forms[name].value, rel=1e-4), name


def test_the_truth_is_held_while_the_speed_rises() -> None:
    # From 30 to 210 rpm: what is averaged at first would blur the harmonics later.
    machine = Machine(pole_pairs=10, linkage=0.6, shape="", harmonics={5: (0.08, 1.0), 29: (0.03, 0.0)})
    columns = record(
        machine, Scope(60_000.0, 0.0, 0.05), np.random.default_rng(3), speed_rpm=120.0, drift=1.5, seconds=12.0
    )
    found = reduced(columns, 20_000, 60_000)
    ours, kept = outcome(found), outcome(columns)
    for name, true in machine.truth().items():
        if name != "emf_unbalance":
            # A harmonic is a share of the fundamental and may be zero: 1e-5 of that is nothing beside the noise.
            near = 1e-5 if name.startswith("emf_harmonic") else None
            assert ours.forms[name].value == pytest.approx(true, rel=5e-4, abs=near), name
            assert ours.forms[name].value == pytest.approx(kept.forms[name].value, rel=5e-4, abs=near), name


@pytest.mark.parametrize("level", [np.inf, 15.0], ids=["whole wave", "clipped wave"])
def test_clipped_readings_are_found_in_pieces(level: float) -> None:
    columns = capture(20_000.0, 2.0, drift=0.0, ripple=0.0, clip=level)
    for name in LINES:
        for size in (1, 100, 3333):
            ends = Ends()
            for start in range(0, len(columns[name]), size):
                ends.add(columns[name][start : start + size])
            assert ends.clipped_share() == clipped_share(columns[name])
        # By the definition itself: share at the extreme, of the next level, and in unbroken runs.
        at_top = columns[name] == columns[name].max()
        assert (clipped_share(columns[name]) > 0) == (level < np.inf)
        if level < np.inf:
            low = columns[name] == columns[name].min()
            assert clipped_share(columns[name]) == pytest.approx(max(at_top.mean(), low.mean()))
    found = outcome(reduced(columns))
    assert any("looks clipped" in w.message for w in found.report.warnings) == (level < np.inf)


def test_wrong_probes_are_told_of_as_before() -> None:
    columns = capture(drift=0.0)
    turned = {**columns, "voltage_bc": -columns["voltage_bc"]}
    dead = {**columns, "voltage_ca": 0.001 * columns["voltage_ca"]}
    for log, words in ((turned, "opposite polarity"), (dead, "no signal")):
        kept, ours = outcome(log), outcome(reduced(log))
        assert [w.message for w in ours.report.warnings] == [w.message for w in kept.report.warnings]
        assert any(words in w.message for w in ours.report.warnings)
        assert ours.forms["emf_constant_dc"].value == pytest.approx(kept.forms["emf_constant_dc"].value, rel=1e-5)


def test_too_few_turns_are_refused_however_many_readings() -> None:
    columns = capture(200_000.0, 0.3, speed_rpm=40.0)
    with pytest.raises(FitError, match="electrical turns can be seen"):
        reduced(columns)


def test_a_slow_wave_is_waited_for() -> None:
    # 30,000 readings hold half a turn.
    columns = capture(200_000.0, 2.0, speed_rpm=30.0, drift=0.0)
    found = outcome(reduced(columns))
    kept = outcome(columns)
    assert found.forms["emf_constant_dc"].value == pytest.approx(kept.forms["emf_constant_dc"].value, rel=1e-4)


def test_a_wave_whose_line_comes_off_is_refused_with_the_time() -> None:
    columns = capture(60_000.0, 24.0, drift=0.0)
    off = columns["time"] > 13.0
    lost = np.where(off, np.random.default_rng(1).normal(0, 0.1, off.size), columns["voltage_ab"])
    with pytest.raises(FitError, match=r"voltage_ab|wave of ab"):
        reduced({**columns, "voltage_ab": lost})


def test_missing_readings_do_not_stop_the_angle() -> None:
    columns = capture(60_000.0, 6.0, drift=0.0)
    keep = np.abs(columns["time"] - 3.0) > 0.004
    gap = {name: values[keep] for name, values in columns.items()}
    found, kept = outcome(reduced(gap)), outcome(columns)
    assert found.forms["emf_constant_dc"].value == pytest.approx(kept.forms["emf_constant_dc"].value, rel=1e-3)


def test_intervals_hold_the_truth() -> None:
    rng = np.random.default_rng(11)
    held = dict.fromkeys(("emf_constant_peak", "emf_constant_rms", "emf_constant_dc"), 0)
    for _ in range(12):
        gain, tacho = rng.uniform(-0.005, 0.005, 2)
        machine = Machine(int(rng.integers(8, 24)), rng.uniform(0.3, 0.8), "trapezoid")
        scope = Scope(20_000, 0.1, 0.3, gain=(1 + gain,) * 3)
        columns = record(machine, scope, rng, seconds=2.0, drift=0.2, tacho_gain=1 + tacho, tacho_noise=0.1)
        found = outcome(reduced(columns, 9000, 12_000))
        for name in held:
            part = interval(found.forms[name])
            held[name] += part.low <= machine.truth()[name] <= part.high
    assert min(held.values()) >= 10, held


def test_sums_stay_in_bounds_and_lose_nothing() -> None:
    rng = np.random.default_rng(5)
    sums = TurnSums(2, 8)
    turn = np.sort(rng.integers(0, 10_000, 50_000))
    place, value = rng.integers(0, 8, turn.size), rng.normal(size=turn.size)
    for part in np.array_split(np.arange(turn.size), 37):
        sums.add(turn[part], place[part], [1.0, value[part]])
    assert sums.sums.shape[1] <= MOST_BLOCKS
    assert sums.sums[0].sum() == turn.size
    assert sums.sums[1].sum(axis=0) == pytest.approx(np.bincount(place, value, 8))
    assert sums.blocks(10_000.0).sum(axis=1) == pytest.approx(sums.sums.sum(axis=1))
