"""Controller loss against a bridge stepped through time and against identities.

Sources: two wattmeters measure the power of any three-wire load (Blondel, 1893); a balanced sinusoidal load takes
sqrt(3) U I cos(phi) (IEC 60050-131); duty ratio and mean voltage of a chopped leg (any textbook of power electronics).
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.physics.bridge_power import three_phase_power, whole_periods
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.uncertainty.coverage import interval
from tests.outside import Outside
from tests.procedures.controller_runs import outcome
from tests.simulation.six_step_bridge import Bridge, LossTable

DRIVING, STANDBY = {"state": 0.0}, {"state": 1.0}


def test_two_wattmeters(outside: Outside) -> None:
    n = 30_000
    t = 2 * np.pi * np.arange(n) / n * 3
    volts, amperes, phi = 21.3, 8.7, np.deg2rad(31.0)
    phase = {name: np.sqrt(2 / 3) * volts * np.cos(t - k * 2 * np.pi / 3) for k, name in enumerate("abc")}
    line = {f"{a}{b}": phase[a] - phase[b] for a, b in ("ab", "bc", "ca")}
    current = {name: np.sqrt(2) * amperes * np.cos(t - phi - k * 2 * np.pi / 3) for k, name in enumerate("abc")}
    truth = np.sqrt(3) * volts * amperes * np.cos(phi)
    for voltages in (["ab", "bc"], ["bc", "ca"], ["ab", "ca"], ["ab", "bc", "ca"]):
        for currents in (["a", "b"], ["a", "c"], ["b", "c"], ["a", "b", "c"]):
            power = three_phase_power({k: line[k] for k in voltages}, {k: current[k] for k in currents})
            outside(
                "controller-loss",
                f"power of a balanced sinusoidal load from {'+'.join(voltages)} and {'+'.join(currents)}",
                ours=float(power.mean()),
                published=float(truth),
                allowance=1e-9 * truth,
                unit="W",
                source="IEC 60050-131: sqrt(3) U I cos(phi)",
            )


def test_whole_periods_are_not_fooled_by_ripple() -> None:
    time = np.arange(0, 0.05, 1e-6)
    rng = np.random.default_rng(1)
    current = (
        np.sin(2 * np.pi * 190 * time + 0.4) + 0.3 * np.sin(2 * np.pi * 15_700 * time) + rng.normal(0, 0.05, time.size)
    )
    begins = whole_periods(current)
    assert np.diff(time[begins]) == pytest.approx(1 / 190, rel=5e-3)


@pytest.fixture(scope="module")
def stepped() -> dict[float, object]:
    return {duty: Bridge().run(duty, seconds=0.04) for duty in (0.55, 0.7)}


def test_bridge_stepped_through_time(stepped: dict[float, object]) -> None:
    logs = [Log(f"duty {duty}", run.columns, DRIVING) for duty, run in stepped.items()]  # type: ignore[attr-defined]
    found = outcome("controller-loss", logs)
    top = stepped[0.7]
    truth = top.output_power / top.input_power  # type: ignore[attr-defined]
    cover = interval(found.forms["controller_efficiency"])
    assert cover.low < truth < cover.high
    assert cover.expanded_uncertainty < 0.006
    # The same from the losses counted where they arise, in the switches, diodes, edges and logic.
    arisen = top.conduction + top.switching + 36.0 * 0.06  # type: ignore[attr-defined]
    loss = interval(found.forms["controller_loss"])
    assert loss.low < arisen < loss.high


def test_switching_loss_is_that_of_its_edges(outside: Outside, stepped: dict[float, object]) -> None:
    top = stepped[0.7]
    # One turn-on and one turn-off per period at about the phase current, each V I t / 4 here (half of rise plus fall).
    amplitude = np.mean(np.max(np.abs([top.columns[f"current_{p}"] for p in "abc"]), axis=0))  # type: ignore[attr-defined]
    outside(
        "controller-loss",
        "switching loss of the stepped bridge",
        ours=top.switching,  # type: ignore[attr-defined]
        published=0.5 * 36.0 * amplitude * 120e-9 * 15_700,
        allowance=0.08,
        unit="W",
        source="textbook: P = V I (t_r + t_f) f / 2 for a hard-switched leg",
    )


def test_table_with_standby() -> None:
    rng = np.random.default_rng(2)
    bench = LossTable()
    output = np.repeat(np.linspace(20, 300, 12), 2)
    idle = {"supply_voltage": np.full(60, 36.0), "supply_current": 0.05 + rng.normal(0, 0.001, 60)}
    logs = [Log("loads", bench.readings(rng, output), DRIVING), Log("idle", idle, STANDBY)]
    found = outcome("controller-loss", logs, given={"nameplate_rated_power": 250.0})
    loss = float(bench.truth(np.array([250.0]))[0])
    for name, truth in (
        ("controller_loss", loss),
        ("controller_efficiency", 250 / (250 + loss)),
        ("standby_power", 1.8),
    ):
        cover = interval(found.forms[name])
        assert cover.low < truth < cover.high


def test_a_bent_loss_curve_widens_the_loss_and_not_what_was_read_at_rest() -> None:
    rng = np.random.default_rng(2)
    output = np.repeat(np.linspace(20, 300, 12), 2)
    loads = LossTable().readings(rng, output)
    loads["supply_current"] = loads["supply_current"] * (1.05 + 0.02 * np.sin(output / 40.0))
    idle = {"supply_voltage": np.full(60, 36.0), "supply_current": 0.05 + rng.normal(0, 0.001, 60)}
    found = outcome("controller-loss", [Log("loads", loads, DRIVING), Log("idle", idle, STANDBY)])
    misfits = {name: [i for i in form.terms if i.name.startswith("misfit")] for name, form in found.forms.items()}
    assert misfits["controller_loss"]
    assert not misfits["standby_power"]


def test_rated_power_beyond_the_loads_is_not_extrapolated() -> None:
    bench, output = LossTable(), np.repeat(np.linspace(20, 200, 10), 2)
    log = Log("loads", bench.readings(np.random.default_rng(3), output), DRIVING)
    found = outcome("controller-loss", [log], given={"nameplate_rated_power": 500.0})
    assert any("read at 200 W" in note or "at 200 W" in note for note in found.report.notes)
    assert "standby_power" in found.fit.missing


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda c: c | {"phase_power": -c["phase_power"]}, "no power came out"),
        (lambda c: c | {"phase_power": 1.2 * c["phase_power"]}, "more power comes out"),
        (lambda c: {k: v for k, v in c.items() if k != "phase_power"}, "two line voltages"),
        (lambda c: {k: v[:3] for k, v in c.items()}, "at least 5 loads"),
    ],
)
def test_what_cannot_be_used(change, words: str) -> None:  # type: ignore[no-untyped-def]
    columns = LossTable().readings(np.random.default_rng(4), np.linspace(20, 300, 12))
    with pytest.raises(FitError, match=words):
        outcome("controller-loss", [Log("loads", change(columns), DRIVING)])


@pytest.mark.parametrize("column", ["supply_voltage", "supply_current", "phase_power"])
@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_one_reading_off_by_ten_is_named(column: str, factor: float) -> None:
    """Ten loads at 97 % efficiency; at light load a controller takes more than that, and is none."""
    out = np.linspace(2.0, 380.0, 12)
    columns = {"supply_voltage": np.full(12, 36.0), "supply_current": (3.0 + out / 0.98) / 36.0, "phase_power": out}
    procedure = procedures()["controller-loss"]
    assert procedure.suspects(columns) == []
    columns[column] = columns[column].copy()
    columns[column][6] *= factor
    (found,) = procedure.suspects(columns)
    assert found.row == 6
    assert str(found.slip).startswith("reading 7 of supply")
    assert ("voltage" in str(found.slip)) == (column == "supply_voltage")
