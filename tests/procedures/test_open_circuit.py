"""The open-circuit test against an independent simulator and an invented machine with unlike magnets.

Sources: gym-electric-motor 3.0.3 (MIT): at no current its phase-peak EMF is p psi omega; NEMA MG 1 14.36 for the
unbalance; identities between the constants (contract of this program).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from gym_electric_motor.physical_systems.electric_motors import PermanentMagnetSynchronousMotor

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.fitting.instrument_error import InstrumentError
from rotorproof.procedures.base import Log
from rotorproof.procedures.open_circuit import PROCEDURE
from rotorproof.uncertainty.accuracy import parse_accuracy
from rotorproof.uncertainty.forms import Form, Influence
from tests.outside import Outside
from tests.simulation.open_circuit import RPM, Machine, Scope, record

LINES = ("voltage_ab", "voltage_bc", "voltage_ca")


def log(columns: dict[str, np.ndarray], *drop: str, label: str = "run", **conditions: float) -> Log:
    return Log(label, {k: v for k, v in columns.items() if k not in drop}, conditions)


def outcome(logs: list[Log], accuracy: dict[str, tuple[str, tuple[str, ...]]] | None = None, **given: float) -> Outcome:
    instruments = [
        InstrumentError(
            Influence(kind, kind, "rectangular"),
            parse_accuracy(text, kind),
            [(i, c) for i, entry in enumerate(logs) for c in columns if c in entry],
        )
        for kind, (text, columns) in (accuracy or {}).items()
    ]
    return run(
        PROCEDURE,
        logs,
        label="open-circuit",
        unit="U",
        given={name: Form(value) for name, value in given.items()},
        instruments=instruments,
        uncertain_conditions={},
    )


def values(result: Outcome) -> dict[str, float]:
    return {name: form.value for name, form in result.forms.items()}


def test_independent_simulator(outside: Outside) -> None:
    p, psi = 11, 0.0175
    motor = PermanentMagnetSynchronousMotor(
        motor_parameter={"p": p, "l_d": 2e-4, "l_q": 2e-4, "j_rotor": 0.01, "r_s": 0.1, "psi_p": psi}
    )
    rate, speed = 8000.0, 18.0
    time = np.arange(8000) / rate
    # The voltage that keeps the q current at zero is found from the simulator's own differential equation.
    zero = np.zeros(3)
    slope = [float(motor.electrical_ode(zero, [0.0, u], speed)[1]) for u in (0.0, 1.0)]
    emf = -slope[0] / (slope[1] - slope[0])
    angle = p * speed * time
    phases = [emf * np.cos(angle + np.pi / 2 - k * 2 * np.pi / 3) for k in range(3)]
    found = outcome(
        [log({"time": time, **{f"voltage_{x}": v for x, v in zip("abc", phases, strict=True)}}, speed=speed)]
    )
    for name, factor in (("peak", np.sqrt(3)), ("rms", np.sqrt(1.5)), ("dc", np.sqrt(3) * 3 / np.pi)):
        outside(
            f"emf_constant_{name}",
            "machine of 11 pole pairs and 17.5 mV s linkage, simulated",
            ours=values(found)[f"emf_constant_{name}"],
            published=factor * p * psi,
            allowance=1e-5 * factor * p * psi,
            source="gym-electric-motor 3.0.3, phase-peak EMF p psi omega at no current",
            unit="V s/rad",
        )
    outside(
        "pole_pairs",
        "pole pairs of the simulated machine",
        ours=values(found)["pole_pairs"],
        published=p,
        allowance=0,
        source="gym-electric-motor 3.0.3",
    )


def test_identities_hold_in_the_results() -> None:
    found = values(outcome([log(record(Machine(), Scope(noise=0.1), np.random.default_rng(1)))]))
    assert found["torque_constant"] == found["emf_constant_dc"]
    assert found["speed_constant"] == pytest.approx(1 / found["emf_constant_dc"])
    assert found["emf_constant_rms"] == pytest.approx(found["emf_constant_peak"] / np.sqrt(2), rel=1e-3)
    assert found["emf_constant_dc"] == pytest.approx(3 / np.pi * found["emf_constant_peak"], rel=1e-3)
    assert found["phase_sequence"] == 1
    assert found["pole_pairs"] == Machine().pole_pairs


def test_noise_does_not_lift_the_peak() -> None:
    rng = np.random.default_rng(3)
    machine = Machine(harmonics={5: (0.05, 0.3)})
    noisy = [
        values(outcome([log(record(machine, Scope(noise=2.0), rng, seconds=0.5))]))["emf_constant_peak"]
        for _ in range(12)
    ]
    assert np.mean(noisy) == pytest.approx(machine.truth()["emf_constant_peak"], rel=2e-3)


def test_time_base_not_the_tachometer_sets_the_uncertainty_once_the_count_is_known() -> None:
    rng = np.random.default_rng(4)
    found = outcome(
        [log(record(Machine(), Scope(), rng, tacho_gain=1.004))],
        {"speed": ("0.5 %", ("speed",)), "time": ("0.01 %", ("time",))},
    )
    sources = {i.source: c for i, c in found.forms["emf_constant_rms"].terms.items()}
    assert "speed" not in sources
    assert sources["time"] / found.forms["emf_constant_rms"].value == pytest.approx(1e-4 / np.sqrt(3), rel=0.01)
    assert found.forms["pole_pair_ratio"].standard_uncertainty == pytest.approx(23 * 0.005 / np.sqrt(3), rel=0.02)
    assert "22.9" in found.report.quantity_notes["pole_pairs"][0]


def test_slipping_drive_gives_no_pole_pairs_and_uses_the_measured_speed() -> None:
    rng = np.random.default_rng(5)
    found = outcome([log(record(Machine(), Scope(), rng, tacho_gain=1.02))], {"speed": ("0.1 %", ("speed",))})
    assert "pole_pairs" not in found.forms
    assert "not a whole number" in found.fit.missing["pole_pairs"]
    assert found.forms["emf_constant_peak"].value == pytest.approx(
        Machine().truth()["emf_constant_peak"] / 1.02, rel=1e-3
    )


def test_geared_hub_refers_to_its_output() -> None:
    # 10 pole pairs behind 4.4:1; seen from the output there are 44.
    rng = np.random.default_rng(6)
    columns = record(Machine(pole_pairs=44), Scope(), rng, speed_rpm=120)
    found = outcome([log(columns)], nameplate_gear_ratio=4.4, nameplate_freewheel=1.0)
    assert values(found)["pole_pairs"] == 10
    assert values(found)["pole_pair_ratio"] == pytest.approx(44, rel=1e-3)
    truth = Machine(pole_pairs=44).truth()["emf_constant_dc"]
    assert values(found)["emf_constant_dc"] == pytest.approx(truth, rel=1e-3)
    assert any("locked direction" in note for note in found.report.notes)


def test_nameplate_conflict_names_both() -> None:
    found = outcome([log(record(Machine(), Scope(), np.random.default_rng(7)))], nameplate_pole_pairs=20.0)
    assert values(found)["pole_pairs"] == 23
    assert any("23" in w.message and "20" in w.message for w in found.report.warnings)


def test_without_speed_the_nameplate_count_is_used_and_nothing_is_claimed() -> None:
    columns = record(Machine(), Scope(), np.random.default_rng(8))
    found = outcome([log(columns, "speed", "voltage_ca")], nameplate_pole_pairs=23.0)
    assert "pole_pairs" in found.fit.missing
    assert values(found)["emf_constant_dc"] == pytest.approx(Machine().truth()["emf_constant_dc"], rel=1e-3)
    assert any("derived as minus the sum" in note for note in found.report.notes)
    bare = outcome([log(columns, "speed")])
    assert "emf_constant_dc" in bare.fit.missing
    assert values(bare)["emf_distortion"] < 0.002


def test_speeds_are_fitted_together_and_an_odd_one_is_named() -> None:
    rng = np.random.default_rng(9)
    logs = [
        log(record(Machine(), Scope(), rng, speed_rpm=rpm), "speed", label=f"at {rpm}", speed=rpm * RPM)
        for rpm in (80, 120, 200)
    ]
    found = outcome(logs)
    assert values(found)["emf_constant_peak"] == pytest.approx(Machine().truth()["emf_constant_peak"], rel=1e-3)
    assert len(found.report.panels[2].series[0].x) == 3
    assert not found.report.warnings
    odd = record(Machine(linkage=0.85), Scope(), rng, speed_rpm=160)
    warned = outcome([*logs, log(odd, "speed", label="hot", speed=160 * RPM)])
    assert any("hot" in w.message for w in warned.report.warnings)


def test_backward_rotation_is_told_by_the_sign_of_the_speed() -> None:
    rng = np.random.default_rng(10)
    columns = record(Machine(), Scope(), rng, backward=True)
    assert values(outcome([log(columns)]))["phase_sequence"] == 1
    assert values(outcome([log(columns, "speed")]))["phase_sequence"] == -1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"scope": Scope(clip=12.0)}, "clipped"),
        ({"scope": Scope(rate=300.0)}, "readings per electrical turn"),
        ({"flip": "voltage_bc"}, "opposite polarity"),
        ({"dead": "voltage_ca"}, "dead probe"),
        ({"stopped": True}, "tachometer"),
    ],
)
def test_faults_of_the_bench_are_named(change: dict[str, Any], words: str) -> None:
    columns = record(Machine(), change.get("scope", Scope()), np.random.default_rng(11))
    if "flip" in change:
        columns[change["flip"]] = -columns[change["flip"]]
    if "dead" in change:
        columns[change["dead"]] = 0.001 * columns[change["dead"]]
    if "stopped" in change:
        columns["speed"] = 0 * columns["speed"]
    found = outcome([log(columns)], nameplate_pole_pairs=23.0)
    assert any(words in w.message for w in found.report.warnings), [w.message for w in found.report.warnings]
    if "scope" not in change or change["scope"].clip > 100:
        assert values(found)["emf_constant_rms"] == pytest.approx(Machine().truth()["emf_constant_rms"], rel=5e-3)


def test_alias_is_refused_where_the_nameplate_shows_it() -> None:
    columns = record(Machine(), Scope(rate=60.0), np.random.default_rng(12), seconds=3.0)
    with pytest.raises(FitError, match="alias"):
        outcome([log(columns)], nameplate_pole_pairs=23.0)


@pytest.mark.parametrize("seconds", [0.05, 0.001])
def test_too_short_a_record_asks_for_a_longer_one(seconds: float) -> None:
    columns = record(Machine(), Scope(rate=50_000), np.random.default_rng(13), seconds=seconds)
    with pytest.raises(FitError, match="record"):
        outcome([log(columns)])


def test_a_standing_machine_is_refused() -> None:
    time = np.arange(1000) / 1000
    with pytest.raises(FitError, match="turn the rotor"):
        outcome([Log("x", {"time": time, "voltage_ab": np.zeros(1000)})])


def test_slower_records_beside_a_good_one_do_not_lose_the_pole_pairs() -> None:
    """Within 1 rpm: at 160 rpm 30.0 +/- 0.11 leaves one whole number, at 60 rpm 30.0 +/- 0.29 leaves three."""
    machine, scope = Machine(pole_pairs=30), Scope(rate=20_000.0)
    logs = [
        log(record(machine, scope, np.random.default_rng(k), speed_rpm=rpm, seconds=0.5), label=f"{rpm} rpm")
        for k, rpm in enumerate((60, 110, 160))
    ]
    accuracy = {"speed": ("1 rpm", ("speed",))}
    alone = outcome(logs[:1], accuracy)
    assert "pole_pairs" not in alone.forms
    # The record is named, with its speed, since the others may be called alike.
    assert f"measure the speed of {logs[0].label} (" in alone.fit.missing["pole_pairs"]
    assert values(outcome(logs[2:], accuracy))["pole_pairs"] == 30
    assert values(outcome(logs, accuracy))["pole_pairs"] == 30


def test_a_record_that_tells_another_count_gives_none() -> None:
    machine, scope = Machine(pole_pairs=30), Scope(rate=20_000.0)
    columns = [record(machine, scope, np.random.default_rng(k), speed_rpm=150, seconds=0.5) for k in (0, 1)]
    columns[1]["speed"] = columns[1]["speed"] * 30 / 29
    found = outcome(
        [log(one, label=name) for one, name in zip(columns, "ab", strict=True)], {"speed": ("0.3 %", ("speed",))}
    )
    assert "pole_pairs" not in found.forms
    assert "b tells 29.0" in found.fit.missing["pole_pairs"] or "a tells 30.0" in found.fit.missing["pole_pairs"]
