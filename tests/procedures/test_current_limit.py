"""Current limits of an invented drive loaded beyond them (tests/simulation/controller_bench.py)."""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.physics.plateau import link_current, plateau
from rotorproof.procedures.base import Log
from rotorproof.procedures.current_limit import CurrentLimit
from rotorproof.uncertainty.accuracy import Accuracy
from rotorproof.uncertainty.coverage import interval
from tests.outside import Outside
from tests.procedures.controller_runs import outcome, si
from tests.simulation.controller_bench import LimitController
from tests.simulation.instruments import BenchInstrument

METER = BenchInstrument(0.005, 0.02, 0.2, noise=0.02, step=0.01)


def _log(controller: LimitController, seed: int = 1, **keys: float) -> Log:
    return Log("ramp", si(controller.ramp(np.random.default_rng(seed), METER, **keys)))


def test_both_limits() -> None:
    found = outcome("current-limit", [_log(LimitController())], {"current": Accuracy(0.005, 0.02)})
    supply, phase = interval(found.forms["supply_current_limit"]), interval(found.forms["phase_current_limit"])
    assert supply.low < 15.0 < supply.high
    assert phase.low < 30.0 < phase.high
    assert not found.report.warnings


def test_a_stalled_rotor_is_no_limit_of_the_supply() -> None:
    # A limit of 15.4 A while the brake slows the motor; stalled at last, it draws a steady 16.8 A (invented numbers).
    rng = np.random.default_rng(6)
    time = np.arange(0.0, 60.0, 0.02)
    current = np.where(time < 50.0, np.minimum(15.4, 0.68 * time), 16.8) + 0.1 * rng.normal(size=time.size)
    torque = np.minimum(time, 50.0) + 0.05 * rng.normal(size=time.size)
    log = Log("ramp", {"time": time, "supply_current": current, "torque": torque})
    found = outcome("current-limit", [log])
    assert found.forms["supply_current_limit"].value == pytest.approx(15.4, abs=0.03)
    assert found.forms["supply_current_overshoot"].value == pytest.approx(16.8 / 15.4 - 1, abs=0.01)
    assert not any("steady load" in warning.message for warning in found.report.warnings)


def _stalling(flows: float, stays: float) -> Log:
    """A current that rises evenly to ``flows`` in 50 s and stays at ``stays`` A once the rotor stands."""
    rng = np.random.default_rng(7)
    time = np.arange(0.0, 60.0, 0.02)
    current = np.where(time < 50.0, flows * time / 50.0, stays) + 0.1 * rng.normal(size=time.size)
    return Log("ramp", {"time": time, "supply_current": current, "torque": np.minimum(time, 50.0)})


@pytest.mark.parametrize("stays", [16.8, 8.0])
def test_what_stays_once_the_rotor_stands_is_no_limit_that_was_reached_before(stays: float) -> None:
    with pytest.raises(FitError, match=r"from 49\.\d s on neither torque nor speed moves.*stays at no level"):
        outcome("current-limit", [_stalling(12.0, stays)])


def test_a_load_that_is_put_on_at_once_and_held_shows_no_limit() -> None:
    rng = np.random.default_rng(7)
    time = np.arange(0.0, 60.0, 0.02)
    rise = np.clip(time - 10.0, 0.0, 2.0) / 2.0
    columns = {"time": time, "supply_current": 15.4 * rise + 0.1 * rng.normal(size=time.size), "torque": 30 * rise}
    with pytest.raises(FitError, match="steady load"):
        outcome("current-limit", [Log("step", columns)])


def test_no_limit_depends_on_the_accuracy_of_what_is_only_looked_at() -> None:
    log = _log(LimitController())
    off = {
        name: values * 1.05 if name in CurrentLimit.only_looked_at else values for name, values in log.columns.items()
    }
    assert set(off) & set(CurrentLimit.only_looked_at)
    plain, shifted = outcome("current-limit", [log]), outcome("current-limit", [Log("ramp", off)])
    for name, form in plain.forms.items():
        assert shifted.forms[name].value == pytest.approx(form.value, rel=1e-12)


def test_the_way_up_to_a_limit_is_not_part_of_it() -> None:
    # A second of each fifty lies within 2 % below the limit on the way up: it would lower the mean by 0.1 %.
    rng = np.random.default_rng(4)
    current = np.minimum(np.arange(0.0, 60.0, 0.02) / 50.0, 1.0) * 30.0
    found = plateau(current * (1 + 0.006 * rng.normal(size=current.size)))
    assert found.level == pytest.approx(30.0, abs=3 * found.standard_error)
    assert found.standard_error < 0.012


