"""Locked-rotor torque of an invented motor whose iron has a knee, which the fitted shape does not know.

Sources: power balance (torque per ampere of DC equals the DC back-EMF constant); a sinusoidal wave has a mean of 3/pi
of its peak over one commutation step (mathematics).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import t as student

from rotorproof.errors import FitError
from rotorproof.physics import stall
from rotorproof.procedures.locked_rotor import PROCEDURE
from tests.outside import Outside
from tests.procedures.runs import outcome
from tests.simulation.mechanical_runs import ACCURACY, stall_table

SINE = {"emf_harmonic_5": 0.0, "emf_harmonic_7": 0.0}
COLD = {"magnet_temperature": 20.0}
MEAN, PEAK = {"rotor_position": 0.0}, {"rotor_position": 1.0}
CURRENTS = np.repeat(np.linspace(2, 50, 16), 2)


def test_a_straight_line_names_no_saturation() -> None:
    current = np.repeat(np.linspace(1, 15, 10), 2)
    result = outcome(PROCEDURE, [(stall_table(np.random.default_rng(0), 0.95 * current, current, 0.2), MEAN)], ACCURACY)
    assert "saturation_current" not in result.forms
    assert "does not fall measurably" in result.fit.missing["saturation_current"]


@pytest.mark.parametrize("fall", [0.003, 0.006, 0.02])
def test_a_fall_that_hardly_shows_gives_no_knee_and_no_refusal(fall: float) -> None:
    # T = k I (1 + (I/I_k)^n)^(-1/n), iron of a soft bend (n = 2) and of a knee (n = 5), read to 0.1 % of the most.
    current = np.repeat(np.linspace(2.0, 20.0, 9), 2)
    off = []
    for n in (2.0, 5.0):
        share = (1.0 + ((1.0 - fall) ** -n - 1.0) * (current / 20.0) ** n) ** (-1.0 / n)
        for seed in range(8):
            torque = current * share + 0.02 * np.random.default_rng(seed).standard_normal(18)
            form = outcome(PROCEDURE, [({"torque": torque, "current_ab": current}, MEAN | COLD)]).forms[
                "torque_constant"
            ]
            off.append((form.value - 1.0) / form.standard_uncertainty)
    assert np.sqrt(np.mean(np.square(off))) < 1.4
    assert np.max(np.abs(off)) < 3.5


def test_the_slope_at_small_current_is_not_drawn_down_by_the_bend_that_is_usual() -> None:
    # Iron whose field the current crosses bends with n = 2, on the blunt side of what is usual: not the mean of them.
    current = np.repeat(np.linspace(2.0, 20.0, 9), 2)
    for fall in (0.03, 0.06):
        share = (1.0 + ((1.0 - fall) ** -2.0 - 1.0) * (current / 20.0) ** 2.0) ** -0.5
        off, error = [], []
        for seed in range(24):
            torque = current * share + 0.02 * np.random.default_rng(seed).standard_normal(18)
            found = stall.fit_stall(current, torque, np.zeros(18, int))
            off.append(found.slopes[0] - 1.0)
            error.append(float(np.sqrt(found.estimates.covariance[1, 1])))
        assert abs(np.mean(off)) < 0.5 * np.mean(error)
        assert np.sqrt(np.mean(np.square(off))) < 1.3 * np.mean(error)


def test_a_repeat_follows_the_scale_of_current_and_torque() -> None:
    current = np.repeat(np.linspace(2.0, 30.0, 9), 2)
    torque = current * (1.0 + (current / 40.0) ** 2) ** -0.5 + 0.02 * np.random.default_rng(3).standard_normal(18)
    place = np.zeros(18, int)
    first = stall.fit_stall(current, torque, place)
    again = stall.fit_stall(1.02 * current, 1.01 * torque, place, first)
    assert again.slopes == pytest.approx(first.slopes * 1.01 / 1.02, rel=1e-7)
    assert first.bend is not None and again.bend is not None
    assert again.bend == pytest.approx(first.bend * np.array([1.02, 1.0]), rel=1e-6)


def test_a_fall_that_places_no_saturation_current_is_said_to() -> None:
    # A fall of 0.6 % at the highest current, read to 0.1 % of the greatest torque: a tenth lies at two to six times it.
    current = np.repeat(np.linspace(2.0, 20.0, 9), 2)
    share = (1.0 + (0.994**-2.0 - 1.0) * (current / 20.0) ** 2.0) ** -0.5
    said = []
    for seed in range(6):
        torque = current * share + 0.02 * np.random.default_rng(seed).standard_normal(18)
        result = outcome(PROCEDURE, [({"torque": torque, "current_ab": current}, MEAN | COLD)])
        assert "saturation_current" not in result.forms
        said.append(result.fit.missing["saturation_current"])
        droop = result.forms["torque_droop"]
        assert abs(droop.value - 0.006) < 3.0 * droop.standard_uncertainty
    assert any("too little to tell" in words for words in said)


def test_late_sensors_take_a_share_that_is_given_back(outside: Outside) -> None:
    current = np.linspace(1, 10, 8)
    columns = {"torque": 1.0 * current, "supply_current": 0.5 * current, "duty": np.full(8, 0.5)}
    late = math.radians(6.0)
    sine = SINE | {"hall_offset": late}
    outside(
        "torque_constant",
        "torque per ampere averaged over steps that begin and end 6 degrees late, sinusoidal wave",
        ours=outcome(PROCEDURE, [(columns, MEAN | COLD)], None, **sine).forms["torque_constant"].value,
        published=1.0 / math.cos(late),
        allowance=1e-9,
        source="mathematics: mean of a cosine over 60 degrees about 6 degrees",
        unit="N m/A",
    )
    found = outcome(PROCEDURE, [(columns, MEAN | COLD)], None, **sine)
    assert any("take 0.55 % from the mean, which is given back" in note for note in found.report.notes)
    away = np.radians([2.0, -1.0, -1.0])
    wave = np.linspace(-np.pi, np.pi, 400001)
    shape = np.cos(wave) + 0.04 * np.cos(5 * wave) - 0.01 * np.cos(7 * wave)
    # Six steps by edges e_j + what each sensor adds, integrated by brute force.
    edges = np.repeat(away, 2)[[0, 2, 4, 1, 3, 5]]
    whole = sum(
        np.sum(shape[(wave >= -np.pi / 6 + edges[j]) & (wave < np.pi / 6 + edges[(j + 1) % 6])]) for j in range(6)
    )
    best = 6 * np.sum(shape[np.abs(wave) < np.pi / 6])
    assert stall.step_share(0.0, away, 0.04, -0.01) == pytest.approx(whole / best, abs=2e-5)


FED = np.linspace(1, 10, 8)
HALF = {"supply_current": 0.5 * FED, "duty": np.full(8, 0.5)}


@pytest.mark.parametrize("degrees", [6.0, 12.0, 25.0])
@pytest.mark.parametrize(
    ("columns", "state", "given_back", "doubt"),
    [
        (HALF, MEAN, 1.0, 0.0),
        ({"current_ab": FED}, MEAN | {"fed_by": 1.0}, 1.0, 0.0),
        ({"current_ab": FED}, MEAN | {"drive": 0.0}, 1.0, 0.0),
        # Two lines at a supply, as the bench sheet draws it: no sensor switches anything.
        ({"current_ab": FED}, MEAN | {"fed_by": 0.0}, 0.0, 0.0),
        ({"supply_current": FED}, MEAN | {"fed_by": 0.0}, 0.0, 0.0),
        ({"supply_current": FED}, MEAN, 0.0, 0.0),
        ({"current_a": FED}, PEAK, 0.0, 0.0),
        # It may be either, or one position that nobody stated.
        ({"current_ab": FED}, MEAN, 0.0, 1.0),
        ({"current_a": FED}, MEAN, 0.0, 1.0),
        ({"current_ab": FED}, {}, 0.0, 1.0),
        (HALF, {}, 0.0, 1.0),
    ],
)
def test_late_sensors_take_nothing_where_they_switched_nothing(
    columns: dict[str, np.ndarray], state: dict[str, float], given_back: float, doubt: float, degrees: float
) -> None:
    wave = {"emf_constant_dc": 1.0, "emf_constant_peak": 1.0} if state is PEAK else {}
    late = math.radians(degrees)
    found = outcome(PROCEDURE, [({"torque": FED} | columns, state | COLD)], None, **SINE, **wave, hall_offset=late)
    form, lost = found.forms["torque_constant"], 1.0 / math.cos(late) - 1.0  # mathematics: mean of a late cosine
    assert form.value == pytest.approx(1.0 + given_back * lost)
    plain = outcome(PROCEDURE, [({"torque": FED} | columns, state | COLD)], None, **SINE, **wave).forms
    beside = np.sqrt(form.standard_uncertainty**2 - (form.value * plain["torque_constant"].standard_uncertainty) ** 2)
    assert beside == pytest.approx(doubt * lost / math.sqrt(3.0), abs=1e-6)
    said = " ".join(found.report.notes)
    assert ("which is given back" in said) == (given_back > 0)
    assert ("held as a doubt" in said) == (doubt > 0)


def test_sensors_that_nobody_measured_are_a_doubt_that_is_said() -> None:
    found = outcome(PROCEDURE, [({"torque": FED} | HALF, MEAN | COLD)])
    cover = found.result("torque_constant").interval(0.95)
    assert found.forms["torque_constant"].value == pytest.approx(1.0)
    # Nothing to 4 degrees either way: 1/cos(4 deg) is 1.0024 (mathematics).
    assert cover.high > 1.0015
    said = " ".join(found.report.notes)
    assert "Assumed: the controller changes from phase to phase within 4 electrical degrees" in said
    assert "given back" not in said
    direct = outcome(PROCEDURE, [({"torque": FED, "current_ab": FED}, MEAN | COLD)])
    assert "Assumed: the controller" not in " ".join(direct.report.notes)


def test_a_duty_with_two_lines_at_the_supply_is_refused() -> None:
    with pytest.raises(FitError, match="fed_by"):
        outcome(PROCEDURE, [({"torque": FED} | HALF, MEAN | {"fed_by": 0.0})])


@pytest.mark.parametrize(
    ("n", "fall", "scatter"), [(1.0, 0.01, 0.01), (1.0, 0.02, 0.02), (1.5, 0.01, 0.02), (3.0, 0.005, 0.01)]
)
def test_a_fall_whose_bend_is_refused_is_held(n: float, fall: float, scatter: float) -> None:
    # T = I (1 + (I/I_k)^n)^(-1/n): iron from Froehlich's curve (n = 1) to one with a knee.
    # Of 505 refused among 3000 draws (n 1, 1.5, 2, 3, 5; fall 0.5 to 3 %; scatter 0.01 to 0.04 N m) a cubic
    # with scatter alone held 374, the likely bends with their doubt 500; of 150 at n = 1, 60 and 145.
    current = np.repeat(np.linspace(2.0, 20.0, 9), 2)
    share = (1.0 + ((1.0 - fall) ** -n - 1.0) * (current / 20.0) ** n) ** (-1.0 / n)
    held = []
    for seed in range(120):
        torque = current * share + scatter * np.random.default_rng(seed).standard_normal(18)
        fitted = stall.fit_stall(current, torque, np.zeros(18, int))
        if not fitted.placed and len(held) < 40:
            found = stall.fall(current, torque, np.zeros(18, int), fitted)
            spread = np.sqrt(found.variance + found.doubt**2 / 3.0)
            held.append(abs(found.share - fall) < student.ppf(0.975, found.freedom) * spread)
    # 95 in a hundred: of 28 to 40, fewer than 80 % in one of a thousand (binomial).
    assert len(held) >= 28 and np.mean(held) > 0.8


def test_the_doubt_of_a_fall_reaches_its_interval() -> None:
    current = np.repeat(np.linspace(2.0, 20.0, 9), 2)
    torque = current / (1.0 + (1.0 / 0.99 - 1.0) * current / 20.0)
    torque = torque + 0.01 * np.random.default_rng(1).standard_normal(18)
    found = outcome(PROCEDURE, [({"torque": torque, "current_ab": current}, MEAN | COLD)])
    assert "saturation_current" not in found.forms
    cover = found.result("torque_droop").interval(0.95)
    assert cover.low < 0.01 < cover.high < 0.03


def test_force_on_a_lever_is_torque() -> None:
    current = np.linspace(1, 10, 8)
    columns = {"force": 0.9 * current / 0.25, "current_ab": current}
    result = outcome(PROCEDURE, [(columns, MEAN | {"lever_arm": (0.25, 0.0005), "magnet_temperature": 20.0})])
    assert result.forms["torque_constant"].value == pytest.approx(0.9)
    assert result.forms["torque_constant"].standard_uncertainty == pytest.approx(0.9 * 0.0005 / 0.25, rel=1e-3)
    with pytest.raises(FitError, match="lever_arm"):
        outcome(PROCEDURE, [(columns, MEAN)])


@pytest.mark.parametrize("logged", ["ab", "abc"])
def test_phase_currents_of_a_field_oriented_drive_give_its_q_axis_current(logged: str) -> None:
    # One position of the rotor, 20 electrical degrees: T = k_q i_q (N. Mohan, Advanced Electric Drives: 1.5 p psi i_q).
    size = np.linspace(2.0, 20.0, 10)
    turn = dict(zip("abc", np.radians(20.0 - 120.0 * np.arange(3)), strict=True))
    columns = {"torque": 0.8 * size} | {f"current_{k}": size * np.cos(turn[k]) for k in logged}
    result = outcome(PROCEDURE, [(columns, MEAN | {"drive": 1.0, "magnet_temperature": 20.0})])
    assert result.forms["torque_constant_q"].value == pytest.approx(0.8)
    assert "torque_constant" not in result.forms
    with pytest.raises(FitError, match="field-oriented"):
        outcome(PROCEDURE, [({"torque": 0.8 * size, "supply_current": size}, MEAN | {"drive": 1.0})])


def test_torque_read_at_its_peak_is_brought_to_the_mean_of_the_wave(outside: Outside) -> None:
    current = np.linspace(1, 10, 8)
    columns = {"torque": 1.0 * current, "current_ab": current}
    alone = outcome(PROCEDURE, [(columns, PEAK)])
    assert "torque_constant" not in alone.forms
    assert "open-circuit" in alone.fit.missing["torque_constant"]
    result = outcome(PROCEDURE, [(columns, PEAK | COLD)], emf_constant_dc=3 / np.pi, emf_constant_peak=1.0)
    outside(
        "torque_constant",
        "torque per ampere over one commutation step, of its peak, sinusoidal wave",
        ours=result.forms["torque_constant"].value,
        published=np.mean(np.cos(np.linspace(-np.pi / 6, np.pi / 6, 200001))),
        allowance=1e-5,
        source="mathematics: mean of a cosine over its top 60 degrees",
        unit="N m/A",
    )


def test_rotor_positions_are_averaged() -> None:
    rng = np.random.default_rng(1)
    steps = np.deg2rad(np.arange(-25, 30, 10.0))
    columns = [stall_table(rng, 1.1 * np.cos(a) * CURRENTS[::2], CURRENTS[::2], 0.3 * np.sin(9 * a)) for a in steps]
    joined = {name: np.concatenate([c[name] for c in columns]) for name in columns[0]}
    joined["angle"] = np.repeat(steps / 23, CURRENTS[::2].size)
    result = outcome(PROCEDURE, [(joined, {})])
    assert result.forms["torque_constant"].value == pytest.approx(1.1 * np.mean(np.cos(steps)), rel=0.01)
    assert "6 rotor positions" in " ".join(result.report.notes)
    assert not result.report.warnings


def test_an_unstated_position_is_warned_of() -> None:
    current = np.linspace(1, 10, 8)
    result = outcome(PROCEDURE, [({"torque": current, "current_ab": current}, {})])
    assert "rotor_position" in result.report.warnings[0].message


def test_a_supply_current_without_duty_is_warned_of() -> None:
    supply = np.linspace(0.1, 1.0, 8)
    columns = {"torque": 0.9 * 10 * supply, "supply_current": supply}
    (warning,) = outcome(PROCEDURE, [(columns, MEAN)]).report.warnings
    assert "log 'duty'" in warning.message
    chopped = outcome(PROCEDURE, [(columns | {"duty": np.full(8, 0.1)}, MEAN | COLD)])
    assert not chopped.report.warnings
    assert chopped.forms["torque_constant"].value == pytest.approx(0.9)


STALL = np.linspace(1.0, 12.0, 10)
SMALL = 0.004 * np.tile([1.0, -1.0], 5)


@pytest.mark.parametrize(
    ("columns", "chosen", "words"),
    [
        # A meter in each line, lines B and C fed: the first column holds nothing but noise.
        ({"current_a": SMALL, "current_b": STALL, "current_c": -STALL}, "current B", "not used: current A, C"),
        ({"current_a": SMALL, "current_c": STALL}, "current C", "not used: current A"),
        ({"current_a": STALL, "supply_current": 0.1 * STALL}, "current A", "not used: supply current"),
        ({"current_ab": SMALL, "current_ca": STALL}, "current C-A", "direct current through a pair of lines"),
        ({"current_ab": STALL, "current_a": STALL}, "current A-B", "not used: current A"),
    ],
)
def test_the_current_that_flows_is_taken_and_named(columns: dict[str, np.ndarray], chosen: str, words: str) -> None:
    result = outcome(PROCEDURE, [({"torque": 0.9 * STALL} | columns, MEAN | COLD)], ACCURACY)
    assert result.forms["torque_constant"].value == pytest.approx(0.9, rel=1e-6)
    (note,) = (one for one in result.report.notes if one.startswith("Current taken: "))
    assert note.startswith(f"Current taken: {chosen} (") and words in note


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        # Three lines of a field-oriented drive at standstill, at 20 degrees electrical.
        (
            {f"current_{k}": STALL * np.cos(0.35 - n * 2 * np.pi / 3) for n, k in enumerate("abc")},
            "through all three lines",
        ),
        ({"current_a": STALL, "current_b": -0.5 * STALL}, "through all three lines"),
        ({"current_ab": STALL, "current_bc": 0.7 * STALL}, "one pair of lines at a time"),
    ],
)
def test_currents_that_are_no_direct_current_through_two_lines_are_refused(
    columns: dict[str, np.ndarray], words: str
) -> None:
    with pytest.raises(FitError, match=words):
        outcome(PROCEDURE, [({"torque": 0.9 * STALL} | columns, MEAN)])


def test_a_q_axis_current_in_rms_is_told_by_the_back_emf() -> None:
    # Power balance of the two-axis model: torque per ampere of the peak is sqrt(3)/2 of the peak line-to-line EMF.
    peak = 1.1
    torque = np.sqrt(0.75) * peak * STALL
    for shown, warned in ((STALL, False), (STALL / np.sqrt(2), True)):
        columns = {"torque": torque, "current_q": shown}
        result = outcome(PROCEDURE, [(columns, MEAN)], emf_constant_peak=peak)
        assert any("RMS" in problem.message for problem in result.report.warnings) is warned
        assert "(not RMS)" in result.report.notes[0]


def test_agreement_with_the_back_emf_is_noted() -> None:
    current = np.linspace(1, 10, 8)
    columns = {"torque": 0.9 * current, "current_ab": current}
    result = outcome(PROCEDURE, [(columns, MEAN | COLD)], emf_constant_dc=0.92)
    assert "0.9783" in " ".join(result.report.notes)


@pytest.mark.parametrize(
    ("columns", "word"),
    [
        ({"torque": np.linspace(0, 1, 8), "current_ab": np.zeros(8)}, "zero throughout"),
        ({"torque": -np.linspace(0, 1, 8), "current_ab": np.linspace(0, 5, 8)}, "signs"),
        ({"torque": np.full(8, 2.0), "current_ab": np.full(8, 5.0)}, "do not vary enough"),
    ],
)
def test_readings_that_determine_nothing_are_refused(columns: dict[str, np.ndarray], word: str) -> None:
    with pytest.raises(FitError, match=word):
        outcome(PROCEDURE, [(columns, MEAN)])
