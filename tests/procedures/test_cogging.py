"""Cogging against least common multiples of an independent winding library and an invented motor of magnets and slots.

Sources: swat-em, datamodel.get_lcmQP (first ordinal number of the cogging torque); a published motor of 24
slots and 20 magnets whose cogging shows in orders 20, 24 and 48 (a conference paper on cogging with
manufacturing tolerances). The simulated torque is a sum over pairs of magnet edge and slot opening, so its
orders are not put in by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.physics import cogging
from rotorproof.procedures.base import Log
from rotorproof.procedures.cogging import PROCEDURE
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Form
from tests.simulation.cogging import CoggingTruth, cogging_log


def outcome(*logs: Log, slots: int | None = 12, poles: int | None = 10, gear: float | None = None) -> Outcome:
    given = {}
    if gear:
        given["nameplate_gear_ratio"] = Form(gear)
    if slots and poles:
        given |= {"nameplate_slots": Form(float(slots)), "nameplate_pole_pairs": Form(poles / 2)}
    return run(PROCEDURE, logs, label="log", unit="U", given=given, instruments=[], uncertain_conditions={})


@pytest.mark.parametrize(("slots", "pole_pairs"), [(12, 5), (9, 4), (51, 23), (36, 20), (63, 28), (27, 10)])
def test_ideal_order_agrees_with_an_independent_library(slots: int, pole_pairs: int) -> None:
    from swat_em import datamodel

    winding = datamodel()
    winding.set_machinedata(Q=slots, p=pole_pairs, m=3)
    winding.genwdg(Q=slots, P=2 * pole_pairs, m=3, layers=2, w=1)
    assert cogging.ideal_order(slots, 2 * pole_pairs) == winding.get_lcmQP()


@pytest.mark.parametrize(("order", "words"), [(20, "teeth differ"), (24, "magnets differ"), (48, "magnets differ")])
def test_orders_of_a_published_motor_are_named(order: int, words: str) -> None:
    assert words in cogging.cause(order, 24, 20)


@pytest.mark.parametrize(
    ("order", "words"), [(264, "of the design"), (53, "magnets differ"), (44, "teeth differ"), (4, "before the gear")]
)
def test_orders_of_a_geared_motor_count_at_its_output(order: int, words: str) -> None:
    # 12 slots, 10 poles: 60, 12 and 10 periods a turn of the motor, times 4.4 a turn of the wheel.
    assert words in cogging.cause(order, 12, 10, 4.4)


@pytest.mark.parametrize("gear", [4.4, 5.0])
def test_cogging_behind_a_gear(gear: float) -> None:
    angle = np.radians(np.arange(0.0, 396.0, 0.05))
    there, way = np.concatenate([angle, angle[::-1]]), np.repeat([1.0, -1.0], angle.size)
    order = 60 * gear
    torque = 0.1 * np.sin(order * there) + 0.02 * np.sin(10 * gear * there) + 0.3 * way
    torque += np.random.default_rng(3).normal(0.0, 0.008, there.size)
    found = outcome(Log("log", {"angle": there, "torque": torque}), gear=gear)
    assert found.forms["cogging_order"].value == order
    # Two sines, one of which has many periods within the other: their heights add up.
    assert found.forms["cogging_torque"].value == pytest.approx(0.24, rel=0.02)
    assert found.forms["static_friction"].value == pytest.approx(0.3, rel=0.01)


def test_peak_to_peak_of_a_known_sum() -> None:
    # sin x + sin 3x /3: extremes at 45 deg, 2 (sqrt(1/2) + sqrt(1/2)/3).
    found, _ = cogging.peak_to_peak(np.array([1, 3]), np.zeros(2), np.array([1.0, 1 / 3]))
    assert found == pytest.approx(2 * np.sqrt(0.5) * 4 / 3, rel=1e-4)


@pytest.mark.parametrize(("slots", "poles"), [(12, 10), (9, 8)])
def test_exact_count_of_periods(slots: int, poles: int) -> None:
    truth = CoggingTruth(slots=slots, poles=poles, magnet_scatter=0.02, seed=3)
    found = outcome(Log("log", cogging_log(truth, np.random.default_rng(1))), slots=slots, poles=poles)
    order = found.forms["cogging_order"]
    assert order.value == slots * poles / np.gcd(slots, poles)
    assert order.standard_uncertainty == 0


def test_noise_does_not_make_cogging() -> None:
    truth = CoggingTruth(seed=1)
    columns = cogging_log(truth, np.random.default_rng(2), noise=0.04)
    forth = columns["torque"][: columns["torque"].size // 2]
    assert np.ptp(forth) > 2.2 * truth.peak_to_peak()  # what a plain maximum less minimum would give
    cover = interval(outcome(Log("log", columns)).forms["cogging_torque"])
    assert cover.low <= truth.peak_to_peak() <= cover.high
    assert cover.high < 1.3 * truth.peak_to_peak()


def test_faults_show_in_their_orders() -> None:
    def orders(truth: CoggingTruth) -> dict[int, str]:
        found = outcome(Log("log", cogging_log(truth, np.random.default_rng(3))))
        rows = found.report.details["cogging_torque"]["harmonics"]
        return {row["order"]: row["cause"] for row in rows}

    assert "magnets differ" in orders(CoggingTruth(missing_magnets=1))[12]
    assert "teeth differ" in orders(CoggingTruth(slot_scatter=0.1, seed=2))[10]
    assert "bent shaft" in orders(CoggingTruth(unbalance=0.05))[1]
    assert set(orders(CoggingTruth())) <= {60, 120, 180, 240}


def test_one_turn_component_is_not_counted_as_cogging() -> None:
    sound, bent = (
        outcome(Log("log", cogging_log(CoggingTruth(unbalance=u), np.random.default_rng(4)))).forms for u in (0.0, 0.1)
    )
    assert bent["cogging_torque"].value == pytest.approx(sound["cogging_torque"].value, rel=0.03)


def test_force_on_a_lever_and_two_logs_with_stated_directions() -> None:
    columns = cogging_log(CoggingTruth(), np.random.default_rng(5), turns=1.1)
    half = columns["angle"].size // 2
    arm = {"lever_arm": 0.2}
    parts = [
        {"angle": columns["angle"][rows], "force": columns["torque"][rows] / 0.2}
        for rows in (slice(0, half), slice(half, None))
    ]
    both = outcome(Log("forth", parts[0], arm | {"direction": 1.0}), Log("back", parts[1], arm | {"direction": -1.0}))
    whole = outcome(Log("log", columns))
    for name in ("cogging_torque", "static_friction"):
        assert both.forms[name].value == pytest.approx(whole.forms[name].value, rel=0.03)
    with pytest.raises(FitError, match="lever_arm"):
        outcome(Log("forth", parts[0]))


def test_one_direction_gives_no_friction() -> None:
    columns = {k: v[: v.size // 2] for k, v in cogging_log(CoggingTruth(), np.random.default_rng(6)).items()}
    found = outcome(Log("forth", columns))
    assert set(found.forms) == {"cogging_torque", "cogging_order"}
    assert "turn back too" in found.fit.missing["static_friction"]


def test_a_torque_that_never_varies_is_refused() -> None:
    angle = np.linspace(0, 4 * np.pi, 2000)
    for torque in (0.0, 0.25):
        with pytest.raises(FitError, match="never varies"):
            outcome(Log("log", {"angle": angle, "torque": np.full(angle.size, torque)}))


def test_part_of_a_turn_is_refused() -> None:
    with pytest.raises(FitError, match=r"0\.7\d of a turn"):
        outcome(Log("log", cogging_log(CoggingTruth(), np.random.default_rng(7), turns=0.75)))


def test_hand_written_table_of_ten_degree_steps_is_a_whole_turn() -> None:
    angle = np.radians(np.arange(0.0, 360.0, 5.0))
    wave = 0.3 * np.sin(12 * angle)
    columns = {
        "angle": np.concatenate([angle, angle[::-1]]),
        "torque": np.concatenate([wave + 0.1, wave[::-1] - 0.1]) + 0.01 * np.random.default_rng(8).normal(size=144),
    }
    found = outcome(Log("table", columns), slots=6, poles=4).forms
    assert found["cogging_order"].value == 12
    assert found["cogging_torque"].value == pytest.approx(0.6, rel=0.03)
    assert found["static_friction"].value == pytest.approx(0.1, rel=0.05)


def test_nothing_but_noise_gives_no_cogging_and_says_so() -> None:
    columns = cogging_log(CoggingTruth(pair_torque=0.0), np.random.default_rng(9))
    found = outcome(Log("log", columns))
    assert set(found.forms) == {"static_friction"}
    assert "stands out of the noise" in found.fit.missing["cogging_torque"]


def test_directions_that_disagree_are_pointed_out() -> None:
    columns = cogging_log(CoggingTruth(), np.random.default_rng(10), wrapped=False)
    half = columns["angle"].size // 2
    columns["angle"][half:] += np.radians(2.0)  # backlash of a third of a cogging period
    found = outcome(Log("log", columns))
    assert any("backlash" in problem.message for problem in found.report.warnings)