def _sinusoids(peak: float, seed: int = 3) -> dict[str, np.ndarray]:
    """Return three sinusoidal phase currents that rise and then stay at a peak, and a speed that falls throughout."""
    rng = np.random.default_rng(seed)
    time = np.arange(6000) * 0.01
    amplitude = np.minimum(time / 20, 1.0) * peak
    angle = 2 * np.pi * 0.77 * time
    waves = {f"current_{k}": amplitude * np.sin(angle - n * 2 * np.pi / 3) for n, k in enumerate("abc")}
    noise = {name: values + rng.normal(0, 0.01, time.size) for name, values in waves.items()}
    return {"time": time, "speed": np.linspace(24, 5, time.size), **noise}


def test_blocks_are_named_and_sinusoids_are_told_with_their_peak(outside: Outside) -> None:
    blocks = outcome("current-limit", [_log(LimitController())])
    assert any("block-shaped" in note for note in blocks.report.notes)
    found = outcome("current-limit", [Log("sine", _sinusoids(20.0))])
    (warning,) = (w for w in found.report.warnings if "sinusoids" in w.message)
    assert "sinusoids of 20 A peak (14.1 A RMS)" in warning.message
    outside(
        "phase_current_limit",
        "three sinusoids of 20 A peak: mean of the two that carry most",
        ours=found.forms["phase_current_limit"].value,
        # Over 60 degrees about a zero of one current: half the sum of magnitudes, sqrt(3)/2 cos x each side of it.
        published=20 * np.mean(np.sqrt(0.75) * np.cos(np.linspace(-np.pi / 6, np.pi / 6, 100001))),
        allowance=0.02,
        unit="A",
        source="mathematics: sin(x + 120 deg) - sin(x - 120 deg) = sqrt(3) cos x",
    )


@pytest.mark.parametrize("kept", ["abc", "ab"])
def test_readings_whose_kind_cannot_be_told_are_asked_for(kept: str) -> None:
    time = np.arange(400) * 0.1
    level = np.minimum(time / 10, 1.0) * 14.1
    columns = {f"current_{k}": level + 0.01 * np.sin(time * 7) for k in kept}
    with pytest.raises(FitError, match="whether they are RMS or peak cannot be told"):
        outcome("current-limit", [Log("rms", {"time": time, "speed": 24 - time / 4, **columns})])


def test_overshoot_is_told_from_the_limit() -> None:
    found = outcome("current-limit", [_log(LimitController(overshoot=0.3))])
    assert found.forms["supply_current_limit"].value == pytest.approx(15.0, rel=0.012)
    # Decays with 1.5 s; the highest mean over 1.5 s holds (1 - 1/e) of it.
    assert found.forms["supply_current_overshoot"].value == pytest.approx(0.3 * (1 - np.exp(-1)), abs=0.02)


def test_no_limit_and_a_limit_not_reached() -> None:
    with pytest.raises(FitError, match=r"stays at no level|still rises"):
        outcome("current-limit", [_log(LimitController(supply_limit=None, phase_limit=None))])
    short = outcome("current-limit", [_log(LimitController(phase_limit=None))])
    assert "phase_current_limit" in short.fit.missing
    with pytest.raises(FitError, match=r"stays at no level|still rises"):
        outcome("current-limit", [_log(LimitController(), top_torque=18.0)])


def test_a_steady_load_is_not_taken_for_a_limit_in_silence() -> None:
    log = _log(LimitController())
    columns = {name: values for name, values in log.columns.items() if name not in ("speed", "torque")}
    found = outcome("current-limit", [Log("ramp", columns)])
    assert any("neither torque nor speed" in warning.message for warning in found.report.warnings)
    steady = {
        "time": np.arange(400) * 0.1,
        "supply_current": np.concatenate([np.linspace(1, 8, 100), np.full(300, 8.0)])
        + np.random.default_rng(1).normal(0, 0.02, 400),
        "speed": np.concatenate([np.linspace(24, 18, 100), np.full(300, 18.0)]),
    }
    with pytest.raises(FitError, match="a steady load is no limit"):
        outcome("current-limit", [Log("steady", steady)])


def test_amplitude_of_block_and_of_sine(outside: Outside) -> None:
    block = np.array([[7.0, 7.0, 0.0], [-7.0, 0.0, 7.0], [0.0, -7.0, -7.0]])
    assert link_current(*block).tolist() == [7.0, 7.0, 7.0]
    angle = np.linspace(0, 2 * np.pi, 3601)
    sine = [np.cos(angle - k * 2 * np.pi / 3) for k in range(3)]
    outside(
        "phase_current_limit",
        "smallest and largest mean of the two largest of three balanced sinusoidal currents, their product",
        ours=float(link_current(*sine).min() * link_current(*sine).max()),
        published=0.75 * np.sqrt(3) / 2,
        allowance=1e-6,
        source="trigonometry: (1 + 1/2)/2 at a peak, cos(30 deg) half way between two peaks",
    )
