"""A result that cannot be is refused with its likely cause, and no criterion passes on it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.fitting.admitted import admit_all, admitted
from rotorproof.procedures import procedures
from rotorproof.quantities import quantities
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.monte_carlo import Simulation
from rotorproof.uncertainty.result import Result
from tests.procedures.runs import outcome

NOISE = Influence("noise", "noise")


def said(name: str, value: float, u: float) -> tuple[str, str]:
    state, _, words = admitted(name, Result(Form(value, {NOISE: u} if u else {})), 0.95)
    return state, words


def test_each_quantity_says_what_it_can_be() -> None:
    """An end beyond which nothing lies, words for all that it may be, or why neither: one of them, never none."""
    for name, quantity in quantities().items():
        ends = math.isfinite(quantity.least) or math.isfinite(quantity.most)
        said = [ends, bool(quantity.meanings), bool(quantity.no_bound)]
        assert sum(said) == 1, f"{name}: state 'least' or 'most', or in 'no_bound' why it has neither"
        assert quantity.least < quantity.most, name
        assert not quantity.whole or quantity.least >= 0, f"{name} is a count"


@pytest.mark.parametrize(
    ("name", "value", "u", "cause"),
    [
        ("temperature_rise", -12.0, 1.0, "exchanged"),
        ("viscous_decay_rate", -0.4, 0.1, "driven while it should coast"),
        ("supply_hysteresis", -1.5, 0.2, "swept too fast"),
        ("supply_current_limit", -15.0, 0.1, "sign"),
        ("pole_pairs", 0.0, 0.0, "sign"),
    ],
)
def test_what_cannot_be_is_refused(name: str, value: float, u: float, cause: str) -> None:
    state, words = said(name, value, u)
    assert state == "impossible"
    assert cause in words


def test_a_fault_shows_as_what_it_is() -> None:
    """Overlapping gates, and a motor that runs with its throttle released, are results: a limit judges them."""
    assert said("dead_time_min", -200e-9, 10e-9)[0] == "possible"
    assert said("throttle_deadband", -0.1, 0.01)[0] == "possible"


def test_the_words_name_end_and_cause() -> None:
    state, words = said("coulomb_friction", -0.0165, 0.0074)
    assert state == "impossible"
    assert "−0.031 to −0.002 N·m, which cannot be" in words
    assert "current" in words and "standby" in words
    state, words = said("efficiency_max", 1.178, 0.03)
    assert state == "impossible"
    assert "more comes out than goes in" in words
    assert "100 %" in words


def test_a_cut_is_noted() -> None:
    state, words = said("coulomb_friction", 0.004, 0.005)
    assert state == "cut"
    assert words == (
        "The readings alone give −0.0058 to 0.0138 N·m; cut at 0 N·m, beyond which it cannot lie (JCGM 106:2012, 6.2)."
    )


def test_a_count_that_errors_change_is_not_settled() -> None:
    state, words = said("fault_cases_without_stop", 3.0, 2.2)
    assert state == "impossible"
    assert "from −1.31 to 7.31" in words or "not settled" in words
    assert said("fault_cases_without_stop", 3.0, 0.0)[0] == "possible"


def test_a_current_read_too_small_leaves_no_friction_rather_than_a_negative_one() -> None:
    """A no-load run whose ammeter lost 0.4 A of every reading: friction comes out below zero, all else stands."""
    speed = np.linspace(5.0, 25.0, 10)
    resistance, emf = 0.1, 1.2
    true = (0.4 + 0.01 * speed) / emf
    voltage = emf * speed + 2 * resistance * true
    columns = {
        "supply_voltage": voltage,
        "supply_current": true - 0.4 + 1e-4 * np.tile([1.0, -1.0], 5),
        "speed": speed,
    }
    conditions = {"winding_temperature": 20.0, "standby_power": 0.0}
    found = outcome(procedures()["no-load"], [(columns, conditions)], phase_resistance=resistance)
    assert "coulomb_friction" not in found.forms
    assert "which cannot be" in found.fit.missing["coulomb_friction"]
    assert "coulomb_friction" in found.fit.refused
    assert "emf_constant_dc" in found.forms


def test_a_predicted_value_is_bounded_as_a_fitted_one() -> None:
    forms = {
        "pack_top_torque": Form(-3.0, {NOISE: 0.1}),
        "pack_road_speed": Form(0.5, {NOISE: 0.5}),
        "dead_time_share": Form(0.01, {NOISE: 0.001}),
    }
    simulated: dict[str, Simulation] = {}
    refused, notes = admit_all(forms, simulated, 0.95)
    assert set(refused) == {"pack_top_torque"}
    assert "which cannot be" in refused["pack_top_torque"]
    assert set(forms) == {"pack_road_speed", "dead_time_share"}
    assert "cut at 0 km/h" in notes["pack_road_speed"]
    assert simulated["pack_road_speed"].low == 0.0
    assert "dead_time_share" not in notes
