"""Throttle and fault cases on an invented controller (tests/simulation/controller_bench.py).

Sources: dead band, hysteresis and independent linearity as IEC 61298-2 defines them (from secondary texts and memory);
the largest deviation of a parabola of height b over its chord's span from its least-squares line is 2/3 b (calculus);
brake cut-off distance 5 m: EN 15194, 4.2.13.1 c) as reprinted in TBIS 15194:2019.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from rotorproof.errors import FitError, InputError
from rotorproof.fitting.unit_fit import scalars_of_tests
from rotorproof.planning.sheet import situation
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.settings.folder import SettingsFolder
from rotorproof.settings.load import load_unit
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.uncertainty.accuracy import Accuracy
from rotorproof.uncertainty.coverage import interval
from tests.outside import Outside
from tests.procedures.controller_runs import case, outcome, si
from tests.simulation.controller_bench import ThrottleController
from tests.simulation.instruments import BenchInstrument

FAULTS = (
    "signal open",
    "signal to supply",
    "signal to ground",
    "signal out of range",
    "throttle at power-on",
    "sensor lost",
)
METER = BenchInstrument(0.0005, 0.002, 0.4, noise=0.003, step=0.001)


def _sweep(controller: ThrottleController, seed: int = 1, **keys: float) -> Log:
    columns = controller.sweep(np.random.default_rng(seed), METER, **keys)
    return Log("sweep", si(columns), {"case": case("throttle", "sweep", "case")})


def _fault(controller: ThrottleController, name: str, seed: int = 1, **keys: float) -> Log:
    columns, at = controller.fault(name, np.random.default_rng(seed), **keys)
    conditions = {"case": case("throttle", name, "case")}
    if name == "sensor lost":
        conditions["event_time"] = at
    return Log(name, si(columns), conditions)


@pytest.mark.parametrize("bend", [0.05, 0.15, 0.3])
def test_dead_band_ends_where_a_bend_begins(bend: float) -> None:
    rng = np.random.default_rng(9)
    signal = np.interp(np.arange(0, 20, 0.01), [0, 1, 19, 20], [0.8, 0.8, 4.1, 4.1])
    over = signal - 1.2
    line = (over - bend / 2) / (2.4 - bend / 2)
    duty = np.where(over < bend, np.maximum(over, 0) ** 2 / (2 * bend * (2.4 - bend / 2)), line)
    columns = {
        "time": np.arange(signal.size) * 0.01,
        "throttle": signal + rng.normal(0, 0.003, signal.size),
        "duty": np.clip(duty + 5e-4 * rng.normal(size=signal.size) * (over > 0), 0.0, 1.0),
    }
    found = outcome("throttle", [Log("sweep", columns, {"case": case("throttle", "sweep", "case")})]).forms
    assert found["throttle_deadband"].value == pytest.approx(0.4, abs=0.008)
    assert found["throttle_start"].value == pytest.approx(1.2 + bend / 2, abs=0.005)


@pytest.mark.parametrize("bend", [0.01, 0.02, 0.03])
def test_a_bend_that_scatter_may_hide_stays_within_the_interval(bend: float) -> None:
    signal = np.interp(np.arange(0, 20, 0.02), [0, 1, 19, 20], [0.8, 0.8, 4.1, 4.1])
    over = signal - 1.2
    line = (over - bend / 2) / (2.4 - bend / 2)
    duty = np.where(over < bend, np.maximum(over, 0) ** 2 / (2 * bend * (2.4 - bend / 2)), line)
    for seed in range(3):
        rng = np.random.default_rng(seed)
        columns = {
            "time": np.arange(signal.size) * 0.02,
            "throttle": signal + rng.normal(0, 0.001, signal.size),
            "duty": np.clip(duty + 2e-3 * rng.normal(size=signal.size) * (over > 0), 0.0, 1.0),
        }
        form = outcome("throttle", [Log("sweep", columns, {"case": case("throttle", "sweep", "case")})]).forms
        found = interval(form["throttle_deadband"])
        assert found.low <= 0.4 <= found.high
        assert found.expanded_uncertainty < 0.06


def test_a_sound_throttle_with_every_case() -> None:
    controller = ThrottleController(response={name: 0.12 for name in (*FAULTS, "brake")})
    logs = [_sweep(controller), *(_fault(controller, name) for name in (*FAULTS, "brake"))]
    found = outcome("throttle", logs, {"voltage": Accuracy(0.0005, 0.002), "time": Accuracy(1e-4, 0.0)})
    value = {name: form.value for name, form in found.forms.items()}
    assert not found.fit.missing
    assert value["throttle_start"] == pytest.approx(1.15, abs=0.005)
    assert value["throttle_full"] == pytest.approx(3.6, abs=0.01)
    assert value["throttle_deadband"] == pytest.approx(0.30, abs=0.005)
    assert value["throttle_linearity"] < 0.002
    assert value["throttle_reversal"] == 0
    assert value["fault_response_time"] == pytest.approx(0.12, abs=0.003)
    assert value["response_power_on"] == 0
    assert value["fault_cases_without_stop"] == 0


def test_a_case_that_was_not_tried_is_missing_never_passed() -> None:
    controller = ThrottleController()
    found = outcome("throttle", [_fault(controller, "signal open"), _fault(controller, "brake")])
    assert "fault_response_time" not in found.forms
    assert "sensor lost" in found.fit.missing["fault_response_time"]
    assert "not tried" in found.fit.missing["response_sensor_lost"]
    assert "sweep" in found.fit.missing["throttle_deadband"]
    assert {"response_signal_open", "brake_response_time", "fault_cases_without_stop"} == set(found.forms)


def test_an_output_that_goes_on_is_counted_and_never_passes_for_a_time() -> None:
    controller = ThrottleController(response={"signal to supply": None}, starts_at_power_on=True)
    logs = [_fault(controller, "signal to supply"), _fault(controller, "throttle at power-on")]
    found = outcome("throttle", logs)
    assert not {"response_signal_to_supply", "response_power_on", "fault_response_time"} & set(found.forms)
    assert "went on for all of the" in found.fit.missing["response_signal_to_supply"]
    assert "never ended after" in found.fit.missing["fault_response_time"]
    assert found.forms["fault_cases_without_stop"].value == 2
    assert any(warning.danger and "do not ride" in warning.message for warning in found.report.warnings)
    with pytest.raises(FitError, match="record for 5 s"):
        outcome("throttle", [_fault(controller, "signal to supply", watched=1.5)])


def test_faults_of_the_characteristic() -> None:
    with_jump = outcome("throttle", [_sweep(ThrottleController(jump=0.15))])
    assert with_jump.forms["throttle_start"].value == pytest.approx(1.15, abs=0.01)
    assert with_jump.forms["throttle_step"].value > 0.12
    with_notch = outcome("throttle", [_sweep(ThrottleController(notch=0.1))])
    # The fall of 10 % stretches over 3 % of the rise.
    assert with_notch.forms["throttle_reversal"].value == pytest.approx(0.07, abs=0.015)
    slow = outcome("throttle", [_sweep(ThrottleController(lag=0.5))])
    # A lag of 0.5 s at 0.2 V/s moves up and down apart by twice 0.1 V of 2.45 V.
    rate = 1.1 * (4.1 - 0.85) / 20
    assert slow.forms["throttle_hysteresis"].value == pytest.approx(2 * 0.5 * rate / 2.45, rel=0.1)


def test_a_sweep_of_few_readings_is_not_told_to_be_slower() -> None:
    """Of the same sweep every 40th reading is too few; a quick one of many readings is too quick."""
    log = _sweep(ThrottleController())
    thin = replace(log, columns={name: values[::40] for name, values in log.columns.items()})
    with pytest.raises(FitError, match="too few to tell where the output begins") as caught:
        outcome("throttle", [thin])
    assert "slow" not in str(caught.value)
    share = log.columns["duty"] / np.max(log.columns["duty"])
    quick = (share < 0.02) | (share > 0.98) | (np.arange(share.size) % 60 == 0)
    with pytest.raises(FitError, match="slowly"):
        outcome("throttle", [replace(log, columns={name: values[quick] for name, values in log.columns.items()})])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"throttle": None}, "no throttle column"),
        ({"duty": 0.0}, "never rises"),
        ({"duty": 0.4}, "not zero at the beginning"),
    ],
)
def test_unusable_sweeps_say_what_to_do(change: dict[str, float | None], words: str) -> None:
    log = _sweep(ThrottleController())
    columns = dict(log.columns)
    for name, value in change.items():
        if value is None:
            del columns[name]
        else:
            columns[name] = np.full_like(columns[name], value)
    with pytest.raises(FitError, match=words):
        outcome("throttle", [replace(log, columns=columns)])


def test_speed_alone_does_not_time_a_fault() -> None:
    log = _fault(ThrottleController(), "brake")
    columns = dict(log.columns)
    columns["speed"] = columns.pop("supply_current")
    with pytest.raises(FitError, match="coasts"):
        outcome("throttle", [replace(log, columns=columns)])


def test_linearity_of_a_parabola(outside: Outside) -> None:
    # The line of least squares leaves b (8/3 - ...) : for 4 b u (1 - u) the ends deviate by 2/3 b, the middle by 1/3 b.
    bend = 0.04
    controller = ThrottleController(bend=bend, lag=1e-4)
    found = outcome("throttle", [_sweep(controller, seconds=120.0, duty_noise=0.0005)])
    # Means over twentieths: at the ends the parabola is averaged over one twentieth.
    u = (np.arange(20) + 0.5) / 20
    parabola = 4 * bend * (u * (1 - u) - 1 / 4800)
    flat = u + parabola
    ends = np.abs(flat - np.polyval(np.polyfit(u, flat, 1), u)).max() / np.ptp(flat)
    assert ends == pytest.approx(2 / 3 * bend, rel=0.12)
    outside(
        "throttle_linearity",
        "a parabola of 4 % height on a straight throttle",
        ours=found.forms["throttle_linearity"].value,
        published=ends,
        allowance=0.0008,
        source="calculus: least-squares line of u + 4 b u (1 - u)",
    )


def test_braking_distance_note_uses_the_standard_speed() -> None:
    found = outcome("throttle", [_fault(ThrottleController(response={"brake": 0.36}), "brake")])
    (note,) = found.report.quantity_notes["brake_response_time"]
    assert "2.50 m" in note  # 0.36 s at 25 km/h
    assert "5 m" in note


def test_a_case_is_one_of_the_words(tmp_path: Path) -> None:
    unit = tmp_path / "raw" / "CT-1"
    unit.mkdir(parents=True)
    (unit / "unit.yaml").write_text(
        "unit: CT-1\nkind: controller\ntests:\n"
        "  - {procedure: throttle, log: a.csv, conditions: {case: signal opened}}\n"
        "  - {procedure: throttle, log: b.csv}\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        load_unit(unit, SettingsFolder(tmp_path / "config"), "CT-1/unit.yaml")
    wrong, lacking = caught.value.problems
    assert "signal open, signal to supply" in wrong.message
    assert wrong.line == 4
    assert "needs the condition 'case'" in lacking.message


def _free_wheel(end: float, noise: float = 0.004, before: float = 0.62, seed: int = 3, **columns: np.ndarray) -> Log:
    """A fault on a wheel that turns freely: 0.62 A fall to ``end`` within 61 ms, watched for 6 s."""
    time = np.arange(-1.5, 6.0, 0.002)
    current = np.where(time < 0, before, end + (before - end) * np.clip(1 - time / 0.061, 0, 1))
    current = current + np.random.default_rng(seed).normal(0, noise, time.size)
    throttle = np.where(time < 0, 2.0, 0.0)
    conditions = {"case": case("throttle", "signal open", "case")}
    return Log("open", {"time": time, "supply_current": current, "throttle": throttle, **columns}, conditions)


def test_a_sound_controller_that_falls_to_its_standby_passes() -> None:
    found = outcome("throttle", [_free_wheel(0.12)])
    # 95 % of the fall over standby, linear in 61 ms, and the scatter of a reading.
    assert found.forms["response_signal_open"].value == pytest.approx(0.95 * 0.061, abs=0.003)
    assert found.forms["fault_cases_without_stop"].value == 0
    assert any("taken as the controller's standby" in n for n in found.report.quantity_notes["response_signal_open"])
    stated = _free_wheel(0.25)
    stated = replace(stated, conditions={**stated.conditions, "standby_current": 0.25})
    assert outcome("throttle", [stated]).forms["fault_cases_without_stop"].value == 0


def test_a_controller_that_drives_on_at_less_current_does_not_pass_for_standby() -> None:
    assert outcome("throttle", [_free_wheel(0.35)]).forms["fault_cases_without_stop"].value == 1
    # Its current drops while the wheel still turns too fast, and comes back: 0.15 A is no standby then.
    log = _free_wheel(0.05)
    back = log["supply_current"] + np.where(log["time"] > 3.0, 0.1, 0.0)
    driven = replace(log, columns={**log.columns, "supply_current": back})
    assert outcome("throttle", [driven]).forms["fault_cases_without_stop"].value == 1


def test_speed_tells_standby_from_a_motor_that_is_still_driven() -> None:
    time = _free_wheel(0.12)["time"]
    stands = np.where(time < 0, 20.0, np.maximum(20.0 - 8.0 * time, 0.0))
    assert outcome("throttle", [_free_wheel(0.3, speed=stands)]).forms["fault_cases_without_stop"].value == 0
    turns = np.full(time.size, 20.0)
    assert outcome("throttle", [_free_wheel(0.12, speed=turns)]).forms["fault_cases_without_stop"].value == 1


def test_torque_decides_where_it_is_logged() -> None:
    time = _free_wheel(0.12)["time"]
    torque = np.where(time < 0.1, 1.5, 0.0) + np.random.default_rng(5).normal(0, 0.01, time.size)
    found = outcome("throttle", [_free_wheel(0.5, torque=torque)])
    assert found.forms["response_signal_open"].value == pytest.approx(0.1, abs=0.004)


def test_a_count_is_whole_on_a_noisy_scope() -> None:
    """Noise of a third of the current: means over several readings decide, and the count has no scatter."""
    found = outcome("throttle", [_free_wheel(0.0, noise=0.2)], {"current": Accuracy(0.03, 0.3)})
    count = found.forms["fault_cases_without_stop"]
    assert (count.value, count.standard_uncertainty) == (0.0, 0.0)
    assert found.forms["response_signal_open"].value < 0.2
    with pytest.raises(FitError, match="scatters so much"):
        outcome("throttle", [_free_wheel(0.0, noise=6.0)])


def test_two_sweeps_are_read_by_their_own_turns() -> None:
    """0 to 5 V and back, twice, as the bench sheet asks; the second peak reads higher by its noise."""
    rng = np.random.default_rng(6)
    one = np.interp(np.arange(0, 40, 0.01), [0, 2, 20, 22, 40], [0.8, 0.8, 4.2, 4.2, 0.8])
    signal = np.concatenate([one, one * (1 + 2e-4)]) + rng.normal(0, 0.002, 2 * one.size)
    duty = np.clip((signal - 1.15) / 2.45, 0, 1) + rng.normal(0, 0.002, signal.size)
    columns = {"time": np.arange(signal.size) * 0.01, "throttle": signal, "duty": duty}
    found = outcome("throttle", [Log("sweep", columns, {"case": case("throttle", "sweep", "case")})])
    assert found.forms["throttle_reversal"].value < 0.01
    assert found.forms["throttle_hysteresis"].value < 0.02
    assert found.forms["throttle_start"].value == pytest.approx(1.15, abs=0.01)


def test_the_limits_of_a_fault_are_those_of_the_acceptance_set() -> None:
    """0.62 A that fall in a line within 61 ms to 0.12 A: 85 % of the fall is reached after 85 % of the time."""
    log = _free_wheel(0.12)
    found = outcome("throttle", [log], given={"fault_ended_share": 0.15})
    assert found.forms["response_signal_open"].value == pytest.approx(0.85 * 0.061, abs=0.003)
    (said,) = [note for note in found.report.notes if note.startswith("Faults are judged by limits")]
    assert "standby subtracted (15 %);" in said
    assert "so long after a fault counts as never ended (5 s, by default)" in said
    # Where the set allows no such standby, the motor counts as driven on.
    strict = outcome("throttle", [log], given={"fault_standby_share": 0.1})
    assert strict.forms["fault_cases_without_stop"].value == 1
    # A case that is watched for less than the set asks is no result.
    with pytest.raises(FitError, match="record for 9 s after it"):
        outcome("throttle", [_free_wheel(0.35)], given={"fault_watched": 9.0})


def test_an_acceptance_set_states_limits_of_faults_and_the_bench_sheet_shows_them() -> None:
    written = {"fault_tests": {"ended_share": "10 percent", "watched": "8 s"}, "criteria": []}
    limits = AcceptanceSet.model_validate(written)
    unit = UnitFile.model_validate({"unit": "C", "kind": "controller", "tests": []})
    given = scalars_of_tests(unit, RunSettings(config_version=1), (), limits.fault_tests)
    assert {name: form.value for name, form in given.items() if name.startswith("fault_")} == {
        "fault_ended_share": pytest.approx(0.1),
        "fault_watched": 8.0,
    }
    sheet = procedures()["throttle"].bench(situation(unit, RunSettings(config_version=1), {}, limits))
    (watched,) = [one for one in sheet.settings if one.what == "Record after each fault, at least"]
    assert watched.value == 8.0
    assert any("More than 10 % of the output" in sign for sign, _ in sheet.wrong)


@pytest.mark.parametrize("name", ["ended_share", "standby_share", "coasted_share", "driven_share"])
def test_no_share_lets_an_output_that_goes_on_count_as_ended(name: str) -> None:
    for most in ("100 percent", "51 %"):
        with pytest.raises(ValidationError, match=rf"'{most}' must not be above 0\.5; correct it"):
            AcceptanceSet.model_validate({"fault_tests": {name: most}, "criteria": []})
    held = AcceptanceSet.model_validate({"fault_tests": {name: "50 percent"}, "criteria": []}).fault_tests
    assert held is not None
    assert getattr(held, name).value == pytest.approx(0.5)
